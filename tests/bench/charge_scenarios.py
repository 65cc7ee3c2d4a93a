"""The scenarios of the charge benchmark: how packs, chargers and telemetry differ."""

from dataclasses import dataclass, replace
from typing import Final

CELLS: Final = 16
CAPACITY_AH: Final = 280.0
TARGET_V: Final = 3.50
TRIP_V: Final = 3.65


@dataclass(frozen=True)
class Scenario:
    """One kind of pack, charger and telemetry. Spreads are largest deviations to either side.

    `every_s` is how often all is told, `fast_current`: the current beside it every second.
    `start` is the charge at the beginning, if it is not that of the run; `sun` the least share of the source
    that a pack has for all its charge.
    """

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
    fast_current: bool = False
    no_current: bool = False
    start: float | None = None
    sun: tuple[float, float] = (1.0, 1.0)


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
    replace(_RANDOM, name="cells 5 s, current 1 s", every_s=5, fast_current=True),
    replace(_RANDOM, name="cells 10 s, current 1 s", every_s=10, fast_current=True),
    replace(_RANDOM, name="no current known", no_current=True),
    replace(_RANDOM, name="begun in the knee", charge_spread=0.003, start=0.975),
    replace(_RANDOM, name="little sun", sun=(0.05, 0.3), start=0.92),
)
