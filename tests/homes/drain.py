"""Homes that are discharged: the inverters behind their loads, and the draw of a row."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.homes import sky
from tests.homes.cells import CURVES, Array, Banks, Flags
from tests.homes.chargers import PIECE_S
from tests.homes.draw import LACKS_S, LEAST_START, LONGEST_S, Told, Whole, battery, capacities, monitors
from tests.homes.kinds import DRAW_KINDS, Kind, traits
from tests.homes.sensors import Errors

FLOOR_V: Final = 2.90
MOST_C: Final = 0.5


@dataclass
class Loads:
    """The inverters of each home, together; V, A, s.

    Attributes:
        lag_s, second_s, dead, every, phase: how they take up a limit, as `chargers.Manners` says.
        reads_v: how far above the truth they read.
        amp_step, volt_step: what they can set, towards the safe side.
        obeys_v, obeys_a: the limits they heed.
        cable_ohm: between them and the battery.
    """

    lag_s: Array
    second_s: Array
    dead: Whole
    every: Whole
    phase: Whole
    reads_v: Array
    amp_step: Array
    volt_step: Array
    obeys_v: Flags
    obeys_a: Flags
    cable_ohm: Array


class Inverters:
    """A load comes at once, up to the limits as they are known; a lower limit is obeyed with the lag.

    Attributes:
        drawn_a: what flows now, of each home.
    """

    def __init__(self, loads: Loads) -> None:
        self._m, count = loads, len(loads.lag_s)
        self._known_a, self._first_a = np.zeros(count), np.zeros(count)
        self._volts, self._amps = np.zeros(count), np.zeros(count)
        self._told: list[tuple[Array, Array]] = []
        self._n, self._rows = 0, np.arange(count)
        self.drawn_a = np.zeros(count)
        self._near = -np.expm1(-PIECE_S / loads.lag_s)
        second_s = np.maximum(loads.second_s, 1e-3)
        self._near2 = np.where(loads.second_s > 0.0, -np.expm1(-PIECE_S / second_s), 1.0)

    def step(self, banks: Banks, floor_v: Array, limit_a: Array, load_a: Array, ripple_a: Array) -> Array:
        """One piece of time further."""
        m = self._m
        self._told = [*self._told[-24:], (floor_v, limit_a)]
        back = np.maximum(len(self._told) - 1 - m.dead, 0)
        volts = np.stack([v for v, _ in self._told])[back, self._rows]
        amps = np.stack([a for _, a in self._told])[back, self._rows]
        takes = (self._n + m.phase) % m.every == 0
        self._n += 1
        self._volts = np.where(takes, np.ceil(volts / m.volt_step - 1e-6) * m.volt_step, self._volts)
        self._amps = np.where(takes, np.floor(amps / m.amp_step + 1e-6) * m.amp_step, self._amps)
        self._first_a += (self._amps - self._first_a) * self._near2
        self._known_a += (self._first_a - self._known_a) * self._near
        wanted = np.where(m.obeys_a, np.minimum(load_a, np.maximum(self._known_a, 0.0)), load_a)
        by_floor = (banks.emf_v + m.reads_v - self._volts) / (banks.ohm + m.cable_ohm)
        by_floor = np.maximum(by_floor, 0.0)
        by_floor = np.maximum(by_floor, self.drawn_a + (by_floor - self.drawn_a) * self._near)
        wanted = np.where(m.obeys_v, np.minimum(wanted, by_floor), wanted)
        self.drawn_a = wanted
        return np.asarray(wanted + ripple_a * np.clip(wanted / np.maximum(np.abs(ripple_a), 1.0), 0.0, 1.0))


@dataclass
class DrainHomes:
    """The homes of a row: as `draw.Homes`, with loads in place of chargers and sun.

    Attributes:
        base_j: the energy from 30 % down to where it begins: energy counts from there.
    """

    has: dict[str, Flags]
    told: Told
    banks: Banks
    loads: Loads
    errors: Errors
    under_mv: Array
    base_j: Array
    load_a: Array
    ripple_a: Array
    random: np.random.Generator

    def __len__(self) -> int:
        return len(self.base_j)


def drain(
    kind: Kind,
    homes: int,
    seed: "int | tuple[int, ...]",
    seconds: int = LONGEST_S,
    lacks_s: tuple[float, float] = LACKS_S,
) -> DrainHomes:
    """The homes of a row; the same seed gives the same."""
    random = np.random.default_rng(seed)
    has = traits(kind, random, homes)
    banks_ah = capacities(random, has["banks"])
    rated_ah = banks_ah.sum(axis=1)
    cells = random.choice(np.array([8, 16, 16, 24]), homes)
    coldest_c = np.where(has["cold"], random.uniform(-5.0, 10.0, homes), random.uniform(10.0, 36.0, homes))
    curve = random.integers(0, len(CURVES), homes)
    load_c = sky.loads_c(random, seconds, has["switching"])
    steady_c = np.where(
        has["switching"], random.uniform(0.01, 0.05, homes), random.uniform(0.08, 0.45, homes)
    )
    load_c = np.minimum(load_c + steady_c, 0.8)
    mean_c = np.minimum(load_c, MOST_C).mean(axis=0)
    span_s = random.uniform(*lacks_s, homes)
    start = np.minimum(LEAST_START[curve] + mean_c * span_s / 3600.0, 0.5)
    banks = battery(random, has, banks_ah, cells, coldest_c, curve, start, way=-1.0)
    loads = _inverters(random, has, rated_ah)
    told = ~has["untold"] & (~has["seldom"] | (random.random(homes) < 0.5))
    answer_s = (loads.dead + loads.every - 1) * PIECE_S + loads.lag_s + loads.second_s
    late = has["rotation"] | ~told
    size_a = np.where(has["ripple"], np.minimum(3.0, 0.012 * rated_ah), 0.0)
    return DrainHomes(
        has,
        Told(
            cells,
            banks_ah,
            np.floor(MOST_C * rated_ah),
            np.full(homes, FLOOR_V),
            np.zeros(homes, bool),
            np.where(told, np.maximum(answer_s, 3.0), 3.0),
            np.ones(homes),
            np.asarray(np.round(coldest_c, 1), float),
        ),
        banks,
        loads,
        monitors(random, has, rated_ah, banks),
        np.where(has["current_ignored"], np.inf, np.where(late, 3.0, 0.0)),
        np.maximum(0.3 - banks.cells.mean_charge, 0.0) * rated_ah * 3600.0 * 3.2 * cells,
        load_c * rated_ah,
        sky.ripples(random, seconds, size_a),
        random,
    )


def _inverters(random: np.random.Generator, has: dict[str, Flags], rated_ah: Array) -> Loads:
    homes = len(rated_ah)
    sluggish, steps = has["sluggish"], has["steps"]
    coarse_a = np.minimum(
        random.choice(np.array([1.0, 2.0, 5.0, 5.0]), homes), np.floor(0.3 * rated_ah) / 10.0
    )
    return Loads(
        lag_s=np.where(sluggish, random.uniform(1.0, 2.5, homes), random.uniform(0.7, 3.0, homes)),
        second_s=np.where(sluggish, random.uniform(1.0, 2.5, homes), 0.0),
        dead=np.where(sluggish, random.integers(2, 7, homes), random.integers(0, 2, homes)),
        every=np.where(has["seldom"], random.integers(6, 11, homes), 1),
        phase=random.integers(0, 10, homes),
        reads_v=random.uniform(-0.2, 0.2, homes),
        amp_step=np.where(steps, coarse_a, 0.1),
        volt_step=np.where(steps, random.choice(np.array([0.1, 0.2, 0.4, 0.5]), homes), 0.1),
        obeys_v=~has["voltage_ignored"],
        obeys_a=~has["current_ignored"],
        cable_ohm=random.uniform(0.000_5, 0.003, homes) * 280.0 / rated_ah,
    )


__all__ = ["DRAW_KINDS", "FLOOR_V", "DrainHomes", "Inverters", "Loads", "drain"]
