"""What the charge law is told once, and what it answers at every step."""

from dataclasses import dataclass
from typing import NamedTuple

from bridge.core.plan.plan import PackFacts


@dataclass(frozen=True)
class ChargeSettings(PackFacts):
    """One string of cells, beside its charger and its sensors. Voltages in V, currents in A.

    Attributes:
        cells: cells in series.
        capacity_ah: of the string; resistance and slope are expected in proportion.
        target_v: what the highest true cell may reach.
        knee_v: where the steep part of the curve begins, under the usual charging current.
        ceiling_v: charge voltage that is never exceeded.
        most_a: charge current that is never exceeded.
        rise_a_per_s: fastest rise of the current limit.
        below_knee_v: from the knee, under the usual current, down to the resting plateau of the curve.
        e_fold: share of charge over which the voltage above the knee grows e-fold.
    """

    cells: int
    capacity_ah: float
    target_v: float
    knee_v: float
    ceiling_v: float
    most_a: float
    rise_a_per_s: float = 3.0
    below_knee_v: float = 0.065
    e_fold: float = 0.0097


class Learnt(NamedTuple):
    """What a law has found out, to be kept over a restart; plain numbers only.

    Restored, it is clipped to the bounds of what can be learnt, and is where finding out anew begins; the
    README of this directory says what each part is good for until then.

    Attributes:
        ohms: resistance of each cell, as a multiple of what is expected of it; empty: not known.
        offset_v, offset_a: the charger's offset, V, and the current at which it was; `None`: not known.
        lag_s: the charger's time constant; `None`: not known.
        ignores: the current limit was passed by.
    """

    ohms: tuple[float, ...] = ()
    offset_v: float | None = None
    offset_a: float = 0.0
    lag_s: float | None = None
    ignores: bool = False


NOTHING = Learnt()


class ChargeLimits(NamedTuple):
    """What the law answers.

    Attributes:
        voltage_v, current_a: the limits, on the wire's grid.
        current_ignored, voltage_ignored: the charger has been seen to pass by this limit.
        contact: index of a cell whose resistance stands far above the others', a bad contact; else `None`.
        tests_voltage, tests_current: the limit is what it is to find out what the charger makes of it.
    """

    voltage_v: float
    current_a: float
    current_ignored: bool = False
    voltage_ignored: bool = False
    contact: int | None = None
    tests_voltage: bool = False
    tests_current: bool = False
