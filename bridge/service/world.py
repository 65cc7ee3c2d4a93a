"""The seam between the daemon and the world: a clock, inputs, a way out."""

from enum import Enum
from typing import NamedTuple, Protocol

from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.service.seam import BusNotice


class Aborted(BaseException):
    """The service manager ends the program, because it gave no sign of life. Raised wherever it stands."""


class Request(Enum):
    """What a person or the service manager asks of the running daemon."""

    STOP = "stop"
    RELOAD = "reload"
    STATUS = "status"


class Batch(NamedTuple):
    """What one wait brought.

    Attributes:
        t_us: engine time of the wake-up; the one stamp of everything in the batch.
        frames: received data frames, in order.
        notices: what happened to the buses.
        requests: what was asked of the daemon.
    """

    t_us: int
    frames: list[Frame]
    notices: list[BusNotice]
    requests: list[Request]


class World(Protocol):
    """Everything outside the core, as the daemon sees it."""

    def now_us(self) -> int:
        """Engine time: microseconds since the epoch at the start, from then on a monotonic count."""
        ...

    def wait(self, until_us: int) -> Batch:
        """Waits until something comes in or `until_us` is reached. Never raises BusError."""
        ...

    def send(self, frame: Frame) -> None:
        """Sends one frame.

        Raises:
            BusFull: the transmit queue is full; this frame did not leave.
            BusDown: the bus is down; the world goes on trying to bring it back.
        """
        ...

    def reopen(self, buses: tuple[BusConfig, ...]) -> None:
        """Changes to other buses, for a reload; leaves everything as it is where that fails.

        Raises:
            BusError: a bus cannot be opened.
        """
        ...

    def close(self) -> None:
        """Lets go of everything."""
        ...
