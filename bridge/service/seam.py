"""What the daemon knows of a CAN interface: its description, the events it reports, what it can be asked.

Users import these names from `bridge.service.bus`; they stand here so that the implementations can share
them without importing the front door.
"""

from collections.abc import Collection
from enum import Enum
from typing import Final, NamedTuple, Protocol

from bridge.core.plan.plan import Plan
from bridge.frames import Frame
from bridge.profile.buses import BusConfig

FRAMES_A_READ: Final = 512
"""Most frames one `Bus.read` returns, so that a flood on the bus cannot starve the transmit loop."""

RETRY_FIRST_US: Final = 250_000
RETRY_LAST_US: Final = 500_000
"""Waits between attempts to rebuild a dead bus: from the first, doubling, to the last."""


def goes_on(plan: Plan, now: Collection[BusConfig], then: Collection[BusConfig]) -> bool:
    """Whether all that a plan sends leaves by the same buses as before, `then` as `now`."""
    one, other = ({bus.name: bus._replace(keys=None) for bus in buses} for buses in (now, then))
    return all(one.get(sent.bus) == other.get(sent.bus) for sent in plan.transmissions)


def both(now: Collection[BusConfig], then: Collection[BusConfig]) -> tuple[BusConfig, ...]:
    """The buses of `then`, which also let pass what is wanted `now`, while two profiles are at work."""
    wanted = {bus._replace(keys=None): bus.keys for bus in now}
    found = []
    for bus in then:
        keys = wanted.get(bus._replace(keys=None), frozenset())
        found.append(bus._replace(keys=None if keys is None or bus.keys is None else bus.keys | keys))
    return tuple(found)


class NoticeKind(Enum):
    """What happened to a bus."""

    UP = "up"
    DOWN = "down"
    BUS_OFF = "bus off"
    RESTARTED = "restarted"
    ERROR_WARNING = "error warning"
    QUEUE_FULL = "queue full"
    QUEUE_OK = "queue ok"
    LOST = "lost"


class BusNotice(NamedTuple):
    """An event of a bus other than a data frame.

    Attributes:
        bus: name of the bus.
        kind: what happened.
        text: one line for people.
    """

    bus: str
    kind: NoticeKind
    text: str


class Bus(Protocol):
    """One CAN bus, driven by one event loop. Only the loop's own thread may call it."""

    @property
    def name(self) -> str:
        """The bus's name in the profile."""
        ...

    def fileno(self) -> int | None:
        """A descriptor that is readable while `read` has something; None while the bus is down.

        It changes when the bus is rebuilt: compare it after every `read`, `send` and `tend`.
        """
        ...

    def read(self) -> tuple[list[Frame], list[BusNotice]]:
        """Everything pending, up to `FRAMES_A_READ` frames, without waiting. Never raises.

        If more frames are pending the descriptor stays readable. Remote, CAN FD and error frames are never
        among the frames.
        """
        ...

    def send(self, frame: Frame) -> None:
        """Queue one frame.

        Raises:
            BusFull: the transmit queue is full; this frame did not leave.
            BusDown: the bus is down; `tend` rebuilds it.
        """
        ...

    def tend(self, now_us: int) -> list[BusNotice]:
        """Supervise: notices not yet handed over; and a dead bus is rebuilt, after a growing wait.

        Call it some ten times a second. An outage gives one DOWN and, when it ends, one UP.

        Args:
            now_us: a monotonic clock, in microseconds.
        """
        ...

    def close(self) -> None:
        """Let go of the interface. May be called twice; afterwards nothing is read, sent or rebuilt."""
        ...


class Retry:
    """When to try again to rebuild a dead bus."""

    def __init__(self) -> None:
        self._wait_us = RETRY_FIRST_US
        self._due_us: int | None = None

    def due(self, now_us: int) -> bool:
        """Whether to try now. The first call of an outage starts the first wait."""
        if self._due_us is None:
            self._due_us = now_us + self._wait_us
            self._wait_us = min(2 * self._wait_us, RETRY_LAST_US)
        return now_us >= self._due_us

    def again(self) -> None:
        """The attempt failed: the next `due` starts the next wait."""
        self._due_us = None

    def over(self) -> None:
        """The outage has ended: the next one starts with the shortest wait."""
        self._wait_us = RETRY_FIRST_US
        self._due_us = None
