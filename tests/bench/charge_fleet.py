"""What is drawn for one scenario: cells, charger, sensors and sky of many packs, of either plant.

`usual` is the plant of `tests.bench.fleet`. `other` is unlike it in all that a charge law might have been
fitted to; every pack of it draws:

- another open-circuit curve: an e-fold of 0.7 % or 1.4 % instead of 0.97 %, or a hyperbola; hysteresis up to
  28 mV; capacity 100, 280 or 560 Ah, with amperes to match;
- resistance 0.7 to 1.6 times the typical, in two RC pairs or three (5, 60 and 900 s), and other activation
  temperatures;
- a charger with dead time besides its lag, a resolution of 0.01 V and 0.01 A or of 0.1 V and 0.1 A, a least
  current, and an error that grows with the current;
- a current sensor that is off by up to 1 A and 1 %, readings 0.5 to 2 s old, and noise of 1 mV on every cell.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.bench.charge_other import OtherCells, OtherCharger
from tests.bench.charge_scenarios import CAPACITY_AH, CELLS, Scenario
from tests.bench.fleet import Array, FleetCells
from tests.bench.fleet_charger import FleetCharger

PLANTS: Final = ("usual", "other")


@dataclass
class Fleet:
    """Packs of one scenario, drawn from a seed, and what is drawn with them; one row a pack.

    Attributes:
        capacity_ah, most_a: as the law is told.
        offset_v, noise_v: of each cell's sensor; `gain`, `zero_a` of the current's; `age` of all readings, in
            half seconds.
        sky: share of the source, by second.
    """

    cells: FleetCells
    charger: FleetCharger
    bleed_a: Array
    offset_v: Array
    pack_offset_v: Array
    sky: Array
    capacity_ah: Array
    most_a: Array
    noise_v: float
    gain: Array
    zero_a: Array
    age: "np.ndarray[tuple[int], np.dtype[np.int64]]"
    random: np.random.Generator


def _sky(random: np.random.Generator, packs: int, seconds: int) -> Array:
    """Share of the sun, by second and pack: clouds come and go, each within some seconds."""
    sky = np.empty((seconds, packs))
    clear = np.ones(packs)
    level = np.ones(packs)
    for n in range(seconds):
        flips = random.random(packs) < 1.0 / 120.0
        clear = np.where(flips, np.where(clear < 1.0, 1.0, random.uniform(0.1, 0.6, packs)), clear)
        level += (clear - level) * 0.25
        sky[n] = level
    return sky


def draw(scenario: Scenario, packs: int, start: float, seconds: int, seed: int, plant: str) -> Fleet:
    """The packs of a scenario; the same seed gives the same."""
    random = np.random.default_rng(seed)
    other = plant == "other"
    start = start if scenario.start is None else scenario.start
    rows, ones = np.arange(packs), np.ones(packs)
    rated = (
        np.random.default_rng((seed, 1)).choice([100.0, 280.0, 560.0], packs) if other else ones * CAPACITY_AH
    )
    shape = (packs, CELLS)
    charge = start + random.uniform(-1.0, 1.0, shape) * scenario.charge_spread
    capacity = rated[:, None] * (1.0 + 0.02 * random.uniform(-1.0, 1.0, shape))
    factor = 1.0 + 0.15 * random.uniform(-1.0, 1.0, shape)
    odd = random.integers(0, CELLS, packs)
    if scenario.kind == "runner":
        charge[rows, odd] = start + random.uniform(0.02, 0.04, packs)
    elif scenario.kind == "weak":
        capacity[rows, odd] *= random.uniform(0.85, 0.92, packs)
        factor[rows, odd] *= 1.5
    elif scenario.kind == "groups":
        charge[:, ::2] += 0.02
    cells: FleetCells
    if other:
        cells = OtherCells(random, charge, capacity, factor, rated, scenario.temperature_c)
    else:
        cells = FleetCells(charge, capacity, factor, scenario.temperature_c)
    if scenario.kind == "contact":
        cells.series_ohm[rows, odd] *= 4.0
        for ohm, _, _ in cells.branches:
            ohm[rows[::2], odd[::2]] *= 4.0
    most_a = scenario.most_c * rated
    make = OtherCharger if other else FleetCharger
    charger = make(
        random.uniform(*scenario.lag_s, packs),
        random.uniform(*scenario.calibration_v, packs),
        random.uniform(0.001, 0.003, packs) * CAPACITY_AH / rated,
        most_a,  # type: ignore[arg-type]  # one number or one a pack
        obeys_voltage=scenario.obeys_voltage,
        obeys_current=scenario.obeys_current,
    )
    bleed = random.uniform(0.5, 1.0, (packs, 1)) * rated[:, None] / CAPACITY_AH
    offset = random.uniform(-0.002, 0.002, shape)
    pack_offset = random.uniform(-0.02, 0.02, packs)
    sky = _sky(random, packs, seconds) if scenario.clouds else np.ones((seconds, packs))
    if scenario.sun != (1.0, 1.0):
        sky *= random.uniform(*scenario.sun, packs)
    gain, zero_a, age = ones * 1.003, ones * 0.1, np.full(packs, 2)
    if other:
        charger.draw(random, rated)  # type: ignore[attr-defined]
        gain, zero_a = 1.0 + random.uniform(-0.01, 0.01, packs), random.uniform(-1.0, 1.0, packs)
        age = random.integers(1, 5, packs)
    return Fleet(
        cells,
        charger,
        bleed,
        offset,
        pack_offset,
        sky,
        rated,
        most_a,
        0.001 if other else 0.0,
        gain,
        zero_a,
        age,
        random,
    )
