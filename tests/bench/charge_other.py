"""The other plant: cells and chargers unlike those of `bridge.simulate`, of other curves and sizes."""

from typing import Final

import numpy as np

from bridge.simulate.cell import SECONDS_PER_HOUR, SWING
from bridge.simulate.open_circuit import LFP_TABLE, RisingCurve
from tests.bench.fleet import Array, FleetCells
from tests.bench.fleet_charger import FleetCharger

LOW, HIGH, STEP = 0.40, 1.06, 1e-5
GRID: Final[Array] = np.arange(LOW, HIGH, STEP)
*UNDER, (_, FULL_V) = LFP_TABLE
KNEE, KNEE_V = UNDER[-1]


def _exponential(e_fold: float) -> Array:
    """The published table up to 95 %, from there an exponential to 3.6 V at 100 %, straight beyond."""
    rise = (FULL_V - KNEE_V) / np.expm1((1.0 - KNEE) / e_fold)
    below = RisingCurve([x for x, _ in UNDER], [v for _, v in UNDER], float(rise / e_fold))
    top = np.minimum(GRID, 1.0)
    curve = np.where(
        GRID < KNEE, [below.at(float(x)) for x in GRID], KNEE_V + rise * np.expm1((top - KNEE) / e_fold)
    )
    full: Array = curve + np.maximum(GRID - 1.0, 0.0) * rise / e_fold * np.exp((1.0 - KNEE) / e_fold)
    return full


def _hyperbola() -> Array:
    """A gentle plateau from 3.330 V, a knee as 1 / (1.012 - charge), 3.6 V at 100 % (own choice)."""
    size = 0.012 * (FULL_V - 3.345)
    top = np.minimum(GRID, 1.004)
    curve: Array = 3.330 + 0.015 * GRID + size / (1.012 - top)
    return curve + np.maximum(GRID - 1.004, 0.0) * size / 0.008**2


CURVES: Final[Array] = np.stack([_exponential(0.007), _exponential(0.014), _hyperbola()])


class OtherCells(FleetCells):
    """Cells of a curve, hysteresis, size and slowness of their own; each pack has one kind."""

    def __init__(
        self,
        random: np.random.Generator,
        charge: Array,
        capacity_ah: Array,
        factor: Array,
        rated_ah: Array,
        temperature_c: float,
    ) -> None:
        packs = len(charge)
        self._kind = random.integers(0, len(CURVES), packs)[:, None] * len(GRID)
        self.charge = charge.copy()
        self.capacity_ah = capacity_ah
        inverse = 1.0 / (temperature_c + 273.15) - 1.0 / 298.15
        fast, slow = float(np.exp(2000.0 * inverse)), float(np.exp(3500.0 * inverse))
        size = factor * (280.0 / rated_ah * random.uniform(0.7, 1.6, packs))[:, None]
        three = (random.random(packs) < 0.5)[:, None]
        self.series_ohm = 0.000_22 * fast * size
        self.branches = [
            (np.where(three, 0.000_06, 0.000_15) * slow * size, 5.0, np.zeros_like(charge)),
            (np.where(three, 0.000_12, 0.0) * slow * size, 60.0, np.zeros_like(charge)),
            (np.where(three, 0.000_20, 0.000_15) * slow * size, 900.0, np.zeros_like(charge)),
        ]
        self._hysteresis_v = random.uniform(0.0, 0.028, packs)[:, None]  # type: ignore[assignment]
        self._side = np.full_like(charge, -0.5)
        self.emf_v = self.rest_v()

    def _curve_v(self, charge: Array) -> tuple[Array, Array]:
        """Resting voltage without hysteresis, and its slope by charge."""
        place = (np.clip(charge, LOW, HIGH - 0.01) - LOW) / STEP
        whole = place.astype(np.int64)
        low = CURVES.take(whole + self._kind)
        rise = CURVES.take(whole + self._kind + 1) - low
        return low + rise * (place - whole), rise / STEP

    def rest_v(self) -> Array:
        """The resting voltage of each cell."""
        volts: Array = self._curve_v(self.charge)[0] + self._hysteresis_v * self._side
        return volts

    def step(self, current_a: Array, dt_s: float) -> None:
        """As for the usual cells, each pack with hysteresis of its own."""
        moved = current_a * (dt_s / SECONDS_PER_HOUR) / self.capacity_ah
        self.charge += moved
        self._side += (np.sign(moved) - self._side) * np.minimum(np.abs(moved) / SWING, 1.0)
        for ohm, tau_s, volts in self.branches:
            kept = float(np.exp(-dt_s / tau_s))
            volts *= kept
            volts += ohm * current_a * (1.0 - kept)
        self.emf_v = self.rest_v() + self.branch_v()

    def branch_v(self) -> Array:
        """The voltage built up behind the slower resistances, of each cell."""
        total: Array = sum(volts for _, _, volts in self.branches)  # type: ignore[assignment]
        return total

    def after(self, current_a: Array, dt_s: float) -> tuple[Array, Array]:
        """As for the usual cells."""
        share = dt_s / SECONDS_PER_HOUR / self.capacity_ah
        rest, slope = self._curve_v(self.charge + current_a * share)
        ohm = self.series_ohm + slope * share
        volts = rest + self.series_ohm * current_a + self._hysteresis_v * self._side
        for branch_ohm, tau_s, branch_v in self.branches:
            kept = float(np.exp(-dt_s / tau_s))
            volts = volts + branch_v * kept + branch_ohm * current_a * (1.0 - kept)
            ohm = ohm + branch_ohm * (1.0 - kept)
        return volts, ohm


class OtherCharger(FleetCharger):
    """Waits, then follows with its lag, in steps of its own, not below its least current."""

    def draw(self, random: np.random.Generator, rated_ah: Array) -> None:
        """What is drawn besides: dead time in half seconds, resolution, least current, growing error."""
        packs = len(rated_ah)
        self._dead = random.integers(0, 4, packs)
        self._step = np.where(random.random(packs) < 0.5, 0.1, 0.01)
        self._least_a = random.uniform(0.0, 0.005, packs) * rated_ah
        self._cable_ohm = self._cable_ohm + random.uniform(-0.1, 0.1, packs) / (0.5 * rated_ah)
        self._asked: list[tuple[Array, Array]] = []
        self._rows = np.arange(packs)

    def step(self, cells: FleetCells, limit_v: Array, limit_a: Array, source: Array, dt_s: float) -> Array:
        """Towards what was asked for some time ago."""
        self._asked = [*self._asked[-3:], (limit_v, limit_a)]
        back = np.maximum(len(self._asked) - 1 - self._dead, 0)
        volts = np.stack([v for v, _ in self._asked])[back, self._rows]
        amps = np.stack([a for _, a in self._asked])[back, self._rows]
        volts = np.floor(volts / self._step + 1e-6) * self._step
        amps = np.floor(amps / self._step + 1e-6) * self._step
        amps = np.where(amps < self._least_a, 0.0, amps)
        return super().step(cells, volts, amps, source, dt_s)
