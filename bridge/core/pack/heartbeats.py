"""Which inverters are not heard."""

from bridge.core.pack.state import PackState
from bridge.core.plan.plan import Inverter, Plan


class Heartbeats:
    """Watches the signs of life of all inverters. Mutable; owned by one engine.

    Args:
        plan: whose signs of life are looked for, and how old they may be.
        start_us: engine time of the start; what was never heard counts from it.
        pack: the readings.
    """

    def __init__(self, plan: Plan, start_us: int, pack: PackState) -> None:
        self._rows = [
            (one, one.heartbeat, plan.slots[one.heartbeat].max_age_us)
            for one in plan.inverters
            if one.heartbeat is not None
        ]
        self._pack = pack
        self._heard_us = {one.name: start_us for one, _, _ in self._rows}

    def unheard(self, t_us: int) -> list[Inverter]:
        """The inverters not heard for longer than allowed."""
        return [one for one, slot, age_us in self._rows if t_us > self._last_us(one, slot) + age_us]

    def take_over(self, other: "Heartbeats") -> None:
        """What another engine heard before this one took over counts, too."""
        self._heard_us |= {
            one.name: other._last_us(one, slot) for one, slot, _ in other._rows if one.name in self._heard_us
        }

    def _last_us(self, inverter: Inverter, slot: int) -> int:
        return max(self._pack.seen_us(slot), self._heard_us[inverter.name])
