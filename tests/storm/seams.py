"""The seams that are not buses: the disk, the service manager's socket, and threads, on the virtual clock."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

from bridge.service import lines as lines_module
from bridge.service import store as store_module
from bridge.service.lines import LineWriter
from tests.storm.observer import Observer
from tests.storm.world import Killed, StormWorld


class FakeSocket:
    """A datagram socket to the service manager, which waits for a full buffer unless made not to."""

    def __init__(self, world: StormWorld, *, waits: bool) -> None:
        self._world = world
        self._waits = waits

    def sendto(self, data: bytes, _: object) -> int:
        """A message to the service manager."""
        trap = self._world.steady.get("notify")
        if trap is not None and trap.how == "block" and not self._waits:
            raise BlockingIOError(11, "Resource temporarily unavailable")
        self._world.enter("notify")
        if self._world.alive and b"WATCHDOG=1" in data:
            self._world.fed_us = self._world.t_us
        return len(data)

    def close(self) -> None:
        """Lets go."""


class Lines:
    """Standard output: the program's own writer of lines, whose thread is run whenever it has something.

    Attributes:
        writer: takes lines.
    """

    def __init__(self, world: StormWorld, told: Callable[[str], None]) -> None:
        self._world = world
        self._told = told
        self._waits = False
        with patch.object(lines_module, "threading", SimpleNamespace(Thread=_Idle)):
            self._lines = LineWriter(1)

    def writer(self, line: str) -> None:
        """Takes a line, and lets the thread run."""
        self._lines(line)
        self._run()

    def _run(self) -> None:
        world, queue = self._world, self._lines._lines
        trap = world.steady.get("journal")
        if trap is not None and trap.how == "block":
            if not self._waits:
                self._waits = True
                world.later(1.0, self._again)
            return
        while not queue.empty() and world.alive:
            line = queue.get()
            with suppress(Exception):  # as the thread itself
                if line is not None:
                    world.enter("journal")
                    self._told(line)

    def _again(self) -> None:
        self._waits = False
        self._run()


class _Idle:
    """A thread that is run by hand."""

    def __init__(self, **_: object) -> None:
        pass

    def start(self) -> None:
        """Nothing."""


class Disk:
    """The state file's disk: a real folder, whose writes may fail, be held up, or end with the process."""

    def __init__(self, world: StormWorld, observer: Observer) -> None:
        self._world = world
        self._observer = observer

    def fsync(self, number: int) -> None:
        """A write is to reach the card."""
        world = self._world
        if "disk" in world.steady or any(trap.seam in ("disk", "any") for _, trap in world.traps):
            self._observer.disk_bad_us = world.t_us
        world.enter("disk")
        if not world.alive:
            raise OSError(5, "the process is gone")
        _ = number

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """While this lasts the store's calls go to this disk."""
        stand_in = SimpleNamespace(**{name: getattr(os, name) for name in dir(os) if not name.startswith("__")})
        stand_in.fsync = self.fsync
        with patch.object(store_module, "os", stand_in):
            yield


class _Thread:
    """A thread that has done its work when `start` returns, or is held up while time goes on."""

    def __init__(self, world: StormWorld, target: Callable[..., object], args: tuple[Any, ...]) -> None:
        self._world = world
        self._run = lambda: target(*args)
        self._done = False

    def start(self) -> None:
        """Runs."""
        trap = self._world.steady.get("disk")
        if trap is not None and trap.how == "block":
            self._wait()
            return
        self._finish()

    def _wait(self) -> None:
        if not self._world.alive:
            return
        if "disk" in self._world.steady:
            self._world.later(0.5, self._wait)
            return
        self._finish()

    def _finish(self) -> None:
        try:
            self._run()
        except Killed:
            raise
        finally:
            self._done = True

    def is_alive(self) -> bool:
        """Whether it still works."""
        return not self._done

    def join(self, seconds: float | None = None) -> None:
        """Waits for it: time goes on."""
        if not self._done:
            self._world.block(seconds or 0.0)


def threading_of(world: StormWorld) -> SimpleNamespace:
    """What stands in for the module `threading`."""

    def thread(*, target: Callable[..., object], args: tuple[Any, ...] = (), daemon: bool = False) -> _Thread:
        _ = daemon
        return _Thread(world, target, args)

    return SimpleNamespace(Thread=thread)
