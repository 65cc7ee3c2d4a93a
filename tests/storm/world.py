"""The world of a storm: real buses' manners on the virtual clock, and every call to the outside a trap.

Wires are what is really there; a bus of a profile is on one of them. Whatever the program calls (a send, a
wait, the journal, the disk, the service manager's socket, the loading of a profile) goes through `enter`, at
which it may be killed, be met by an exception, or be held up while time goes on.
"""

import heapq
import itertools
from collections.abc import Callable
from typing import Final, NamedTuple, Protocol

from bridge.errors import BusDown, BusError, BusFull
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.service.seam import BusNotice, NoticeKind
from bridge.service.world import Aborted, Batch, Request
from bridge.simulate.site import Site

NEVER_US: Final = 2**62
SPINS: Final = 20_000
"""So many waits without any virtual time passing: the program hangs."""

OWN_US: Final = 50_000
"""On the virtual clock the program itself takes no time: nothing but what is done to it holds it up."""

QUEUE: Final = 400
"""A socket keeps so many frames for a program that does not read."""


class Killed(BaseException):
    """The process is gone at this instant. Nothing in the program may catch it and go on."""


class Hung(BaseException):
    """The program goes round without letting time pass."""


class Watcher(Protocol):
    """Whoever watches the wires and the process."""

    def delivered(self, t_us: int, wire: str, key: int, data: bytes, *, genuine: bool) -> None:
        """A frame was handed to the program."""

    def left(self, t_us: int, wire: str, key: int, data: bytes) -> None:
        """A frame of the program is on a wire."""

    def unsent(self, wire: str, key: int | None) -> None:
        """A frame of the program could not leave, and it was told so; without a key, perhaps several."""

    def stood_still(self, t_us: int, seconds: float) -> None:
        """The program did not run for so long before `t_us`."""

    def let_go(self, t_us: int, wire: str) -> None:
        """The program has closed a wire."""

    def held_up(self, t_us: int, seam: str) -> None:
        """The program waits for what must never hold it up."""

    def second_sender(self, t_us: int, wire: str, key: int, *, there: bool) -> None:
        """A message has a second sender from now on, or no more."""

    def rival(self, t_us: int) -> None:
        """A frame that is the program's to send was sent by somebody else, and handed to it."""


class Trap(NamedTuple):
    """What happens at a call to the outside.

    Attributes:
        seam: which; `any`: whichever.
        how: `kill`, `raise` or `block`.
        seconds: how long it is held up.
        error: what is raised.
    """

    seam: str
    how: str
    seconds: float = 0.0
    error: Callable[[], Exception] = RuntimeError


class StormWorld:
    """A `World` in which anything may happen.

    Attributes:
        t_us: virtual time now.
        wires: bus of the profile to wire, of those that are open.
        down, full: wires that are.
        up_us: when one was up again last.
        transform: what becomes of a frame on its way to the program: (delay, frame, genuine), any number.
        alive: the process exists.
        fed_us: the service manager heard a sign of life last.
        over: nothing more is to happen.
        watchdog_us: without one for so long it kills the process; `starved` says that it has.
        lives: how often it has started.
    """

    def __init__(self, site: Site, start_us: int, channels: dict[str, str], watcher: Watcher) -> None:
        self.site = site
        self.t_us = start_us
        self.watcher = watcher
        self.wires: dict[str, str] = {}
        self.down: set[str] = set()
        self.up_us = start_us
        self.full: set[str] = set()
        self.transform: Callable[[int, Frame], list[tuple[int, Frame, bool]]] | None = None
        self.alive = False
        self.fed_us = start_us
        self.lives = 0
        self.watchdog_us = NEVER_US
        self.traps: list[tuple[int, Trap]] = []
        self.steady: dict[str, Trap] = {}
        self._channels = channels
        self.site_wires = {speech.bus for talker in site.talkers for speech in talker.speeches}
        self.ours = {which for listener in site.listeners for which in listener.ears}
        self.site_wires |= {wire for wire, _ in self.ours}
        self._keys: dict[str, frozenset[int] | None] = {}
        self._order = itertools.count()
        self._actions: list[tuple[int, int, Callable[[], None]]] = []
        self._received: list[tuple[Frame, bool]] = []
        self._notices: list[BusNotice] = []
        self._requests: list[Request] = []
        self._kill = self._aborted = self.starved = self.over = False
        self._ran_us = self._stalled_us = start_us
        self._waits, self._waited_us = 0, start_us
        self._held_us = 0

    # ── what a storm may do ─────────────────────────────────────────────────────────────────────────

    def at(self, t_us: int, action: Callable[[], None]) -> None:
        """Does something at a virtual time; in the order asked for, if at the same."""
        heapq.heappush(self._actions, (t_us, next(self._order), action))

    def later(self, seconds: float, action: Callable[[], None]) -> None:
        """Does something so much later."""
        self.at(self.t_us + round(seconds * 1e6), action)

    def request(self, request: Request) -> None:
        """Asks something of the program."""
        if self.alive:
            self._requests.append(request)

    def notice(self, wire: str, kind: NoticeKind, text: str) -> None:
        """Something happened to a wire."""
        for bus, on in self.wires.items():
            if on == wire:
                self._notices.append(BusNotice(bus, kind, text))

    def stall(self, seconds: float) -> None:
        """The program stands still from now on; what comes in meanwhile waits."""
        self._stalled_us = self.t_us + round(seconds * 1e6)

    def kill(self) -> None:
        """The process ends at the next chance there is, which is at once."""
        self._kill = self.alive

    def block(self, seconds: float) -> None:
        """The program stands still; time goes on."""
        until_us = self.t_us + round(seconds * 1e6)
        while self.t_us < until_us:
            self._go_to(min(until_us, self._next_us()))
        self._end_if_killed()

    def enter(self, seam: str) -> None:
        """A call to the outside. Whatever is set for it happens."""
        if not self.alive:
            return
        self._end_if_killed()
        for n, (calls, trap) in enumerate(self.traps):
            if trap.seam in (seam, "any"):
                if calls > 1:
                    self.traps[n] = calls - 1, trap
                else:
                    del self.traps[n]
                    self._spring(trap)
                break
        if seam in self.steady:
            if self.steady[seam].how == "block":
                self.watcher.held_up(self.t_us, seam)
            self._spring(self.steady[seam], lambda: seam in self.steady)

    def _spring(self, trap: Trap, lasts: Callable[[], bool] = lambda: False) -> None:
        if trap.how == "kill":
            self._kill = True
            self._end_if_killed()
        elif trap.how == "block":
            began_us = self.t_us
            self.block(trap.seconds)
            while lasts():
                self.block(0.1)
            self._held_us += self.t_us - began_us
        else:
            raise trap.error()

    def _end_if_killed(self) -> None:
        if self._kill and not self.over:
            self._kill, self.alive = False, False
            raise Killed
        if self.starved and not self._aborted and not self.over:
            self._aborted = True
            raise Aborted("no sign of life in time")

    # ── a life ──────────────────────────────────────────────────────────────────────────────────────

    def begin(self, buses: tuple[BusConfig, ...]) -> None:
        """A process starts, and opens these buses.

        Raises:
            BusError: one of them does not exist.
        """
        self.alive, self._kill = True, False
        self.starved = self._aborted = False
        self.lives += 1
        self.fed_us = self._ran_us = self.t_us
        self._held_us = 0
        self._received, self._notices, self._requests = [], [], []
        self.wires, self._keys = {}, {}
        self.reopen(buses)

    def end(self) -> None:
        """The process is gone; whatever it held is closed."""
        self.alive = self._kill = False
        self.wires = {}

    def skip(self, seconds: float) -> None:
        """Lets the world go on without the program."""
        until_us = self.t_us + round(seconds * 1e6)
        while self.t_us < until_us:
            self._go_to(min(until_us, self._next_us()))
        self._received, self._notices, self._requests = [], [], []

    # ── the World protocol ──────────────────────────────────────────────────────────────────────────

    def now_us(self) -> int:
        """See `World.now_us`."""
        return self.t_us

    def wait(self, until_us: int) -> Batch:
        """See `World.wait`."""
        self.enter("wait")
        self._count_waits()
        if self.t_us - self._ran_us > self._held_us + OWN_US:  # it waits somewhere else than here
            self.watcher.held_up(self.t_us, "disk")
        until_us = max(until_us, self.t_us)
        while True:
            if self.t_us >= until_us or self._received or self._notices or self._requests:
                break
            self._go_to(min(until_us, self._next_us()))
            if self._stalled_us > self.t_us:
                self.block((self._stalled_us - self.t_us) / 1e6)
            self._end_if_killed()
        gap_us, self._ran_us, self._held_us = self.t_us - max(self._ran_us, 0), self.t_us, 0
        self.watcher.stood_still(self.t_us, gap_us / 1e6)
        received, self._received = self._received, []
        for frame, genuine in received:
            wire = self.wires.get(frame.bus, frame.bus)
            if (wire, frame.key) in self.ours:
                self.watcher.rival(self.t_us)
            else:
                self.watcher.delivered(self.t_us, wire, frame.key, frame.data, genuine=genuine)
        batch = Batch(self.t_us, [frame for frame, _ in received], self._notices, self._requests)
        self._notices, self._requests = [], []
        return batch

    def _count_waits(self) -> None:
        self._waits = self._waits + 1 if self._waited_us == self.t_us else 0
        self._waited_us = self.t_us
        if self._waits > SPINS:
            raise Hung(f"{SPINS} waits at one instant")

    def send(self, frame: Frame) -> None:
        """See `World.send`."""
        if not self.alive:
            return
        wire = self.wires[frame.bus]  # as the real one: a bus that is not open is a fault inside
        try:
            self.enter("send")
            if wire in self.down:
                raise BusDown(f"bus {frame.bus!r} is down")
            if wire in self.full:
                raise BusFull(f"bus {frame.bus!r}: transmit queue full")
        except BusError:
            self.watcher.unsent(wire, frame.key)
            raise
        except BaseException:  # and whatever else was to be sent with it
            self.watcher.unsent(wire, None)
            raise
        self.put(wire, frame)

    def put(self, wire: str, frame: Frame) -> None:
        """A frame of the program is on a wire: everyone on it hears it."""
        self.watcher.left(self.t_us, wire, frame.key, frame.data)
        self.site.hear(self.t_us, frame._replace(bus=wire))

    def foreign(self, frame: Frame) -> None:
        """Somebody else sends what is the program's to send."""
        if frame.bus not in self.down:
            self.site.hear(self.t_us, frame)
            self.receive(frame, genuine=False)

    def reopen(self, buses: tuple[BusConfig, ...]) -> None:
        """See `World.reopen`."""
        fresh: dict[str, str] = {}
        for config in buses:
            if config.channel not in self._channels:
                raise BusError(f"{config}: no such interface")
            fresh[config.name] = self._channels[config.channel]
        for wire in set(self.wires.values()) - set(fresh.values()):
            self.watcher.let_go(self.t_us, wire)
        self.wires = fresh
        self._keys = {config.name: config.keys for config in buses}

    def close(self) -> None:
        """See `World.close`."""

    # ── time ────────────────────────────────────────────────────────────────────────────────────────

    def _next_us(self) -> int:
        return min(self.site.next_us, self._actions[0][0] if self._actions else NEVER_US)

    def _go_to(self, t_us: int) -> None:
        """Moves on to `t_us`, and lets happen what happens then."""
        self.t_us = max(self.t_us, t_us)
        while self._actions and self._actions[0][0] <= self.t_us:
            heapq.heappop(self._actions)[2]()
        for frame in self.site.advance(self.t_us):
            if frame.bus in self.down:
                continue
            if self.transform is None:
                self.receive(frame, genuine=True)
                continue
            for delay_us, one, genuine in self.transform(self.t_us, frame):
                if delay_us:
                    self.at(self.t_us + delay_us, lambda f=one, g=genuine: self.receive(f, genuine=g))  # type: ignore[misc]
                else:
                    self.receive(one, genuine=genuine)
        if "notify" in self.steady:  # a sign of life that cannot be heard is not missed
            self.fed_us = self.t_us
        if self.alive and self.t_us - self.fed_us > self.watchdog_us:
            self.starved = True

    def receive(self, frame: Frame, *, genuine: bool) -> None:
        """A frame on a wire reaches the program's socket, if it has one there and wants it."""
        if not self.alive or frame.bus in self.down or len(self._received) >= QUEUE:
            return
        for bus, wire in self.wires.items():
            keys = self._keys[bus]
            if wire == frame.bus and (keys is None or frame.key in keys):
                self._received.append((frame._replace(bus=bus), genuine))
