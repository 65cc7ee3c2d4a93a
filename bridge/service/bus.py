"""The front door to the CAN interfaces: `open_bus`, and all that the daemon needs to know of a `Bus`."""

from bridge.profile.buses import BusConfig
from bridge.service.guarded import GuardedBus
from bridge.service.seam import FRAMES_A_READ, Bus, BusNotice, NoticeKind

__all__ = ["FRAMES_A_READ", "Bus", "BusConfig", "BusNotice", "NoticeKind", "open_bus"]


def open_bus(config: BusConfig) -> Bus:
    """Open a bus for the first time.

    A SocketCAN interface that exists but is down gives a bus that is down, until `Bus.tend` finds it up.

    Raises:
        BusError: the interface or channel does not exist or cannot be opened.
    """
    if config.interface == "socketcan":
        from bridge.service.socketcan import open_socketcan

        return GuardedBus(config, open_socketcan(config), open_socketcan)
    from bridge.service.pythoncan import open_pythoncan, reopen_pythoncan

    return GuardedBus(config, open_pythoncan(config), reopen_pythoncan)
