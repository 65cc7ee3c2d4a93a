"""What is believed of each cell: its voltage between the steps of its sensor, its resistance, its rise.

A cell under a current I shows v = e + R·I, where e rises with the charge and, slowly, with what the slower
parts of its resistance build up. Between two readings the law expects

    v' = v + R·(I' - I) + (de/dt)·dt

and a sensor with steps of q that shows x says no more than x - q/2 <= v <= x + q/2: the expectation is cut to
that interval, and nothing else is believed. What a fine step hides of a cell shows in time, when the sensor
goes on to the next; noise hides that, too, and with it the highest that the cell may be lies higher than v.
Within a coarse step it is followed by itself, by the steepest rise, the least that a resistance makes of a
falling current, and all that the current's sensor may be wrong by: that is close after the reading has gone
up by a step, the moment that tells most.

R is learnt from steps of the current, R = Δv / ΔI, and kept within bounds around what such a cell has from
the maker. How well it is known is reckoned along: with the sensors' blur B on Δv a step tells R to B / ΔI,
and is weighted against what was known before as two measurements of one thing are, by the squares of their
doubts. Before the first step only the bounds count.
"""

import math
from collections.abc import Sequence
from operator import sub

from bridge.core.cells.resistance import ABSURD, ACTIVATION_K, LEAST, MOST, RESISTANCE_V
from bridge.core.cells.sensor_step import SensorStep
from bridge.core.charging.charge_settings import NOTHING, ChargeSettings, Learnt

STEP_C = 0.05
"""A change of current of this much, in C, tells something of the resistance."""

BLUR_STEPS, BLUR_NOISES = 3.0, 2.0
"""How far two readings may be wrong against each other, in steps of the sensor and in its noise."""

UNKNOWN = MOST - 1.0
"""Doubt about a resistance of which nothing has been seen, as a multiple of the expected one."""

CHANGES = 0.1
"""What may have changed from one step of the current to the next, likewise."""

WINDOW_S = 8.0
"""Time within which that change must happen, so that the charge taken does not count as resistance."""

STILL_C, NOISE_S = 0.002, 120.0
"""Noise is looked for while the current changes by less than this, in C a reading, over so long."""

NOISE, MOST_NOISE_V = 6.0, 0.005
"""Largest noise, as a multiple of the mean by which readings pass by the step they were expected in."""

PULL_PER_S = 0.1
"""Pull of a reading within its step of 1 mV, a second; the model is trusted for longer in a coarser one."""

RATE_PER_S = 0.15
"""Weight of a new rise of the voltage, a second."""

COARSE_V, CROSSED = 0.002, 0.5
"""Larger steps are coarse: they tell a slope where the sensor goes on to the next; weight of that."""

HIDES, COVERED_V = 2.5, 0.0005
"""In a fine step a cell may stand higher than believed by so many times the noise, at most by half a step; at
least by that half less so much, which the margin of the limits covers."""

FIRM, STEEPER = 0.4, 1.3
"""Between readings a cell falls with the current at least by this share of what its resistance makes of it,
and rises at most so many times as steeply as it was seen to, or as its curve."""

FADE_S = 60.0
"""Where in a coarse step a cell is stays known for so long after the sensor has gone on to it."""

FAR_V = 0.05
"""A reading so far from the last one is not believed to the full before the next confirms it."""

OHM_DOUBT = 0.15
"""How far the resistance may be off while a slope is learnt."""

SLOW_DOUBT = 0.7
"""Likewise the slow parts, whose sizes and times are only typical."""

LEARN_C = 0.04
"""Below this current, in C, what a cell does says nothing of its slope."""

STEEPEST = 4.0
"""Bound of what is learnt of a slope, as a multiple of what the curve has at the target."""

SLOW = ((20.0, 0.4), (200.0, 0.8))
"""Slow parts of the resistance: time constant, s, and size as a share of the fast part (typical)."""


class Cells:
    """Estimates of all cells of a string. Mutable; owned by one law.

    Attributes:
        volts: voltage of each cell under the current.
        highs: the highest that each may be, but for the error and the noise of its sensor.
        ohms: resistance of each cell.
        slopes: how fast each rises with the charge taken, V/As.
        curve: what the curve's exponential makes of a volt above its foot, V/As.
        slow_a: what the slow part of the resistance has built up, as a current through the fast part.
        doubt: how much larger than learnt a resistance may be, as a multiple of the expected one.
        step_v, noise_v: step of the sensors, and what else they vary by, as found.
        current_a: current the estimates are for.
    """

    def __init__(self, settings: ChargeSettings, learnt: Learnt = NOTHING) -> None:
        self._settings = settings
        self._before = tuple(min(max(LEAST, factor), MOST) for factor in learnt.ohms)
        self._known = {len(self._before): (self._before, OHM_DOUBT)} if self._before else {}
        self._base_ohm = RESISTANCE_V / settings.capacity_ah
        self._learnt: list[float] = []
        self._anchor: tuple[float, float, list[float], float] | None = None
        self._sensor = SensorStep(settings.sensor_step_v)
        self._since_as: list[float] = []
        self._shown_v: list[float] = []
        self._past_v = 0.0
        self.scale = 1.0
        self.volts: list[float] = []
        self.highs: list[float] = []
        self.ohms: list[float] = []
        self.slopes: list[float] = []
        self.curve = 1.0 / (settings.e_fold * 3600.0 * settings.capacity_ah)
        self._built_a = [0.0] * len(SLOW)
        self.slow_a = 0.0
        self.step_v = settings.sensor_step_v
        self.noise_v = 0.0
        self.doubt = UNKNOWN
        self.current_a = 0.0

    def update(self, cells_v: Sequence[float], current_a: float, elapsed_s: float, coldest_c: float) -> None:
        """Takes new readings, `elapsed_s` after the last ones."""
        kelvin = min(max(coldest_c, -40.0), 60.0) + 273.15
        scale = math.exp(ACTIVATION_K * (1.0 / kelvin - 1.0 / 298.15))
        if scale != self.scale:
            self.scale = scale
            self._set_ohms()
        self.step_v = self._sensor.found_v(cells_v)
        begins = len(self.volts) != len(cells_v)
        if begins:
            self._begin(cells_v)
        half, step = 0.5 * self.step_v + self.noise_v, 0.5 * self.step_v + 0.0001
        jump = current_a - self.current_a
        change = jump + self._build(current_a, elapsed_s)
        self._learn(cells_v, current_a, elapsed_s)
        settings = self._settings
        moved = current_a * elapsed_s
        most = STEEPEST * max(settings.target_v - settings.knee_v, 0.0) * self.curve
        pull = min(1.0, PULL_PER_S * elapsed_s * min(1.0, 0.001 / self.step_v))
        learns = trust = 0.0
        if current_a > LEARN_C * settings.capacity_ah:
            trust = self._trust(jump, change - jump, moved)
            learns = min(1.0, RATE_PER_S * elapsed_s * trust) / moved
        volts, ohms, slopes = self.volts, self.ohms, self.slopes
        since_as, before_v = self._since_as, self._shown_v
        past, coarse = 0.0, self.step_v > COARSE_V
        for i, shown in enumerate(cells_v):
            ohm, slope = ohms[i], slopes[i]
            volt = volts[i] + ohm * change + slope * moved
            miss = shown - volt
            miss = miss - step if miss > step else miss + step if miss < -step else 0.0
            if miss:
                past += abs(miss)
            if volt > shown + half:
                volt = shown + half
            elif volt < shown - half:
                volt = shown - half
            pulled = pull * (shown - volt)
            volts[i] = volt + pulled
            if coarse:
                since = max(since_as[i] + moved, 0.0)
                if learns:
                    slope += CROSSED * trust * miss / since
                since_as[i] = 0.0 if shown != before_v[i] else since
                before_v[i] = shown
            elif learns:
                slope += learns * (miss + pulled)
            if learns:
                slopes[i] = 0.0 if slope < 0.0 else slope if slope < most else most
        if abs(change) < STILL_C * settings.capacity_ah:
            self._past_v += (past / len(cells_v) - self._past_v) * min(1.0, elapsed_s / NOISE_S)
            self.noise_v = min(NOISE * self._past_v, MOST_NOISE_V)
        self.current_a = current_a
        if not coarse:
            hidden = min(0.5 * self.step_v, max(0.5 * self.step_v - COVERED_V, HIDES * self.noise_v))
            self.highs = [
                min(volt + hidden, shown + half) for volt, shown in zip(volts, cells_v, strict=True)
            ]
        elif not begins:
            self._bound(cells_v, change, elapsed_s)

    def _build(self, current_a: float, elapsed_s: float) -> float:
        """Lets the slow parts follow the current; by how much what they have built up changes, A."""
        before_a, self.slow_a = self.slow_a, 0.0
        for n, (tau_s, share) in enumerate(SLOW):
            self._built_a[n] += (current_a - self._built_a[n]) * elapsed_s / (tau_s + elapsed_s)
            self.slow_a += share * self._built_a[n]
        return self.slow_a - before_a

    def _bound(self, cells_v: Sequence[float], change_a: float, elapsed_s: float) -> None:
        """Follows the highest each cell may be through a change of the current, and what flowed at most."""
        charge_as = max((self.current_a + self._settings.current_zero_a) * elapsed_s, 0.0)
        fades = min(1.0, elapsed_s / FADE_S)
        half, curve, highs = 0.5 * self.step_v, self.curve, self.highs
        foot_v = self._settings.knee_v - self._settings.below_knee_v
        flowed_a = self.current_a + self.slow_a
        firm_a = change_a * (FIRM if change_a < 0.0 else 1.0)
        believed = zip(cells_v, self.volts, self.ohms, self.slopes, strict=True)
        for i, (shown, volt, ohm, slope) in enumerate(believed):
            steep, model = STEEPER * slope, curve * (volt - ohm * flowed_a - foot_v)
            high = highs[i] + ohm * firm_a + (steep if steep > model else model) * charge_as
            high += fades * (shown + half - high)
            highs[i] = shown + half if high > shown + half else high if high > shown - half else shown - half

    def _trust(self, jump_a: float, relaxed_a: float, moved_as: float) -> float:
        """How far a rise tells of the slopes, 0..1.

        Where the current changes, an error of the resistance would be taken for a slope; where its slow part
        does, one of that, most of all when a cloud has left little current to tell a slope by.
        """
        blur_a2 = (OHM_DOUBT * jump_a) ** 2 + (SLOW_DOUBT * relaxed_a) ** 2
        blur = (self._base_ohm * self.scale) ** 2 * blur_a2
        signal = (self._steep(max(self.volts)) * moved_as) ** 2
        return signal / (signal + blur)

    def _steep(self, volt: float) -> float:
        """Slope expected from the curve at a voltage, V/As; at least that 10 mV above its foot."""
        ohm = self._base_ohm * self.scale
        rest_v = volt - ohm * (self.current_a + self.slow_a)
        return self.curve * max(rest_v - self._settings.knee_v + self._settings.below_knee_v, 0.010)

    def far(self, cells_v: Sequence[float], current_a: float) -> bool:
        """Whether readings cannot have come from these cells, as they are known, within a moment."""
        if len(cells_v) != len(self.volts):
            return False
        most_v = FAR_V + 2.0 * max(self.ohms) * abs(current_a - self.current_a)
        off_v: list[float] = list(map(sub, cells_v, self.volts))
        return max(off_v) > most_v or min(off_v) < -most_v

    def slow_part(self, horizon_s: float) -> tuple[float, float]:
        """Share of a current that the slow parts build up within a time, and what of theirs fades, A."""
        shares = [share * horizon_s / (tau_s + horizon_s) for tau_s, share in SLOW]
        built = zip(SLOW, shares, self._built_a, strict=True)
        return sum(shares), sum(part * built_a for _, part, built_a in built)

    def _begin(self, cells_v: Sequence[float]) -> None:
        self.volts = list(cells_v)
        self.highs = [v + 0.5 * self.step_v for v in cells_v]
        if self._learnt:
            self._known[len(self._learnt)] = tuple(self._learnt), min(self.doubt + CHANGES, UNKNOWN)
        factors, self.doubt = self._remembered(len(cells_v))
        self._learnt = list(factors)
        self._set_ohms()
        self.slopes = [0.0] * len(cells_v)
        self._since_as = [0.0] * len(cells_v)
        self._shown_v = list(cells_v)
        self._anchor = None

    def _remembered(self, count: int) -> tuple[tuple[float, ...], float]:
        """Resistances of so many cells as they were known before, and the doubt about them.

        The highest and the lowest, where the others are not told any more, may be any of them: the worst.
        """
        known = self._known.get(count)
        if count == 2 and self._settings.cells in self._known:
            worst = max(max(factors) for factors, _ in self._known.values())
            known = (
                known if self._settings.cells == 2 else ((worst,) * 2, self._known[self._settings.cells][1])
            )
        return known or ((1.0,) * count, UNKNOWN)

    def _learn(self, cells_v: Sequence[float], current_a: float, elapsed_s: float) -> None:
        """Takes a resistance from a step of the current."""
        base = self._base_ohm * self.scale
        if self._anchor is not None:
            since_s, anchor_a, anchor_v, slow_a = self._anchor
            since_s += elapsed_s
            change = current_a - anchor_a
            if abs(change) >= STEP_C * self._settings.capacity_ah:
                charge = 0.5 * (current_a + anchor_a) * since_s
                blur = (BLUR_STEPS * self.step_v + BLUR_NOISES * self.noise_v) / base / change
                stands = (change + self.slow_a - slow_a) * base
                before, tells = self.doubt * self.doubt, blur * blur + OHM_DOUBT * OHM_DOUBT
                weight = before / (before + tells)
                absurd, still = False, 0
                for i, shown in enumerate(cells_v):
                    seen = (shown - anchor_v[i] - self.slopes[i] * charge) / stands
                    if 0.0 < seen < ABSURD:  # a reading that is wrong, or moved by itself, teaches nothing
                        seen = min(max(seen, LEAST), MOST)
                        self._learnt[i] += weight * (seen - self._learnt[i])
                    elif seen >= ABSURD:
                        absurd = True
                    else:
                        still += 1
                if not absurd and 2 * still <= len(cells_v):  # else it is the current that is wrong
                    self.doubt = math.sqrt(weight * tells + CHANGES * CHANGES)
                self._set_ohms()
                self._anchor = None
            elif since_s > max(WINDOW_S, 1.5 * elapsed_s):
                self._anchor = None
            else:
                self._anchor = since_s, anchor_a, anchor_v, slow_a
        if self._anchor is None:
            self._anchor = 0.0, current_a, list(cells_v), self.slow_a

    def _set_ohms(self) -> None:
        base = self._base_ohm * self.scale
        self.ohms = [factor * base for factor in self._learnt]

    @property
    def doubt_ohm(self) -> float:
        """How much larger than learnt a resistance may be, Ohm."""
        return self.doubt * self._base_ohm * self.scale

    @property
    def least_ohm(self) -> float:
        """The least that is believed of a resistance, Ohm."""
        return LEAST * self._base_ohm * self.scale

    @property
    def learnt(self) -> tuple[float, ...]:
        """Resistance of each cell, as a multiple of the expected one."""
        known, _ = self._known.get(self._settings.cells, ((), 0.0))
        return known if len(self._learnt) < len(known) else tuple(self._learnt) or self._before

    @property
    def contact(self) -> int | None:
        """The cell whose resistance is more than twice, and well above, that of the middle cell."""
        if not self._learnt:
            return None
        middle = sorted(self._learnt)[len(self._learnt) // 2]
        worst = max(range(len(self._learnt)), key=self._learnt.__getitem__)
        return worst if self._learnt[worst] > 2.2 * max(middle, 0.7) else None
