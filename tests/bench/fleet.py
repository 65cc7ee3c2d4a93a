"""Many strings of cells at once, for statistics: the same physics as `cell`, on numpy arrays.

Arrays have one row a pack and one column a cell. Currents are positive when they charge. Each pair of
resistor and capacitor is stepped exactly for a constant current; the open-circuit curve is
`lfp_open_circuit_v`, read from a fine table.
"""

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from bridge.simulate.cell import (
    HIGH_END,
    LOW_END,
    SECONDS_PER_HOUR,
    SWING,
    CellParameters,
    at_temperature,
    lfp_open_circuit_v,
)

Array = npt.NDArray[np.float64]

TABLE_CHARGE: Final[Array] = np.linspace(0.0, 1.06, 106_001)
TABLE_V: Final[Array] = np.array([lfp_open_circuit_v(float(charge)) for charge in TABLE_CHARGE])


class FleetSpread(NamedTuple):
    """How the cells of every pack differ: largest deviation to either side, drawn evenly.

    Attributes:
        capacity, resistance: fractions.
        charge: difference in charge, 0.01 is 1 %.
    """

    capacity: float = 0.02
    resistance: float = 0.15
    charge: float = 0.003


class FleetCells:
    """The cells of many packs.

    Attributes:
        charge: charge of each cell, 0..1 of its own capacity.
        capacity_ah: of each cell.
        series_ohm: resistance felt at once, of each cell.
        branches: resistance, time constant and voltage of each pair of resistor and capacitor.
        emf_v: voltage behind the series resistance, of each cell.
    """

    def __init__(
        self,
        charge: Array,
        capacity_ah: Array,
        factor: Array,
        temperature_c: float,
        hysteresis_v: float = 0.0,
    ) -> None:
        """Start at rest.

        Args:
            charge: of each cell.
            capacity_ah: of each cell.
            factor: resistance of each cell as a multiple of the typical one.
            temperature_c: of all cells; nothing changes it.
            hysteresis_v: half the gap between charging and discharging at mid charge, V.
        """
        cell = at_temperature(CellParameters(), temperature_c)
        self.charge = charge.copy()
        self.capacity_ah = capacity_ah
        self.series_ohm = cell.series_ohm * factor
        self.branches = [(ohm * factor, ohm * farad, np.zeros_like(charge)) for ohm, farad in cell.branches]
        self._hysteresis_v = hysteresis_v
        self._side = np.zeros_like(charge)
        self.emf_v = self.rest_v()

    def rest_v(self) -> Array:
        """The resting voltage of each cell."""
        rest: Array = np.interp(self.charge, TABLE_CHARGE, TABLE_V)
        if self._hysteresis_v:
            rest = rest + self._hysteresis_v * self._side * _gap(self.charge)
        return rest

    def branch_v(self) -> Array:
        """The voltage built up behind the slower resistances, of each cell."""
        return self.branches[0][2] + self.branches[1][2]

    def terminal_v(self, current_a: Array) -> Array:
        """Voltage of each cell while a current flows through it: the pack's, less what its resistor takes."""
        volts: Array = self.emf_v + self.series_ohm * current_a
        return volts

    def copy(self) -> "FleetCells":
        """An independent copy, as it stands."""
        twin = object.__new__(FleetCells)
        twin.__dict__.update(self.__dict__)
        twin.charge = self.charge.copy()
        twin._side = self._side.copy()
        twin.branches = [(ohm, tau, volts.copy()) for ohm, tau, volts in self.branches]
        twin.emf_v = self.emf_v.copy()
        return twin

    def step(self, current_a: Array, dt_s: float) -> None:
        """Let the current of each cell flow for some time; exact for a constant current."""
        moved = current_a * (dt_s / SECONDS_PER_HOUR) / self.capacity_ah
        self.charge += moved
        if self._hysteresis_v:
            self._side = _moved_side(self._side, moved)
        for ohm, tau_s, volts in self.branches:
            kept = float(np.exp(-dt_s / tau_s))
            volts *= kept
            volts += ohm * current_a * (1.0 - kept)
        self.emf_v = self.rest_v() + self.branch_v()

    def after(self, current_a: Array, dt_s: float) -> tuple[Array, Array]:
        """Voltage of each cell after a step, and how it grows with the current, without taking the step."""
        moved = current_a * (dt_s / SECONDS_PER_HOUR) / self.capacity_ah
        charge = self.charge + moved
        rest: Array = np.interp(charge, TABLE_CHARGE, TABLE_V)
        slope = (np.interp(charge + 1e-5, TABLE_CHARGE, TABLE_V) - rest) / 1e-5
        ohm = self.series_ohm + slope * (dt_s / SECONDS_PER_HOUR) / self.capacity_ah
        volts = rest + self.series_ohm * current_a
        if self._hysteresis_v:
            volts = volts + self._hysteresis_v * _moved_side(self._side, moved) * _gap(charge)
        for branch_ohm, tau_s, branch_v in self.branches:
            kept = float(np.exp(-dt_s / tau_s))
            volts = volts + branch_v * kept + branch_ohm * current_a * (1.0 - kept)
            ohm = ohm + branch_ohm * (1.0 - kept)
        return volts, ohm


def _moved_side(side: Array, moved: Array) -> Array:
    """Hysteresis: charge that flows carries a cell to the curve of its direction."""
    towards = np.where(moved > 0.0, 1.0, -1.0)
    turned: Array = towards + (side - towards) * np.exp(-np.abs(moved) / SWING)
    return turned


def _gap(charge: Array) -> Array:
    """How far the two curves of hysteresis are apart, as a share of the gap at mid range."""
    gap: Array = np.clip(np.minimum(charge / LOW_END, (1.0 - charge) / HIGH_END), 0.0, 1.0)
    return gap


class FleetBalancer:
    """A resistor across each cell that stands out, judged by the true voltage."""

    def __init__(self, bleed_a: Array, from_v: float = 3.45, above_lowest_v: float = 0.005) -> None:
        self._bleed_a = bleed_a
        self._from_v = from_v
        self._above_v = above_lowest_v

    def bleed_a(self, cells_v: Array) -> Array:
        """The current each resistor takes now."""
        threshold = np.maximum(self._from_v, cells_v.min(axis=1, keepdims=True) + self._above_v)
        return np.where(cells_v > threshold, self._bleed_a, 0.0)


def largest_current_a(
    cells: FleetCells, target_v: float | Array, bleed_a: Array, most_a: Array, dt_s: float
) -> Array:
    """The oracle: largest current of each pack that leaves every true cell at or under its target.

    A cell's voltage after a step is a straight line in the current but for the curvature of its open-circuit
    voltage, which rises ever faster; so Newton's steps from above come down to the bound without passing it.
    """
    current = most_a
    for _ in range(4):
        volts, ohm = cells.after(current[:, None] - bleed_a, dt_s)
        room = ((target_v - volts) / ohm).min(axis=1)
        current = np.clip(current + room, 0.0, most_a)
    return current
