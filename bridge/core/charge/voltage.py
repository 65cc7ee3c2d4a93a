"""The charge voltage limit: out of the way while the current limit is heeded, else it carries the pack.

    V = sum of (e + R B) + Rs I' + b

Rs is the resistance of the string, I' the bound, b the charger's offset with its cable, which is found by
feedback: a current above the bound takes b down, a step up that is answered takes it up. The ceiling is
never passed.
"""

import math
from typing import NamedTuple

from bridge.core.charge import constants as k
from bridge.core.charging.charge_settings import ChargeSettings


class Wanted(NamedTuple):
    """What the voltage is to do at a step; V, A, Ohm and s.

    Attributes:
        rest_v, ohm: the string at rest, and its resistance.
        bound_a: current to which it leads.
        current_a: what flows; `None` if not known.
        settle_s: until a step has been obeyed and seen.
        spare_v: how far the highest cell is below its target.
    """

    dt_s: float
    rest_v: float
    ohm: float
    bound_a: float
    current_a: float | None
    settle_s: float
    spare_v: float


class Tried(NamedTuple):
    """A step up whose answer is awaited: from which current and offset, and what it is worth."""

    from_a: float
    more_a: float
    offset_v: float


class Voltage:
    """The limit over time. Mutable; owned by one law.

    Attributes:
        value_v: the limit, on the wire's grid.
        powerless: it can be led no lower, and the current is still too large.
    """

    def __init__(self, settings: ChargeSettings) -> None:
        self._settings = settings
        self._top_v = self.down_v(settings.ceiling_v)
        self._offset_v = 0.0
        self._flows_a: list[float] = []
        self._since_s = self._wait_s = self._lacks_s = 0.0
        self._tried: Tried | None = None
        self._next_s = k.WAITS_S
        self.value_v = self._top_v
        self.powerless = False

    def down_v(self, volts: float) -> float:
        """On the wire's grid, never more, V."""
        wire_v = self._settings.wire_v
        return math.floor(volts / wire_v + 1e-6) * wire_v

    def rest(self) -> float:
        """Out of the way: at the ceiling."""
        self._offset_v, self._since_s, self._wait_s, self._tried = 0.0, 0.0, 0.0, None
        self._lacks_s = 0.0
        self._flows_a, self._next_s, self.powerless = [], k.WAITS_S, False
        self.value_v = self._top_v
        return self.value_v

    def carry(self, now: Wanted) -> float:
        """Leads the current to the bound by itself."""
        settings = self._settings
        self._since_s += now.dt_s
        self._wait_s -= now.dt_s
        most_a = settings.most_a + k.OPEN_STEPS * settings.wire_v / now.ohm
        leads_a = min(max(now.bound_a, k.LEAST_C * settings.capacity_ah), most_a)
        if now.current_a is not None:
            # A cloud, or a load, that passes is no reason for a step: the least of some readings counts.
            self._flows_a = [*self._flows_a[1 - k.READINGS :], now.current_a]
            lacks = now.current_a < min(leads_a, settings.most_a) - k.SPARES * settings.wire_v / now.ohm
            self._lacks_s = self._lacks_s + now.dt_s if lacks else 0.0
            if self._since_s >= now.settle_s:
                self._judge(now, leads_a, min(self._flows_a))
        exact = now.rest_v + now.ohm * leads_a + self._offset_v
        wanted = min(self.down_v(exact), self._top_v)
        if wanted < self.value_v or exact >= self.value_v + k.RISES * settings.wire_v:
            self.value_v = wanted
        return self.value_v

    def _judge(self, now: Wanted, leads_a: float, current_a: float) -> None:
        """Once in the time in which a step has settled."""
        wire_v, most_v = self._settings.wire_v, k.MOST_OFFSET_V
        worth_a, bound_a = wire_v / now.ohm, min(leads_a, self._settings.most_a)
        over_a = current_a - bound_a
        near = now.spare_v < k.TARGET_NEAR_V
        self._since_s = 0.0
        self.powerless = False
        tried, self._tried = self._tried, None
        if over_a > k.OVER_SHARE * worth_a or (near and over_a > k.OVER_A):
            self.powerless = self._offset_v <= -most_v
            self._offset_v = max(self._offset_v - max(k.LEADS * over_a * now.ohm, wire_v), -most_v)
            return
        if tried is not None and current_a < tried.from_a + k.ANSWERED * tried.more_a:
            self._offset_v = tried.offset_v
            self._wait_s, self._next_s = self._next_s, min(2.0 * self._next_s, k.MOST_WAIT_S)
            return
        if tried is not None:
            self._next_s = k.WAITS_S
        if self._lacks_s >= k.LACKS_S and self._wait_s <= 0.0 and self.value_v < self._top_v:
            # So many steps above what is sent: the offset is what makes them so.
            more_v = wire_v * max(1, int(k.LEADS_UP * (bound_a - current_a) / worth_a))
            stands_v = now.rest_v + now.ohm * leads_a
            self._tried = Tried(current_a, more_v / now.ohm, self._offset_v)
            self._offset_v = min(self.value_v + more_v - stands_v + 0.5 * wire_v, most_v)
            self.value_v = min(self.down_v(stands_v + self._offset_v), self._top_v)
