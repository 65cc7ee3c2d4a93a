"""The real world: one thread, one selector over all buses, one monotonic clock, signals as requests."""

import contextlib
import selectors
import signal
import socket
import time
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Final

from bridge.errors import BusDown
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.service.bus import Bus, BusNotice, open_bus
from bridge.service.world import Aborted, Batch, Request

TEND_US: Final = 100_000
"""How often the buses are looked after."""

_ENDING: Final = "TERM INT QUIT USR2 ALRM VTALRM PROF IO PWR XCPU"
_HALTING: Final = "PIPE TSTP TTIN TTOU XFSZ"


def _numbers(names: str) -> list[signal.Signals]:
    """Not every system has all of them."""
    return [
        signal.Signals[f"SIG{name}"] for name in names.split() if f"SIG{name}" in signal.Signals.__members__
    ]


SIGNALS: Final = {
    signal.SIGHUP: Request.RELOAD,
    signal.SIGUSR1: Request.STATUS,
    **dict.fromkeys(_numbers(_ENDING), Request.STOP),
}
"""What each signal asks for. Whatever else would end the program stops it in order: zero currents first."""

IGNORED: Final = tuple(_numbers(_HALTING))
"""These would end or halt the program because of what is printed, or a key that is pressed."""

BROKEN_S: Final = 0.01
"""A wait that fails at once takes this long, so that the processor is left to others."""


_CLOCK: Final = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def _clock_us() -> int:
    """Counts on also while the machine sleeps: what was received before is old afterwards."""
    return time.clock_gettime_ns(_CLOCK) // 1000


class LiveWorld:
    """A `World` of real interfaces. Engine time is wall time at the start, and monotonic from then on.

    Args:
        buses: what to open.

    Raises:
        BusError: a bus cannot be opened.
    """

    def __init__(self, buses: tuple[BusConfig, ...]) -> None:
        self._offset_us = time.time_ns() // 1000 - _clock_us()
        self._selector = selectors.DefaultSelector()
        self._buses: dict[str, Bus] = {}
        self._configs = {config.name: config for config in buses}
        self._watched: dict[str, int] = {}
        self._requests: list[Request] = []
        self._tended_us = 0
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)
        self._selector.register(self._wake_in, selectors.EVENT_READ, None)
        try:
            self._buses = _open_all(buses)
        except BaseException:
            self.close()
            raise
        for bus in self._buses.values():
            self._watch(bus)

    @contextlib.contextmanager
    def signals(self) -> Iterator[None]:
        """Turns signals into requests while it lasts. Only for the main thread."""
        handlers: dict[int, signal.Handlers | Callable[[int, FrameType | None], None]] = {
            **dict.fromkeys(SIGNALS, self._on_signal),
            **dict.fromkeys(IGNORED, signal.SIG_IGN),
            signal.SIGABRT: self._on_abort,
        }
        before = {number: signal.signal(number, handler) for number, handler in handlers.items()}
        wakeup = signal.set_wakeup_fd(self._wake_out.fileno(), warn_on_full_buffer=False)
        try:
            yield
        finally:
            signal.set_wakeup_fd(wakeup)
            for number, handler in before.items():
                signal.signal(number, signal.SIG_DFL if handler is None else handler)

    def _on_signal(self, number: int, _: FrameType | None) -> None:
        self._requests.append(SIGNALS[signal.Signals(number)])

    def _on_abort(self, number: int, _: FrameType | None) -> None:
        """A service manager's watchdog. No request, for the loop may hang; once, then zeros are under way."""
        signal.signal(number, signal.SIG_IGN)
        raise Aborted("no sign of life in time")

    def now_us(self) -> int:
        """Engine time now."""
        return _clock_us() + self._offset_us

    def wait(self, until_us: int) -> Batch:
        """See `World.wait`."""
        until_us = min(until_us, self._tended_us + TEND_US)
        ready = self._ready(max(0.0, (until_us - self.now_us()) / 1e6))
        t_us = self.now_us()
        frames: list[Frame] = []
        notices: list[BusNotice] = []
        for bus in ready:
            got, said = bus.read()
            frames += got
            notices += said
            self._watch(bus)
        if t_us - self._tended_us >= TEND_US:
            self._tended_us = t_us
            for bus in self._buses.values():
                notices += bus.tend(t_us)
                self._watch(bus)
                if bus.name not in self._watched:  # it is down, or cannot be watched
                    got, said = bus.read()
                    frames += got
                    notices += said
        requests, self._requests = self._requests, []
        return Batch(t_us, frames, notices, requests)

    def _ready(self, seconds: float) -> list[Bus]:
        """The buses that have something, as soon as one has, or a signal came."""
        try:
            events = self._selector.select(seconds)
        except (OSError, ValueError):  # the selector itself: a new one, and meanwhile every bus is looked at
            time.sleep(BROKEN_S)
            self._select_anew()
            return list(self._buses.values())
        ready: list[Bus] = []
        for key, _ in events:
            if key.data is None:
                with contextlib.suppress(OSError):
                    self._wake_in.recv(4096)
            else:
                ready.append(key.data)
        return ready

    def _select_anew(self) -> None:
        with contextlib.suppress(OSError):
            self._selector.close()
        self._watched = {}
        with contextlib.suppress(OSError, ValueError):
            self._selector = selectors.DefaultSelector()
            self._selector.register(self._wake_in, selectors.EVENT_READ, None)
            for bus in self._buses.values():
                self._watch(bus)

    def send(self, frame: Frame) -> None:
        """See `World.send`."""
        bus = self._buses[frame.bus]
        try:
            bus.send(frame)
        except BusDown:
            self._watch(bus)
            raise

    def reopen(self, buses: tuple[BusConfig, ...]) -> None:
        """See `World.reopen`. Unchanged buses stay open; new ones open before old ones close."""
        kept = [config for config in buses if self._configs.get(config.name) == config]
        fresh = _open_all(tuple(config for config in buses if config not in kept))
        fresh |= {config.name: self._buses[config.name] for config in kept}
        for name, bus in self._buses.items():
            if fresh.get(name) is not bus:
                self._unwatch(name)
                bus.close()
        self._buses = fresh
        self._configs = {config.name: config for config in buses}
        for bus in fresh.values():
            self._watch(bus)

    def close(self) -> None:
        """See `World.close`."""
        for bus in self._buses.values():
            self._unwatch(bus.name)
            bus.close()
        self._buses = {}
        self._selector.close()
        self._wake_in.close()
        self._wake_out.close()

    def _watch(self, bus: Bus) -> None:
        """Follows the bus's descriptor, which changes when the bus is rebuilt."""
        now, watched = bus.fileno(), self._watched.get(bus.name)
        if now == watched:
            return
        self._unwatch(bus.name)
        if now is not None:
            with contextlib.suppress(KeyError, ValueError, OSError):  # left by one that failed in its own way
                self._selector.unregister(now)
            with contextlib.suppress(KeyError, ValueError, OSError):
                self._selector.register(now, selectors.EVENT_READ, bus)
                self._watched[bus.name] = now

    def _unwatch(self, name: str) -> None:
        watched = self._watched.pop(name, None)
        if watched is not None and watched not in self._watched.values():
            with contextlib.suppress(KeyError, ValueError, OSError):
                self._selector.unregister(watched)


def _open_all(configs: tuple[BusConfig, ...]) -> dict[str, Bus]:
    """Opens all or none."""
    buses: dict[str, Bus] = {}
    try:
        for config in configs:
            buses[config.name] = open_bus(config)
    except BaseException:
        for bus in buses.values():
            bus.close()
        raise
    return buses
