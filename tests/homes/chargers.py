"""What charges a home's battery: up to three devices, each with manners of its own, and the loads behind
the first.

A device gives what its source gives, less what its limits leave of it. The loads are fed beside the battery:
what the first device gives is y + x, y for the battery, towards what limits and source allow, and x for the
loads, which follows them with the lag. So a load that comes takes from the battery, and one that goes leaves
its current to it, until the device has answered; no limit can prevent that.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from tests.homes.cells import Array, Banks, Flags

PIECE_S: Final = 0.5
MEMORY: Final = 24
"""So many pieces of the past are remembered: limits of longer ago are forgotten."""


@dataclass
class Manners:
    """Of the devices, homes by devices; V, A, s and Ohm.

    Attributes:
        there: whether there is such a device.
        share: of the charge current limit that it is told, and of the source that it has.
        lag_s, second_s: time constants of its answer; the second is 0 in one of first order.
        dead: pieces of time that a limit takes to it.
        every: it takes up a limit only once in so many pieces, the first time after `phase`.
        reads_v: how far the terminals stand above what it was told.
        volt_step, amp_step: what it can set, towards the safe side.
        least_a, back_s: below the first it gives nothing; then it is back so long after it is allowed more.
        obeys_v, obeys_a: the limits it heeds.
        cable_ohm: between it and the battery.
    """

    there: Flags
    share: Array
    lag_s: Array
    second_s: Array
    dead: "npt.NDArray[np.int64]"
    every: "npt.NDArray[np.int64]"
    phase: "npt.NDArray[np.int64]"
    reads_v: Array
    volt_step: Array
    amp_step: Array
    least_a: Array
    back_s: Array
    obeys_v: Flags
    obeys_a: Flags
    cable_ohm: Array

    @property
    def told_s(self) -> Array:
        """What a careful owner would tell of it as its time constant, of each home."""
        times = (self.dead + self.every - 1) * PIECE_S + self.lag_s + self.second_s
        return np.asarray(np.where(self.there, times, 0.0).max(axis=1))

    @property
    def answer_s(self) -> Array:
        """How long a limit may take, at most, until it holds, of each home."""
        times = (self.dead + self.every) * PIECE_S + 2.0 * (self.lag_s + self.second_s)
        return np.asarray(np.where(self.there, times, 0.0).max(axis=1))


class Chargers:
    """All devices of all homes.

    Attributes:
        current_a: into each home's battery now; negative where the loads draw from it.
        unasked_a: the part of it that no limit can prevent: of loads that went, and of ripple.
    """

    def __init__(self, manners: Manners) -> None:
        self._m = m = manners
        shape = m.share.shape
        self._y, self._z, self._x = np.zeros(shape), np.zeros(shape), np.zeros(shape[0])
        self._off, self._back_s = m.least_a > 0.0, np.full(shape, 1e9)
        self._told: list[tuple[Array, Array]] = []
        self._volts, self._amps = np.zeros(shape), np.zeros(shape)
        self._n = 0
        self._rows = np.arange(shape[0])[:, None]
        self._near = -np.expm1(-PIECE_S / m.lag_s)
        self._near2 = np.where(m.second_s > 0.0, -np.expm1(-PIECE_S / np.maximum(m.second_s, 1e-3)), 1.0)
        self._count = m.there.sum(axis=1)
        self.current_a = self.unasked_a = np.zeros(shape[0])

    def _hear(self, sent_v: Array, sent_a: Array) -> None:
        """What each goes by now."""
        m = self._m
        self._told = [*self._told[1 - MEMORY :], (sent_v, sent_a)]
        back = np.maximum(len(self._told) - 1 - m.dead, 0)
        volts = np.stack([v for v, _ in self._told])[back, self._rows]
        amps = np.floor(np.stack([a for _, a in self._told])[back, self._rows] * m.share / 0.1 + 1e-6) * 0.1
        takes = (self._n + m.phase) % m.every == 0
        self._n += 1
        self._volts = np.where(takes, np.floor(volts / m.volt_step + 1e-6) * m.volt_step, self._volts)
        self._amps = np.where(takes, np.floor(amps / m.amp_step + 1e-6) * m.amp_step, self._amps)

    def step(
        self, banks: Banks, sent_v: Array, sent_a: Array, source_a: Array, load_a: Array, ripple_a: Array
    ) -> Array:
        """One piece of time further; what flows into each home's battery."""
        m = self._m
        self._hear(sent_v, sent_a)
        source = source_a[:, None] * m.share
        self._x += (load_a - self._x) * self._near[:, 0]
        source[:, 0] -= self._x
        ohm = banks.ohm[:, None] + m.cable_ohm
        others = self._y.sum(axis=1, keepdims=True) - self._y
        by_volts = (self._volts + m.reads_v - banks.emf_v[:, None]) / ohm - others
        wanted = np.where(m.obeys_a, self._amps, 1e9)
        wanted = np.where(m.obeys_v, np.minimum(wanted, by_volts), wanted)
        wanted = np.minimum(np.maximum(wanted, 0.0), source)
        # Below the least it gives nothing; it comes back when that has been allowed for a while.
        enough = wanted >= m.least_a
        self._back_s = np.where(enough, self._back_s + PIECE_S, 0.0)
        self._off = np.where(self._off, self._back_s < m.back_s, ~enough & (wanted >= 0.0))
        wanted = np.where(self._off & (m.least_a > 0.0), np.minimum(wanted, 0.0), wanted)
        self._z += (wanted - self._z) * self._near2
        self._y += (self._z - self._y) * self._near
        self._y = np.where(m.there, np.minimum(self._y, source), 0.0)
        given = self._y.sum(axis=1)
        rippled = ripple_a * np.clip(given / np.maximum(np.abs(ripple_a), 1.0), 0.0, 1.0)
        self.current_a = given + self._x - load_a + rippled
        self.unasked_a = np.maximum(self._x - load_a + rippled, 0.0)
        return self.current_a

    def lets_a(self, banks: Banks, sent_v: Array, sent_a: Array) -> Array:
        """What the limits let through, after steps and least currents; of those that are heeded."""
        m = self._m
        amps = (
            np.floor(np.floor(sent_a[:, None] * m.share / 0.1 + 1e-6) * 0.1 / m.amp_step + 1e-6) * m.amp_step
        )
        amps = np.where(m.there & (amps >= m.least_a), amps, 0.0).sum(axis=1)
        volts = np.floor(sent_v[:, None] / m.volt_step + 1e-6) * m.volt_step + m.reads_v
        volts = np.where(m.there, np.where(m.obeys_v, volts, 1e3), 0.0).max(axis=1)
        by_volts = (volts - banks.emf_v) / (banks.ohm + m.cable_ohm[:, 0])
        return np.asarray(np.minimum(amps, np.maximum(by_volts, 0.0)))

    def ceiling_a(self, banks: Banks, ceiling_v: Array) -> Array:
        """What they could give at most, the charge voltage limit at its ceiling."""
        m = self._m
        volts = np.floor(ceiling_v[:, None] / m.volt_step + 1e-6) * m.volt_step + m.reads_v
        volts = np.where(m.there, np.where(m.obeys_v, volts, 1e3), 0.0).max(axis=1)
        return np.asarray(np.maximum((volts - banks.emf_v) / (banks.ohm + m.cable_ohm[:, 0]), 0.0))
