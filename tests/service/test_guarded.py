"""A driver that does what it must not costs its own bus, for a while, and nothing else."""

from collections.abc import Callable
from typing import Any

import pytest

from bridge.errors import BusDown, BusError, BusFull
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.service.guarded import GuardedBus
from bridge.service.live import LiveWorld
from bridge.service.seam import Bus, BusNotice, NoticeKind

CONFIG = BusConfig("pack", "odd", "shed")
FRAME = Frame("pack", 5, b"\x01")


class OddBus:
    """A bus that raises what a test wants."""

    name = "pack"

    def __init__(self) -> None:
        self.raises: dict[str, Exception] = {}
        self.sent: list[Frame] = []
        self.closed = 0

    def _maybe(self, call: str) -> None:
        if problem := self.raises.get(call):
            raise problem

    def fileno(self) -> int | None:
        """See `Bus`."""
        self._maybe("fileno")
        return None

    def read(self) -> tuple[list[Frame], list[BusNotice]]:
        """See `Bus`."""
        self._maybe("read")
        return [FRAME], []

    def send(self, frame: Frame) -> None:
        """See `Bus`."""
        self._maybe("send")
        self.sent.append(frame)

    def tend(self, _: int) -> list[BusNotice]:
        """See `Bus`."""
        self._maybe("tend")
        return []

    def close(self) -> None:
        """See `Bus`."""
        self.closed += 1
        self._maybe("close")


CALLS: dict[str, Callable[[Bus], Any]] = {
    "fileno": lambda bus: bus.fileno(),
    "read": lambda bus: bus.read(),
    "send": lambda bus: bus.send(FRAME),
    "tend": lambda bus: bus.tend(0),
}


@pytest.mark.parametrize("call", sorted(CALLS))
@pytest.mark.parametrize("problem", [ValueError("odd"), MemoryError(), OSError(9, "bad"), KeyError(3)])
def test_an_odd_error_is_a_bus_that_is_down_and_comes_back(call: str, problem: Exception) -> None:
    """One DOWN, the driver is let go, and a new one opened after the usual wait."""
    first, second = OddBus(), OddBus()
    attempts: list[Exception | Bus] = [RuntimeError("not yet"), second]

    def again(_: BusConfig) -> Bus:
        made = attempts.pop(0)
        if isinstance(made, Exception):
            raise made
        return made

    bus = GuardedBus(CONFIG, first, again)
    first.raises = {call: problem, "close": OSError("that, too")}
    if call == "send":
        with pytest.raises(BusDown, match="pack"):
            bus.send(FRAME)
    else:
        CALLS[call](bus)
    assert first.closed == 1
    assert bus.fileno() is None
    with pytest.raises(BusDown, match="pack"):
        bus.send(FRAME)
    notices = bus.read()[1] + bus.tend(0)
    assert len([notice for notice in notices if notice.kind is NoticeKind.DOWN]) <= 1
    bus.tend(250_000)  # tries, and fails
    assert bus.tend(300_000) == []
    notices = bus.tend(1_000_000)
    assert [notice.kind for notice in notices] == [NoticeKind.UP]
    bus.send(FRAME)
    assert second.sent == [FRAME]
    assert bus.read() == ([FRAME], [])
    bus.close()
    bus.close()
    assert second.closed == 1
    assert bus.tend(9_000_000) == []


@pytest.mark.parametrize("problem", [BusFull("full"), BusDown("down"), BusError("else")])
def test_what_a_bus_says_in_order_is_handed_on(problem: BusError) -> None:
    """The driver looks after those itself."""
    inner = OddBus()
    inner.raises = {"send": problem}
    bus = GuardedBus(CONFIG, inner, lambda _: inner)
    with pytest.raises(type(problem)):
        bus.send(FRAME)
    assert inner.closed == 0


def test_a_world_outlives_any_driver_and_its_own_selector() -> None:
    """Its wait never raises; what one bus does is no matter of the others; a closed selector is replaced."""
    world = LiveWorld((BusConfig("shed", "virtual", "guarded-a"), BusConfig("pack", "virtual", "guarded-b")))
    try:
        odd = OddBus()
        world._buses["pack"] = GuardedBus(CONFIG, odd, lambda _: odd)
        for call in CALLS:
            odd.raises = {call: ZeroDivisionError("odd")}
            for _ in range(3):
                world._tended_us = 0
                world.wait(world.now_us() + 1000)
            with pytest.raises(BusDown):
                world.send(FRAME)
            world.send(Frame("shed", 1, b""))
            world._buses["pack"] = GuardedBus(CONFIG, odd, lambda _: odd)
        world._selector.close()
        begin_us = world.now_us()
        world.wait(begin_us + 1000)
        batch = world.wait(world.now_us() + 20_000)
        assert batch.requests == []
        world.send(Frame("shed", 1, b""))
    finally:
        world.close()
