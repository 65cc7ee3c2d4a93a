"""A string of cells with a charger and loads, small enough for whole histories in property tests.

Not the plant of `bridge.simulate`: a closed curve, one RC pair, plain Python. Every number of it is drawn by
the test, and so are the errors of the sensors, the age of what is told, the sun and the loads.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

from bridge.core.failsafe.machine import FailSafe
from bridge.core.limits.compose import Limits
from bridge.core.pack.state import Doubt, Reading, Trouble
from bridge.core.plan.plan import SECOND_US
from tests.core.plans import ALWAYS, CHARGE, DRAW, Builder, pack_limits

CELLS: Final = 16
AH: Final = 280.0
MOST_A: Final = 140.0
OHM: Final = 0.084 / AH
"""Resistance that the laws expect of a cell."""

MOST_AGE_S: Final = 2.0
"""A reading older than this is late: then limits are held for 3 s, and then nothing flows."""

PLAN: Final = Builder(
    cells=CELLS,
    capacities_ah=(AH, AH, AH),
    charge=CHARGE._replace(max_a=MOST_A, by_cell=ALWAYS, cell_trip_v=9.0),
    draw=DRAW._replace(max_a=MOST_A, by_cell=ALWAYS, cell_trip_v=0.0),
    limits=pack_limits(CELLS)._replace(charge_a=MOST_A, discharge_a=MOST_A),
).plan()
"""Nothing but the laws bounds anything, as long as it is warm."""

TARGET_V, FLOOR_V = PLAN.limits.cell_target_v, PLAN.limits.cell_floor_v
PIECE_S: Final = 0.5


def curve_v(charge: float) -> float:
    """Resting voltage: a plateau with a knee at either end."""
    top = 0.25 * math.exp(min((charge - 1.0) / 0.0097, 3.0))
    return 3.305 + 0.02 * charge + top - 0.5 * math.exp(-charge / 0.03)


@dataclass(frozen=True)
class Drawn:
    """What is drawn for one pack and its charger; shares of what is typical, V, A and s.

    Attributes:
        charges: of each cell, 0..1.
        ohms: fast resistance of each cell.
        slow, tau_s: the RC pair: its share of the fast resistance, its time.
        coldest_c: as told; the resistances are taken as they are.
        lag_s, reads_v, cable_ohm: of charger and inverter.
        obeys_v, obeys_a: the limits they obey.
        surge: a load that goes leaves its current to the pack, until the charger has answered.
        age_pieces: how old a reading is, in half seconds.
        zero_a, gain: of the current sensor.
        step_v: of the cell sensors.
    """

    charges: tuple[float, ...]
    ohms: tuple[float, ...]
    slow: float = 0.8
    tau_s: float = 60.0
    coldest_c: float = 25.0
    lag_s: float = 2.0
    reads_v: float = 0.0
    cable_ohm: float = 0.002
    obeys_v: bool = True
    obeys_a: bool = True
    age_pieces: int = 2
    surge: bool = False
    zero_a: float = 0.0
    gain: float = 1.0
    step_v: float = 0.001

    def but(self, **changes: object) -> "Drawn":
        """The same with some things different."""
        return replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Second:
    """What befalls the pack in one second.

    Attributes:
        sun_a: what the charger can give.
        load_a: what the loads take, beside or from the pack.
        errors_v: of each cell's sensor.
        told: whether readings come in.
        cells: whether those of the cells are among them; else the current alone is new.
    """

    sun_a: float = MOST_A
    load_a: float = 0.0
    errors_v: tuple[float, ...] = (0.0,) * CELLS
    told: bool = True
    cells: bool = True


class Pack:
    """The true string."""

    def __init__(self, drawn: Drawn) -> None:
        self.drawn = drawn
        self.charges = list(drawn.charges)
        self._slow_v = [0.0] * CELLS
        self.amps = 0.0
        self.rest_v = [curve_v(charge) for charge in drawn.charges]
        self.string_ohm = sum(drawn.ohms)

    @property
    def cells_v(self) -> list[float]:
        """The true cells under the current."""
        amps = self.amps
        return [rest_v + ohm * amps for rest_v, ohm in zip(self.rest_v, self.drawn.ohms, strict=True)]

    def flow(self, amps: float, seconds: float) -> None:
        """Lets a current flow."""
        drawn, slow_v = self.drawn, self._slow_v
        kept = math.exp(-seconds / drawn.tau_s)
        moved = amps * seconds / 3600.0 / AH
        self.amps = amps
        for n, ohm in enumerate(drawn.ohms):
            slow_v[n] = slow_v[n] * kept + drawn.slow * ohm * amps * (1.0 - kept)
            self.charges[n] += moved
            self.rest_v[n] = curve_v(self.charges[n]) + slow_v[n]


class Story:
    """A pack that lives under the limits, second by second.

    Attributes:
        high_v, low_v: highest and lowest true cell so far.
        sent: charge voltage, charge current, discharge current, floor.
        reading: what was told last.
    """

    def __init__(self, drawn: Drawn, most_age_s: float = MOST_AGE_S) -> None:
        self.drawn = drawn
        self.most_age_s = most_age_s
        self.pack = Pack(drawn)
        self.limits = Limits(PLAN)
        self._state = FailSafe(PLAN.times)
        self.t_us = 0
        self.sent = (0.0, 0.0, 0.0, 0.0)
        self.high_v, self.low_v = -9.0, 9.0
        self._known_a = self._charger_a = self._load_a = 0.0
        self._past = [(self.pack.cells_v, 0.0)]
        self.reading = self._told(Second())
        self._told_us = self._waited_us = 0

    def second(self, now: Second, told: Reading | None = None) -> None:
        """One second further: what is told (or `told` in its place), what is answered, what then flows."""
        self.t_us += SECOND_US
        if now.told and now.cells:
            self.reading = self._told(now) if told is None else told
            self._waited_us, self._told_us = self.t_us - self._told_us, self.t_us
        elif now.told:
            self.reading = self.reading._replace(current_a=self._told(now).current_a)
        self.answer(self.reading, self._told_us)
        for _ in range(round(1.0 / PIECE_S)):
            self.pack.flow(self._flows(now), PIECE_S)
            cells_v = self.pack.cells_v
            self._past = [*self._past[-8:], (cells_v, self.pack.amps)]
            self.high_v = max(self.high_v, *cells_v)
            self.low_v = min(self.low_v, *cells_v)

    def answer(self, now: Reading, told_us: int) -> None:
        """What the limits say to what was told."""
        late = self.t_us - told_us > self.most_age_s * SECOND_US
        if late:
            now = now._replace(doubt=Doubt(Trouble.LATE, "cells of bank1"))
        now = now._replace(cells_us=told_us, cells_waited_us=self._waited_us)
        state = self._state.step(self.t_us, now.doubt).state
        found = self.limits.decide(self.t_us, 1.0, state, [now], [True], [], inverter_silent=False)
        volts, amps, drawn_a, floor_v = (limit.value for limit in found)
        self.sent = (
            math.floor(volts / 0.1 + 1e-6) * 0.1,
            math.floor(amps / 0.1 + 1e-6) * 0.1,
            math.floor(drawn_a / 0.1 + 1e-6) * 0.1,
            math.ceil(floor_v / 0.1 - 1e-6) * 0.1,
        )

    @property
    def seen(self) -> tuple[list[float], float]:
        """The cells and the current as they were when they were measured."""
        return self._past[max(len(self._past) - 1 - self.drawn.age_pieces, 0)]

    def _told(self, now: Second) -> Reading:
        cells_v, amps = self.seen
        step_v = self.drawn.step_v
        shown = [
            round(round((v + error) / step_v) * step_v, 3)
            for v, error in zip(cells_v, now.errors_v, strict=True)
        ]
        told_a = round(amps * self.drawn.gain + self.drawn.zero_a, 1)
        return reading(shown, told_a, self.drawn.coldest_c)

    def _flows(self, now: Second) -> float:
        """The pack's current: what the charger gives, less what the loads take."""
        drawn, pack = self.drawn, self.pack
        volts, amps, drawn_a, floor_v = self.sent
        near = 1.0 - math.exp(-PIECE_S / drawn.lag_s)
        rest_v = sum(pack.rest_v) + drawn.reads_v
        ohm = pack.string_ohm + drawn.cable_ohm
        # A load comes at once, up to what is there; a lower limit is obeyed with the lag.
        self._known_a += (drawn_a - self._known_a) * near
        spare_a = MOST_A
        if drawn.obeys_a:
            spare_a = min(spare_a, self._known_a)
        if drawn.obeys_v:
            at_once = (rest_v - floor_v) / ohm
            spare_a = min(spare_a, max(at_once, (at_once + pack.amps) * near - pack.amps))
        charger_a = min(self._charger_a, now.sun_a)
        if not drawn.surge:
            charger_a = max(charger_a + min(now.load_a - self._load_a, 0.0), 0.0)
        load_a = min(now.load_a, charger_a + max(spare_a, 0.0))
        wanted = now.sun_a - load_a
        if drawn.obeys_a:
            wanted = min(wanted, amps)
        if drawn.obeys_v:
            wanted = min(wanted, (volts - sum(pack.rest_v) + drawn.reads_v) / ohm)
        wanted = max(wanted + load_a, 0.0)
        self._charger_a = charger_a + (wanted - charger_a) * near
        self._load_a = load_a
        return self._charger_a - load_a


def reading(cells_v: list[float], amps: float | None, coldest_c: float = 25.0) -> Reading:
    """A whole picture of the bank."""
    return Reading(
        sum(cells_v),
        amps,
        60.0,
        min(cells_v),
        max(cells_v),
        cells_v,
        coldest_c,
        25.0,
        1.0,
        1.0,
        None,
        None,
        0.0,
        None,
    )
