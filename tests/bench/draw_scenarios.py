"""The packs and loads of the discharge benchmark: how scenarios differ, and the draw."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tests.bench.draw_plant import FleetInverter, OtherCells
from tests.bench.fleet import Array, FleetCells

CELLS: Final = 16
FLOOR_V: Final = 2.90
TRIP_V: Final = 2.50
MOST_C: Final = 0.5


@dataclass(frozen=True)
class DrawScenario:
    """One kind of pack, inverter and telemetry. Spreads are largest deviations to either side."""

    name: str
    charge_spread: float = 0.015
    kind: str = "random"
    capacity_ah: float = 280.0
    resistance: float = 1.0
    other: bool = False
    temperature_c: float = 25.0
    lag_s: tuple[float, float] = (1.0, 3.0)
    calibration_v: float = 0.2
    obeys_floor: bool = True
    obeys_current: bool = True
    lowest_only: bool = False
    cell_step_v: float = 0.001
    every_s: int = 1
    no_current: bool = False

    @property
    def most_a(self) -> float:
        """What may be drawn at most."""
        return MOST_C * self.capacity_ah


_RANDOM: Final = DrawScenario("random spread")
_OTHER: Final = DrawScenario("other cells", other=True)
DRAW_SCENARIOS: Final = (
    DrawScenario("balanced", charge_spread=0.003),
    _RANDOM,
    DrawScenario("one weak cell", kind="weak", charge_spread=0.003),
    DrawScenario("one low cell", kind="low", charge_spread=0.003),
    replace(_RANDOM, name="cold at 2 °C", temperature_c=2.0),
    replace(_RANDOM, name="slow inverter", lag_s=(5.0, 5.0)),
    replace(_RANDOM, name="current ignored", obeys_current=False),
    replace(_RANDOM, name="floor ignored", obeys_floor=False),
    replace(_RANDOM, name="min/max/pack only", lowest_only=True),
    replace(_RANDOM, name="bad contact", kind="contact"),
    replace(_RANDOM, name="10 mV steps", cell_step_v=0.010),
    replace(_RANDOM, name="telemetry 5 s", every_s=5),
    replace(_RANDOM, name="telemetry 10 s", every_s=10),
    replace(_RANDOM, name="no current known", no_current=True),
    replace(_RANDOM, name="0.7 x resistance", resistance=0.7),
    replace(_RANDOM, name="1.6 x resistance", resistance=1.6),
    replace(_RANDOM, name="100 Ah", capacity_ah=100.0),
    replace(_RANDOM, name="560 Ah", capacity_ah=560.0),
    _OTHER,
    replace(_OTHER, name="other, current ignored", obeys_current=False),
    replace(_OTHER, name="other, 10 mV steps", cell_step_v=0.010),
    replace(_OTHER, name="other, 10 s", every_s=10),
)


@dataclass
class DrawFleet:
    """Packs of one scenario, drawn from a seed, and what is drawn with them."""

    cells: FleetCells
    inverter: FleetInverter
    offset_v: Array
    pack_offset_v: Array
    load_a: Array


APPLIANCES: Final = (
    # C-rate, s on, s off: fridge, kettle, saw, heater; each within ±40 %
    (0.03, 600.0, 1200.0),
    (0.22, 200.0, 1500.0),
    (0.18, 40.0, 300.0),
    (0.25, 1200.0, 1800.0),
)


MEAN_C: Final = 0.30
"""What the loads of every pack come to in the mean, in C, but for what is cut off at the most."""


def _loads(random: np.random.Generator, packs: int, seconds: int, capacity_ah: float) -> Array:
    """What the loads would draw, by second and pack: steps that come and go."""
    base = random.uniform(0.01, 0.05, packs)
    total = np.tile(base, (seconds, 1))
    for c_rate, on_s, off_s in APPLIANCES:
        own = c_rate * random.uniform(0.6, 1.4, packs)
        for p in range(packs):
            t = random.uniform(-on_s, off_s)
            while t < seconds:
                end = t + on_s * random.uniform(0.6, 1.4)
                total[max(int(t), 0) : max(int(end), 0), p] += own[p]
                t = end + off_s * random.uniform(0.6, 1.4)
    total *= MEAN_C / total.mean(axis=0)
    return np.minimum(total, MOST_C) * capacity_ah


def draw_fleet(scenario: DrawScenario, packs: int, start: float, seconds: int, seed: int) -> DrawFleet:
    """The packs of a scenario; the same seed gives the same."""
    random = np.random.default_rng(seed)
    shape = (packs, CELLS)
    charge = start + random.uniform(-1.0, 1.0, shape) * scenario.charge_spread
    capacity = scenario.capacity_ah * (1.0 + 0.02 * random.uniform(-1.0, 1.0, shape))
    factor = (1.0 + 0.15 * random.uniform(-1.0, 1.0, shape)) * scenario.resistance
    factor *= 280.0 / scenario.capacity_ah
    odd = random.integers(0, CELLS, packs)
    rows = np.arange(packs)
    if scenario.kind == "low":
        charge[rows, odd] = start - random.uniform(0.02, 0.04, packs)
    elif scenario.kind == "weak":
        capacity[rows, odd] *= random.uniform(0.85, 0.92, packs)
        factor[rows, odd] *= 1.5
    make = OtherCells if scenario.other else FleetCells
    cells = make(charge, capacity, factor, scenario.temperature_c)
    if scenario.kind == "contact":
        cells.series_ohm[rows, odd] *= 4.0
    inverter = FleetInverter(
        random.uniform(*scenario.lag_s, packs),
        random.uniform(-scenario.calibration_v, scenario.calibration_v, packs),
        random.uniform(0.001, 0.003, packs),
        obeys_current=scenario.obeys_current,
        obeys_floor=scenario.obeys_floor,
    )
    offset = random.uniform(-0.002, 0.002, shape)
    pack_offset = random.uniform(-0.02, 0.02, packs)
    load = _loads(random, packs, seconds, scenario.capacity_ah)
    return DrawFleet(cells, inverter, offset, pack_offset, load)
