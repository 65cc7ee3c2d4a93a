"""SocketCAN through a raw socket, without python-can in between.

Flags, classes and option numbers are those of linux/can.h, linux/can/error.h and linux/can/raw.h; behaviour
of the socket as in Linux Documentation/networking/can.rst.
"""

import contextlib
import errno
import os
import socket
import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from bridge.errors import BusDown, BusError, BusFull
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.service.seam import FRAMES_A_READ, Bus, BusNotice, NoticeKind, Retry

EFF_FLAG: Final = 0x8000_0000
RTR_FLAG: Final = 0x4000_0000
ERR_FLAG: Final = 0x2000_0000
ERR_CRTL: Final = 0x004
ERR_BUSOFF: Final = 0x040
ERR_RESTARTED: Final = 0x100

_CRTL_TEXTS: Final = (
    (0x01, "receive buffer of the controller overflowed"),
    (0x02, "transmit buffer of the controller overflowed"),
    (0x04, "receive error counter above the warning level"),
    (0x08, "transmit error counter above the warning level"),
    (0x10, "error passive on receive"),
    (0x20, "error passive on transmit"),
    (0x40, "error active again"),
)

_FRAME: Final = struct.Struct("=IB3x8s")
_FILTER: Final = struct.Struct("=II")
_NOT_DATA: Final = RTR_FLAG | ERR_FLAG

_CAN_RAW_ERR_FILTER: Final = 2  # missing in the socket module before Python 3.12
_FILTERS_MAX: Final = 512  # CAN_RAW_FILTER_MAX
_ARPHRD_CAN: Final = 280  # linux/if_arp.h
_SO_MEMINFO: Final = 55  # asm-generic/socket.h; an array of u32, linux/sock_diag.h
_MEMINFO: Final = struct.Struct("=9I")
_MEMINFO_DROPS: Final = 8

_RECEIVE_BUFFER: Final = 1 << 20  # bytes asked for; the kernel grants what net.core.rmem_max allows
_LOST_EVERY_US: Final = 100_000  # how often the count of lost frames is looked up
_FULL_SENDS: Final = 50  # so many frames refused on end, and it may be the socket: try another one


def error_notices(bus: str, can_id: int, data: bytes) -> list[BusNotice]:
    """What an error frame says.

    Args:
        bus: name of the bus.
        can_id: the identifier as the kernel gives it: `ERR_FLAG` and the error classes.
        data: the payload; byte 1 details the class `ERR_CRTL`.
    """
    notices = []
    if can_id & ERR_BUSOFF:
        text = "the controller is off the bus; without a restart-ms it stays off until restarted by hand"
        notices.append(BusNotice(bus, NoticeKind.BUS_OFF, text))
    if can_id & ERR_RESTARTED:
        notices.append(BusNotice(bus, NoticeKind.RESTARTED, "the controller was restarted"))
    if can_id & ERR_CRTL:
        detail = data[1] if len(data) > 1 else 0
        texts = [text for bit, text in _CRTL_TEXTS if detail & bit] or ["unspecified controller problem"]
        notices.append(BusNotice(bus, NoticeKind.ERROR_WARNING, ", ".join(texts)))
    return notices


def kernel_filters(keys: Iterable[int]) -> bytes:
    """The value of CAN_RAW_FILTER that lets exactly these frame keys pass, as data frames.

    A frame passes when `received & mask == id & mask`. Both flags stand in every mask: without EFF_FLAG an
    11-bit filter also lets 29-bit frames with the same low bits pass, without RTR_FLAG remote frames pass.
    """
    parts = []
    for key in sorted(keys):
        low_bits = 0x1FFF_FFFF if key & EFF_FLAG else 0x7FF
        parts.append(_FILTER.pack(key, low_bits | EFF_FLAG | RTR_FLAG))
    return b"".join(parts)


def open_socketcan(config: BusConfig) -> Bus:
    """Open a SocketCAN interface for the first time; one that is down gives a bus that is down.

    Raises:
        BusError: no such interface, or the system has no CAN.
    """
    if not config.channel:  # the kernel takes no name for all interfaces at once
        raise BusError(f"{config}: no channel is named; allowed: {_allowed_channels()}")
    try:
        return SocketCanBus(config)
    except OSError as error:
        raise BusError(f"{config}: cannot be opened: {error}; allowed: {_allowed_channels()}") from error


def _allowed_channels() -> str:
    # Not by socket.if_nameindex: that asks through AF_NETLINK, which a service may not be allowed.
    found = []
    with contextlib.suppress(OSError):
        for name in sorted(os.listdir("/sys/class/net")):
            with contextlib.suppress(OSError, ValueError):
                if int(Path(f"/sys/class/net/{name}/type").read_text()) == _ARPHRD_CAN:
                    found.append(name)
    return ", ".join(found) or "a CAN interface, of which this machine has none"


class SocketCanBus:
    """A `Bus` on one raw CAN socket."""

    def __init__(self, config: BusConfig) -> None:
        self._config = config
        keys = config.keys
        self._wanted = keys if keys is not None and len(keys) > _FILTERS_MAX else None
        self._socket: socket.socket | None = None
        self._closed = False
        self._retry = Retry()
        self._notices: list[BusNotice] = []
        self._lost = 0
        self._lost_due_us = 0
        self._refused = 0
        try:
            self._socket = self._open()
        except OSError as error:
            if error.errno != errno.ENETDOWN:
                raise
            self._fall(error)

    @property
    def name(self) -> str:
        """The bus's name in the profile."""
        return self._config.name

    def fileno(self) -> int | None:
        """The socket, None while the bus is down."""
        return None if self._socket is None else self._socket.fileno()

    def read(self) -> tuple[list[Frame], list[BusNotice]]:
        """Everything pending, see `Bus.read`."""
        frames: list[Frame] = []
        if self._socket is not None:
            # Locals, because this loop is the program's busiest. One system call a frame and one a drain.
            receive, unpack, name, wanted = self._socket.recv, _FRAME.unpack, self.name, self._wanted
            try:
                for _ in range(FRAMES_A_READ):
                    can_id, length, payload = unpack(receive(16))
                    if can_id & _NOT_DATA:
                        if can_id & ERR_FLAG:
                            self._note_error_frame(can_id, payload[:length])
                    elif wanted is None or can_id in wanted:
                        frames.append(Frame(name, can_id, payload[:length]))
            except BlockingIOError:
                pass
            except (OSError, struct.error) as error:
                self._fall(error)
        return frames, self._take_notices()

    def send(self, frame: Frame) -> None:
        """Queue one frame, see `Bus.send`."""
        if self._socket is None:
            raise BusDown(f"{self._config} is down")
        try:
            self._socket.send(_FRAME.pack(frame.key, len(frame.data), frame.data))
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.ENOBUFS):
                self._fall(error)
                raise BusDown(f"{self._config} is down: {error.strerror}") from error
            self._refused += 1
            raise BusFull(f"{self._config}: the transmit queue is full") from error
        self._refused = 0

    def tend(self, now_us: int) -> list[BusNotice]:
        """Rebuild the socket if it is dead, count what it lost if not; see `Bus.tend`."""
        if self._socket is not None:
            if now_us >= self._lost_due_us:
                self._lost_due_us = now_us + _LOST_EVERY_US
                self._count_lost(self._socket)
            if self._refused >= _FULL_SENDS:
                self._change()
        elif not self._closed and self._retry.due(now_us):
            try:
                self._socket = self._open()
            except OSError:
                self._retry.again()
            else:
                self._retry.over()
                self._notice(NoticeKind.UP, f"{self._config.channel} is up")
        return self._take_notices()

    def close(self) -> None:
        """Close the socket for good."""
        self._closed = True
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _open(self) -> socket.socket:
        opened = socket.socket(socket.AF_CAN, socket.SOCK_RAW | socket.SOCK_NONBLOCK, socket.CAN_RAW)
        try:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
            errors = ERR_CRTL | ERR_BUSOFF | ERR_RESTARTED
            opened.setsockopt(socket.SOL_CAN_RAW, _CAN_RAW_ERR_FILTER, errors)
            if self._config.keys is not None and self._wanted is None:
                opened.setsockopt(
                    socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, kernel_filters(self._config.keys)
                )
            opened.bind((self._config.channel,))
            # Binding to an interface that is down succeeds, and leaves this behind.
            if pending := opened.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
                raise OSError(pending, os.strerror(pending))
        except OSError:
            opened.close()
            raise
        self._lost = 0
        return opened

    def _fall(self, error: Exception) -> None:
        """The socket is dead: let go of it, and say so once."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        self._notice(NoticeKind.DOWN, f"{self._config.channel} is down: {error}")

    def _change(self) -> None:
        """Another socket in the place of one that takes nothing: the kernel counts what it owes by socket."""
        self._refused = 0
        with contextlib.suppress(OSError):
            fresh = self._open()  # before the old one is closed: so it has another number
            if self._socket is not None:
                self._socket.close()
            self._socket = fresh

    def _count_lost(self, opened: socket.socket) -> None:
        try:
            info = _MEMINFO.unpack(opened.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _MEMINFO.size))
        except (OSError, struct.error):
            return  # a kernel before 4.12 does not count
        if (lost := info[_MEMINFO_DROPS] - self._lost) > 0:
            self._lost += lost
            self._notice(NoticeKind.LOST, f"{lost} received frames were lost: the reader was too slow")

    def _note_error_frame(self, can_id: int, data: bytes) -> None:
        # A disturbed bus repeats itself hundreds of times a second: say each thing once a read.
        for notice in error_notices(self.name, can_id, data):
            if notice not in self._notices:
                self._notices.append(notice)

    def _notice(self, kind: NoticeKind, text: str) -> None:
        self._notices.append(BusNotice(self.name, kind, text))

    def _take_notices(self) -> list[BusNotice]:
        taken, self._notices = self._notices, []
        return taken
