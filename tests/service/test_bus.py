"""The bus layer as far as it goes without a kernel that has CAN: python-can, filters, errors at opening."""

import sys
import threading
import time
from collections.abc import Iterator
from typing import Any

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import BusDown, BusError, BusFull
from bridge.frames import EXTENDED, Frame
from bridge.profile.buses import BusConfig
from bridge.service.bus import FRAMES_A_READ, NoticeKind, open_bus
from bridge.service.seam import Retry
from bridge.service.socketcan import kernel_filters
from tests.service.bus_contract import LONG_S, BusContract, wait_for, wait_for_frames

KEYS = st.integers(0, 0x7FF) | st.integers(0, 0x1FFF_FFFF).map(lambda number: number | EXTENDED)


class TestVirtual(BusContract):
    """python-can's interface within one process."""

    interface = "virtual"


class FaultyAdapter(can.BusABC):
    """An adapter whose faults a test sets; what it is given to say is read from `spoken`."""

    spoken: list[can.Message]
    sent: list[can.Message]
    read_fault: Exception | None
    send_fault: Exception | None
    open_fault: Exception | None
    closed: int
    opened_with: dict[str, Any]

    def __init__(self, channel: str, **options: Any) -> None:
        if FaultyAdapter.open_fault is not None:
            raise FaultyAdapter.open_fault
        FaultyAdapter.opened_with = options
        self.channel_info = channel
        super().__init__(channel, **options)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self.spoken:
            return self.spoken.pop(0), True
        if self.read_fault is not None:
            raise self.read_fault
        time.sleep(min(timeout or 0.0, 0.005))
        return None, True

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Take a frame, or fail as told."""
        assert timeout is not None, "a send without a time-out may hold up the loop for ever"
        if self.send_fault is not None:
            raise self.send_fault
        self.sent.append(msg)

    def shutdown(self) -> None:
        """Count how often the adapter was let go."""
        FaultyAdapter.closed += 1
        super().shutdown()


@pytest.fixture
def adapter(monkeypatch: pytest.MonkeyPatch) -> Iterator[type[FaultyAdapter]]:
    """The faulty adapter, known to python-can as the interface "faulty"."""
    for name, value in (("spoken", []), ("sent", []), ("closed", 0), ("opened_with", {})):
        monkeypatch.setattr(FaultyAdapter, name, value, raising=False)
    for fault in ("read_fault", "send_fault", "open_fault"):
        monkeypatch.setattr(FaultyAdapter, fault, None, raising=False)
    monkeypatch.setitem(can.interfaces.BACKENDS, "faulty", (__name__, "FaultyAdapter"))
    monkeypatch.setattr(can, "VALID_INTERFACES", can.VALID_INTERFACES | {"faulty"})
    yield FaultyAdapter
    for thread in threading.enumerate():  # readers of fallen buses end a little later
        if thread.name == "bus pack":
            thread.join(LONG_S)


FAULTY = BusConfig("pack", "faulty", "shed", 250_000)


def test_options_and_bitrate_reach_the_adapter(adapter: type[FaultyAdapter]) -> None:
    """The profile's bitrate and further options are python-can's."""
    bus = open_bus(FAULTY._replace(options=(("rate_of_knots", 7),)))
    bus.close()
    assert adapter.opened_with["bitrate"] == 250_000
    assert adapter.opened_with["rate_of_knots"] == 7
    assert adapter.closed == 1


def test_read_fault_is_one_down_and_one_up(adapter: type[FaultyAdapter]) -> None:
    """An adapter that fails is let go and rebuilt until it works; frames read before the fault are kept."""
    bus = open_bus(FAULTY)
    adapter.spoken.append(can.Message(arbitration_id=5, is_extended_id=False))
    adapter.read_fault = OSError(19, "adapter unplugged")
    adapter.open_fault = OSError(19, "still unplugged")
    frames, notices = wait_for(bus, lambda _, notices: bool(notices))
    assert frames == [Frame("pack", 5, b"")]
    assert [notice.kind for notice in notices] == [NoticeKind.DOWN]
    assert "adapter unplugged" in notices[0].text
    assert bus.fileno() is None
    with pytest.raises(BusDown, match="pack"):
        bus.send(Frame("pack", 5, b""))

    bus.tend(0)
    bus.tend(250_000)  # tries, and fails
    assert wait_for(bus, lambda *_: bus.fileno() is None) == ([], [])
    adapter.read_fault = adapter.open_fault = None
    _, notices = wait_for(bus, lambda _, notices: bool(notices))
    assert [notice.kind for notice in notices] == [NoticeKind.UP]
    adapter.spoken.append(can.Message(arbitration_id=6, is_extended_id=True))
    assert wait_for_frames(bus, 1) == [Frame("pack", 6 | EXTENDED, b"")]
    bus.send(Frame("pack", 7 | EXTENDED, b"\x09"))
    assert [(sent.arbitration_id, sent.is_extended_id, bytes(sent.data)) for sent in adapter.sent] == [
        (7, True, b"\x09")
    ]
    bus.close()


def test_frames_before_a_fault_are_all_kept(adapter: type[FaultyAdapter]) -> None:
    """More frames than one read takes come out first, then the DOWN."""
    count = FRAMES_A_READ + 88
    adapter.spoken += [can.Message(arbitration_id=number, is_extended_id=False) for number in range(count)]
    adapter.read_fault = OSError(19, "adapter unplugged")
    bus = open_bus(FAULTY)
    end = time.monotonic() + LONG_S
    while not adapter.closed and time.monotonic() < end:
        time.sleep(0.01)
    frames, notices = wait_for(bus, lambda _, notices: bool(notices))
    assert [frame.key for frame in frames] == list(range(count))
    assert [notice.kind for notice in notices] == [NoticeKind.DOWN]


def test_a_new_outage_starts_with_the_short_wait(adapter: type[FaultyAdapter]) -> None:
    """However long the wait had grown in one outage, the next is tried again after 0.25 s."""
    bus = open_bus(FAULTY)
    adapter.send_fault = can.CanOperationError("the cable is cut")
    for outage_us in (0, 100_000_000):
        with pytest.raises(BusDown):
            bus.send(Frame("pack", 5, b""))
        bus.tend(outage_us)
        bus.tend(outage_us + 249_999)
        assert bus.fileno() is None
        bus.tend(outage_us + 250_000)
        assert bus.fileno() is not None
        end = time.monotonic() + LONG_S
        while NoticeKind.UP not in [notice.kind for notice in bus.read()[1]] and time.monotonic() < end:
            time.sleep(0.01)
    bus.close()


def test_send_fault_is_down(adapter: type[FaultyAdapter]) -> None:
    """A send that fails takes the bus down, and says so once however often sending is tried."""
    bus = open_bus(FAULTY)
    adapter.send_fault = can.CanOperationError("the cable is cut")
    for _ in range(3):
        with pytest.raises(BusDown, match="pack"):
            bus.send(Frame("pack", 5, b""))
    _, notices = bus.read()
    assert [notice.kind for notice in notices] == [NoticeKind.DOWN]
    assert "the cable is cut" in notices[0].text
    bus.close()


@pytest.mark.parametrize(
    "fault",
    [
        can.exceptions.CanTimeoutError("timed out"),
        can.CanOperationError("transmit buffer full", 105),
        OSError(11, "try again"),
    ],
)
def test_full_queue_refuses_the_frame_but_not_the_bus(adapter: type[FaultyAdapter], fault: Exception) -> None:
    """What comes after it leaves; the bus is not taken for dead."""
    bus = open_bus(FAULTY)
    adapter.send_fault = fault
    for _ in range(3):
        with pytest.raises(BusFull, match="pack"):
            bus.send(Frame("pack", 5, b""))
    adapter.send_fault = None
    bus.send(Frame("pack", 6, b""))
    bus.send(Frame("pack", 7, b""))
    assert bus.tend(0) == []
    assert [message.arbitration_id for message in adapter.sent] == [6, 7]
    bus.close()


def test_a_driver_that_hangs_in_a_frame_holds_up_nobody(adapter: type[FaultyAdapter]) -> None:
    """It delays the loop once, by a moment; no frame overtakes; after some seconds the driver is given up."""
    hang = threading.Event()
    out = FaultyAdapter.send

    def hanging(self: FaultyAdapter, msg: can.Message, timeout: float | None = None) -> None:
        hang.wait(LONG_S)
        out(self, msg, timeout)

    adapter.send = hanging  # type: ignore[method-assign]
    try:
        bus = open_bus(FAULTY)
        begin_s = time.monotonic()
        for number in range(20):
            with pytest.raises(BusFull, match="pack"):
                bus.send(Frame("pack", number, b""))
        assert time.monotonic() - begin_s < 1.0
        hang.set()
        end_s = time.monotonic() + LONG_S
        while not adapter.sent and time.monotonic() < end_s:
            time.sleep(0.01)
        bus.send(Frame("pack", 99, b""))
        assert [message.arbitration_id for message in adapter.sent] == [0, 99]
        hang.clear()
        with pytest.raises(BusFull, match="pack"):
            bus.send(Frame("pack", 1, b""))
        time.sleep(2.1)
        with pytest.raises(BusDown, match="has been at one frame for 2 s"):
            bus.send(Frame("pack", 2, b""))
        assert bus.fileno() is None
        bus.close()
    finally:
        hang.set()
        adapter.send = out  # type: ignore[method-assign]


def test_error_and_fd_frames_are_not_frames(adapter: type[FaultyAdapter]) -> None:
    """Error frames are counted into a notice; CAN FD frames, and an echo of our own, are skipped."""
    bus = open_bus(FAULTY)
    adapter.spoken += [
        can.Message(arbitration_id=0x155, is_fd=True, data=bytes(12)),
        can.Message(arbitration_id=0x40, is_error_frame=True, dlc=8),
        can.Message(arbitration_id=0x40, is_error_frame=True, dlc=8),
        can.Message(arbitration_id=0x155, is_extended_id=False, data=b"ours", is_rx=False),
        can.Message(arbitration_id=0x155, is_extended_id=False, data=b"data"),
    ]
    frames, notices = wait_for(bus, lambda frames, _: bool(frames))
    assert frames == [Frame("pack", 0x155, b"data")]
    assert {notice.kind for notice in notices} == {NoticeKind.ERROR_WARNING}
    bus.close()


def test_a_flood_nobody_reads_is_counted(
    adapter: type[FaultyAdapter], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Frames beyond what the inbox holds are lost, and the loss is told."""
    monkeypatch.setattr("bridge.service.pythoncan._INBOX_FRAMES", 3)
    adapter.spoken += [can.Message(arbitration_id=number, is_extended_id=False) for number in range(5)]
    bus = open_bus(FAULTY)
    end = time.monotonic() + 10.0
    while adapter.spoken and time.monotonic() < end:
        time.sleep(0.01)
    time.sleep(0.05)  # for the last one to get from the adapter to the inbox
    frames, notices = bus.read()
    assert [frame.key for frame in frames] == [0, 1, 2]
    assert [notice.kind for notice in notices] == [NoticeKind.LOST]
    assert notices[0].text.startswith("2 received frames")
    bus.close()


def test_unknown_interface_names_the_known_ones() -> None:
    """The user learns which bus, what was asked for, and what there is."""
    with pytest.raises(BusError) as caught:
        open_bus(BusConfig("pack", "telegraph", "shed"))
    message = str(caught.value)
    assert message.startswith(
        "bus 'pack' (interface 'telegraph', channel 'shed'): unknown interface; allowed: "
    )
    assert "virtual" in message
    assert "socketcan" in message


def test_adapter_that_cannot_be_opened(adapter: type[FaultyAdapter]) -> None:
    """Whatever the driver raises at the first opening becomes a `BusError` with its words."""
    adapter.open_fault = RuntimeError("no such lake")
    with pytest.raises(BusError, match=r"bus 'pack' \(interface 'faulty', channel 'shed'\): .*no such lake"):
        open_bus(FAULTY)


@pytest.mark.parametrize("channel", ["", "nosuchcan0", "a-name-far-too-long-for-an-interface", "lo"])
def test_socketcan_channel_that_is_none(channel: str) -> None:
    """A missing, impossible or unnamed interface is refused, with the allowed ones; none never means all."""
    with pytest.raises(BusError, match=r"bus 'pack' \(interface 'socketcan', .*; allowed: "):
        open_bus(BusConfig("pack", "socketcan", channel))


@given(st.frozensets(KEYS, max_size=8), KEYS, st.sampled_from([0, 0x4000_0000]))
def test_kernel_filters_pass_exactly_the_wanted_data_frames(
    keys: frozenset[int], key: int, flags: int
) -> None:
    """By the kernel's rule (can.rst): passes when `received & mask == id & mask` for some filter."""
    raw = kernel_filters(keys)
    pairs = [
        (int.from_bytes(raw[at : at + 4], sys.byteorder), int.from_bytes(raw[at + 4 : at + 8], sys.byteorder))
        for at in range(0, len(raw), 8)
    ]
    received = key | flags
    passes = any(received & mask == can_id & mask for can_id, mask in pairs)
    assert passes == (key in keys and not flags)


def test_the_names_of_interfaces_are_found_without_a_netlink_socket(monkeypatch: pytest.MonkeyPatch) -> None:
    """A service may be allowed CAN and local sockets alone: an error is still one clear error."""

    def refused(*_: object) -> list[tuple[int, str]]:
        raise OSError(97, "Address family not supported by protocol")

    monkeypatch.setattr("socket.if_nameindex", refused)
    with pytest.raises(BusError, match=r"nosuchcan0.*allowed: "):
        open_bus(BusConfig("pack", "socketcan", "nosuchcan0"))


def test_retry_doubles_its_wait_up_to_half_a_second() -> None:
    """Attempts come 0.25, 0.5, 0.5 s after the failure before; the end of the outage starts afresh."""
    retry, now_us, waits = Retry(), 1_000_000, []
    for _ in range(3):
        failed_us = now_us
        while not retry.due(now_us):
            now_us += 10_000
        waits.append(now_us - failed_us)
        retry.again()
    assert waits == [250_000, 500_000, 500_000]
    retry.over()
    assert not retry.due(now_us)
    assert not retry.due(now_us + 249_999)
    assert retry.due(now_us + 250_000)
