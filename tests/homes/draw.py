"""Draws the homes of one row from a seed: the same seed gives the same homes."""

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import numpy.typing as npt

from tests.homes import sky
from tests.homes.cells import CURVES, Array, Banks, Flags, HomeCells
from tests.homes.chargers import Manners
from tests.homes.kinds import Kind, traits
from tests.homes.sensors import Errors

LONGEST_S: Final = 7200
LACKS_S: Final = (600.0, 2400.0)
"""How long it takes at least and at most until a home is nearly full."""

TARGET_V: Final = 3.50
MOST_START: Final = 0.98
LEAST_START: Final = np.array([0.045, 0.045, 0.035, 0.035])
"""Where no cell is beyond target, or floor, as yet; the latter by its curve."""

Whole = npt.NDArray[np.int64]


@dataclass
class Told:
    """What the laws are told of each home.

    Attributes:
        cells: in series; `banks_ah`: capacity of each bank, 0 where there is none.
        most_a: of the home; what a bank may take is by its capacity.
        target_v: of the highest cell; `usual`: as the usual target, below that of a full charge.
        lag_s, delay_s: of the slowest charger, and of the readings.
        coldest_c: what is told of the temperature.
    """

    cells: Whole
    banks_ah: Array
    most_a: Array
    target_v: Array
    usual: Flags
    lag_s: Array
    delay_s: Array
    coldest_c: Array


@dataclass
class Homes:
    """The homes of a row.

    Attributes:
        has: which homes have what, by the names of `kinds.SHARES`.
        over_mv: how far the highest true cell of each may come over its target, beyond what no limit
            prevents.
        base_ah: what was charged before, from 60 % on: charge counts from there.
        source_a, load_a, ripple_a: by second and home.
    """

    has: dict[str, Flags]
    told: Told
    banks: Banks
    manners: Manners
    errors: Errors
    over_mv: Array
    base_ah: Array
    source_a: Array
    load_a: Array
    ripple_a: Array
    random: np.random.Generator

    def __len__(self) -> int:
        return len(self.base_ah)


def draw(
    kind: Kind,
    homes: int,
    seed: "int | tuple[int, ...]",
    seconds: int = LONGEST_S,
    lacks_s: tuple[float, float] = LACKS_S,
) -> Homes:
    """The homes of a row; they lack so many seconds of what is charged at most, and can be given."""
    random = np.random.default_rng(seed)
    has = traits(kind, random, homes)
    banks_ah = capacities(random, has["banks"])
    rated_ah = banks_ah.sum(axis=1)
    cells = random.choice(np.array([8, 16, 16, 24]), homes)
    coldest_c = np.where(has["cold"], random.uniform(2.0, 12.0, homes), random.uniform(12.0, 36.0, homes))
    most_c = np.where(coldest_c < 10.0, 0.2, random.uniform(0.3, 0.6, homes))
    most_a = np.floor(most_c * rated_ah)
    load_c = sky.loads_c(random, seconds, has["switching"])
    # One that ignores its current limit gives what it can: hardly more than the battery bears.
    most = np.where(has["current_ignored"], 1.1, 1.6)
    spare_c = random.uniform(0.5, most, homes) * most_c
    source_a = (spare_c + load_c.mean(axis=0)) * rated_ah * sky.clouds(random, seconds, has["clouds"])
    net_c = np.minimum(most_c, spare_c) * np.where(has["clouds"], 0.75, 1.0)
    start = np.maximum(1.0 - net_c * random.uniform(*lacks_s, homes) / 3600.0, 0.3)
    target_v = np.where(has["usual"], random.choice(np.array([3.40, 3.42, 3.45]), homes), TARGET_V)
    curve = random.integers(0, len(CURVES), homes)
    batteries = battery(random, has, banks_ah, cells, coldest_c, curve, start)
    manners = _manners(random, has, rated_ah, most_a)
    errors = monitors(random, has, rated_ah, batteries)
    ripple_a = sky.ripples(random, seconds, np.where(has["ripple"], np.minimum(3.0, 0.012 * rated_ah), 0.0))
    telling = ~has["untold"] & (~has["seldom"] | (random.random(homes) < 0.5))
    told_lag_s = np.where(telling, np.maximum(manners.told_s, 3.0), 3.0)
    late = has["rotation"] | has["untold"] | (has["seldom"] & ~telling)
    ignored = has["current_ignored"] | has["voltage_ignored"]
    restless = has["switching"] | has["clouds"] | has["ripple"]
    return Homes(
        has,
        Told(
            cells,
            banks_ah,
            most_a,
            target_v,
            has["usual"],
            told_lag_s,
            np.ones(homes),
            np.asarray(np.round(coldest_c, 1), float),
        ),
        batteries,
        manners,
        errors,
        np.where(late, 3.0, 0.0) + np.where(ignored, np.where(restless, 5.0, 2.0), 0.0),
        np.maximum(batteries.cells.mean_charge - 0.6, 0.0) * rated_ah,
        source_a,
        load_c * rated_ah,
        ripple_a,
        random,
    )


def capacities(random: np.random.Generator, two: Flags) -> Array:
    """Of each bank, Ah; 0 where there is none."""
    homes = len(two)
    sizes = np.array([50.0, 100.0, 200.0, 280.0, 304.0, 560.0])
    first, second = random.choice(sizes, homes), random.choice(sizes, homes)
    second = np.where(second == first, np.where(first > 100.0, 50.0, 280.0), second)
    found = np.stack([first, np.where(two, second, 0.0)], axis=1)
    return found if two.any() else found[:, :1]


def battery(
    random: np.random.Generator,
    has: dict[str, Flags],
    banks_ah: Array,
    cells: Whole,
    coldest_c: Array,
    curve: Whole,
    start: Array,
    way: float = 1.0,
) -> Banks:
    """The banks; `way`: 1 for charging, -1 for discharging, where a runner is emptier than the others."""
    homes: int = len(banks_ah)
    banks: int = banks_ah.shape[1]
    shape = (homes, banks, int(cells.max()))
    there = (np.arange(shape[2]) < cells[:, None, None]) & (banks_ah > 0.0)[:, :, None]
    spread = random.choice(np.array([0.002, 0.005, 0.015]), homes)[:, None, None]
    charge = start[:, None, None] + random.uniform(-1.0, 1.0, shape) * spread
    capacity = np.maximum(banks_ah, 1.0)[:, :, None] * (1.0 + 0.02 * random.uniform(-1.0, 1.0, shape))
    size = random.uniform(0.7, 1.6, (homes, banks, 1)) * 280.0 / np.maximum(banks_ah, 1.0)[:, :, None]
    factor = size * (1.0 + 0.15 * random.uniform(-1.0, 1.0, shape))
    rows, odd = np.arange(homes), random.integers(0, cells)
    weak, runner = has["weak"], has["runner"]
    capacity[rows, 0, odd] *= np.where(weak, random.uniform(0.85, 0.92, homes), 1.0)
    factor[rows, 0, odd] *= np.where(weak, 1.5, 1.0)
    charge[rows, 0, odd] += way * np.where(runner, random.uniform(0.02, 0.04, homes), 0.0)
    # Nobody begins beyond the bound.
    if way > 0.0:
        beyond = np.where(there, charge - MOST_START, 0.0).max(axis=(1, 2))
    else:
        beyond = -np.where(there, LEAST_START[curve][:, None, None] - charge, 0.0).max(axis=(1, 2))
    charge = np.where(there, charge - beyond[:, None, None], 0.5)
    inverse = (1.0 / (coldest_c + 273.15) - 1.0 / 298.15)[:, None, None]
    fast = np.exp(random.uniform(1000.0, 2500.0, homes)[:, None, None] * inverse)
    slow = np.exp(random.uniform(2000.0, 4000.0, homes)[:, None, None] * inverse)
    three = (random.random(homes) < 0.5)[:, None, None]
    branches = [
        (np.where(three, 0.000_06, 0.000_12) * slow * factor, 6.0),
        (np.where(three, 0.000_12, 0.000_06) * slow * factor, 60.0),
        (np.where(three, 0.000_20, 0.000_15) * slow * factor, 900.0),
    ]
    found = HomeCells(
        curve,
        charge,
        capacity,
        0.000_20 * fast * factor,
        branches,
        random.uniform(0.0, 0.6, homes),
        np.where(random.random(homes) < 0.7, random.uniform(0.0, 0.028, homes), 0.0),
        way * random.uniform(-1.0, 0.5, homes) - (way < 0.0) * 0.5,
        there,
    )
    lead_ohm = random.uniform(0.000_3, 0.002, banks_ah.shape) * 280.0 / np.maximum(banks_ah, 1.0)
    bleed_a = random.uniform(0.0, 1.0, (homes, banks, 1)) * banks_ah[:, :, None] / 280.0
    return Banks(found, lead_ohm, bleed_a if way > 0.0 else 0.0 * bleed_a)


def _manners(random: np.random.Generator, has: dict[str, Flags], rated_ah: Array, most_a: Array) -> Manners:
    homes = len(rated_ah)
    count = 1 + has["several"].astype(np.int64) + has["beside"].astype(np.int64)
    devices = int(count.max())
    shape = (homes, devices)
    there = np.arange(devices) < count[:, None]
    share = np.where(there, random.uniform(0.5, 1.5, shape), 0.0)
    share = np.floor(1000.0 * share / share.sum(axis=1, keepdims=True) + 1e-6) / 1000.0

    def wide(flags: Flags) -> Flags:
        return np.broadcast_to(flags[:, None], shape)

    sluggish, seldom, steps = wide(has["sluggish"]), wide(has["seldom"]), wide(has["steps"])
    whole_a = (most_a / count)[:, None]
    # Coarse steps: up to 5 A, but at most a tenth of what the device is for; of 0.1 to 0.5 V.
    coarse_a = random.choice(np.array([1.0, 2.0, 5.0, 5.0]), shape)
    amp_step = np.where(steps, np.minimum(coarse_a, np.maximum(np.floor(whole_a) / 10.0, 0.1)), 0.1)
    volt_step = np.where(steps, random.choice(np.array([0.1, 0.2, 0.4, 0.5]), shape), 0.1)
    least = np.minimum(random.choice(np.array([2.0, 5.0, 10.0]), shape), 0.1 * whole_a)
    return Manners(
        there=there,
        share=share,
        lag_s=np.where(sluggish, random.uniform(1.0, 2.5, shape), random.uniform(0.7, 3.0, shape)),
        second_s=np.where(sluggish, random.uniform(1.0, 2.5, shape), 0.0),
        dead=np.where(sluggish, random.integers(2, 7, shape), random.integers(0, 2, shape)),
        every=np.where(seldom, random.integers(6, 11, shape), 1),
        phase=random.integers(0, 10, shape),
        reads_v=random.uniform(-0.3, 0.3, shape),
        volt_step=volt_step,
        amp_step=amp_step,
        least_a=np.where(wide(has["least"]), least, 0.0),
        back_s=random.uniform(2.0, 40.0, shape),
        obeys_v=~wide(has["voltage_ignored"]),
        obeys_a=~wide(has["current_ignored"]),
        cable_ohm=random.uniform(0.000_5, 0.003, shape) * 280.0 / rated_ah[:, None],
    )


def monitors(random: np.random.Generator, has: dict[str, Flags], rated_ah: Array, banks: Banks) -> Errors:
    """Errors and ages of the sensors of each home."""
    homes, shape = len(rated_ah), banks.cells.charge.shape
    late, coarse = has["rotation"], has["coarse"]
    least = np.minimum(1.0, 0.01 * rated_ah)
    age = random.integers(1, 3, homes)
    return Errors(
        offset_v=random.uniform(-0.002, 0.002, shape),
        noise_v=random.choice(np.array([0.0, 0.0005, 0.001]), homes),
        cell_step_v=np.full(homes, 0.001),
        pack_offset_v=random.uniform(-0.02, 0.02, shape[:2]),
        gain=1.0 + random.uniform(-0.02, 0.02, homes),
        zero_a=random.uniform(-1.0, 1.0, homes) * np.where(coarse, 0.5, 0.9) * least,
        amp_step=np.where(coarse, 1.0, 0.1),
        age=np.where(late, random.integers(0, 3, homes), age),
        amp_age=np.where(late, random.integers(0, 3, homes), age),
        round_s=np.where(late, random.integers(2, 4, homes), 1),
        stamped=random.random(homes) < 0.5,
    )


def taken(homes: Homes, which: "slice | Whole") -> Told:
    """What is told of some of the homes."""
    return Told(*(getattr(homes.told, field.name)[which] for field in fields(homes.told)))
