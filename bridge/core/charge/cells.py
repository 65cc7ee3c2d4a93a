"""The estimator: what each cell would be at rest, its resistance, its slow part, and how well that is known.

A cell under a current I shows x = e + R (I + B): e is its voltage at rest, R its fast resistance, and B what
the slow parts have built up, as a current through R. While a charge dQ is taken, e rises by s dQ, with

    s = k (e - foot) / (e_fold 3600 C)

above the foot of the knee; k is learnt from the highest cell. A reading is of some moment in the last
seconds, while the current was between Ilo and Ihi. So all that it tells is a set,

    x - R (Ihi + B) - q  <=  e  <=  x - R (Ilo + B) + q,        q = half a step + noise

to which e is cut. A step of the current only widens the set: it cannot fool e. Within it e is pulled to its
middle, the less the wider it is. R is learnt between two calm moments, R = (dx - s dQ) / (dI + dB), weighed
against what was known by the squares of both doubts.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

from bridge.core.cells.resistance import ABSURD, ACTIVATION_K, LEAST, MOST, RESISTANCE_V
from bridge.core.cells.sensor_step import SensorStep
from bridge.core.charge import constants as k
from bridge.core.charging.charge_settings import ChargeSettings

__all__ = ["Calm", "Cells"]


class Calm(NamedTuple):
    """A moment at which the current was calm: what flowed, what was shown, what had been charged."""

    since_s: float
    current_a: float
    slow_a: float
    cells_v: tuple[float, ...]
    charged_as: float


class Cells:
    """Estimates of all cells of a string. Mutable; owned by one law.

    Attributes:
        rests_v: voltage of each cell at rest, by its sensor.
        ohms: its fast resistance.
        shown_v: what was shown last.
        curve: steepness of the knee, V/As for each V above its foot.
        slow_a: what the slow parts have built up, as a current through the fast resistance.
        low_a, high_a: least and greatest current of which the readings may tell.
        doubt: of the resistances, as a multiple of what is expected.
        step_v: step of the sensors, as found.
    """

    def __init__(self, settings: ChargeSettings, factors: Sequence[float] = ()) -> None:
        self._settings = settings
        self._factors = [min(max(factor, LEAST), MOST) for factor in factors]
        self._sensor = SensorStep(settings.sensor_step_v)
        self._unit = 1.0 / (settings.e_fold * 3600.0 * settings.capacity_ah)
        self._steep = k.CURVE_USUAL
        self._scale = 1.0
        self._built_a = [0.0] * len(k.SLOW)
        self._past: list[tuple[float, float]] = []
        self._calm: Calm | None = None
        self._charged_as = 0.0
        self.rests_v: list[float] = []
        self.ohms: list[float] = []
        self.shown_v: Sequence[float] = ()
        self.curve = self._steep * self._unit
        self.slow_a = self.low_a = self.high_a = 0.0
        self.doubt = k.BLUR if factors else k.UNKNOWN
        self.step_v = settings.sensor_step_v

    @property
    def factors(self) -> tuple[float, ...]:
        """Resistance of each cell, as a multiple of what is expected at its temperature."""
        return tuple(self._factors)

    @property
    def contact(self) -> int | None:
        """The cell whose resistance stands far above that of the middle cell, as a bad contact's does."""
        if self.doubt >= k.UNKNOWN or not self._factors:
            return None
        middle = sorted(self._factors)[len(self._factors) // 2]
        worst = max(range(len(self._factors)), key=self._factors.__getitem__)
        return worst if self._factors[worst] > k.CONTACT * max(middle, 1.0) else None

    def slow_later(self, time_s: float) -> tuple[float, float]:
        """After so long: the share of a current built up in the slow parts, and what is left of theirs, A."""
        grows = left_a = 0.0
        for (tau_s, share), built_a in zip(k.SLOW, self._built_a, strict=True):
            kept = tau_s / (tau_s + time_s)
            grows += share * (1.0 - kept)
            left_a += share * kept * built_a
        return grows, left_a

    def update(
        self,
        cells_v: Sequence[float],
        current_a: float,
        elapsed_s: float,
        *,
        unseen_s: float,
        coldest_c: float = 25.0,
    ) -> None:
        """Takes readings, `elapsed_s` after the last, that may be `unseen_s` old."""
        self._warm(coldest_c)
        self.step_v = self._sensor.found_v(cells_v)
        moved_as = max(current_a, 0.0) * elapsed_s
        self._charged_as += current_a * elapsed_s
        self._flow(current_a, elapsed_s, unseen_s)
        if len(self.rests_v) != len(cells_v):
            self._begin(cells_v)
        self._learn(cells_v, current_a, elapsed_s)
        low_a, high_a = self.low_a + self.slow_a, self.high_a + self.slow_a
        half_v = 0.5 * self.step_v + k.NOISE_V
        wide_a = high_a - low_a
        pull = min(1.0, k.PULL_PER_S * elapsed_s)
        slope, rests = self.curve * moved_as, self.rests_v
        top, missed_v = max(range(len(cells_v)), key=cells_v.__getitem__), 0.0
        rise = 0.0
        for i, (shown, ohm) in enumerate(zip(cells_v, self.ohms, strict=True)):
            rest = rests[i]
            if rest > k.FOOT_V:
                rest += slope * (rest - k.FOOT_V)
            expected = rest
            least, most = shown - ohm * high_a - half_v, shown - ohm * low_a + half_v
            if rest < least:
                rest = least
            elif rest > most:
                rest = most
            rest += pull * half_v / (half_v + ohm * wide_a) * (0.5 * (least + most) - rest)
            if i == top:
                missed_v, rise = rest - expected, self._unit * moved_as * (expected - k.FOOT_V)
            rests[i] = rest
        if rise > 0.0 and rests[top] > k.FOOT_V + k.CURVE_FROM_V and self._is_calm():
            learnt = self._steep + k.CURVE_PER_S * elapsed_s * min(max(missed_v / rise, -1.0), 1.0)
            self._steep = min(max(learnt, k.CURVE_LEAST), k.CURVE_MOST)
            self.curve = self._steep * self._unit
        self.shown_v = cells_v

    def _warm(self, coldest_c: float) -> None:
        kelvin = min(max(coldest_c, -40.0), 60.0) + 273.15
        scale = math.exp(ACTIVATION_K * (1.0 / kelvin - 1.0 / 298.15))
        if scale != self._scale:
            self._scale = scale
            self._set_ohms()

    def _set_ohms(self) -> None:
        base = RESISTANCE_V / self._settings.capacity_ah * self._scale
        self.ohms = [factor * base for factor in self._factors]

    def _flow(self, current_a: float, elapsed_s: float, unseen_s: float) -> None:
        """Builds up the slow parts; keeps the currents of which a reading may tell."""
        self.slow_a = 0.0
        for n, (tau_s, share) in enumerate(k.SLOW):
            self._built_a[n] += (current_a - self._built_a[n]) * elapsed_s / (tau_s + elapsed_s)
            self.slow_a += share * self._built_a[n]
        self._past = [(age + elapsed_s, amps) for age, amps in self._past if age + elapsed_s <= unseen_s]
        self._past.append((0.0, current_a))
        amps = [amps for _, amps in self._past]
        self.low_a, self.high_a = min(amps), max(amps)

    def _begin(self, cells_v: Sequence[float]) -> None:
        """Other cells than before are known: all of them, or only the highest and the lowest."""
        if len(self._factors) != len(cells_v):
            self._factors = [max(self._factors, default=1.0)] * len(cells_v)
        self._set_ohms()
        flows_a = self.low_a + self.slow_a
        self.rests_v = [shown - ohm * flows_a for shown, ohm in zip(cells_v, self.ohms, strict=True)]
        self._calm = None

    def _is_calm(self) -> bool:
        return self.high_a - self.low_a < k.CALM_C * self._settings.capacity_ah

    def _learn(self, cells_v: Sequence[float], current_a: float, elapsed_s: float) -> None:
        """Takes resistances from a step of the current, between two calm moments."""
        before = self._calm
        if before is not None:
            before = before._replace(since_s=before.since_s + elapsed_s)
            self._calm = before if before.since_s <= k.WINDOW_S else None
        if not self._is_calm():
            return
        if before is not None:
            change_a = current_a - before.current_a
            least_a = max(k.STEP_C * self._settings.capacity_ah, k.STEP_CALMS * (self.high_a - self.low_a))
            if abs(change_a) >= least_a:
                self._take(cells_v, before, change_a)
        self._calm = Calm(0.0, current_a, self.slow_a, tuple(cells_v), self._charged_as)

    def _take(self, cells_v: Sequence[float], before: Calm, change_a: float) -> None:
        base = RESISTANCE_V / self._settings.capacity_ah * self._scale
        charge_as = self._charged_as - before.charged_as
        stands_v = base * (change_a + self.slow_a - before.slow_a)
        blur = (self.step_v + k.BLUR_V) / stands_v
        tells, known = blur * blur + k.BLUR * k.BLUR, self.doubt * self.doubt
        weight = known / (known + tells)
        found = []
        for shown, was_v, rest in zip(cells_v, before.cells_v, self.rests_v, strict=True):
            rose_v = self.curve * charge_as * max(rest - k.FOOT_V, 0.0)
            found.append((shown - was_v - rose_v) / stands_v)
        # A reading that is wrong, or a current of which the cells know nothing, teaches nothing.
        if max(found) > ABSURD or sorted(found)[len(found) // 2] <= 0.0:
            return
        for i, factor in enumerate(found):
            if factor > 0.0:
                self._factors[i] += weight * (min(max(factor, LEAST), MOST) - self._factors[i])
        self.doubt = math.sqrt(weight * tells + k.DRIFTS * k.DRIFTS)
        self._set_ohms()
