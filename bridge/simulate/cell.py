"""One cell: open-circuit voltage, hysteresis, a series resistance and RC pairs.

Exact for a constant current, whatever the length of a step. Currents are positive when they charge.
"""

import math
from collections.abc import Callable
from typing import Final, NamedTuple

from bridge.simulate.open_circuit import lfp_open_circuit_v

__all__ = [
    "HIGH_END",
    "LFP_HYSTERESIS_V",
    "LOW_END",
    "SECONDS_PER_HOUR",
    "SWING",
    "Branch",
    "CellModel",
    "CellParameters",
    "at_temperature",
    "lfp_open_circuit_v",
]

SECONDS_PER_HOUR: Final = 3600.0

LFP_HYSTERESIS_V: Final = 0.028
"""Half the gap between charge and discharge curve at mid range (batmods-lite 0.0.2, lfp_ocv, BSD-3)."""

SWING: Final = 0.02
"""Charge that moves the cell by an e-fold from one curve towards the other (typical, no source)."""

LOW_END: Final = 0.05
HIGH_END: Final = 0.025
"""The gap closes over this much charge at either end (own choice: the published one widens there, where both
curves are steep); the curve goes on rising."""

_REFERENCE_K: Final = 298.15

ACTIVATION_K: Final = 1840.0
"""Activation temperature of the resistances, Arrhenius: fitted to those measured of an LFP cell of 3 Ah at
10, 25 and 40 °C, charging and discharging, from 20 to 90 % (M. Naumann, doctoral thesis, TU Munich 2018, as
kept by SimSES 1.3.4, BSD-3): 1.44 and 1.48 times as much at 10 °C, 0.78 and 0.79 at 40 °C. Below 10 °C it is
extrapolated; what is felt at once is not told from what is slower."""


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
        open_circuit_v: resting voltage by charge 0..1, between the curves for charging and discharging.
        hysteresis_v: half the gap between these two curves at mid range; 0 for none.
        series_k, branch_k: activation temperatures of the resistance felt at once and of the slower ones.
    """

    capacity_ah: float = 280.0
    series_ohm: float = 0.000_20
    branches: tuple[Branch, ...] = (Branch(0.000_10, 150_000.0), Branch(0.000_25, 1_200_000.0))
    open_circuit_v: Callable[[float], float] = lfp_open_circuit_v
    hysteresis_v: float = 0.0
    series_k: float = ACTIVATION_K
    branch_k: float = ACTIVATION_K


def at_temperature(cell: CellParameters, temperature_c: float) -> CellParameters:
    """The same cell colder or warmer than 25 °C: resistances by Arrhenius, capacitances and charge as before.

    Each resistance is multiplied by exp(B (1/T - 1/298.15 K)), B its activation temperature.
    """
    inverse = 1.0 / (temperature_c + 273.15) - 1.0 / _REFERENCE_K
    slow = math.exp(cell.branch_k * inverse)
    return cell._replace(
        series_ohm=cell.series_ohm * math.exp(cell.series_k * inverse),
        branches=tuple(b._replace(resistance_ohm=b.resistance_ohm * slow) for b in cell.branches),
    )


class CellModel:
    """A cell with its charge and the voltages it has built up.

    Attributes:
        parameters: what it is made of.
        charge: charge left, 0..1; beyond either end if it is forced there.
        emf_v: voltage in volts behind the series resistance.
    """

    __slots__ = ("_branch_v", "_dt_s", "_kept", "_share", "_side", "charge", "emf_v", "parameters")

    def __init__(self, parameters: CellParameters, charge: float) -> None:
        self.parameters = parameters
        self.charge = charge
        self.emf_v = parameters.open_circuit_v(charge)
        self._branch_v = [0.0] * len(parameters.branches)
        self._side = 0.0  # -1 on the discharge curve, 1 on the charge curve
        self._tune(1.0)

    def voltage_v(self, current_a: float) -> float:
        """Return the terminal voltage in volts while a current flows."""
        return self.emf_v + self.parameters.series_ohm * current_a

    def step(self, current_a: float, dt_s: float) -> None:
        """Let a constant current flow for some time; exact whatever the length of the step."""
        if dt_s != self._dt_s:
            self._tune(dt_s)
        parameters = self.parameters
        moved = current_a * self._share
        self.charge += moved
        emf_v = parameters.open_circuit_v(self.charge)
        branch_v = self._branch_v
        for n, (resistance_ohm, kept) in enumerate(self._kept):
            final_v = resistance_ohm * current_a
            branch_v[n] = v = final_v + (branch_v[n] - final_v) * kept
            emf_v += v
        if parameters.hysteresis_v:
            self._side = side = _moved_side(self._side, moved)
            emf_v += parameters.hysteresis_v * side * _gap(self.charge)
        self.emf_v = emf_v

    def foreseen_v(self, current_a: float, dt_s: float) -> float:
        """Return the terminal voltage at the end of a step, without taking it."""
        if dt_s != self._dt_s:
            self._tune(dt_s)
        parameters = self.parameters
        moved = current_a * self._share
        charge = self.charge + moved
        voltage_v = parameters.open_circuit_v(charge) + parameters.series_ohm * current_a
        for (resistance_ohm, kept), v in zip(self._kept, self._branch_v, strict=True):
            final_v = resistance_ohm * current_a
            voltage_v += final_v + (v - final_v) * kept
        if parameters.hysteresis_v:
            voltage_v += parameters.hysteresis_v * _moved_side(self._side, moved) * _gap(charge)
        return voltage_v

    def loss_w(self, current_a: float) -> float:
        """Return the power in watts that is not stored while a current flows: what warms the cell."""
        parameters = self.parameters
        across_v = parameters.series_ohm * current_a + sum(self._branch_v)
        if parameters.hysteresis_v:
            across_v += parameters.hysteresis_v * self._side * _gap(self.charge)
        return across_v * current_a

    def become(self, parameters: CellParameters) -> None:
        """Let other resistances count from now on; charge and voltages built up stay."""
        self.parameters = parameters
        self._tune(self._dt_s)

    def _tune(self, dt_s: float) -> None:
        """Steps are mostly of one length: what depends on it is worked out once."""
        self._dt_s = dt_s
        self._share = dt_s / (SECONDS_PER_HOUR * self.parameters.capacity_ah)
        self._kept = tuple(
            (resistance_ohm, math.exp(-dt_s / (resistance_ohm * capacitance_f)))
            for resistance_ohm, capacitance_f in self.parameters.branches
        )


def _moved_side(side: float, moved: float) -> float:
    """One-state hysteresis: charge that flows carries the cell to the curve of its direction."""
    towards = 1.0 if moved > 0.0 else -1.0
    return towards + (side - towards) * math.exp(-abs(moved) / SWING)


def _gap(charge: float) -> float:
    """How far the two curves are apart, as a share of the gap at mid range."""
    if LOW_END <= charge <= 1.0 - HIGH_END:
        return 1.0
    return max(min(charge / LOW_END, (1.0 - charge) / HIGH_END), 0.0)
