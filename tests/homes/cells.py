"""The cells of many homes: other curves, hysteresis, three slow parts, resistance that rises at the top.

Arrays have a home a row, then a bank, then a cell; where a home has fewer, the rest is not `there`. The usual
curve and its knee are those of `bridge.simulate`; the other curves are own choices.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from bridge.simulate.cell import SECONDS_PER_HOUR, SWING
from bridge.simulate.open_circuit import LFP_TABLE, RisingCurve

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

STEP: Final = 5e-5
LOW, HIGH = -0.02, 1.08
GRID: Final[Array] = np.arange(LOW, HIGH, STEP)
*_UNDER, (_, FULL_V) = LFP_TABLE
KNEE, KNEE_V = _UNDER[-1]


def _usual(e_fold: float) -> Array:
    """The published table, and from 95 % an exponential to 3.6 V at 100 %; straight beyond."""
    rise = (FULL_V - KNEE_V) / np.expm1((1.0 - KNEE) / e_fold)
    below = RisingCurve([x for x, _ in _UNDER], [v for _, v in _UNDER], float(rise / e_fold))
    top = KNEE_V + rise * np.expm1((np.minimum(GRID, 1.0) - KNEE) / e_fold)
    curve: Array = np.where(GRID < KNEE, [below.at(float(x)) for x in GRID], top)
    slope = rise / e_fold * np.exp((1.0 - KNEE) / e_fold)
    return np.asarray(curve + np.maximum(GRID - 1.0, 0.0) * slope)


def _measured() -> Array:
    """Two plateaus with a step at 60 %, a bend at either end (own choice)."""
    plateau = 3.292 + 0.022 * GRID + 0.016 / (1.0 + np.exp(-(GRID - 0.62) / 0.02))
    top = 0.27 * np.exp(np.clip((GRID - 1.0) / 0.012, -60.0, 1.5))
    return np.asarray(
        plateau + top - 0.45 * np.exp(-np.maximum(GRID, 0.0) / 0.022) + np.minimum(GRID, 0.0) * 20.0
    )


def _hyperbola() -> Array:
    """A gentle plateau, a knee as 1 / (1.012 - charge), 3.6 V at 100 %."""
    size = 0.012 * (FULL_V - 3.345)
    top = np.minimum(GRID, 1.004)
    curve = 3.330 + 0.015 * GRID + size / (1.012 - top) + np.maximum(GRID - 1.004, 0.0) * size / 0.008**2
    return np.asarray(curve - 0.5 * np.exp(-np.maximum(GRID, 0.0) / 0.03) + np.minimum(GRID, 0.0) * 17.0)


CURVES: Final[Array] = np.stack([_usual(0.0097), _usual(0.0097 / 2.0), _measured(), _hyperbola()])
"""The usual one, the same with a knee twice as steep, and two others."""


class HomeCells:
    """The cells, from one piece of time to the next.

    Attributes:
        charge: of each, 0..1 of its own capacity.
        emf_v: voltage behind the series resistance, which is `ohm` now.
        slope_v: how the resting voltage rises with charge now.
    """

    def __init__(
        self,
        curve: "npt.NDArray[np.int64]",
        charge: Array,
        capacity_ah: Array,
        series_ohm: Array,
        branches: list[tuple[Array, float]],
        top_rise: Array,
        hysteresis_v: Array,
        side: Array,
        there: Flags,
    ) -> None:
        self._place = curve[:, None, None] * len(GRID)
        self.charge, self.capacity_ah = charge.copy(), capacity_ah
        self._series_ohm, self._top_rise = series_ohm, top_rise[:, None, None]
        self.branches = [(ohm, tau_s, np.zeros_like(charge)) for ohm, tau_s in branches]
        self._hysteresis_v = hysteresis_v[:, None, None]
        self._side = np.broadcast_to(side[:, None, None], charge.shape).copy()
        self.there = there
        self.emf_v, self.ohm = self._rest()

    def _curve_v(self, charge: Array) -> tuple[Array, Array]:
        """Resting voltage without hysteresis, and its slope by charge."""
        place = (np.clip(charge, LOW, HIGH - 0.001) - LOW) / STEP
        whole = place.astype(np.int64)
        low = CURVES.take(whole + self._place)
        rise = CURVES.take(whole + self._place + 1) - low
        return low + rise * (place - whole), rise / STEP

    def _rest(self) -> tuple[Array, Array]:
        curve_v, self.slope_v = self._curve_v(self.charge)
        volts = curve_v + self._hysteresis_v * self._side
        for _, _, branch_v in self.branches:
            volts += branch_v
        top = np.clip((self.charge - 0.95) / 0.05, 0.0, 1.2)
        ohm = self._series_ohm * (1.0 + self._top_rise * top)
        return np.where(self.there, volts, 0.0), np.where(self.there, ohm, 0.0)

    def step(self, current_a: Array, dt_s: float) -> None:
        """The current of each cell flows for some time."""
        moved = current_a * (dt_s / SECONDS_PER_HOUR) / self.capacity_ah
        self.charge += moved
        self._side += (np.sign(moved) - self._side) * np.minimum(np.abs(moved) / SWING, 1.0)
        for ohm, tau_s, volts in self.branches:
            kept = float(np.exp(-dt_s / tau_s))
            volts *= kept
            volts += ohm * current_a * (1.0 - kept)
        self.emf_v, self.ohm = self._rest()

    @property
    def mean_charge(self) -> Array:
        """Of each home."""
        total = np.where(self.there, self.charge, 0.0).sum(axis=(1, 2))
        return np.asarray(total / self.there.sum(axis=(1, 2)))

    def terminal_v(self, current_a: Array) -> Array:
        """Of each cell while a current flows through it."""
        return np.asarray(self.emf_v + self.ohm * current_a)

    def after(self, current_a: Array, dt_s: "float | Array") -> tuple[Array, Array]:
        """Voltage after a time of a constant current, and its growth with it; low where there is no cell."""
        share = dt_s / SECONDS_PER_HOUR / self.capacity_ah
        moved = current_a * share
        rest, slope = self._curve_v(self.charge + moved)
        ohm = self.ohm + slope * share
        side = self._side + (np.sign(moved) - self._side) * np.minimum(np.abs(moved) / SWING, 1.0)
        volts = rest + self.ohm * current_a + self._hysteresis_v * side
        for branch_ohm, tau_s, branch_v in self.branches:
            kept = np.exp(-dt_s / tau_s)
            volts = volts + branch_v * kept + branch_ohm * current_a * (1.0 - kept)
            ohm = ohm + branch_ohm * (1.0 - kept)
        return np.where(self.there, volts, -9.0), np.where(self.there, ohm, 1.0)


class Banks:
    """Strings in parallel: how a current divides among them.

    Attributes:
        cells: all of them.
        flows_a: into each bank, homes by banks.
        cells_v: true voltage of each cell; `high_v`, `low_v` the extremes of each home.
        bleed_a: what the resistor across each cell takes.
    """

    def __init__(self, cells: HomeCells, lead_ohm: Array, most_bleed_a: Array, from_v: float = 3.45) -> None:
        self.cells = cells
        self._lead_ohm, self._most_bleed_a, self._from_v = lead_ohm, most_bleed_a, from_v
        self._on = cells.there.any(axis=2)
        self.flows_a = np.zeros(lead_ohm.shape)
        self.bleed_a = np.zeros_like(cells.charge)
        self._look(np.zeros(lead_ohm.shape))

    def _look(self, flows_a: Array) -> None:
        cells = self.cells
        through_a = flows_a[:, :, None] - self.bleed_a
        self.cells_v = cells.terminal_v(through_a)
        self.high_v = np.where(cells.there, self.cells_v, -9.0).max(axis=(1, 2))
        low_v = np.where(cells.there, self.cells_v, 9.0)
        self.low_v = low_v.min(axis=(1, 2))
        threshold = np.maximum(self._from_v, low_v.min(axis=2, keepdims=True) + 0.005)
        self.bleed_a = np.where(cells.there & (self.cells_v > threshold), self._most_bleed_a, 0.0)
        self._siemens = np.where(
            self._on, 1.0 / np.where(self._on, cells.ohm.sum(axis=2) + self._lead_ohm, 1.0), 0.0
        )
        self.ohm = 1.0 / self._siemens.sum(axis=1)
        self._string_v = cells.emf_v.sum(axis=2) - (cells.ohm * self.bleed_a).sum(axis=2)
        self.emf_v = (self._string_v * self._siemens).sum(axis=1) * self.ohm

    def divide(self, current_a: Array) -> Array:
        """Into each bank, of a current into the home's battery."""
        volts = self.emf_v + self.ohm * current_a
        return np.asarray((volts[:, None] - self._string_v) * self._siemens)

    @property
    def share(self) -> Array:
        """How the current of each bank grows with that of the whole; next to nothing where there is none."""
        return np.asarray(np.maximum(self._siemens * self.ohm[:, None], 1e-9))

    def flow(self, current_a: Array, dt_s: float) -> None:
        """Lets a current flow into each home's battery."""
        self.flows_a = self.divide(current_a)
        self.cells.step(self.flows_a[:, :, None] - self.bleed_a, dt_s)
        self._look(self.flows_a)

    def most_drawn_a(self, floor_v: float, drawn_a: Array, dt_s: float) -> Array:
        """Largest current, up to `drawn_a`, that leaves every true cell at or above the floor."""
        current = -drawn_a
        for n in range(6):
            volts, ohm = self.cells.after(self.divide(current)[:, :, None] - self.bleed_a, dt_s)
            lack = (floor_v - np.where(self.cells.there, volts, 9.0)) / (ohm * self.share[:, :, None])
            more = lack.max(axis=(1, 2))
            if n == 0 and (more <= 0.0).all():
                return drawn_a
            current = np.minimum(np.maximum(current + more, -drawn_a), 0.0)
        return -current

    def largest_a(self, target_v: Array, most_a: Array, dt_s: "float | Array") -> Array:
        """Largest current up to `most_a`, after a time of which every true cell is at or under its target."""
        goal_v, current = target_v[:, None, None], most_a
        span = np.asarray(dt_s)[:, None, None] if np.ndim(dt_s) else dt_s
        for n in range(5):
            flows = self.divide(current)[:, :, None] - self.bleed_a
            volts, ohm = self.cells.after(flows, span)
            room = ((goal_v - volts) / (ohm * self.share[:, :, None])).min(axis=(1, 2))
            if n == 0 and (room >= 0.0).all():
                return current
            current = np.minimum(current + room, most_a)
        return current
