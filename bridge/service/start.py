"""Starts the daemon, or a plain recording, on real interfaces."""

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.errors import EXIT_OK, ProfileError, Severity
from bridge.profile.buses import BusConfig
from bridge.profile.check import check_profile
from bridge.profile.load import LoadedProfile, load_profile
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, dropped, make_logger
from bridge.service.lines import LineWriter, encoding_of, never_waiting, stdout_is_terminal
from bridge.service.live import LiveWorld
from bridge.service.notify import Notifier
from bridge.service.store import FORGETS, Store
from bridge.service.world import Request

if TYPE_CHECKING:
    from bridge.replay.recorder import Recorder

STATUS_EVERY_S = 10.0
"""How often a person at a terminal is shown the status line."""


def local_clock(t_us: int) -> str:
    """Local time of day, to the tenth of a second."""
    return time.strftime("%H:%M:%S", time.localtime(t_us // 1_000_000)) + f".{t_us // 100_000 % 10}"


def load_sound(path: Path) -> LoadedProfile:
    """Loads a profile and refuses it where `check` would fail it: an unsound profile never runs.

    Raises:
        ProfileError: with every problem found.
    """
    loaded = load_profile(path)
    problems = check_profile(loaded, datetime.now().astimezone()).of(Severity.FAIL)
    if problems:
        raise ProfileError(problems)
    return loaded


def state_directory() -> Path | None:
    """Where the service manager wants state to be kept; `None` where there is none."""
    given = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(given) if given else None


def run_live(
    path: Path,
    *,
    dry: bool,
    record: Path | None,
    status_every_s: float | None,
    log: str,
    state: Path | None = None,
) -> int:
    """Runs the daemon on the buses of a profile until it is asked to stop; returns the exit code.

    Args:
        path: the profile.
        dry: compute and show, send nothing.
        record: every frame in and out goes to this file.
        status_every_s: how often the status line is printed; `None`: as fits where the output goes.
        log: form of the log lines.
        state: folder in which is kept what a restart must not forget; `None`: the service manager's, if any.

    Raises:
        InputError: the profile or the recording file cannot be used.
        BusError: a bus cannot be opened.
    """
    loaded = load_sound(path)
    if status_every_s is None:
        status_every_s = STATUS_EVERY_S if stdout_is_terminal() else 0.0
    with (
        _kept(state or state_directory(), path, alone=not dry) as store,
        _world(loaded.buses) as world,
        _talking(log) as write,
    ):
        recorder = _recorder(record, dry=dry) if record is not None else None
        # The service manager's log has its own clock.
        clock = (lambda _: "") if "JOURNAL_STREAM" in os.environ else local_clock
        journal = Journal(make_logger(log, write), clock)
        notifier = Notifier()
        journal.say(world.now_us(), f"{loaded.plan.name}: {'dry run, nothing is sent' if dry else 'running'}")
        if store is None:
            told = f"{FORGETS}: neither --state DIR nor a state directory of the service manager"
            journal.say(world.now_us(), told)
        daemon = Daemon(
            loaded,
            world,
            journal,
            load=lambda: load_sound(path),
            recorder=recorder,
            store=store,
            notifier=notifier,
            dry=dry,
            status_every_us=round(status_every_s * 1e6),
            beside=True,
        )
        try:
            return daemon.run()
        finally:
            notifier.close()


@contextmanager
def _kept(folder: Path | None, profile: Path, *, alone: bool) -> Iterator[Store | None]:
    """What is kept of a profile, `alone` for this process. Raises InputError if another one uses it."""
    store = None if folder is None else Store(folder, profile)
    if store is not None and alone:
        store.lock()
    try:
        yield store
    finally:
        if store is not None:
            store.release()


@contextmanager
def _talking(log: str) -> Iterator[Callable[[str], None]]:
    """A way to standard output that never waits and never raises; so does all that this process prints."""
    with never_waiting():
        writer = LineWriter(1, encoding=encoding_of(sys.__stdout__), dropped=dropped(log))
        try:
            yield writer
        finally:
            writer.close()


@contextmanager
def _world(buses: tuple[BusConfig, ...]) -> Iterator[LiveWorld]:
    """The real world, and what signals ask for. Raises BusError if a bus cannot be opened."""
    world = LiveWorld(buses)
    try:
        with world.signals():
            yield world
    finally:
        world.close()


def _recorder(path: Path, *, dry: bool) -> "Recorder":
    from bridge.replay.recorder import Recorder

    return Recorder(path, dry=dry, behind=True)


def record_buses(loaded: LoadedProfile, capture: Path, seconds: float | None) -> int:
    """Writes all traffic on the profile's buses to a candump log; sends nothing. Returns the exit code.

    Raises:
        CaptureError: the file cannot be written.
        BusError: a bus cannot be opened.
    """
    from bridge.replay.candump import LogWriter

    buses = tuple(bus._replace(keys=None) for bus in loaded.buses)
    channels = {bus.name: bus.channel for bus in buses}
    count = 0
    # No file is left behind where a bus cannot be opened.
    with _world(buses) as world, LogWriter(capture) as log, _talking("plain") as write:
        journal = Journal(make_logger(write=write), local_clock)
        end_us = world.now_us() + round(seconds * 1e6) if seconds is not None else None
        journal.say(world.now_us(), f"recording {', '.join(channels.values())} to {capture}")
        while end_us is None or world.now_us() < end_us:
            batch = world.wait(end_us if end_us is not None else world.now_us() + 1_000_000)
            for frame in batch.frames:
                log.write(batch.t_us, channels[frame.bus], frame.key, frame.data, sent=False)
            count += len(batch.frames)
            for notice in batch.notices:
                journal.notice(batch.t_us, notice)
            if Request.STOP in batch.requests:
                break
        journal.say(world.now_us(), f"{count} frames recorded")
    return EXIT_OK
