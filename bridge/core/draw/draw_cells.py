"""What is believed of each cell while the pack is drawn from: voltage, resistance, and how fast it falls.

With D the current drawn (negative while charging), a cell shows v = e - R·D. Between two readings

    v' = v - R·(D' - D) - s·D·dt

is expected, and of that no more than the sensor's step leaves open is believed: x - q/2 <= v <= x + q/2.
What is expected may be wrong, what is read is not: the cell stands at max(v, x) - q/2 at least, wherever in
its step it is. That is close after the reading has come down by a step, the moment that tells most.

R is the resistance felt within seconds. It is learnt between two level stretches of the current, R = Δv / ΔD,
within bounds around what such a cell has from the maker; until it has been seen, a cell is taken for a bad
one. What follows later is diffusion: it grows with the root of time, R(t) = R·(1 + sqrt(t / T)), whatever
pairs of resistor and capacitor stand for it in a model.
"""

import math
from collections.abc import Sequence

from bridge.core.cells.resistance import ABSURD, ACTIVATION_K, LEAST, MOST, RESISTANCE_V
from bridge.core.cells.sensor_step import SensorStep
from bridge.core.draw.draw_settings import DrawSettings

UNSEEN = 1.6
"""A cell whose resistance has not been seen has this many times the expected one."""

DIFFUSION_K = 2700.0
"""Arrhenius: how much more than the resistance its slow part grows in the cold (typical)."""

DIFFUSION_S = 120.0
"""After this time the slow part equals the resistance felt at once (typical: 0.2 and 0.2 of 0.55 mOhm)."""

STEP_C, LEVEL_C = 0.05, 0.01
"""A change of current that tells of the resistance, and one that is none, in C."""

WINDOW_S = 8.0
"""Longest time between two level stretches, or two and a half readings."""

LEARN_C = 0.04
"""Below this current, in C, how a cell falls says nothing of its slope."""

RATE_PER_S, EASE_S = 0.15, 300.0
"""A steeper fall is believed at this rate, a lesser one over this time."""

E_FOLD, STEEPEST_E_FOLD = 0.03, 0.0025
"""Share of charge in which the curve falls by an e-fold at its end: expected at least, believed at most."""


class DrawCells:
    """Estimates of all cells of a string. Mutable; owned by one law.

    Attributes:
        volts: voltage of each cell under the current.
        levels: the same or the reading, the higher: no cell stands lower than half a step below. Where a load
            has just gone, what is expected: the reading may be of before, and the next one decides.
        ohms: resistance of each cell.
        slopes: how fast each falls with the charge drawn, V/As.
        diffusion: how much larger than at 25 °C the slow part is beside the fast one.
        step_v: step of the sensors, as found.
        drawn_a: current the estimates are for.
    """

    def __init__(self, settings: DrawSettings, factors: Sequence[float] = ()) -> None:
        self._settings = settings
        self.factors = [min(max(factor, LEAST), MOST) for factor in factors]
        self._known: dict[int, list[float]] = {}
        self._anchor: tuple[float, float, list[float]] | None = None
        self._before: list[float] | None = None
        self._sensor = SensorStep(settings.sensor_step_v)
        self.volts: list[float] = []
        self.levels: list[float] = []
        self.ohms: list[float] = []
        self.slopes: list[float] = []
        self.diffusion = 1.0
        self.step_v = settings.sensor_step_v
        self.drawn_a = 0.0

    def update(self, cells_v: Sequence[float], drawn_a: float, elapsed_s: float, coldest_c: float) -> None:
        """Takes new readings, `elapsed_s` after the last ones."""
        settings, count = self._settings, len(cells_v)
        begins = len(self.volts) != count
        if begins:
            self._begin(cells_v, drawn_a)
        kelvin = min(max(coldest_c, -40.0), 60.0) + 273.15
        inverse = 1.0 / kelvin - 1.0 / 298.15
        base = RESISTANCE_V / settings.capacity_ah * math.exp(ACTIVATION_K * inverse)
        self.diffusion = math.exp(DIFFUSION_K * inverse)
        change = drawn_a - self.drawn_a
        level = not begins and abs(change) < LEVEL_C * settings.capacity_ah
        self.step_v = self._sensor.found_v(cells_v)
        soon = elapsed_s < 2.0 * settings.delay_s
        gone = self._before is not None and change <= -STEP_C * settings.capacity_ah and soon
        self._learn(cells_v, drawn_a, elapsed_s, base, level=level, soon=soon)
        self.ohms = ohms = [factor * base for factor in self.factors]
        moved = drawn_a * elapsed_s
        faster = slower = 0.0
        if level and drawn_a > LEARN_C * settings.capacity_ah:
            fine = min(1.0, 0.002 / self.step_v)
            faster = min(1.0, RATE_PER_S * elapsed_s * fine) / moved
            slower = min(1.0, elapsed_s / EASE_S) / moved
        span_v = settings.knee_v - settings.floor_v
        most = 2.0 * span_v / (STEEPEST_E_FOLD * 3600.0 * settings.capacity_ah)
        half, volts, levels, slopes = 0.5 * self.step_v, self.volts, self.levels, self.slopes
        rough = self.step_v + settings.sensor_offset_v  # a rise beyond this takes back a fall that was none
        for i, shown in enumerate(cells_v):
            slope = slopes[i]
            volt = expected = volts[i] - ohms[i] * change - slope * moved
            if volt > shown + half:
                volt = shown + half
            elif volt < shown - half:
                volt = shown - half
            volts[i] = volt
            levels[i] = max(volt, shown, expected) if gone else max(volt, shown)
            if faster:
                missed = expected - volt
                slope += missed * (slower if -rough < missed <= 0.0 else faster)
                slopes[i] = 0.0 if slope < 0.0 else slope if slope < most else most
        self.drawn_a = drawn_a

    def _begin(self, cells_v: Sequence[float], drawn_a: float) -> None:
        self.volts = list(cells_v)
        self.levels = list(cells_v)
        self.slopes = [0.0] * len(cells_v)
        if len(self.factors) != len(cells_v):
            self._known[len(self.factors)] = self.factors
            self.factors = self._remembered(len(cells_v))
        self._anchor = self._before = None
        self.drawn_a = drawn_a

    def _remembered(self, count: int) -> list[float]:
        """Resistances of so many cells as they were known before.

        The lowest, where the others are not told any more, may be any of them: the worst.
        """
        known = self._known.get(count)
        if count == 1 and self._settings.cells in self._known:
            return [max(max(factors) for factors in self._known.values() if factors)]
        return [UNSEEN] * count if known is None else list(known)

    @property
    def learnt(self) -> list[float]:
        """Resistances that are worth keeping: of all cells, if they were ever known."""
        known = self._known.get(self._settings.cells)
        return known if known is not None and len(self.factors) < len(known) else self.factors

    def _learn(
        self,
        cells_v: Sequence[float],
        drawn_a: float,
        elapsed_s: float,
        base: float,
        *,
        level: bool,
        soon: bool,
    ) -> None:
        """Takes a resistance from one level stretch of the current to the next."""
        if self._anchor is not None:
            since_s, anchor_a, anchor_v = self._anchor
            since_s += elapsed_s
            self._anchor = since_s, anchor_a, anchor_v
            if since_s > max(WINDOW_S, 2.5 * elapsed_s):
                self._anchor = None
            elif level and abs(drawn_a - anchor_a) >= STEP_C * self._settings.capacity_ah:
                change = drawn_a - anchor_a
                charge = 0.5 * (drawn_a + anchor_a) * since_s
                blur = 3.0 * self.step_v / base
                weight = 0.5 * change * change / (change * change + blur * blur)
                for i, shown in enumerate(cells_v):
                    seen = (anchor_v[i] - shown - self.slopes[i] * charge) / (change * base)
                    if 0.0 < seen < ABSURD:  # a reading that is wrong, or moved by itself, teaches nothing
                        seen = min(max(seen, LEAST), MOST)
                        self.factors[i] += weight * (seen - self.factors[i])
        if level:
            if not soon:
                self._anchor = 0.0, drawn_a, list(cells_v)
            else:  # cells told now may already be those of a current that is told with the next reading
                self._anchor = None if self._before is None else (elapsed_s, drawn_a, self._before)
        self._before = list(cells_v) if level else None
