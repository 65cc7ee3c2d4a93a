"""The charge voltage limit: out of the way while the current limit is heeded, else it carries the pack.

    V = sum of (e + R B) + Rs I' + b

Rs is the resistance of the string, I' the bound, b the charger's offset with its cable, which is found by
feedback: a current above the bound takes b down, a step up that is answered takes it up. The ceiling is
never passed.
"""

import math
from typing import NamedTuple

from bridge.core.charge import constants as k
from bridge.core.limits.charge_settings import ChargeSettings


class Wanted(NamedTuple):
    """What the voltage is to do at a step; V, A, Ohm and s.

    Attributes:
        rest_v, ohm: the string at rest, and its resistance.
        worst_ohm: largest resistance of a cell.
        bound_a: current to which it leads.
        current_a: what flows; `None` if not known.
        settle_s: until a step has been obeyed and seen.
        spare_v: how far the highest cell is below its target.
    """

    dt_s: float
    rest_v: float
    ohm: float
    worst_ohm: float
    bound_a: float
    current_a: float | None
    settle_s: float
    spare_v: float


class Voltage:
    """The limit over time. Mutable; owned by one law.

    Attributes:
        value_v: the limit, on the wire's grid.
        powerless: it can be led no lower, and the current is still too large.
    """

    def __init__(self, settings: ChargeSettings) -> None:
        self._settings = settings
        self._top_v = self._down(settings.ceiling_v)
        self._offset_v = 0.0
        self._least_a = math.inf
        self._since_s = self._wait_s = 0.0
        self._before_a: float | None = None
        self.value_v = self._top_v
        self.powerless = False

    def _down(self, volts: float) -> float:
        wire_v = self._settings.wire_v
        return math.floor(volts / wire_v + 1e-6) * wire_v

    def rest(self) -> float:
        """Out of the way: at the ceiling."""
        self._offset_v, self._since_s, self._wait_s, self._before_a = 0.0, 0.0, 0.0, None
        self._least_a, self.powerless = math.inf, False
        self.value_v = self._top_v
        return self.value_v

    def carry(self, now: Wanted) -> float:
        """Leads the current to the bound by itself."""
        settings = self._settings
        self._since_s += now.dt_s
        self._wait_s -= now.dt_s
        bound_a = min(max(now.bound_a, k.LEAST_C * settings.capacity_ah), settings.most_a)
        if now.current_a is not None:
            # A cloud, or a load, that passes is no reason for a step: the least of some readings counts.
            self._least_a = min(self._least_a, now.current_a)
            if self._since_s >= now.settle_s:
                self._judge(now, bound_a, self._least_a)
        wanted = self._down(now.rest_v + now.ohm * bound_a + self._offset_v)
        wanted = min(wanted, self._top_v)
        if wanted < self.value_v:
            self.value_v = wanted
        elif wanted >= self.value_v + 2.0 * settings.wire_v:
            self.value_v = wanted - settings.wire_v
        return self.value_v

    def _judge(self, now: Wanted, bound_a: float, current_a: float) -> None:
        """Once in the time in which a step has settled."""
        wire_v, most_v = self._settings.wire_v, k.MOST_OFFSET_V
        worth_a = wire_v / now.ohm
        over_a = current_a - bound_a
        near = now.spare_v < k.TARGET_NEAR_V
        self._since_s, self._least_a = 0.0, math.inf
        self.powerless = False
        tried_a, self._before_a = self._before_a, None
        if over_a > k.OVER_SHARE * worth_a or (near and over_a > k.OVER_A):
            self.powerless = self._offset_v <= -most_v
            self._offset_v = max(self._offset_v - max(k.LEADS * over_a * now.ohm, wire_v), -most_v)
            return
        if tried_a is not None and current_a < tried_a + k.ANSWERED * worth_a:
            self._offset_v -= wire_v
            self._wait_s = k.WAITS_S
            return
        # A cell of much resistance takes more than its share of a step.
        room = bound_a - current_a > k.SPARES * worth_a
        if room and self._wait_s <= 0.0 and self._offset_v < most_v and self.value_v < self._top_v:
            self._offset_v += wire_v
            self._before_a = current_a
