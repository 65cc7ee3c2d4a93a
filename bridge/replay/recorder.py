"""Records a live run so that it can be replayed bit for bit.

A recording is two files. FILE is a candump log: received frames with the stamp the engine took them at,
those the engine made (marked ` T`) with their deadline, in the order of the engine. FILE.events holds what a
log of frames cannot, one JSON object a line, each with `t_us` and with `after_line`: how many lines of FILE
came before it.

    start    profile, profile_sha256, dbc_sha256, version, buses (name in the profile: name in FILE), dry
             (true: nothing that was made left), kept (what was known from before, see
             `bridge.core.course.remembered`)
    resume   the program was late: `latest_us` is the engine time it had reached by then
    unsent   the frame of the line before was due, but did not leave: why
    reload   another profile: as `start`. The engine was closed; a new one begins, and so a new segment
    replace  another profile: as `start`. The engine goes on, until that of the new one takes over
    stop     the engine was closed

Each segment is replayed by an engine of its own, as it was live; a changed profile is the reason for a
reload, so only the segments of one profile can be verified with that profile.

What reaches the disk is always a whole piece of the run from its start: events go first, then frames, and
a write that fails is taken back. Whoever reads drops events that stand beyond the last line of FILE.
"""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from bridge import __version__
from bridge.core.course.remembered import NOTHING, Kept
from bridge.core.engine import Due
from bridge.frames import Frame
from bridge.profile.load import LoadedProfile
from bridge.replay.candump import write_line
from bridge.replay.disk import Behind, TwoFiles

FLUSH_US: Final = 1_000_000
"""Frames wait this long at most (engine time, while there are frames) before they go to the disk."""

Json = str | int | bool | Mapping[str, Any]


class Origin(NamedTuple):
    """What a segment was recorded with.

    Attributes:
        profile: path, as given.
        profile_sha256: of the profile's bytes.
        dbc_sha256: of each message-definition file, by its path.
    """

    profile: str
    profile_sha256: str
    dbc_sha256: Mapping[str, str]

    def same(self, other: "Origin") -> bool:
        """Whether the bytes of profile and message definitions are the same, wherever they lie."""
        return self.profile_sha256 == other.profile_sha256 and sorted(self.dbc_sha256.values()) == sorted(
            other.dbc_sha256.values()
        )


def origin_of(loaded: LoadedProfile) -> Origin:
    """The fingerprint of a profile and its message definitions; "" for a file that is not there any more."""
    files = sorted({str(definition.dbc) for definition in (*loaded.received, *loaded.sent)})
    return Origin(str(loaded.path), _sha256(loaded.path), {file: _sha256(Path(file)) for file in files})


def events_path(path: Path | str) -> Path:
    """Where the events of a recording are."""
    return Path(f"{path}.events")


class Recorder:
    """Writes one recording. Where the disk fails it stops recording, says so once, and never raises.

    The calls follow the engine's: `received` for each `receive`, `sent` for each frame that `poll`, `resume`
    or `close` gave, in that order.

    Args:
        path: FILE.
        dry: nothing of what is made really leaves; the events say so.
        behind: write by a thread of its own; a failure is then told a little later.

    Raises:
        CaptureError: one of the two files exists already (nothing is ever overwritten), or cannot be made.
    """

    def __init__(self, path: Path | str, *, dry: bool = False, behind: bool = False) -> None:
        self.path = Path(path)
        self._dry = dry
        self._files = TwoFiles(self.path, events_path(path))
        self._behind = Behind(self._files.append, self._files.close) if behind else None
        self._lines = 0
        self._log_pending: list[str] = []
        self._events_pending: list[str] = []
        self._flushed_us = 0
        self._names: dict[str, str] = {}
        self._channels: dict[str, str] = {}
        self._error: str | None = None
        self._on = True

    # ── what happens ────────────────────────────────────────────────────────────────────────────────

    def start(self, t_us: int, loaded: LoadedProfile, kept: Kept = NOTHING) -> None:
        """The first engine was made, at `t_us`, from `loaded`, with what was known from before."""
        self._segment(t_us, "start", loaded, kept)

    def received(self, t_us: int, frame: Frame) -> None:
        """A frame was given to the engine with this stamp."""
        self._line(t_us, frame, sent=False)

    def sent(self, due: Due) -> None:
        """A frame is about to leave."""
        self._line(due.t_us, due.frame, sent=True)

    def unsent(self, due: Due, why: str) -> None:
        """The frame last reported as `sent` did not leave after all."""
        self._event(due.t_us, "unsent", why=why)

    def resumed(self, t_us: int, latest_us: int) -> None:
        """`resume(t_us)` is about to be called.

        Args:
            t_us: what it is called with.
            latest_us: `Engine.latest_us` before: the gap is counted from there.
        """
        self._event(t_us, "resume", latest_us=latest_us)

    def reloaded(self, t_us: int, loaded: LoadedProfile, kept: Kept = NOTHING) -> None:
        """The engine was closed at `t_us`, and a new one made at `t_us` from `loaded`, knowing this."""
        self._segment(t_us, "reload", loaded, kept)

    def replaced(self, t_us: int, loaded: LoadedProfile, kept: Kept = NOTHING) -> None:
        """`replace(t_us)` was called with the plan of `loaded`, and this; the engine at work goes on."""
        self._segment(t_us, "replace", loaded, kept)

    def stopped(self, t_us: int) -> None:
        """`close(t_us)` was called. The frames it gave may be reported before or after."""
        self._event(t_us, "stop")

    # ── to the disk ─────────────────────────────────────────────────────────────────────────────────

    def flush(self) -> str | None:
        """Hands everything to the operating system; happens by itself once a second of engine time.

        Returns:
            Why recording has ended, once; `None` while all is well.
        """
        if self._on:
            self._write()
        error, self._error = self._error, None
        return error

    def close(self) -> str | None:
        """Flushes and closes; returns as `flush` does. More than once does no harm."""
        error = self.flush()
        late = ""
        if self._behind is None:
            self._files.close()
        else:
            late = self._behind.close()
        if self._on and late:
            error = error or late
        self._on = False
        return error

    def _write(self) -> None:
        append = self._files.append if self._behind is None else self._behind.append
        failed = append((self._events_pending, self._log_pending))
        if failed:
            self._on = False
            self._error = failed
        self._events_pending, self._log_pending = [], []

    def _line(self, t_us: int, frame: Frame, *, sent: bool) -> None:
        if self._on:
            channel = self._channels[frame.bus]
            self._log_pending.append(write_line(t_us, channel, frame.key, frame.data, sent=sent))
            self._lines += 1
            self._flush_now_and_then(t_us)

    def _event(self, t_us: int, event: str, **more: Json) -> None:
        if self._on:
            facts = {"event": event, "t_us": t_us, "after_line": self._lines, **more}
            self._events_pending.append(json.dumps(facts))
            self._flush_now_and_then(t_us)

    def _flush_now_and_then(self, t_us: int) -> None:
        if t_us - self._flushed_us >= FLUSH_US:
            self._flushed_us = t_us
            self._write()

    def _segment(self, t_us: int, event: str, loaded: LoadedProfile, kept: Kept) -> None:
        now = {bus.name: bus.channel for bus in loaded.buses}
        # Where one profile follows another while both are at work, the buses of both are named.
        self._channels = _writable({**self._names, **now} if event == "replace" else now)
        self._names = now
        about: dict[str, Json] = {**origin_of(loaded)._asdict(), "version": __version__, "dry": self._dry}
        self._event(t_us, event, **about, buses=self._channels, kept=kept.facts)


def _writable(channels: Mapping[str, str]) -> dict[str, str]:
    """A name for each bus that a log can hold, each another: the interface's where possible."""
    names: dict[str, str] = {}
    for bus, channel in channels.items():
        wanted = channel if _fits(channel) and channel not in names.values() else bus
        name = "".join("_" if letter == "/" or letter.isspace() else letter for letter in wanted) or "bus"
        while name in names.values():
            name += "_"
        names[bus] = name
    return names


def _fits(channel: str) -> bool:
    return bool(channel) and not any(letter == "/" or letter.isspace() for letter in channel)


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
