"""The packs and chargers of the charge benchmark: how scenarios differ, and the draw."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from bridge.simulate.fleet import Array, FleetCells
from bridge.simulate.fleet_charger import FleetCharger

CELLS: Final = 16
CAPACITY_AH: Final = 280.0
TARGET_V: Final = 3.50
TRIP_V: Final = 3.65


@dataclass(frozen=True)
class Scenario:
    """One kind of pack, charger and telemetry. Spreads are largest deviations to either side."""

    name: str
    charge_spread: float = 0.015
    kind: str = "random"
    temperature_c: float = 25.0
    most_c: float = 0.5
    clouds: bool = False
    lag_s: tuple[float, float] = (1.0, 3.0)
    calibration_v: tuple[float, float] = (-0.2, 0.2)
    obeys_voltage: bool = True
    obeys_current: bool = True
    totals_only: bool = False
    pack_step_v: float = 0.01
    cell_step_v: float = 0.001
    every_s: int = 1
    no_current: bool = False

    @property
    def most_a(self) -> float:
        """What the charger can give."""
        return self.most_c * CAPACITY_AH


_RANDOM: Final = Scenario("random spread")
SCENARIOS: Final = (
    Scenario("balanced", charge_spread=0.003),
    _RANDOM,
    Scenario("one runner", kind="runner", charge_spread=0.003),
    Scenario("one weak cell", kind="weak", charge_spread=0.003),
    Scenario("two groups", kind="groups", charge_spread=0.003),
    replace(_RANDOM, name="cold at 2 °C", temperature_c=2.0, most_c=0.2),
    replace(_RANDOM, name="clouds", clouds=True),
    replace(_RANDOM, name="slow charger", lag_s=(5.0, 5.0)),
    replace(_RANDOM, name="+0.2 V", calibration_v=(0.2, 0.2)),
    replace(_RANDOM, name="-0.2 V", calibration_v=(-0.2, -0.2)),
    replace(_RANDOM, name="current ignored", obeys_current=False),
    replace(_RANDOM, name="voltage ignored", obeys_voltage=False),
    replace(_RANDOM, name="current ignored, clouds", obeys_current=False, clouds=True),
    replace(_RANDOM, name="current ignored, slow", obeys_current=False, lag_s=(5.0, 5.0)),
    replace(_RANDOM, name="min/max/pack only", totals_only=True),
    replace(_RANDOM, name="pack in 0.1 V steps", totals_only=True, pack_step_v=0.1),
    replace(_RANDOM, name="bad contact", kind="contact"),
    replace(_RANDOM, name="10 mV steps", cell_step_v=0.010),
    replace(_RANDOM, name="telemetry 5 s", every_s=5),
    replace(_RANDOM, name="telemetry 10 s", every_s=10),
    replace(_RANDOM, name="no current known", no_current=True),
)


@dataclass
class Fleet:
    """Packs of one scenario, drawn from a seed, and what is drawn with them."""

    cells: FleetCells
    charger: FleetCharger
    bleed_a: Array
    offset_v: Array
    pack_offset_v: Array
    sky: Array


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


def draw(scenario: Scenario, packs: int, start: float, seconds: int, seed: int) -> Fleet:
    """The packs of a scenario; the same seed gives the same."""
    random = np.random.default_rng(seed)
    shape = (packs, CELLS)
    charge = start + random.uniform(-1.0, 1.0, shape) * scenario.charge_spread
    capacity = CAPACITY_AH * (1.0 + 0.02 * random.uniform(-1.0, 1.0, shape))
    factor = 1.0 + 0.15 * random.uniform(-1.0, 1.0, shape)
    odd = random.integers(0, CELLS, packs)
    rows = np.arange(packs)
    if scenario.kind == "runner":
        charge[rows, odd] = start + random.uniform(0.02, 0.04, packs)
    elif scenario.kind == "weak":
        capacity[rows, odd] *= random.uniform(0.85, 0.92, packs)
        factor[rows, odd] *= 1.5
    elif scenario.kind == "groups":
        charge[:, ::2] += 0.02
    cells = FleetCells(charge, capacity, factor, scenario.temperature_c)
    if scenario.kind == "contact":
        cells.series_ohm[rows, odd] *= 4.0
        for ohm, _, _ in cells.branches:
            ohm[rows[::2], odd[::2]] *= 4.0
    charger = FleetCharger(
        random.uniform(*scenario.lag_s, packs),
        random.uniform(*scenario.calibration_v, packs),
        random.uniform(0.001, 0.003, packs),
        scenario.most_a,
        obeys_voltage=scenario.obeys_voltage,
        obeys_current=scenario.obeys_current,
    )
    bleed = random.uniform(0.5, 1.0, (packs, 1))
    offset = random.uniform(-0.002, 0.002, shape)
    pack_offset = random.uniform(-0.02, 0.02, packs)
    sky = _sky(random, packs, seconds) if scenario.clouds else np.ones((seconds, packs))
    return Fleet(cells, charger, bleed, offset, pack_offset, sky)
