"""The charge current limit: what takes no cell past its target before the law can act again.

For each cell, with v the highest it may be, h = target - margin - v the room that is left, R its resistance,
s = de/dQ how fast it rises with the charge taken and t the time until a new limit is obeyed and seen, a
current I' leads to

    v + R·(I' - I) + s·I'·t = target - margin    that is    I' = (h + R·I) / (R + s·t)

and the lowest I' of all cells is the limit. Since h + R·I = target - margin - e does not change while the
current changes, neither does I': a charger on its way cannot mislead it.
"""

import math

from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_settings import ChargeSettings

RAISING = 1.3
"""A rise is reckoned with this much more resistance: what follows within some 15 s counts, too."""

UNSURE = 0.5
"""A larger doubt about the resistances, as a multiple of the expected one, is not covered by that."""

MODEL = 0.7
"""Share of the slope expected from the curve that is always reckoned with: a curve may be so much flatter."""

DOUBT_V = 0.00045
"""Margin for what the law does not know, besides the sensors, and for what a step of 1 mV hides: a little
less than half of it, so that a cell that is shown a step lower is no reason to fall."""


def margin_v(settings: ChargeSettings, cells: Cells) -> float:
    """How far below its target the highest that a cell may be is to stay, V."""
    return settings.sensor_offset_v + cells.noise_v + DOUBT_V


def fades(settings: ChargeSettings, cells: Cells, time_s: float) -> float:
    """By how many e-folds a current falls by itself, within a time, under a voltage that is held: at least.

    As the cells rise they take the current back: R·dI/dt = -S·I, with R and S the sums of all resistances and
    slopes; each slope is the lower of what was seen and what the curve has at least.
    """
    plateau_v = settings.knee_v - settings.below_knee_v
    curve, slow_a = MODEL * cells.curve, cells.current_a + cells.slow_a
    rise = 0.0
    for volt, ohm, slope in zip(cells.volts, cells.ohms, cells.slopes, strict=True):
        model = curve * (volt - slow_a * ohm - plateau_v)
        if model > 0.0:
            rise += slope if slope < model else model
    return rise * time_s / sum(cells.ohms)


def allowed_a(
    settings: ChargeSettings,
    cells: Cells,
    goal_v: float,
    horizon_s: float,
    *,
    fade: float = 0.0,
    doubt_ohm: float = 0.0,
) -> float:
    """The largest current that keeps every cell under `goal_v` for `horizon_s`, A; may be negative.

    A current that falls by `fade` e-folds meanwhile may begin the higher: it ends at I'·exp(-fade), with the
    mean I'·(1 - exp(-fade)) / fade, and no cell may be above at either end. `doubt_ohm` is how much more than
    learnt a resistance may be, which matters for a rise.
    """
    ends, mean = math.exp(-fade), -math.expm1(-fade) / fade if fade else 1.0
    now_a = cells.current_a
    plateau_v = settings.knee_v - settings.below_knee_v
    curve = MODEL * cells.curve
    slow_a = now_a + cells.slow_a
    grows, fades_a = cells.slow_part(horizon_s)
    drift_a = grows * now_a - fades_a
    least = 1e9
    for volt, high, ohm, slope in zip(cells.volts, cells.highs, cells.ohms, cells.slopes, strict=True):
        model = curve * (volt - slow_a * ohm - plateau_v)
        rise = (slope if slope > model else model) * horizon_s
        drift = ohm * drift_a
        room = goal_v - high - (drift if drift > -rise * now_a else -rise * now_a)
        later = ends * ohm + mean * rise
        amps = (room + ohm * now_a) / (later if later > ohm else ohm)
        if amps < least:
            least = amps
        if amps > now_a:
            raised, unsure = RAISING * ohm, ohm + doubt_ohm
            ohm = raised if raised > unsure else unsure
        elif doubt_ohm:
            ohm = max(ohm - doubt_ohm, cells.least_ohm)
        else:
            continue
        later = ends * ohm + mean * rise
        amps = (room + ohm * now_a) / (later if later > ohm else ohm)
        if amps < least:
            least = amps
    return least


def lasting_a(settings: ChargeSettings, cells: Cells, goal_v: float, horizon_s: float) -> float:
    """The largest current that keeps every cell under `goal_v` if it flows for `horizon_s`, A.

    As above, with all that the slow parts build up at that current: I' = (h + R (I + B)) / (R (1 + K) + s t).
    """
    grows, fades_a = cells.slow_part(horizon_s)
    foot_v = settings.knee_v - settings.below_knee_v
    curve = MODEL * cells.curve
    slow_a, faded_a = cells.current_a + cells.slow_a, cells.current_a + fades_a
    least = 1e9
    for volt, high, ohm, slope in zip(cells.volts, cells.highs, cells.ohms, cells.slopes, strict=True):
        rise = max(slope, curve * (volt - slow_a * ohm - foot_v)) * horizon_s
        least = min(least, (goal_v - high + ohm * faded_a) / (ohm * (1.0 + grows) + rise))
    return least


CREEP_PER_S, SLOWER = 0.0005, 0.1
"""Slow rise towards a current that is not a gap above, in shares of the most a second; so much slower where
the limit is less than such a gap, lest a pack at its target stops and goes on."""


WORTH, WORTH_IGNORED = 0.04, 0.3
"""A rise must be worth this share of the most; more, if the charger passes by the limit."""

LASTS_S, MOST_WORTH = 120.0, 0.16
"""A rise of which half is gone again within this time was none: the next must be worth twice as much, at most
this share, until the limit has been back at the most."""

STARTS_C = 0.02
"""A limit up to this, in C, may be less than a charger can give: it is felt then, though nothing flows."""

FREE = 2.0
"""With room for this many times the most, the limit goes back up even where no current shows that it is felt:
a charger that waits for permission would otherwise wait for ever."""


class CurrentLimit:
    """The limit over time: down at once, up slowly and only for a gap that is worth it.

    Attributes:
        value: the limit, A, on the wire's grid.
    """

    def __init__(self, settings: ChargeSettings) -> None:
        self._settings = settings
        self._exact = settings.most_a
        self._rising = False
        self._worth = WORTH
        self._risen_s = math.inf
        self._half_a = 0.0
        self.value = settings.most_a

    def may_rise(self, wanted_a: float) -> bool:
        """Whether so much would be worth a rise."""
        most_a = self._settings.most_a
        return self._exact < most_a and wanted_a > self._exact + self._worth * most_a

    def follow(
        self,
        wanted_a: float,
        current_a: float | None,
        elapsed_s: float,
        *,
        lasting_a: float = math.inf,
        heeded: bool = True,
        passes_a: float = 0.0,
    ) -> float:
        """Moves towards `wanted_a`, within 0 and the most; `current_a` tells whether the limit is felt.

        Where it is not known (`None`) the limit may be felt, and must not stay where it once fell to.

        A rise leads no further than to `lasting_a`: what could not last would have to be taken back.
        A limit that is ignored anyway (not `heeded`) keeps still rather than near. A current that passes by
        it (`passes_a`) is no reason for a rise: that the cells bear it, too, would have to be taken on trust.
        """
        settings = self._settings
        wanted = min(max(wanted_a, 0.0), settings.most_a)
        self._risen_s += elapsed_s
        if wanted <= self._exact:
            self._exact = wanted
            self._rising = False
            if wanted < self._half_a and self._risen_s < LASTS_S:
                self._worth = min(2.0 * self._worth, MOST_WORTH)
                self._risen_s = math.inf
        else:
            gap = (self._worth if heeded else WORTH_IGNORED) * settings.most_a
            near_a = max(WORTH * settings.most_a, STARTS_C * settings.capacity_ah)
            felt = current_a is None or current_a > self._exact - near_a
            free = wanted_a - passes_a >= FREE * settings.most_a
            lasting = min(wanted, lasting_a, wanted_a - passes_a)
            if lasting > self._exact and (self._rising or (lasting > self._exact + gap and (felt or free))):
                if not self._rising:
                    self._half_a = 0.5 * (self._exact + lasting)
                self._rising, self._risen_s = True, 0.0
                self._exact = min(lasting, self._exact + settings.rise_a_per_s * elapsed_s)
                if self._exact >= settings.most_a:
                    self._worth = WORTH
            elif felt and heeded:
                slow = SLOWER if self._exact < WORTH * settings.most_a else 1.0
                creep = slow * CREEP_PER_S * settings.most_a * elapsed_s
                self._exact = min(max(lasting - 2.0 * creep, self._exact), self._exact + creep)
        self.value = int(self._exact / settings.wire_a + 1e-6) * settings.wire_a
        return self.value
