"""A `World` on the virtual clock: no thread, no sleep unless wanted, whatever fault is to be rehearsed."""

import heapq
import itertools
from collections.abc import Callable
from typing import Final

from bridge.errors import BusDown, BusFull
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.service.seam import BusNotice, NoticeKind
from bridge.service.world import Batch, Request
from bridge.simulate.site import Site

NEVER_US: Final = 2**62


DRIVER_WAIT_US: Final = 5_000
"""So long a driver that hangs holds up who gives it a frame (as `bridge.service.pythoncan`)."""


class Killed(BaseException):
    """The process is gone at this instant. Nothing in the daemon may catch it and go on."""


class VirtualWorld:
    """Runs the daemon against a simulated site, as fast as the processor can.

    Attributes:
        site: what is outside.
        t_us: virtual time now.
        sent: what left the bridge: (time, frame), whether or not anyone heard it.
        on_receive: what becomes of a frame on its way to the bridge: none, one or several frames.
        full, down: buses whose transmit queue is full, and buses that are down; frames of a bus that is
            down reach nobody.
        wires: the channel that each bus of the site is; one that is opened elsewhere reaches nobody.
        on_sent: looks at a frame once everyone on its bus has heard it.
        broken: what `wait` raises next, once.
        gone: the bridge's process does not exist; what it still tries to send goes nowhere.
    """

    def __init__(
        self,
        site: Site,
        start_us: int,
        *,
        end_us: int = NEVER_US,
        pace: Callable[[int], float] | None = None,
        sleep: Callable[[float], None] | None = None,
    ) -> None:
        """A world at `start_us`.

        Args:
            site: the rest of the world.
            start_us: engine time at the start.
            end_us: the daemon is asked to stop then.
            pace: virtual seconds a real second should bring, by virtual time; None: as fast as can be.
            sleep: waits some real seconds; needed for a pace.
        """
        self.site = site
        self.t_us = start_us
        self.sent: list[tuple[int, Frame]] = []
        self.on_receive: Callable[[int, Frame], list[Frame]] | None = None
        self.on_sent: Callable[[int, Frame], None] | None = None
        self.full: set[str] = set()
        self.down: set[str] = set()
        self.wires: dict[str, str] = {}
        self._elsewhere: set[str] = set()
        self._hung: dict[str, Frame | None] = {}
        self.gone = False
        self.broken: Exception | None = None
        self._stalled_until_us = start_us
        self._killed = False
        self._pace = pace
        self._sleep = sleep
        self._order = itertools.count()
        self._actions: list[tuple[int, int, Callable[[], None]]] = []
        self._notices: list[BusNotice] = []
        self._requests: list[Request] = []
        self._received: list[Frame] = []
        if end_us < NEVER_US:
            self.at(end_us, lambda: self.request(Request.STOP))

    # ── what a rehearsal may do ─────────────────────────────────────────────────────────────────────

    def at(self, t_us: int, action: Callable[[], None]) -> None:
        """Does something at a virtual time; in the order asked for, if at the same."""
        heapq.heappush(self._actions, (t_us, next(self._order), action))

    def request(self, request: Request) -> None:
        """Asks something of the daemon."""
        self._requests.append(request)

    def notice(self, bus: str, kind: NoticeKind, text: str) -> None:
        """Something happened to a bus."""
        self._notices.append(BusNotice(bus, kind, text))

    def stall(self, seconds: float) -> None:
        """The process stands still from now on for some seconds; what comes in meanwhile waits."""
        self._stalled_until_us = self.t_us + round(seconds * 1e6)

    def hear(self, frame: Frame) -> None:
        """A frame of somebody else reaches the bridge, and is no part of the site."""
        self._received.append(frame)

    def kill(self) -> None:
        """The process ends here and now: `wait` raises `Killed`."""
        self._killed = True

    # ── the World protocol ──────────────────────────────────────────────────────────────────────────

    def now_us(self) -> int:
        """See `World.now_us`."""
        return self.t_us

    def wait(self, until_us: int) -> Batch:
        """See `World.wait`. Raises Killed where a rehearsal wants it."""
        until_us = max(until_us, self.t_us)
        while True:
            self._break()
            self._go_to(min(until_us, self.site.next_us, self._actions[0][0] if self._actions else NEVER_US))
            while self.t_us < self._stalled_until_us:
                due_us = min(self.site.next_us, self._actions[0][0] if self._actions else NEVER_US)
                self._go_to(min(self._stalled_until_us, due_us))
            self._break()
            if self._killed:
                self._killed, self.gone = False, True
                raise Killed
            if self.t_us >= until_us or self._received or self._notices or self._requests:
                return self._batch()

    def _break(self) -> None:
        """Raises what is to fail now, before anything more is done at this instant."""
        if self.broken is not None:
            broken, self.broken = self.broken, None
            raise broken

    def send(self, frame: Frame) -> None:
        """See `World.send`."""
        if self.gone:
            return
        if frame.bus in self.down:
            raise BusDown(f"bus {frame.bus!r} is down")
        if frame.bus in self.full:
            raise BusFull(f"bus {frame.bus!r}: transmit queue full")
        if frame.bus in self._hung:
            self._hang_at(frame)
        self._leave(frame)

    def _leave(self, frame: Frame) -> None:
        self.sent.append((self.t_us, frame))
        if frame.bus in self._elsewhere:
            return
        self.site.hear(self.t_us, frame)
        if self.on_sent is not None:
            self.on_sent(self.t_us, frame)

    def hang(self, bus: str, seconds: float) -> None:
        """The driver of a bus is at its next frame for so long, and takes no other; then that one leaves."""
        self._hung[bus] = None
        self.at(self.t_us + round(seconds * 1e6), lambda: self._wake(bus))

    def _hang_at(self, frame: Frame) -> None:
        if self._hung[frame.bus] is None:
            self._hung[frame.bus] = frame
            self._go_to(self.t_us + DRIVER_WAIT_US)
        raise BusFull(f"bus {frame.bus!r}: the driver is still at a frame")

    def _wake(self, bus: str) -> None:
        frame = self._hung.pop(bus)
        if frame is not None and not self.gone:
            self._leave(frame)

    def reopen(self, buses: tuple[BusConfig, ...]) -> None:
        """See `World.reopen`. The simulated site has all buses there can be, each on its own wire."""
        self._elsewhere = {bus.name for bus in buses if self.wires.get(bus.name, bus.channel) != bus.channel}

    def close(self) -> None:
        """See `World.close`."""

    # ── time ────────────────────────────────────────────────────────────────────────────────────────

    def skip_to(self, t_us: int) -> None:
        """Lets the world go on without the bridge."""
        while self.t_us < t_us:
            due_us = min(self.site.next_us, self._actions[0][0] if self._actions else NEVER_US)
            self._go_to(min(t_us, due_us))
        self._received, self._notices, self._requests = [], [], []

    def _go_to(self, t_us: int) -> None:
        """Moves on to `t_us`, and lets happen what happens then."""
        if self._pace is not None and self._sleep is not None and t_us > self.t_us:
            self._sleep((t_us - self.t_us) / 1e6 / self._pace(self.t_us))
        self.t_us = max(self.t_us, t_us)
        while self._actions and self._actions[0][0] <= self.t_us:
            heapq.heappop(self._actions)[2]()
        for frame in self.site.advance(self.t_us):
            if frame.bus in self.down or frame.bus in self._elsewhere:
                continue
            self._received += [frame] if self.on_receive is None else self.on_receive(self.t_us, frame)

    def _batch(self) -> Batch:
        batch = Batch(self.t_us, self._received, self._notices, self._requests)
        self._received, self._notices, self._requests = [], [], []
        return batch
