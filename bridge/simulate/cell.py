"""One cell: open-circuit voltage, a series resistance and RC branches, exact for a constant current.

Currents are positive when they charge. The open-circuit curve is that of LFP in the parameter set
Prada2013 of PyBaMM (BSD-3), its values retyped; below 20 % of charge they are doubtful.
"""

import itertools
import math
from bisect import bisect_right
from collections.abc import Callable
from typing import Final, NamedTuple

SECONDS_PER_HOUR: Final = 3600.0

_CHARGE: Final = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
_VOLTAGE_V: Final = (
    2.0,
    2.7853,
    2.9781,
    3.1685,
    3.2058,
    3.2525,
    3.266,
    3.2688,
    3.274,
    3.3097,
    3.3142,
    3.3164,
)
_FULL_V: Final = 3.6
_KNEE: Final = _CHARGE[-1]
# The rise at the top follows an e-fold for each 0.97 % of charge, fitted to the same parameter set.
_E_FOLD: Final = 0.0097
_KNEE_V: Final = (_FULL_V - _VOLTAGE_V[-1]) / math.expm1((1.0 - _KNEE) / _E_FOLD)
_FULL_SLOPE_V: Final = _KNEE_V / _E_FOLD * math.exp((1.0 - _KNEE) / _E_FOLD)


def _slopes() -> tuple[float, ...]:
    """Return the slope at each table point: harmonic means, which keep the curve rising (Fritsch-Butland)."""
    rises = [
        (_VOLTAGE_V[n + 1] - _VOLTAGE_V[n]) / (_CHARGE[n + 1] - _CHARGE[n]) for n in range(len(_CHARGE) - 1)
    ]
    inner = [2.0 * a * b / (a + b) for a, b in itertools.pairwise(rises)]
    return (rises[0], *inner, _KNEE_V / _E_FOLD)


_SLOPE_V: Final = _slopes()


def lfp_open_circuit_v(charge: float) -> float:
    """Return the resting voltage of an LFP cell in volts at a charge of 0..1.

    Smooth and strictly rising: a monotone cubic through the table up to 95 %, then an exponential to
    3.6 V at 100 %. Beyond either end it goes on along the tangent, so that an overcharged or emptied cell
    shows itself.
    """
    if charge >= 1.0:
        return _FULL_V + _FULL_SLOPE_V * (charge - 1.0)
    if charge >= _KNEE:
        return _VOLTAGE_V[-1] + _KNEE_V * math.expm1((charge - _KNEE) / _E_FOLD)
    if charge <= 0.0:
        return _VOLTAGE_V[0] + _SLOPE_V[0] * charge
    n = bisect_right(_CHARGE, charge) - 1
    width = _CHARGE[n + 1] - _CHARGE[n]
    x = (charge - _CHARGE[n]) / width
    rest = 1.0 - x
    return (
        _VOLTAGE_V[n] * (1.0 + 2.0 * x) * rest**2
        + _VOLTAGE_V[n + 1] * x**2 * (3.0 - 2.0 * x)
        + width * x * rest * (_SLOPE_V[n] * rest - _SLOPE_V[n + 1] * x)
    )


class Branch(NamedTuple):
    """One RC pair in series with the cell; its time constant is `resistance_ohm * capacitance_f`."""

    resistance_ohm: float
    capacitance_f: float


class CellParameters(NamedTuple):
    """What a cell is made of.

    The defaults are a 280 Ah prismatic LFP cell at 25 °C, typical values without a published source:
    0.20 mOhm at once, 0.10 mOhm within 15 s and 0.25 mOhm within 300 s.

    Attributes:
        capacity_ah: charge between empty and full, above 0.
        series_ohm: resistance felt at once, above 0.
        branches: slower resistances.
        open_circuit_v: resting voltage by charge 0..1.
    """

    capacity_ah: float = 280.0
    series_ohm: float = 0.000_20
    branches: tuple[Branch, ...] = (Branch(0.000_10, 150_000.0), Branch(0.000_25, 1_200_000.0))
    open_circuit_v: Callable[[float], float] = lfp_open_circuit_v


class CellModel:
    """A cell with its charge and the voltages its branches have built up.

    Attributes:
        parameters: what it is made of.
        charge: charge left, 0..1; beyond either end if it is forced there.
        emf_v: voltage in volts behind the series resistance.
    """

    __slots__ = ("_branch_v", "charge", "emf_v", "parameters")

    def __init__(self, parameters: CellParameters, charge: float) -> None:
        self.parameters = parameters
        self.charge = charge
        self.emf_v = parameters.open_circuit_v(charge)
        self._branch_v = [0.0] * len(parameters.branches)

    def voltage_v(self, current_a: float) -> float:
        """Return the terminal voltage in volts while a current flows."""
        return self.emf_v + self.parameters.series_ohm * current_a

    def step(self, current_a: float, dt_s: float) -> None:
        """Let a constant current flow for some time; exact whatever the length of the step."""
        parameters = self.parameters
        self.charge += current_a * dt_s / (SECONDS_PER_HOUR * parameters.capacity_ah)
        self.emf_v = parameters.open_circuit_v(self.charge)
        for n, (resistance_ohm, capacitance_f) in enumerate(parameters.branches):
            final_v = resistance_ohm * current_a
            kept = math.exp(-dt_s / (resistance_ohm * capacitance_f))
            self._branch_v[n] = final_v + (self._branch_v[n] - final_v) * kept
            self.emf_v += self._branch_v[n]
