"""The seams that are not buses: the disk, the service manager's socket, and threads, on the virtual clock."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Final
from unittest.mock import patch

from bridge.service import keeper as keeper_module
from bridge.service import lines as lines_module
from bridge.service import loading as loading_module
from bridge.service import store as store_module
from bridge.service.keeper import WAIT_S, Keeper
from bridge.service.lines import LineWriter
from tests.storm.observer import Observer
from tests.storm.world import StormWorld

LOADING_S: Final = 0.15


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


class Disk(Keeper):
    """The state files' disk: the program's own keeper, whose thread is run by the virtual clock.

    The files are real. A call to the disk may fail, be held up, or end with the process.
    """

    world: StormWorld
    observer: Observer

    def put(self, path: Path, data: bytes | None, *, durable: bool) -> None:
        """See `Keeper.put`."""
        with patch.object(keeper_module, "threading", SimpleNamespace(Thread=_Idle)):
            super().put(path, data, durable=durable)
        self._run()

    def wait(self, seconds: float = WAIT_S) -> bool:
        """See `Keeper.wait`: time goes on."""
        for _ in range(round(seconds / 0.1)):
            if not self.busy or not self.world.alive:
                break
            self.world.block(0.1)
        return not self.busy

    @property
    def stuck(self) -> bool:
        """See `Keeper.stuck`."""
        return False

    def _run(self) -> None:
        world = self.world
        trap = world.steady.get("disk")
        if trap is not None:
            self.observer.disk_bad_us = world.t_us
            if trap.how == "block":
                world.later(0.2, self._run)
                return
        while self._pages and world.alive:
            path = next(iter(self._pages))
            page = self._pages.pop(path)
            try:
                world.enter("disk")
                keeper_module._write(path, page)
            except Exception as problem:  # as the thread itself
                self.observer.disk_bad_us = world.t_us
                self.failed = f"{path}: {problem}"
            else:
                self.failed = ""
        if not self._pages:
            self._idle.set()


@contextmanager
def disk_of(world: StormWorld, observer: Observer) -> Iterator[None]:
    """While this lasts the program's stores keep their files on such a disk, and profiles load beside it."""

    def keeper() -> Disk:
        disk = Disk()
        disk.world, disk.observer = world, observer
        return disk

    stand_in = SimpleNamespace(**{name: getattr(os, name) for name in dir(os) if not name.startswith("__")})
    stand_in.fsync = lambda _: world.enter("disk")
    with (
        patch.object(store_module, "Keeper", keeper),
        patch.object(keeper_module, "os", stand_in),
        patch.object(loading_module, "threading", SimpleNamespace(Thread=partial(_Later, world))),
    ):
        yield


class _Later:
    """A thread that has done its work a little later: loading a profile takes time, and fails in its time."""

    def __init__(self, world: StormWorld, *, target: Callable[[], None], **_: object) -> None:
        self._world = world
        self._target = target
        self._life = world.lives

    def start(self) -> None:
        """Begins."""
        self._world.later(LOADING_S, self._work)

    def _work(self) -> None:
        if self._world.alive and self._world.lives == self._life:
            self._target()
