"""The bound: the current that takes no cell past its target before the law can act again.

For each cell, with e its voltage at rest, R its resistance, s = curve (e - foot) how it rises with the
charge, and th the time until what is said now is obeyed and seen, a current I' leads to

    e + s I' th + R (I' (1 + G) + B')  =  target - margin

where the slow parts keep B' of what they have, and build up the share G of I' meanwhile. The lowest I' of all
cells is the bound. It does not depend on what flows now: a charger on its way cannot mislead it.
"""

from bridge.core.charge import constants as k
from bridge.core.charge.cells import Cells
from bridge.core.charging.charge_settings import ChargeSettings


def margin_v(settings: ChargeSettings, cells: Cells) -> float:
    """How far below its target the highest cell is to stay, V."""
    few = k.EXTREMES_V if len(cells.rests_v) < settings.cells else 0.0
    hidden = k.MARGIN_STEP * max(cells.step_v - 0.001, 0.0)
    return settings.sensor_offset_v + k.MARGIN_V + hidden + few


def bound_a(cells: Cells, goal_v: float, horizon_s: float) -> float:
    """The largest current that keeps every cell under `goal_v` for `horizon_s`, A; may be negative."""
    grows, left_a = cells.slow_later(horizon_s)
    rises, more = cells.curve * horizon_s, 1.0 + grows
    least = 1e9
    for rest, ohm in zip(cells.rests_v, cells.ohms, strict=True):
        stands = ohm * more
        if rest > k.FOOT_V:
            stands += rises * (rest - k.FOOT_V)
        amps = (goal_v - rest - ohm * left_a) / stands
        if amps < least:
            least = amps
    return least


class Limit:
    """The current limit over time: down at once, up by a ramp and for what is worth it. Mutable.

    Attributes:
        exact_a: the limit, not rounded.
    """

    def __init__(self, settings: ChargeSettings) -> None:
        self._settings = settings
        self._rising = False
        self._worth = k.WORTH
        self._risen_s = self._nothing_s = 0.0
        self._half_a = -1.0
        self.exact_a = settings.most_a

    def follow(self, bound_a: float, lasting_a: float, current_a: float, dt_s: float) -> float:
        """Moves towards the bound, within 0 and the most.

        Args:
            bound_a: what may flow now.
            lasting_a: what may flow for some time yet; a rise leads no further.
            current_a: what flows.
            dt_s: since the last call.
        """
        most_a = self._settings.most_a
        bound = min(max(bound_a, 0.0), most_a)
        self._risen_s += dt_s
        little_a = k.NOTHING_C * self._settings.capacity_ah
        self._nothing_s = self._nothing_s + dt_s if abs(current_a) < little_a else 0.0
        if bound <= self.exact_a:
            self.exact_a, self._rising = bound, False
            if bound < self._half_a and self._risen_s < k.LASTS_S:
                self._worth, self._half_a = min(2.0 * self._worth, k.MOST_WORTH), -1.0
            return self.exact_a
        lasting = min(bound, lasting_a)
        # Where a load, or a weak source, keeps the current down, a rise brings nothing, and is taken back.
        felt = current_a > self.exact_a - k.WORTH * most_a or self._nothing_s >= k.NOTHING_S
        worth = lasting > self.exact_a + self._worth * most_a and (felt or lasting > k.WIDE * most_a)
        rising = self._rising and current_a > -little_a
        if lasting > self.exact_a and (rising or worth):
            if not self._rising:
                self._half_a = 0.5 * (self.exact_a + lasting)
            self._rising, self._risen_s = True, 0.0
            self.exact_a = min(lasting, self.exact_a + self._settings.rise_a_per_s * dt_s)
            if self.exact_a >= most_a:
                self._worth = k.WORTH
        else:
            self._rising = False
            per_s = k.FREES_PER_S if self._nothing_s >= k.NOTHING_S else k.CREEP_PER_S
            creep = per_s * most_a * dt_s
            self.exact_a = min(max(lasting - 2.0 * creep, self.exact_a), self.exact_a + creep)
        return self.exact_a
