"""What really leaves: for the watchdog, and for the log of queues that are full.

A sign of life says that this program does its work. A limit that does not leave is no reason for one, unless
the fault is outside, where starting the program anew changes nothing: every frame of that bus was refused,
because it is down, or because its queue is full and nobody takes the frames (an inverter that is switched
off). Then waiting is life. One message that does not leave on a bus that takes others is a fault in here.
"""

from collections.abc import Iterable
from typing import Final

from bridge.core.engine import Due
from bridge.core.plan.plan import Plan
from bridge.errors import BusError, BusFull
from bridge.profile.buses import BusConfig
from bridge.service.seam import BusNotice, NoticeKind

QUEUE_QUIET_US: Final = 1_000_000
"""A transmit queue that refused a frame counts as full for this long."""

SILENCE_PERIODS: Final = 3
"""Frames count as leaving while the last one is no older than this many of the longest limit period."""


class Leaving:
    """Which frames of one plan left, and which buses refused theirs.

    Args:
        plan: what is sent.
        t_us: the start; from then on frames should leave.
        told_on: buses on which limits left before.

    Attributes:
        told_on: buses on which limits have left: there a receiver may go by what it was told.
    """

    def __init__(self, plan: Plan, t_us: int, told_on: Iterable[str] = ()) -> None:
        self.told_on = set(told_on)
        carrying = [t for t in plan.transmissions if t.carries_limits]
        self._left_us = {(t.bus, t.layout.key): t_us for t in carrying}
        self._leave_by_us = SILENCE_PERIODS * max((t.period_us for t in carrying), default=0) + plan.tick_us
        self._taken_us: dict[str, int] = {}
        self._refused_us: dict[str, int] = {}
        self._full_at: dict[str, int] = {}

    def renamed(self, before: Iterable[BusConfig], after: Iterable[BusConfig]) -> None:
        """The buses have other names from now on: what was told on one was told on its channel."""
        told = {(bus.interface, bus.channel) for bus in before if bus.name in self.told_on}
        self.told_on |= {bus.name for bus in after if (bus.interface, bus.channel) in told}

    def left(self, item: Due) -> BusNotice | None:
        """A frame left. Returns that its bus's queue moves again, if that is news."""
        bus = item.frame.bus
        which = bus, item.frame.key
        if which in self._left_us:
            self._left_us[which] = item.t_us
            self.told_on.add(bus)
        self._taken_us[bus] = item.t_us
        if bus in self._full_at and item.t_us - self._full_at[bus] >= QUEUE_QUIET_US:
            del self._full_at[bus]
            return BusNotice(bus, NoticeKind.QUEUE_OK, "all frames leave again")
        return None

    def refused(self, item: Due, problem: BusError) -> BusNotice | None:
        """A frame was refused. Returns that its bus's queue is full, if that is news."""
        bus = item.frame.bus
        self._refused_us[bus] = item.t_us
        if not isinstance(problem, BusFull):
            return None
        known = bus in self._full_at
        self._full_at[bus] = item.t_us
        text = "transmit queue full, a frame did not leave: is another node listening?"
        return None if known else BusNotice(bus, NoticeKind.QUEUE_FULL, text)

    def well(self, t_us: int) -> bool:
        """Whether every limit leaves, or does not for a reason outside this program."""
        since_us = t_us - self._leave_by_us
        return all(
            left_us >= since_us or self._outside(bus, since_us) for (bus, _), left_us in self._left_us.items()
        )

    def stuck(self, t_us: int) -> list[str]:
        """The buses that refuse every frame."""
        since_us = t_us - self._leave_by_us
        return sorted(bus for bus in self._refused_us if self._outside(bus, since_us))

    def _outside(self, bus: str, since_us: int) -> bool:
        return self._refused_us.get(bus, since_us - 1) >= since_us > self._taken_us.get(bus, since_us - 1)
