"""Lets homes be discharged under a law, beside an oracle that knows every true cell and the loads."""

from dataclasses import dataclass, fields
from time import process_time
from typing import Final

import numpy as np

from tests.bench.bench_charge import decode_us
from tests.bench.charge_run import Turns
from tests.homes.cells import Array, Flags
from tests.homes.chargers import PIECE_S
from tests.homes.drain import FLOOR_V, DrainHomes, Inverters, drain
from tests.homes.drain_laws import DRAW_LAWS, DrawAnswer
from tests.homes.draw import LACKS_S, LONGEST_S, Whole
from tests.homes.kinds import DRAW_KINDS, Kind
from tests.homes.laws import BankSeen, HomeFacts
from tests.homes.run import REVERSAL_C, REVERSAL_V, SAMPLE
from tests.homes.sensors import Sensors

EMPTY_C: Final = 0.02
AFTER_S: Final = 1800
TRIP_V: Final = 2.50
WARM_UP_S: Final = 60
"""So long the law may look on, and raise its limit, before the loads come."""


@dataclass
class DrawFigures:
    """Of one law on the homes of a row; one number a home, but for the time of a step and of a decode.

    Attributes:
        under_mv: lowest true cell under its floor, at most; `allowed_mv`: what is allowed of that.
        energy: of the oracle's, in % of what was to be had from 30 % down.
        believed_h: hours in which a limit that is heeded was believed to be ignored.
    """

    under_mv: Array
    allowed_mv: Array
    tripped: Flags
    energy: Array
    turns: Array
    believed_h: Array
    step_us: float
    decode_us: float


class DrawTrial:
    """Some homes of a row, and what the oracle makes of them; every law is tried on the same."""

    def __init__(
        self,
        kind: Kind,
        homes: int,
        seed: int,
        part: int = 0,
        seconds: int = LONGEST_S,
        lacks_s: tuple[float, float] = LACKS_S,
    ) -> None:
        self._drawn = kind, homes, (seed, part, DRAW_KINDS.index(kind), 1), seconds, lacks_s
        self._best_j, empty = _best(self._draw(), seconds)
        self.ends = np.minimum(empty + AFTER_S, len(self._best_j) - 1)

    def _draw(self) -> DrainHomes:
        return drain(*self._drawn)

    def of(self, name: str) -> DrawFigures:
        """The homes under a law."""
        homes = self._draw()
        laws = [DRAW_LAWS[name](facts) for facts in _facts(homes)]
        life, rows = _Life(homes, len(laws)), np.arange(len(laws))
        spent_s, timed = 0.0, 0
        answers = [DrawAnswer(0.0, 0.0)] * len(laws)
        for n in range(-WARM_UP_S, int(self.ends.max())):
            seen = life.seen(n + WARM_UP_S)
            sent = life.sent_a.tolist()
            life.lives = n < self.ends
            for i, law in enumerate(laws):
                if life.lives[i]:
                    began = process_time() if n % SAMPLE == 0 else 0.0
                    answers[i] = law.step(n + WARM_UP_S, seen[i], sent[i])
                    if n % SAMPLE == 0:
                        spent_s, timed = spent_s + process_time() - began, timed + len(seen[i])
            life.second(n, answers)
        ends = self.ends
        taken_j, best_j = np.array(life.taken_j), self._best_j[ends, rows]
        return DrawFigures(
            (FLOOR_V - life.lowest_v) * 1000.0,
            homes.under_mv,
            life.lowest_v < TRIP_V,
            100.0 * (homes.base_j + taken_j[ends, rows]) / (homes.base_j + best_j),
            (life.turns[0].count + life.turns[1].count) * 3600.0 / ends,
            life.believed_h,
            1e6 * spent_s / max(timed, 1),
            decode_us(),
        )


class _Life:
    """The homes, second by second."""

    def __init__(self, homes: DrainHomes, count: int) -> None:
        self._homes, banks = homes, homes.banks
        self._inverters = Inverters(homes.loads)
        self._sensors = Sensors(homes.errors, banks, homes.random)
        self._banks = (homes.told.banks_ah > 0.0).sum(axis=1).tolist()
        self.sent_a, self.lives = np.zeros(count), np.ones(count, bool)
        self.lowest_v, self.believed_h = np.full(count, 9.0), np.zeros(count)
        self.taken_j = [np.zeros(count)]
        self.turns: list[Turns] = []

    def seen(self, n: int) -> list[list[BankSeen]]:
        """What is told of each bank of each home."""
        self._sensors.take(self._homes.banks)
        seen, told = self._sensors.seen(n), self._homes.told
        cells, came = seen.cells_v.tolist(), seen.came_s.tolist()
        packs, amps, sizes = seen.pack_v.tolist(), seen.current_a.tolist(), told.cells.tolist()
        coldest = told.coldest_c.tolist()
        return [
            [
                BankSeen(cells[i][b][:size], came[i][b][:size], packs[i][b], amps[i][b], coldest[i])
                for b in range(self._banks[i])
            ]
            for i, size in enumerate(sizes)
        ]

    def second(self, n: int, answers: list[DrawAnswer]) -> None:
        """What flows then; before the loads come, nothing."""
        homes, banks, has = self._homes, self._homes.banks, self._homes.has
        floor_v = np.round(np.ceil(np.array([one.floor_v for one in answers]) / 0.1 - 1e-6) * 0.1, 1)
        limits = np.maximum(np.array([one.current_a for one in answers]), 0.0)
        self.sent_a = np.round(np.floor(limits / 0.1 + 1e-6) * 0.1, 1)
        if n >= 0:
            rated_ah = homes.told.banks_ah.sum(axis=1)
            self.turns = self.turns or [Turns(REVERSAL_V, floor_v), Turns(REVERSAL_C * rated_ah, self.sent_a)]
            for turns, value in zip(self.turns, (floor_v, self.sent_a), strict=True):
                before = turns.count
                turns.take(value)
                turns.count = np.where(self.lives, turns.count, before)
            ignores = np.array([one.current_ignored for one in answers])
            self.believed_h += (ignores & ~has["current_ignored"] & self.lives) / 3600.0
        load_a = homes.load_a[n] if n >= 0 else 0.0 * self.sent_a
        ripple_a = homes.ripple_a[max(n, 0)]
        added = np.zeros(len(answers))
        for piece in range(round(1.0 / PIECE_S)):
            if piece:
                self._sensors.take(banks)
            drawn = self._inverters.step(banks, floor_v, self.sent_a, load_a, ripple_a)
            added += (banks.emf_v - banks.ohm * drawn) * drawn * PIECE_S
            banks.flow(-drawn, PIECE_S)
            self.lowest_v = np.minimum(self.lowest_v, np.where(self.lives, banks.low_v, 9.0))
        if n >= 0:
            self.taken_j.append(self.taken_j[-1] + added)


def _facts(homes: DrainHomes) -> list[HomeFacts]:
    told = homes.told
    return [
        HomeFacts(
            cells=int(told.cells[i]),
            banks_ah=tuple(ah for ah in told.banks_ah[i].tolist() if ah > 0.0),
            most_a=float(told.most_a[i]),
            target_v=FLOOR_V,
            lag_s=float(told.lag_s[i]),
            delay_s=float(told.delay_s[i]),
        )
        for i in range(len(homes))
    ]


def _best(homes: DrainHomes, seconds: int) -> tuple[Array, Whole]:
    """The energy delivered by each second, of each home, J; and when it is empty. `homes` are used up."""
    banks, told = homes.banks, homes.told
    rated_ah = told.banks_ah.sum(axis=1)
    empty = np.full(len(homes), -1)
    taken = [np.zeros(len(homes))]
    for n in range(seconds):
        added = np.zeros(len(homes))
        load = np.minimum(homes.load_a[n], told.most_a)
        for _ in range(round(1.0 / PIECE_S)):
            drawn = banks.most_drawn_a(FLOOR_V, load, PIECE_S)
            added += (banks.emf_v - banks.ohm * drawn) * drawn * PIECE_S
            banks.flow(-drawn, PIECE_S)
        taken.append(taken[-1] + added)
        done = (empty < 0) & (drawn < EMPTY_C * rated_ah) & (drawn < 0.5 * load)
        empty = np.where(done, n, empty)
        if empty.min() >= 0 and n >= empty.max() + AFTER_S:
            break
    return np.array(taken), np.where(empty < 0, len(taken) - 1, empty)


def drawn_together(parts: list[DrawFigures]) -> DrawFigures:
    """The figures of several parts of a row."""
    names = [field.name for field in fields(DrawFigures)][:-2]
    merged = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    step_us = sum(part.step_us for part in parts) / len(parts)
    return DrawFigures(
        **merged, step_us=step_us, decode_us=sum(part.decode_us for part in parts) / len(parts)
    )
