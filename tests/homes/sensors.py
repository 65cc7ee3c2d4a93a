"""What the monitors of many homes say: late, one after the other, in steps, with errors of their own."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from tests.homes.cells import Array, Banks, Flags

PER_PAGE: Final = 3
"""So many cells are measured, and told, together."""

PIECES: Final = 8
"""So many half seconds of the past may be told of."""


@dataclass
class Errors:
    """Of the sensors.

    Attributes:
        offset_v, noise_v: of each cell, and the most by which it comes and goes in each home.
        cell_step_v: step of the cells of each home.
        pack_offset_v: of each bank's whole voltage.
        gain, zero_a, amp_step: of each home's current sensors.
        age, amp_age: of cells and currents when they are told, in pieces of half a second.
        round_s: the cells are measured one after the other, each once in so many seconds.
        stamped: a cell comes in when it was measured; else all are told each second, old or new.
    """

    offset_v: Array
    noise_v: Array
    cell_step_v: Array
    pack_offset_v: Array
    gain: Array
    zero_a: Array
    amp_step: Array
    age: "npt.NDArray[np.int64]"
    amp_age: "npt.NDArray[np.int64]"
    round_s: "npt.NDArray[np.int64]"
    stamped: Flags


@dataclass
class Seen:
    """What is told of all homes in one second: by bank, and by cell; `came_s`: when each came in."""

    cells_v: Array
    came_s: Array
    pack_v: Array
    current_a: Array


class Sensors:
    """Takes the truth each half second, tells each second."""

    def __init__(self, errors: Errors, banks: Banks, random: np.random.Generator) -> None:
        self._e, self._random = errors, random
        self._past = [(banks.cells_v, banks.flows_a)] * PIECES
        self._rows = np.arange(len(errors.gain))
        self._turn = (
            np.arange(banks.cells_v.shape[2])[None, None, :] // PER_PAGE % errors.round_s[:, None, None]
        )
        self._shown_v = self._measured(errors.age)
        self._came_s = np.zeros(banks.cells_v.shape)

    def take(self, banks: Banks) -> None:
        """The truth, every half second."""
        self._past = [*self._past[1:], (banks.cells_v, banks.flows_a)]

    def _measured(self, age: "npt.NDArray[np.int64]") -> Array:
        e = self._e
        true_v = np.stack([volts for volts, _ in self._past])[PIECES - 1 - age, self._rows]
        noise = self._random.uniform(-1.0, 1.0, true_v.shape) * e.noise_v[:, None, None]
        step = e.cell_step_v[:, None, None]
        return np.asarray(np.round(np.round((true_v + e.offset_v + noise) / step) * step, 4))

    def seen(self, n: int) -> Seen:
        """What is told in second `n`."""
        e = self._e
        renewed = n % e.round_s[:, None, None] == self._turn
        self._shown_v = np.where(renewed, self._measured(e.age), self._shown_v)
        self._came_s = np.where(renewed | ~e.stamped[:, None, None], float(n), self._came_s)
        past_v = np.stack([volts for volts, _ in self._past])[PIECES - 1 - e.amp_age, self._rows]
        past_a = np.stack([amps for _, amps in self._past])[PIECES - 1 - e.amp_age, self._rows]
        pack_v = np.round((past_v.sum(axis=2) + e.pack_offset_v) / 0.01) * 0.01
        step = e.amp_step[:, None]
        amps = np.round((past_a * e.gain[:, None] + e.zero_a[:, None]) / step) * step
        return Seen(self._shown_v, self._came_s, np.round(pack_v, 3), np.round(amps, 2))
