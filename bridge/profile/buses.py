"""What is known of a bus before it is opened."""

from typing import NamedTuple


class BusConfig(NamedTuple):
    """One bus of the profile.

    Attributes:
        name: the bus's name in the profile; every frame and notice carries it.
        interface: python-can's name of the kind of interface; "socketcan" is served without python-can.
        channel: what the interface calls the bus, such as "can0" or "/dev/ttyACM0".
        bitrate: bit/s. SocketCAN leaves it to the system (`ip link`), every other interface is told.
        options: further python-can options, passed on as they are.
        keys: the frame keys (see `bridge.frames.Frame`) wanted; None wants all, empty wants none.
    """

    name: str
    interface: str
    channel: str
    bitrate: int = 500_000
    options: tuple[tuple[str, str | int | float | bool], ...] = ()
    keys: frozenset[int] | None = None

    def __str__(self) -> str:
        return f"bus {self.name!r} (interface {self.interface!r}, channel {self.channel!r})"
