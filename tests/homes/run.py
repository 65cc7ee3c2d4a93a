"""Lets the homes of a row live under a law, and measures what came of it."""

from dataclasses import dataclass
from time import process_time
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from tests.bench.charge_run import Turns
from tests.homes.cells import Array, Flags
from tests.homes.chargers import PIECE_S, Chargers
from tests.homes.draw import Homes
from tests.homes.laws import LAWS, Answer, BankSeen, HomeFacts, HomeLaw
from tests.homes.measure import Unasked, Watch
from tests.homes.sensors import Seen, Sensors
from tests.homes.through import ThroughEngine

REVERSAL_V, REVERSAL_C = 0.1, 0.02
"""A change of direction on the wire of at least so much, or so much in C, is counted."""

SAMPLE: Final = 23
"""One step in so many is timed."""


class FleetLaw(Protocol):
    """A law for all homes at once; `step_us`: what a step of one bank's law takes."""

    @property
    def step_us(self) -> float:
        """In processor time."""
        ...

    def step(self, n: int, seen: Seen, sent_v: Array, sent_a: Array, /) -> tuple[Array, Array, Flags, Flags]:
        """One second: voltages, currents, and which limits are believed to be ignored."""
        ...


class Each:
    """A law for each home, one after the other."""

    def __init__(self, name: str, homes: Homes, ends: "npt.NDArray[np.int64]") -> None:
        told = homes.told
        self._ends = ends.tolist()
        self._spent_s, self._timed = 0.0, 0
        self._answers = [Answer(0.0, 0.0)] * len(homes)
        self._count = (told.banks_ah > 0.0).sum(axis=1).tolist()
        self._cells = told.cells.tolist()
        self._coldest_c = told.coldest_c.tolist()
        make = ThroughEngine if name == "engine" else LAWS[name]
        self.laws: list[HomeLaw] = [
            make(
                HomeFacts(
                    cells=int(told.cells[i]),
                    banks_ah=tuple(told.banks_ah[i, : self._count[i]].tolist()),
                    most_a=float(told.most_a[i]),
                    target_v=float(told.target_v[i]),
                    usual=bool(told.usual[i]),
                    lag_s=float(told.lag_s[i]),
                    delay_s=float(told.delay_s[i]),
                )
            )
            for i in range(len(homes))
        ]

    @property
    def step_us(self) -> float:
        """Of processor time for one bank."""
        return 1e6 * self._spent_s / max(self._timed, 1)

    def step(self, n: int, seen: Seen, sent_v: Array, sent_a: Array) -> tuple[Array, Array, Flags, Flags]:
        """Each by itself, to its end."""
        cells, came = seen.cells_v.tolist(), seen.came_s.tolist()
        packs, amps = seen.pack_v.tolist(), seen.current_a.tolist()
        volts_sent, amps_sent = sent_v.tolist(), sent_a.tolist()
        found = self._answers
        for i, law in enumerate(self.laws):
            if n >= self._ends[i]:
                continue
            size = self._cells[i]
            banks = [
                BankSeen(cells[i][b][:size], came[i][b][:size], packs[i][b], amps[i][b], self._coldest_c[i])
                for b in range(self._count[i])
            ]
            if n % SAMPLE:
                found[i] = law.step(n, banks, volts_sent[i], amps_sent[i])
                continue
            began = process_time()
            found[i] = law.step(n, banks, volts_sent[i], amps_sent[i])
            self._spent_s += process_time() - began
            self._timed += len(banks)
        return (
            np.array([one.voltage_v for one in found]),
            np.array([one.current_a for one in found]),
            np.array([one.current_ignored for one in found]),
            np.array([one.voltage_ignored for one in found]),
        )


@dataclass
class Outcome:
    """What came of a law; one number a home, but for the hours and the time of a step of one bank.

    Attributes:
        over_mv: the highest true cell over its target, at most; `own_mv`: less what a load that went, or a
            ripple, did to it at that moment.
        stall_s: longest time for which the limits let through next to nothing, for no reason.
        believed_h: hours in which a limit that is heeded was believed to be ignored.
        called_s: from the first moment an ignored limit was to bind until it was known to be ignored; not a
            number where none is ignored, or none was to bind.
    """

    over_mv: Array
    own_mv: Array
    tripped: Flags
    taken_ah: Array
    reversals_per_hour: Array
    stall_s: Array
    believed_h: Array
    called_s: Array
    hours: float
    step_us: float


def live(homes: Homes, law: "FleetLaw | str", ends: "npt.NDArray[np.int64]") -> Outcome:
    """Lets every home live to its end, in s; `homes` are used up."""
    banks, told = homes.banks, homes.told
    chargers = Chargers(homes.manners)
    sensors = Sensors(homes.errors, banks, homes.random)
    if isinstance(law, str):
        law = Each(law, homes, ends)
    rated_ah, count = told.banks_ah.sum(axis=1), len(homes)
    sent_v, sent_a = np.round(told.cells * 3.35, 1), np.zeros(count)
    turns = [Turns(REVERSAL_V, sent_v), Turns(REVERSAL_C * rated_ah, sent_a)]
    watch, unasked = Watch(homes), Unasked(homes)
    seconds = int(ends.max())
    taken = np.zeros((seconds + 1, count))
    for n in range(seconds):
        sensors.take(banks)
        seen = sensors.seen(n)
        volts, amps, *ignores = law.step(n, seen, sent_v, sent_a)
        watch.lives = n < ends
        sent_v = np.round(np.floor(volts / 0.1 + 1e-6) * 0.1, 1)
        sent_a = np.round(np.floor(np.maximum(amps, 0.0) / 0.1 + 1e-6) * 0.1, 1)
        if n == 0:
            turns = [Turns(REVERSAL_V, sent_v), Turns(REVERSAL_C * rated_ah, sent_a)]
        turns[0].take(sent_v)
        turns[1].take(sent_a)
        added = np.zeros(count)
        source, load, ripple = homes.source_a[n], homes.load_a[n], homes.ripple_a[n]
        for piece in range(round(1.0 / PIECE_S)):
            if piece:
                sensors.take(banks)
            given = np.where(watch.tripped, 0.0, chargers.step(banks, sent_v, sent_a, source, load, ripple))
            banks.flow(given, PIECE_S)
            unasked.look(chargers.unasked_a, watch.lives)
            watch.look()
            added += given * PIECE_S / 3600.0
        taken[n + 1] = taken[n] + added
        watch.judge(chargers, sent_v, sent_a, source - load, (ignores[0], ignores[1]), n)
    hours = ends / 3600.0
    return Outcome(
        (watch.peak_v - told.target_v) * 1000.0,
        (unasked.peak_v - told.target_v) * 1000.0,
        watch.tripped,
        taken,
        (turns[0].count + turns[1].count) / hours,
        watch.longest_s,
        watch.believed_h,
        watch.found_s,
        float(hours.sum()),
        law.step_us,
    )
