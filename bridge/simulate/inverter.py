"""An inverter with sun and loads behind it: it obeys the limits it is sent, with a lag, and times out.

How well it obeys is set by its `Manners`. Currents are positive when they charge the pack.
"""

import math
from collections import deque
from collections.abc import Callable
from typing import Final, NamedTuple

from bridge.simulate.pack import PackModel

DAY_S = 86_400.0


class Limits(NamedTuple):
    """What the inverter was told: volts, currents as magnitudes, and the two permissions."""

    charge_voltage_limit_v: float
    charge_current_limit_a: float
    discharge_current_limit_a: float
    discharge_voltage_floor_v: float
    charge_allowed: bool = True
    discharge_allowed: bool = True


class Wish(NamedTuple):
    """What sun and loads would do to the pack if nothing limited them: currents at its terminals."""

    solar_a: float
    load_a: float


class Manners(NamedTuple):
    """How an inverter carries out what it is told; the default does it well.

    Attributes:
        ignores: `voltage`: it does not know the charge voltage limit; `current`: it does not know the charge
            current limit. Permissions and the limits of discharging are obeyed all the same.
        late_s: it acts on a limit only so long after it came.
        volt_step, amp_step: what it can set, towards the safe side; 0: anything.
        least_charge_a: it cannot charge with less: allowed to charge at all, it takes this much.
        restarts_after_s: this long after its own time-out it starts again on the last limits it knows, told
            or not; `None`: it waits to be told, as it should.
    """

    ignores: str = ""
    late_s: float = 0.0
    volt_step: float = 0.0
    amp_step: float = 0.0
    least_charge_a: float = 0.0
    restarts_after_s: float | None = None


WELL_BEHAVED: Final = Manners()

WISH, TIMED_OUT, FORBIDDEN, LEAST, STALE = "wish", "timed_out", "forbidden", "least_current", "stale"
"""What holds the current where it is, besides the four limits, which go by the names of their quantities."""


def cabin_day(t_s: float) -> Wish:
    """Return the wish at a time of day, in seconds from midnight; every day is the same.

    Sun from 6 to 20 h, 70 A at its height; 5 A of load all day and 25 A more from 18 to 23 h. A 280 Ah
    pack that starts the morning at 40 % is full soon after noon, tapers, and is back at 40 % by dawn.
    """
    hour = t_s % DAY_S / 3600.0
    solar_a = 70.0 * math.sin(math.pi * (hour - 6.0) / 14.0) ** 2 if 6.0 < hour < 20.0 else 0.0
    return Wish(solar_a, 30.0 if 18.0 <= hour < 23.0 else 5.0)


class InverterModel:
    """A charger and load in one that follows the tighter of voltage and current limit.

    Attributes:
        t_s: its own time in seconds, from which the wish follows.
        current_a: what flows now.
        wanted_a: what sun and loads asked for in the last step.
        held_by: what held the current in the last step: `WISH`, a limit by its name, or another of the names
            above.
    """

    def __init__(
        self,
        wish: Callable[[float], Wish] = cabin_day,
        t_s: float = 0.0,
        lag_s: float = 2.0,
        timeout_s: float = 10.0,
        cable_ohm: float = 0.001,
        reads_high_v: float = 0.0,
        manners: Manners = WELL_BEHAVED,
    ) -> None:
        """Start at rest, without limits.

        Args:
            wish: what sun and loads ask for at a time in seconds.
            t_s: time at the start.
            lag_s: time constant of its response, above 0.
            timeout_s: without limits for longer than this, the current goes to zero.
            cable_ohm: resistance of the cable between its terminals and those of the pack.
            reads_high_v: how much its voltmeter reads above the truth.
            manners: how well it obeys.
        """
        self.t_s = t_s
        self.current_a = 0.0
        self.wanted_a = 0.0
        self.held_by = TIMED_OUT
        self._wish = wish
        self._lag_s = lag_s
        self._timeout_s = timeout_s
        self._cable_ohm = cable_ohm
        self._reads_high_v = reads_high_v
        self._manners = manners
        self._limits: Limits | None = None
        self._waiting: deque[tuple[float, Limits]] = deque()
        self._age_s = 0.0

    def receive(self, limits: Limits) -> None:
        """Take new limits; their age counts from now."""
        self._age_s = 0.0
        if self._manners.late_s > 0.0:
            self._waiting.append((self.t_s + self._manners.late_s, limits))
        else:
            self._limits = limits

    @property
    def timed_out(self) -> bool:
        """Whether it stands still because it has no limits, or none that are recent enough."""
        if self._limits is None or self._age_s <= self._timeout_s:
            return self._limits is None
        restarts_after_s = self._manners.restarts_after_s
        return restarts_after_s is None or self._age_s <= self._timeout_s + restarts_after_s

    def voltage_v(self, pack: PackModel) -> float:
        """Return what its voltmeter shows while the present current flows."""
        return pack.emf_v + (pack.resistance_ohm + self._cable_ohm) * self.current_a + self._reads_high_v

    def terminals_v(self, pack: PackModel) -> float:
        """Return what its voltmeter shows, whatever flows through others of its kind."""
        return pack.voltage_v + self._cable_ohm * self.current_a + self._reads_high_v

    def step(self, pack: PackModel, dt_s: float) -> float:
        """Move on by some time and return the current in amperes that flows; the pack is only looked at.

        Keep `dt_s` to a few seconds: the voltage loop takes the pack as it is at the start of the step.
        """
        self.t_s += dt_s
        self._age_s += dt_s
        while self._waiting and self._waiting[0][0] <= self.t_s:
            self._limits = self._waiting.popleft()[1]
        target_a = self._target_a(pack)
        self.current_a += (target_a - self.current_a) * -math.expm1(-dt_s / self._lag_s)
        return self.current_a

    def _target_a(self, pack: PackModel) -> float:
        wish = self._wish(self.t_s)
        self.wanted_a = wanted_a = wish.solar_a - wish.load_a
        self.held_by = TIMED_OUT
        limits = self._limits
        if limits is None or self.timed_out:
            return 0.0
        self.held_by = WISH
        # The pack is linear at any moment, so the current that just meets a voltage is known.
        resting_v = pack.emf_v + self._reads_high_v
        ohm = pack.resistance_ohm + self._cable_ohm
        target_a = 0.0
        if wanted_a > 0.0:
            target_a = self._charge_a(wanted_a, limits, resting_v, ohm)
        elif wanted_a < 0.0:
            target_a = -self._draw_a(-wanted_a, limits, resting_v, ohm)
        if self._age_s > self._timeout_s:
            self.held_by = STALE
        return target_a

    def _charge_a(self, wanted_a: float, limits: Limits, resting_v: float, ohm: float) -> float:
        manners = self._manners
        if not limits.charge_allowed:
            self.held_by = FORBIDDEN
            return 0.0
        target_a = wanted_a
        told_a = _set(limits.charge_current_limit_a, manners.amp_step)
        if manners.ignores != "current" and told_a < target_a:
            target_a, self.held_by = told_a, "charge_current_limit"
        told_v = _set(limits.charge_voltage_limit_v, manners.volt_step)
        by_voltage_a = max((told_v - resting_v) / ohm, 0.0)
        if manners.ignores != "voltage" and by_voltage_a < target_a:
            target_a, self.held_by = by_voltage_a, "charge_voltage_limit"
        if target_a < manners.least_charge_a <= wanted_a:
            target_a, self.held_by = manners.least_charge_a, LEAST
        return target_a

    def _draw_a(self, wanted_a: float, limits: Limits, resting_v: float, ohm: float) -> float:
        if not limits.discharge_allowed:
            self.held_by = FORBIDDEN
            return 0.0
        target_a = wanted_a
        told_a = _set(limits.discharge_current_limit_a, self._manners.amp_step)
        if told_a < target_a:
            target_a, self.held_by = told_a, "discharge_current_limit"
        by_voltage_a = max((resting_v - limits.discharge_voltage_floor_v) / ohm, 0.0)
        if by_voltage_a < target_a:
            target_a, self.held_by = by_voltage_a, "discharge_voltage_floor"
        return target_a


def _set(told: float, step: float) -> float:
    """What an inverter sets that knows whole steps only: never more than it was told."""
    return math.floor(told / step + 1e-9) * step if step > 0.0 else told
