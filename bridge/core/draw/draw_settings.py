"""What the discharge law is told once, what it answers at every step, and what is worth keeping of it."""

from dataclasses import dataclass
from typing import NamedTuple

from bridge.core.plan.plan import PackFacts


@dataclass(frozen=True)
class DrawSettings(PackFacts):
    """One string of cells, beside its inverter and its sensors. Voltages in V, currents in A.

    Attributes:
        cells: cells in series.
        capacity_ah: of the string; resistance and slope are expected in proportion.
        floor_v: what the lowest true cell may fall to.
        knee_v: where the steep part of the curve begins on the way down.
        most_a: discharge current that is never exceeded.
        rise_a_per_s: fastest rise of the current limit.
        voltmeter_v: largest error of the inverter's voltmeter, either way.
        cable_ohm: largest resistance between the string and the inverter.
    """

    cells: int
    capacity_ah: float
    floor_v: float
    knee_v: float
    most_a: float
    rise_a_per_s: float = 4.0
    voltmeter_v: float = 0.2
    cable_ohm: float = 0.003


class DrawLimits(NamedTuple):
    """What the law answers.

    Attributes:
        floor_v: the voltage floor, V, on the wire's grid; `None` far above it, and where the string's
            voltage is not known.
        current_a: the current limit, A, on the wire's grid.
        current_ignored: the inverter has been seen to pass by the current limit.
    """

    floor_v: float | None
    current_a: float
    current_ignored: bool = False


class DrawLearnt(NamedTuple):
    """What the law has learnt and a restart need not lose.

    Attributes:
        resistance: of each cell, as a multiple of what is expected of it at its temperature.
    """

    resistance: tuple[float, ...] = ()
