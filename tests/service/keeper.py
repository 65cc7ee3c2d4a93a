"""A process that keeps something all the time, or whose cut-offs trip, for a test to kill."""

import sys
import threading
import time
from pathlib import Path

from bridge.core.course.remembered import Kept
from bridge.core.engine import Engine
from bridge.profile.load import load_profile
from bridge.service import store
from tests.service.fakes import CABIN


class Aging(Engine):
    """An engine that knows something else every time."""

    full_us = 0

    @property
    def kept(self) -> Kept:
        """One microsecond later than last time."""
        self.full_us += 1
        return Kept(self.full_us)


class Tripping(Engine):
    """An engine whose caps get tighter and tighter; says each before anything can be written of it."""

    amps = 1000.0

    @property
    def kept(self) -> Kept:
        """What is known now."""
        return Kept(caps=(56.0, self.amps, 100.0, 46.0))

    @property
    def weighty(self) -> object:
        """The caps."""
        return self.amps


def keep_all_the_time(folder: Path) -> None:
    """Something else at every turn."""
    store.SAVE_US = 0  # type: ignore[misc]
    loaded = load_profile(CABIN)
    keeper, engine = store.Store(folder, CABIN), Aging(loaded.plan, 0)
    t_us = 1_000_000
    keeper.save(loaded, engine, t_us)
    keeper.wait()
    print("writing", flush=True)
    while threading.active_count():
        t_us += 1
        keeper.save(loaded, engine, t_us)


def trip(folder: Path) -> None:
    """Something tighter every few milliseconds; a line with the time once it was handed over."""
    loaded = load_profile(CABIN)
    keeper, engine = store.Store(folder, CABIN), Tripping(loaded.plan, 0)
    for number in range(1, 100_000):
        engine.amps = 1000.0 - number * 0.01
        keeper.look(loaded, engine, number)
        print(time.monotonic_ns(), engine.amps, flush=True)
        time.sleep(0.003)


if __name__ == "__main__":
    if sys.argv[2:] == ["trip"]:
        trip(Path(sys.argv[1]))
    keep_all_the_time(Path(sys.argv[1]))
