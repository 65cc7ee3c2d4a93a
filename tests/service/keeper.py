"""A process that keeps something all the time, for a test to kill."""

import sys
import threading
from pathlib import Path

from bridge.core.engine import Engine
from bridge.core.kept import Kept
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


if __name__ == "__main__":
    store.SAVE_US = 0  # type: ignore[misc]
    loaded = load_profile(CABIN)
    keeper, engine = store.Store(Path(sys.argv[1]), CABIN), Aging(loaded.plan, 0)
    t_us = 1_000_000
    keeper.save(loaded, engine, t_us)
    keeper.wait()
    print("writing", flush=True)
    while threading.active_count():
        t_us += 1
        keeper.save(loaded, engine, t_us)
