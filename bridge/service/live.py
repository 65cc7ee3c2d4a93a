"""The real world: one thread, one selector over all buses, one monotonic clock, signals as requests."""

import contextlib
import selectors
import signal
import socket
import time
from collections.abc import Iterator
from types import FrameType
from typing import Final

from bridge.errors import BusDown
from bridge.frames import Frame
from bridge.service.bus import Bus, BusConfig, BusNotice, open_bus
from bridge.service.world import Batch, Request

TEND_US: Final = 100_000
"""How often the buses are looked after."""

SIGNALS: Final = {
    signal.SIGTERM: Request.STOP,
    signal.SIGINT: Request.STOP,
    signal.SIGHUP: Request.RELOAD,
    signal.SIGUSR1: Request.STATUS,
}
"""What each signal asks for."""


class LiveWorld:
    """A `World` of real interfaces. Engine time is wall time at the start, and monotonic from then on.

    Args:
        buses: what to open.

    Raises:
        BusError: a bus cannot be opened.
    """

    def __init__(self, buses: tuple[BusConfig, ...]) -> None:
        self._offset_us = time.time_ns() // 1000 - time.monotonic_ns() // 1000
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
        before = {number: signal.signal(number, self._on_signal) for number in SIGNALS}
        wakeup = signal.set_wakeup_fd(self._wake_out.fileno(), warn_on_full_buffer=False)
        try:
            yield
        finally:
            signal.set_wakeup_fd(wakeup)
            for number, handler in before.items():
                signal.signal(number, handler)

    def _on_signal(self, number: int, _: FrameType | None) -> None:
        self._requests.append(SIGNALS[signal.Signals(number)])

    def now_us(self) -> int:
        """Engine time now."""
        return time.monotonic_ns() // 1000 + self._offset_us

    def wait(self, until_us: int) -> Batch:
        """See `World.wait`."""
        until_us = min(until_us, self._tended_us + TEND_US)
        ready = self._selector.select(max(0.0, (until_us - self.now_us()) / 1e6))
        t_us = self.now_us()
        frames: list[Frame] = []
        notices: list[BusNotice] = []
        for key, _ in ready:
            bus: Bus | None = key.data
            if bus is None:
                with contextlib.suppress(BlockingIOError):
                    self._wake_in.recv(4096)
                continue
            got, said = bus.read()
            frames += got
            notices += said
            self._watch(bus)
        if t_us - self._tended_us >= TEND_US:
            self._tended_us = t_us
            for bus in self._buses.values():
                notices += bus.tend(t_us)
                self._watch(bus)
        requests, self._requests = self._requests, []
        return Batch(t_us, frames, notices, requests)

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
            self._selector.register(now, selectors.EVENT_READ, bus)
            self._watched[bus.name] = now

    def _unwatch(self, name: str) -> None:
        watched = self._watched.pop(name, None)
        if watched is not None:
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
