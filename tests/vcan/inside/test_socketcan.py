"""The raw socket against a real kernel and can-utils: bytes on the bus, outages, full queues, floods."""

import errno
import fcntl
import os
import pty
import select
import struct
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.errors import BusDown, BusError, BusFull
from bridge.frames import EXTENDED, Frame
from bridge.profile.buses import BusConfig
from bridge.service.bus import Bus, BusNotice, NoticeKind, open_bus
from tests.service.bus_contract import LONG_S, wait_for, wait_for_frames

_TIOCSETD = 0x5423
_N_SLCAN = 17  # linux/tty.h
_SIOCGIFNAME = 0x8910


def ip(*words: str) -> None:
    """Change an interface, as the system's network service would."""
    subprocess.run(["ip", "link", *words], check=True, timeout=LONG_S)


def cansend(frame: str, channel: str = "vcan0") -> None:
    """Send one frame with can-utils."""
    subprocess.run(["cansend", channel, frame], check=True, timeout=LONG_S)


def kinds(notices: list[BusNotice]) -> list[NoticeKind]:
    """Only what kind of notices they are."""
    return [notice.kind for notice in notices]


@pytest.fixture(autouse=True)
def both_up() -> Iterator[None]:
    """Whatever a test does to vcan0 and vcan1, the next finds them up."""
    yield
    for channel in ("vcan0", "vcan1"):
        if not Path(f"/sys/class/net/{channel}").exists():
            ip("add", channel, "type", "vcan")
        ip("set", channel, "up")


@pytest.fixture
def bus() -> Iterator[Bus]:
    """An open bus on vcan0."""
    opened = open_bus(BusConfig("pack", "socketcan", "vcan0"))
    yield opened
    opened.close()


def test_candump_sees_what_is_sent(bus: Bus) -> None:
    """Another program on the bus sees our identifiers and bytes, 11 and 29 bits, in order."""
    command = ["stdbuf", "-oL", "candump", "-L", "vcan0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as candump:
        assert candump.stdout is not None
        while not select.select([candump.stdout], [], [], 0.1)[0]:  # until it listens, which it does not say
            bus.send(Frame("pack", 0x7FF, b""))
        frames = [Frame("pack", 0x0A5, bytes(range(8))), Frame("pack", 0x0A5 | EXTENDED, b"\xff")]
        for frame in frames:
            bus.send(frame)
        seen: list[str] = []
        while len(seen) < 2:
            line = candump.stdout.readline().split()[2]
            seen += [line] if line != "7FF#" else []
        candump.terminate()
    assert seen == ["0A5#0001020304050607", "000000A5#FF"]


def test_cansend_and_canplayer_are_heard(bus: Bus) -> None:
    """Frames of other programs arrive with their keys and bytes."""
    cansend("0A5#DEADBEEF")
    cansend("000000A5#01")
    log = "(1.000000) vcan0 7FF#\n(1.001000) vcan0 1FFFFFFF#0102030405060708\n"
    subprocess.run(["canplayer"], input=log, text=True, check=True, timeout=LONG_S)
    assert wait_for_frames(bus, 4) == [
        Frame("pack", 0x0A5, b"\xde\xad\xbe\xef"),
        Frame("pack", 0x0A5 | EXTENDED, b"\x01"),
        Frame("pack", 0x7FF, b""),
        Frame("pack", 0x1FFF_FFFF | EXTENDED, bytes(range(1, 9))),
    ]


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        ("20000040#0000000000000000", NoticeKind.BUS_OFF),
        ("20000100#0000000000000000", NoticeKind.RESTARTED),
        ("20000004#0008000000000000", NoticeKind.ERROR_WARNING),
    ],
)
@pytest.mark.parametrize("keys", [None, frozenset({0x40, 0x40 | EXTENDED})])
def test_error_frames_are_notices_and_never_frames(
    error: str, kind: NoticeKind, keys: frozenset[int] | None
) -> None:
    """What the controller reports is told, with and without filters, and its bits are not taken for an id."""
    bus = open_bus(BusConfig("pack", "socketcan", "vcan0", keys=keys))
    cansend(error)
    cansend("040#01")
    frames, notices = wait_for(bus, lambda frames, _: bool(frames))
    assert frames == [Frame("pack", 0x40, b"\x01")]
    assert kinds(notices) == [kind]
    bus.close()


def test_can_fd_frames_are_skipped() -> None:
    """A CAN FD frame on an interface that takes them is not read, and does no harm."""
    ip("add", "vcan2", "type", "vcan")
    ip("set", "vcan2", "mtu", "72")
    ip("set", "vcan2", "up")
    bus = open_bus(BusConfig("pack", "socketcan", "vcan2"))
    cansend("0A5##1000102030405060708090A0B", "vcan2")
    cansend("0A5#01", "vcan2")
    assert wait_for(bus, lambda frames, _: bool(frames)) == ([Frame("pack", 0x0A5, b"\x01")], [])
    bus.close()
    ip("del", "vcan2")


def test_interface_set_down_and_up(bus: Bus) -> None:
    """An interface that goes down is one DOWN; when it is up again, one UP, and frames flow both ways."""
    ip("set", "vcan0", "down")
    frames, notices = wait_for(bus, lambda _, notices: bool(notices))
    assert (frames, kinds(notices)) == ([], [NoticeKind.DOWN])
    assert bus.fileno() is None
    with pytest.raises(BusDown, match="pack"):
        bus.send(Frame("pack", 0x0A5, b""))
    start = time.monotonic()  # stay down for several attempts
    assert wait_for(bus, lambda *_: time.monotonic() > start + 2.0) == ([], [])
    ip("set", "vcan0", "up")
    _, notices = wait_for(bus, lambda _, notices: bool(notices))
    assert kinds(notices) == [NoticeKind.UP]
    cansend("0A5#02")
    assert wait_for_frames(bus, 1) == [Frame("pack", 0x0A5, b"\x02")]
    bus.send(Frame("pack", 0x0A5, b""))


def test_sending_notices_the_outage_first(bus: Bus) -> None:
    """If the first sign is a failed send, it raises `BusDown`, and the DOWN still comes once."""
    ip("set", "vcan0", "down")
    for _ in range(3):
        with pytest.raises(BusDown, match="pack"):
            bus.send(Frame("pack", 0x0A5, b""))
    assert kinds(bus.read()[1]) == [NoticeKind.DOWN]
    assert kinds(bus.tend(0)) == []


def test_interface_removed_and_added_again() -> None:
    """An adapter unplugged and plugged in again comes back, although it is another interface now."""
    bus = open_bus(BusConfig("pack", "socketcan", "vcan1", keys=frozenset({0x0A5})))
    ip("del", "vcan1")
    _, notices = wait_for(bus, lambda _, notices: bool(notices))
    assert kinds(notices) == [NoticeKind.DOWN]
    start = time.monotonic()
    assert wait_for(bus, lambda *_: time.monotonic() > start + 1.0) == ([], [])
    ip("add", "vcan1", "type", "vcan")
    start = time.monotonic()  # it exists, but is down: a socket could be bound to it, and would hear nothing
    assert wait_for(bus, lambda *_: time.monotonic() > start + 2.5) == ([], [])
    ip("set", "vcan1", "up")
    _, notices = wait_for(bus, lambda _, notices: bool(notices))
    assert kinds(notices) == [NoticeKind.UP]
    cansend("0A6#", "vcan1")
    cansend("0A5#03", "vcan1")
    assert wait_for_frames(bus, 1) == [Frame("pack", 0x0A5, b"\x03")]
    bus.close()


def test_a_new_outage_starts_with_the_short_wait(bus: Bus) -> None:
    """However long the wait had grown in one outage, the next is tried again after 0.25 s."""
    for outage_us in (0, 100_000_000):
        ip("set", "vcan0", "down")
        assert kinds(bus.read()[1]) == [NoticeKind.DOWN]
        bus.tend(outage_us)
        bus.tend(outage_us + 250_000)  # fails, and doubles the wait
        assert bus.fileno() is None
        ip("set", "vcan0", "up")
        bus.tend(outage_us + 300_000)
        assert bus.tend(outage_us + 799_999) == []
        assert kinds(bus.tend(outage_us + 800_000)) == [NoticeKind.UP]


def test_opened_while_down_comes_up_by_itself() -> None:
    """Starting before the interface is up is an outage like any other, not an error."""
    ip("set", "vcan1", "down")
    bus = open_bus(BusConfig("pack", "socketcan", "vcan1"))
    assert bus.fileno() is None
    ip("set", "vcan1", "up")
    _, notices = wait_for(bus, lambda _, notices: NoticeKind.UP in kinds(notices))
    assert kinds(notices) == [NoticeKind.DOWN, NoticeKind.UP]
    bus.close()


@pytest.mark.parametrize("channel", ["can7", "lo", ""])
def test_wrong_channel_names_the_right_ones(channel: str) -> None:
    """A channel that is missing, no CAN or not named is refused; the message lists what there is."""
    with pytest.raises(BusError, match=f"bus 'pack' .*channel '{channel}'.*; allowed: vcan0, vcan1"):
        open_bus(BusConfig("pack", "socketcan", channel))


def test_filtered_bus_loses_nothing_in_a_flood() -> None:
    """The kernel keeps a flood of strange frames from a reader that sleeps: all wanted ones are there."""
    bus = open_bus(BusConfig("pack", "socketcan", "vcan0", keys=frozenset({0x0A5 | EXTENDED})))
    for number in range(4):
        subprocess.run(["cangen", "vcan0", "-g", "0", "-n", "3000", "-I", "0A5"], check=True, timeout=LONG_S)
        cansend(f"000000A5#{number:02X}")
    expected = [Frame("pack", 0x0A5 | EXTENDED, bytes([number])) for number in range(4)]
    assert bus.read() == (expected, [])
    assert bus.tend(0) == []
    bus.close()


def test_frames_lost_to_a_slow_reader_are_counted(bus: Bus) -> None:
    """What the socket's buffer could not take is told, once, and adds up with what was read."""
    subprocess.run(["cangen", "vcan0", "-g", "0", "-n", "8000"], check=True, timeout=60)
    notices = bus.tend(0)
    assert kinds(notices) == [NoticeKind.LOST]
    lost = int(notices[0].text.split()[0])
    assert 0 < lost < 8000
    assert len(wait_for_frames(bus, 8000 - lost)) == 8000 - lost
    assert bus.tend(1_000_000) == []


class SerialAdapter:
    """A serial-line adapter at the far end of a pseudo-terminal, read only when a test says so."""

    def __init__(self) -> None:
        self.far, self._near = pty.openpty()
        os.set_blocking(self.far, False)
        fcntl.ioctl(self._near, _TIOCSETD, struct.pack("i", _N_SLCAN))
        self.interface = fcntl.ioctl(self._near, _SIOCGIFNAME, bytes(16)).rstrip(b"\0").decode()

    def take(self) -> bytes:
        """All that the line holds."""
        taken = b""
        while select.select([self.far], [], [], 0.2)[0]:
            taken += os.read(self.far, 65536)
        return taken

    def unplug(self) -> None:
        """The line breaks, and the interface is gone."""
        os.close(self.far)
        os.close(self._near)


def send_until_full(bus: Bus) -> tuple[int, int | None]:
    """How many frames the bus took before it refused one, and the system's reason."""
    for sent in range(20_000):
        try:
            bus.send(Frame("pack", 0x0A5, bytes(8)))
        except BusFull as full:
            return sent, full.__cause__.errno if isinstance(full.__cause__, OSError) else None
    raise AssertionError("the queue has no end")


@pytest.mark.parametrize(("queue", "reason"), [(10, errno.ENOBUFS), (1000, errno.EAGAIN)])
def test_full_queue_is_refused_and_ends(queue: int, reason: int) -> None:
    """An adapter that takes nothing fills the queue: `BusFull` at once; when it takes again, so do we.

    With a short queue the interface refuses the frame, with a long one the socket does.
    """
    adapter = SerialAdapter()
    ip("set", adapter.interface, "txqueuelen", str(queue))
    ip("set", adapter.interface, "up")
    bus = open_bus(BusConfig("pack", "socketcan", adapter.interface))
    sent, refused = send_until_full(bus)
    assert refused == reason
    assert send_until_full(bus) == (0, reason)
    heard = adapter.take().count(b"t0A5")
    bus.send(Frame("pack", 0x0A5, bytes(8)))
    assert heard + adapter.take().count(b"t0A5") == sent + 1
    adapter.unplug()
    _, notices = wait_for(bus, lambda _, notices: bool(notices))
    assert kinds(notices) == [NoticeKind.DOWN]
    bus.close()
