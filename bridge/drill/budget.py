"""How long each reaction may take, from the times in the profile.

A reading that stops coming is found at the first tick after its allowed age, the last limits are held for
the stated time, and the next frame carries the result: age + hold + three ticks + one round of the
transmissions. Whatever the sum says, an inverter must be told before it gives up by itself (see `Watch`).
"""

from bridge.core.charging.bank_charge import RISE_SHARE_PER_S
from bridge.core.plan.plan import SECOND_US, Plan
from bridge.core.wire.outgoing import QuantityItem, Transmission
from bridge.quantities import LIMITS


class Budget:
    """Times of one profile, in seconds.

    Attributes:
        tick_s: a decision is made this often, and three of them are allowed for.
        tell_s: the longest it takes until every limit has been sent again.
        timeout_s: the shortest time-out of an inverter.
        hold_s, steady_s, mismatch_s, stall_s: see `bridge.core.plan.plan.FailSafeTimes`.
        ramp_s: the longest rise of a limit from closed to full.
        warm_s: from the start until limits are steady.
    """

    def __init__(self, plan: Plan) -> None:
        limits, times = plan.limits, plan.times
        self.tick_s = plan.tick_us / SECOND_US
        self.tell_s = max((_round_s(t) for t in plan.transmissions if carries_limit(t)), default=0.0)
        self.timeout_s = min(inverter.timeout_us for inverter in plan.inverters) / SECOND_US
        self.hold_s = times.hold_us / SECOND_US
        self.steady_s = times.steady_us / SECOND_US
        self.mismatch_s = times.mismatch_us / SECOND_US
        self.stall_s = times.stall_us / SECOND_US
        self.ramp_s = max(
            limits.charge_a / limits.charge_rise_a_per_s,
            1.0 / RISE_SHARE_PER_S,
            limits.discharge_a / limits.discharge_rise_a_per_s,
            (limits.charge_voltage_v - limits.resting_v) / limits.rise_v_per_s,
        )
        oldest_s = max((slot.max_age_us for slot in plan.slots), default=0) / SECOND_US
        self.warm_s = oldest_s + self.recovery_s

    @property
    def recovery_s(self) -> float:
        """From the end of a fault until limits are back."""
        return self.steady_s + self.ramp_s + self.reaction_s + 2.0

    @property
    def reaction_s(self) -> float:
        """From a reading to the frame that carries what follows from it."""
        return 3 * self.tick_s + self.tell_s

    def lost(self, age_s: float) -> float:
        """Until zero currents after data stopped coming, or is refused."""
        return age_s + self.hold_s + self.reaction_s

    def contradicted(self, age_s: float) -> float:
        """Until zero currents after readings contradict each other."""
        return age_s + self.mismatch_s + self.hold_s + self.reaction_s

    def read(self, age_s: float) -> float:
        """Until the limits show a reading."""
        return age_s + self.reaction_s


def carries_limit(transmission: Transmission) -> bool:
    """Whether one of the four limits is in it."""
    items = (item for page in transmission.pages for item in page)
    return any(isinstance(item, QuantityItem) and item.quantity in LIMITS for item in items)


def _round_s(transmission: Transmission) -> float:
    return transmission.period_us * len(transmission.pages) / SECOND_US
