"""An inverter with sun and loads behind it: it obeys the limits it is sent, with a lag, and times out.

Currents are positive when they charge the pack.
"""

import math
from collections.abc import Callable
from typing import NamedTuple

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
    """

    def __init__(
        self,
        wish: Callable[[float], Wish] = cabin_day,
        t_s: float = 0.0,
        lag_s: float = 2.0,
        timeout_s: float = 10.0,
        cable_ohm: float = 0.001,
        reads_high_v: float = 0.0,
    ) -> None:
        """Start at rest, without limits.

        Args:
            wish: what sun and loads ask for at a time in seconds.
            t_s: time at the start.
            lag_s: time constant of its response, above 0.
            timeout_s: without limits for longer than this, the current goes to zero.
            cable_ohm: resistance of the cable between its terminals and those of the pack.
            reads_high_v: how much its voltmeter reads above the truth.
        """
        self.t_s = t_s
        self.current_a = 0.0
        self._wish = wish
        self._lag_s = lag_s
        self._timeout_s = timeout_s
        self._cable_ohm = cable_ohm
        self._reads_high_v = reads_high_v
        self._limits: Limits | None = None
        self._age_s = 0.0

    def receive(self, limits: Limits) -> None:
        """Take new limits; their age counts from now."""
        self._limits = limits
        self._age_s = 0.0

    @property
    def timed_out(self) -> bool:
        """Whether it has no limits, or none that are recent enough."""
        return self._limits is None or self._age_s > self._timeout_s

    def voltage_v(self, pack: PackModel) -> float:
        """Return what its voltmeter shows while the present current flows."""
        return pack.emf_v + (pack.resistance_ohm + self._cable_ohm) * self.current_a + self._reads_high_v

    def step(self, pack: PackModel, dt_s: float) -> float:
        """Move on by some time and return the current in amperes that flows; the pack is only looked at.

        Keep `dt_s` to a few seconds: the voltage loop takes the pack as it is at the start of the step.
        """
        self.t_s += dt_s
        self._age_s += dt_s
        target_a = self._target_a(pack)
        self.current_a += (target_a - self.current_a) * -math.expm1(-dt_s / self._lag_s)
        return self.current_a

    def _target_a(self, pack: PackModel) -> float:
        limits = self._limits
        if limits is None or self.timed_out:
            return 0.0
        # The pack is linear at any moment, so the current that just meets a voltage is known.
        resting_v = pack.emf_v + self._reads_high_v
        ohm = pack.resistance_ohm + self._cable_ohm
        charge_a = min(limits.charge_current_limit_a, (limits.charge_voltage_limit_v - resting_v) / ohm)
        draw_a = min(limits.discharge_current_limit_a, (resting_v - limits.discharge_voltage_floor_v) / ohm)
        highest_a = max(charge_a, 0.0) if limits.charge_allowed else 0.0
        lowest_a = -max(draw_a, 0.0) if limits.discharge_allowed else 0.0
        wish = self._wish(self.t_s)
        return min(max(wish.solar_a - wish.load_a, lowest_a), highest_a)
