"""What every `Bus` keeps, whatever the interface: one class of tests, run against each implementation."""

import select
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import ClassVar

import can
import pytest

from bridge.errors import BusDown
from bridge.frames import EXTENDED, Frame
from bridge.profile.buses import BusConfig
from bridge.service.bus import FRAMES_A_READ, Bus, BusNotice, open_bus

Opener = Callable[..., Bus]

LONG_S = 10.0
"""How long a test waits for what must come; generous, since the userspace kernel is slow and noisy."""


def wait_for(
    bus: Bus, wanted: Callable[[list[Frame], list[BusNotice]], bool]
) -> tuple[list[Frame], list[BusNotice]]:
    """Drive a bus as a loop does until `wanted` holds for everything it gave, or `LONG_S` have passed."""
    frames: list[Frame] = []
    notices: list[BusNotice] = []
    end = time.monotonic() + LONG_S
    while not wanted(frames, notices) and time.monotonic() < end:
        notices += bus.tend(time.monotonic_ns() // 1000)
        descriptor = bus.fileno()
        select.select([] if descriptor is None else [descriptor], [], [], 0.05)
        more_frames, more_notices = bus.read()
        frames += more_frames
        notices += more_notices
    return frames, notices


def wait_for_frames(bus: Bus, count: int) -> list[Frame]:
    """The first frames a bus gives, at least `count` unless it stays silent for too long."""
    return wait_for(bus, lambda frames, _: len(frames) >= count)[0]


def readable(bus: Bus) -> bool:
    """Whether the bus's descriptor says that something is pending."""
    descriptor = bus.fileno()
    return descriptor is not None and bool(select.select([descriptor], [], [], 0)[0])


class BusContract:
    """Subclasses name the interface; `channel` may be overridden."""

    interface: ClassVar[str]

    @pytest.fixture
    def channel(self, request: pytest.FixtureRequest) -> str:
        """A channel of this test's own."""
        return str(request.node.name)

    @pytest.fixture
    def opener(self, channel: str) -> Iterator[Opener]:
        """Opens buses on the test's channel, and closes them after it."""
        with ExitStack() as stack:

            def opened(name: str, keys: frozenset[int] | None = None) -> Bus:
                bus = open_bus(BusConfig(name, self.interface, channel, keys=keys))
                stack.callback(bus.close)
                return bus

            yield opened

    @pytest.fixture
    def stranger(self, channel: str) -> Iterator[can.BusABC]:
        """Another node on the channel, which can send what a `Bus` cannot."""
        with can.Bus(channel=channel, interface=self.interface, ignore_config=True) as bus:
            yield bus

    def test_same_number_with_11_and_29_bits_stays_apart(self, opener: Opener) -> None:
        """A frame arrives with its key, its bytes and the receiving bus's name, in order."""
        ours, theirs = opener("pack"), opener("lake")
        for key in (0x40, 0x40 | EXTENDED, 0x7FF, 0x1FFF_FFFF | EXTENDED, 0, EXTENDED):
            theirs.send(Frame("lake", key, bytes.fromhex("0102")))
        assert wait_for_frames(ours, 6) == [
            Frame("pack", key, b"\x01\x02") for key in (0x40, 0x8000_0040, 0x7FF, 0x9FFF_FFFF, 0, 0x8000_0000)
        ]

    def test_every_length_arrives_whole(self, opener: Opener) -> None:
        """0 to 8 bytes come out as they went in, zeros at the end included."""
        ours, theirs = opener("pack"), opener("lake")
        payloads = [bytes(range(size))[::-1] for size in range(9)]
        for data in payloads:
            theirs.send(Frame("lake", 0x123, data))
        assert wait_for_frames(ours, 9) == [Frame("pack", 0x123, data) for data in payloads]

    def test_own_frames_do_not_come_back(self, opener: Opener) -> None:
        """A bus does not read what it sent itself."""
        ours, theirs = opener("pack"), opener("lake")
        ours.send(Frame("pack", 0x111, b"mine"))
        theirs.send(Frame("lake", 0x222, b"theirs"))
        assert [frame.key for frame in wait_for_frames(ours, 1)] == [0x222]

    @pytest.mark.parametrize("keys", [frozenset({0x155, 0x155 | EXTENDED}), frozenset(range(0x100, 0x600))])
    def test_only_wanted_keys_arrive(self, opener: Opener, keys: frozenset[int]) -> None:
        """Only keys asked for are read, be they few or more than a kernel filter holds."""
        ours, theirs = opener("pack", keys=keys), opener("lake")
        sent = [0x154, 0x155, 0x154 | EXTENDED, 0x155 | EXTENDED, 0x1000_0155 | EXTENDED, 0x7FF, 0x155]
        for key in sent:
            theirs.send(Frame("lake", key, b""))
        expected = [key for key in sent if key in keys]
        assert [frame.key for frame in wait_for_frames(ours, len(expected))] == expected

    def test_an_11_bit_filter_refuses_the_29_bit_twin(self, opener: Opener) -> None:
        """A 29-bit frame with the same low bits does not pass for the wanted 11-bit one."""
        ours, theirs = opener("pack", keys=frozenset({0x155})), opener("lake")
        for key in (0x155 | EXTENDED, 0x1000_0155 | EXTENDED, 0x155):
            theirs.send(Frame("lake", key, b""))
        assert [frame.key for frame in wait_for_frames(ours, 1)] == [0x155]

    def test_no_keys_mean_no_frames(self, opener: Opener) -> None:
        """An empty set of keys reads nothing, while another reader on the channel hears everything."""
        deaf, ours, theirs = opener("deaf", keys=frozenset()), opener("pack"), opener("lake")
        theirs.send(Frame("lake", 0x155, b""))
        assert len(wait_for_frames(ours, 1)) == 1
        assert deaf.read() == ([], [])

    @pytest.mark.parametrize("keys", [None, frozenset({0x155})])
    def test_remote_frames_are_not_frames(
        self, opener: Opener, stranger: can.BusABC, keys: frozenset[int] | None
    ) -> None:
        """A request for a frame carries no data, and is not read as one."""
        ours = opener("pack", keys=keys)
        stranger.send(can.Message(arbitration_id=0x155, is_extended_id=False, is_remote_frame=True, dlc=8))
        stranger.send(can.Message(arbitration_id=0x155, is_extended_id=False, data=b"data"))
        assert wait_for_frames(ours, 1) == [Frame("pack", 0x155, b"data")]

    def test_descriptor_is_readable_only_while_something_waits(self, opener: Opener) -> None:
        """The loop sleeps on a bus that has been read empty."""
        ours, theirs = opener("pack"), opener("lake")
        assert not readable(ours)
        theirs.send(Frame("lake", 0x155, b""))
        assert len(wait_for_frames(ours, 1)) == 1
        assert not readable(ours)

    def test_one_read_is_bounded(self, opener: Opener) -> None:
        """A flood comes out in portions, none of it lost, and the descriptor stays readable in between."""
        ours, theirs = opener("pack"), opener("lake")
        count = FRAMES_A_READ + 20
        for number in range(count):
            theirs.send(Frame("lake", 0x155, number.to_bytes(4, "big")))
        frames: list[Frame] = []
        end = time.monotonic() + LONG_S
        while len(frames) < count and time.monotonic() < end:
            descriptor = ours.fileno()
            assert descriptor is not None
            select.select([descriptor], [], [], 1.0)
            part, notices = ours.read()
            assert len(part) <= FRAMES_A_READ
            assert notices == []
            frames += part
        assert [int.from_bytes(frame.data, "big") for frame in frames] == list(range(count))

    def test_closed_for_good(self, opener: Opener) -> None:
        """After `close`, also a second one, nothing is sent, read or rebuilt."""
        ours = opener("pack")
        ours.close()
        ours.close()
        assert ours.fileno() is None
        assert ours.read() == ([], [])
        assert ours.tend(0) == ours.tend(10_000_000) == []
        with pytest.raises(BusDown, match="pack"):
            ours.send(Frame("pack", 0x155, b""))
