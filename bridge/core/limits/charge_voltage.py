"""The charge voltage limit: what leads to the current that is allowed, if nothing else limits it.

With e the voltage of the string at rest, R its resistance, I' the current that no cell is taken too far by
(see `charge_current`) and b the offset of the charger (see `charge_offset`), the charger gives I' when sent

    W = e + R·I' + b(I')

e = V - R·I and I' do not change while the current does, so a charger on its way moves nothing. The limit is
held while it lies within a band below W that is wider than a step on the wire; it goes down at once and up one
step at a time. Once the charger has been seen to obey the current limit, that is the finer of the two, and the
band lies above W instead.
"""

from bridge.core.limits.charge_offset import Offset
from bridge.core.limits.charge_settings import ChargeSettings

BLEND_V = 0.040
SEEK_FROM_V = 0.5
SEEK_C = 0.08
DIP_C = 0.018
FORGET_BELOW_V = 0.05
FORGET_S = 600.0
PRESS_V = 0.05
NEVER_A = 1e9
NEAR_LAGS = 1.2
LEAST_LAG_S, MOST_LAG_S = 1.5, 8.0


class VoltageLimit:
    """The limit over time, what is known of the charger, and the experiments that find it out.

    Attributes:
        value: the limit, V, on the wire's grid.
        offset: see `Offset`.
        test_a: the current must not be above this while it is tested whether it is obeyed.
        current_obeyed, current_ignored, voltage_ignored: what has been seen.
    """

    def __init__(self, settings: ChargeSettings) -> None:
        self._settings = settings
        self.value = self._grid(settings.ceiling_v)
        self._begin()

    def _begin(self) -> None:
        """What is forgotten when the pack has been well below its knee for long."""
        self.offset = Offset()
        self.test_a = NEVER_A
        self.lag_s: float | None = None
        self.current_obeyed = False
        self.current_ignored = False
        self.voltage_ignored = False
        self._share = 0.0
        self._below_s = 0.0
        self._seek = 0  # 0 not begun, 1 going down, 2 settling, 3 going back up
        self._touch_a = 0.0
        self._touch_v = 0.0
        self._seek_s = 0.0
        self._ref_a = 0.0
        self._test_s = 0.0
        self._over_s = 0.0
        self._stuck_s = 0.0
        self._last_a = 0.0
        self._level_s = 0.0
        self._near_s = 0.0
        self._steady_s = 0.0
        self._down_s = 1e6
        self._probe_s: float | None = None
        self._probe_v = 0.0
        self._held: tuple[float, float] | None = None
        self._fine = False
        self._probe_from = (0.0, 0.0, 0.0)
        self._rest_s = 0.0
        self._pause_s = 60.0
        self._sent_v: list[float] = []
        self._sent_a: list[float] = []

    def _grid(self, volts: float) -> float:
        step = self._settings.wire_v
        return int(volts / step + 1e-6) * step

    def follow(
        self,
        dt_s: float,
        *,
        high_v: float,
        string_v: float,
        string_ohm: float,
        room_v: float,
        current_a: float | None,
        wanted_a: float,
        sent_v: float,
        sent_a: float,
        fresh: bool,
        fine: bool,
        spare_v: float,
        settle_s: float,
    ) -> float:
        """One step further; see `ChargeLaw.step`.

        Args:
            room_v: what the string bears by the practice of the trade; counts while the offset is not known.
            wanted_a: current to which the limit is to lead.
            spare_v: how far the highest cell is below where it may be.
            settle_s: time until a change is obeyed and seen.
        """
        settings = self._settings
        self._enter(high_v, dt_s)
        if self._share == 0.0:
            self._move(settings.ceiling_v, settings.ceiling_v, 0.0, dt_s)
            return self.value
        self._fine = fine
        self._remember(sent_v, sent_a, dt_s, settle_s)
        amps = current_a or 0.0
        seen_v = max(self._sent_v) - string_v
        if fresh:
            if not self.voltage_ignored:
                self.offset.bound(seen_v, amps)
            if current_a is not None:
                self._judge(amps, dt_s)
                self._press(amps, wanted_a, dt_s)
                self._experiment(amps, wanted_a, seen_v, string_ohm, spare_v, settle_s)
        self._rest_s += dt_s
        self._seek_s += dt_s
        b = self.offset.at(wanted_a)
        goal = string_v + string_ohm * (wanted_a - amps) + b
        if current_a is None:
            goal = string_v + room_v + b + 0.05
        elif not self.offset.verified:
            goal = min(goal, string_v + max(room_v, 0.0) + b) if wanted_a > amps else goal
        goal = min(goal, settings.ceiling_v)
        goal = (1.0 - self._share) * settings.ceiling_v + self._share * goal
        if self._seek and not self.offset.verified and not self.voltage_ignored:
            goal = min(goal, self._seek_v(string_v, amps))
        if self.voltage_ignored:
            self._move(goal - 0.14, goal + 0.3, spare_v, dt_s)
        elif self._probe_s is not None and wanted_a > amps:
            self._move(self._probe_v, self._probe_v, -1.0, dt_s)
        elif self._seek == 3 and not self.offset.verified:
            self._move(goal, goal, -1.0, dt_s)
        elif self.current_obeyed and not self.current_ignored:
            self._move(goal + 0.04, goal + 0.26, -1.0, dt_s)
        else:
            extra = 0.05 * min(max(wanted_a / (0.25 * settings.capacity_ah), 0.0), 1.0)
            self._move(goal - 0.14 + extra, goal + 0.01 + extra, spare_v - 0.010, dt_s)
        return self.value

    def _seek_v(self, string_v: float, amps: float) -> float:
        if self._seek == 1:
            return string_v + self.offset.at(amps)
        if self._seek == 2:
            return self.value
        return self._touch_v + 0.115

    # ── moving ──────────────────────────────────────────────────────────────────────────────────────

    def _enter(self, high_v: float, dt_s: float) -> None:
        """The knee is entered smoothly, and left only after a long time well below it."""
        settings = self._settings
        x = min(max((high_v - settings.knee_v) / BLEND_V, 0.0), 1.0)
        self._share = 1.0 if self.offset.verified else max(self._share, x * x * (3.0 - 2.0 * x))
        if high_v < settings.knee_v - FORGET_BELOW_V:
            self._below_s += dt_s
            if self._below_s > FORGET_S:
                self._begin()
        else:
            self._below_s = 0.0

    def _move(self, low_v: float, high_v: float, spare_v: float, dt_s: float) -> None:
        """Keeps the limit within a band: down at once, up by one step where there is room."""
        settings = self._settings
        top = min(high_v, settings.ceiling_v)
        self._steady_s += dt_s
        self._down_s += dt_s
        if self.value > top + 1e-9:
            self.value = self._grid(top)
            self._steady_s = self._down_s = 0.0
        elif self.value < min(low_v, top - settings.wire_v) and (spare_v < -0.5 or self._may_rise(spare_v)):
            self.value = self._grid(self.value + settings.wire_v + 0.01)
            self._steady_s = 0.0

    def _may_rise(self, spare_v: float) -> bool:
        return spare_v > 0.0 and self._steady_s >= 4.0

    # ── what is seen of the charger ─────────────────────────────────────────────────────────────────

    def _remember(self, sent_v: float, sent_a: float, dt_s: float, settle_s: float) -> None:
        keep = max(2, int(settle_s / dt_s + 0.5))
        self._sent_v = [*self._sent_v[1 - keep :], sent_v]
        self._sent_a = [*self._sent_a[1 - keep :], sent_a]

    def _judge(self, amps: float, dt_s: float) -> None:
        """Whether the current limit is obeyed."""
        capacity = self._settings.capacity_ah
        if amps > max(self._sent_a) + 0.006 * capacity + 0.01 * amps:
            self._over_s += dt_s
            if self._over_s >= 2.0:
                self.current_ignored = True
                self.test_a = NEVER_A
        else:
            self._over_s = 0.0

    def _press(self, amps: float, wanted_a: float, dt_s: float) -> None:
        """Too much current that does not fall: the offset must be less than it was believed to be."""
        capacity = self._settings.capacity_ah
        falls = amps < self._last_a - 0.003 * capacity
        self._last_a = amps
        if self.current_obeyed or self.voltage_ignored or falls or amps < wanted_a + 0.01 * capacity:
            self._stuck_s = 0.0
            return
        self._stuck_s += dt_s
        if self._stuck_s > self._settings.delay_s + self._settings.lag_s:
            self.offset.put(self.offset.at(amps) - PRESS_V, amps)

    def _experiment(
        self, amps: float, wanted_a: float, seen_v: float, string_ohm: float, spare_v: float, settle_s: float
    ) -> None:
        """At most one at a time: seeking the offset from above, dipping the current, probing upward."""
        if not self.offset.verified and not self.voltage_ignored:
            self._seeking(amps, seen_v, settle_s)
        elif not (self.current_obeyed or self.current_ignored):
            self._dipping(amps, settle_s, settle_s - 2.0 * self._settings.lag_s)
        if self.offset.verified:
            self._tracking(amps, wanted_a, seen_v, string_ohm, spare_v, settle_s)

    def _seeking(self, amps: float, seen_v: float, settle_s: float) -> None:
        settings = self._settings
        least_a = min(self._sent_a)
        if self._seek == 2:
            if self._seek_s >= settle_s:
                self.offset.put(seen_v, amps)
                self._seek = 3
                self._seek_s = 0.0
                self._touch_a = amps
                self._touch_v = self.value
            return
        if self._seek == 3:
            if self._seek_s >= settle_s:
                if amps > self._touch_a + 0.3 * (self._ref_a - self._touch_a):
                    self.offset.confirm(self.offset.at(amps), self._touch_a)
                else:
                    self._seek = 1
                    self._seek_s = 0.0
                    self._ref_a = amps
            return
        if amps < SEEK_C * settings.capacity_ah:
            return
        if self._seek == 0:
            self._seek = 1
            self._seek_s = 0.0
            self.offset.put(SEEK_FROM_V, amps)
            self._ref_a = amps
            return
        self._ref_a = max(amps, self._ref_a * 0.998)
        if amps < self._ref_a - max(0.01 * settings.capacity_ah, 0.04 * self._ref_a) and amps < least_a - 2.0:
            self._seek = 2
            self._seek_s = 0.0
        elif self._seek_s >= settle_s:
            self._seek_s = 0.0
            now_v = self.offset.at(amps)
            if now_v <= -0.45:
                self.voltage_ignored = True
                self.offset.put(0.0, amps)
            else:
                self.offset.put(min(now_v, seen_v) - 0.1, amps)

    def _dipping(self, amps: float, settle_s: float, unseen_s: float) -> None:
        settings = self._settings
        dip_a = DIP_C * settings.capacity_ah
        if self.test_a == NEVER_A:
            self._level_s = self._level_s + 1.0 if abs(amps - self._ref_a) < 0.1 * dip_a else 0.0
            self._ref_a = amps
            if amps > 3.0 * dip_a and self._level_s >= 4.0 and self._rest_s > 10.0:
                self.test_a = amps - dip_a
                self._test_s = 0.0
                self._near_s = 0.0
            return
        self._test_s += 1.0
        self._near_s = self._near_s + 1.0 if abs(amps - self.test_a) < 0.3 * dip_a else 0.0
        if self._near_s >= 3.0:
            self.current_obeyed = True
            waited = self._test_s - self._near_s - unseen_s + 0.7
            self.lag_s = min(max(waited / NEAR_LAGS, LEAST_LAG_S), MOST_LAG_S)
        if self._near_s >= 3.0 or self._test_s > 2.0 * settle_s:
            self.test_a = NEVER_A
            self._rest_s = 0.0

    def _compare(self, amps: float, seen_v: float, string_ohm: float) -> None:
        """A current that changes while the voltage stands still is held by the voltage limit."""
        if not self._fine:
            return
        if self._held is None:
            self._held = amps, seen_v
            return
        change_a, change_v = amps - self._held[0], seen_v - self._held[1]
        if abs(change_a) * string_ohm > 0.015:
            if abs(change_v) < 0.3 * string_ohm * abs(change_a):
                now_v = self.offset.at(amps)
                self.offset.confirm(min(max(seen_v, now_v), now_v + 0.05), amps)
            self._held = amps, seen_v

    def _tracking(
        self, amps: float, wanted_a: float, seen_v: float, string_ohm: float, spare_v: float, settle_s: float
    ) -> None:
        offset = self.offset
        free = amps < min(self._sent_a) - 2.0
        if self._probe_s is not None:
            self._probe_s += 1.0
            if self._probe_s >= settle_s + 1.0:
                before_a, before_v, at_a = self._probe_from
                if amps > before_a + 0.025 / string_ohm:
                    offset.confirm(seen_v, amps)
                    self._pause_s = 60.0
                else:
                    offset.put(before_v, at_a)
                    self._pause_s = min(2.0 * self._pause_s, 900.0)
                self._probe_s = None
                self._rest_s = 0.0
            return
        if not free or self._steady_s < settle_s:
            self._held = None
            return
        offset.creep(seen_v, amps, 0.1)
        self._compare(amps, seen_v, string_ohm)
        lacking = wanted_a - amps > 0.12 / string_ohm
        if lacking and seen_v > offset.at(amps) + 0.05 and spare_v > 0.010 and self._rest_s > self._pause_s:
            self._probe_from = (amps, offset.at(amps), amps)
            offset.put(offset.at(amps) + 0.1, amps)
            self._probe_v = self.value + 0.115
            self._probe_s = 0.0
