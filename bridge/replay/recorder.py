"""Records a live run so that it can be replayed bit for bit.

A recording is two files. FILE is a candump log: received frames with the stamp the engine took them at,
sent ones (marked ` T`) with their deadline, in the order of the engine. FILE.events holds what a log of
frames cannot, one JSON object a line, each with `after_line`: how many lines of FILE came before it.

    start    profile, profile_sha256, dbc_sha256, version, buses (name in the profile: name in FILE)
    resume   the program was late: `latest_us` is the engine time it had reached by then
    reload   another profile: as `start`, with `latest_us`; a new engine, and so a new segment, begins
             here. `closed` tells whether the old engine was closed in good order
    unsent   a frame that was due and did not leave: bus, frame (id#hex), why
    stop     the engine was closed in good order

Each segment is replayed by an engine of its own, as it was live; a changed profile is the reason for a
reload, so only the segments of one profile can be verified with that profile.

What reaches the disk is always a whole piece of the run from its start: events go first, then frames, and
a write that fails is taken back. Whoever reads drops events that stand beyond the last line of FILE.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from io import FileIO
from pathlib import Path
from typing import Final, NamedTuple

from bridge import __version__
from bridge.core.engine import Due
from bridge.errors import CaptureError, InputError, Problem, Severity
from bridge.frames import Frame
from bridge.replay.candump import write_line

FLUSH_US: Final = 1_000_000
"""Frames wait this long at most (engine time, while there are frames) before they go to the disk."""

Json = str | int | bool | Mapping[str, str]


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


def origin_of(profile: Path | str, dbc_files: Sequence[Path | str]) -> Origin:
    """The fingerprint of a profile and its message definitions.

    Raises:
        InputError: a file cannot be read.
    """
    hashes = {file: _sha256(Path(file)) for file in sorted(set(map(str, dbc_files)))}
    return Origin(str(profile), _sha256(Path(profile)), hashes)


def events_path(path: Path | str) -> Path:
    """Where the events of a recording are."""
    return Path(f"{path}.events")


class Recorder:
    """Writes one recording. Where the disk fails it stops recording, says so once, and never raises.

    Every call belongs right after the engine's: `received` after `receive`, `sent` or `unsent` for each frame
    `poll`, `resume` or `close` gave, in that order.

    Raises:
        CaptureError: one of the two files exists already (nothing is ever overwritten), or cannot be made.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self._log = _create(self.path)
        try:
            self._events = _create(events_path(path))
        except CaptureError:
            self._log.close()
            self.path.unlink()
            raise
        self._log_size = self._events_size = 0
        self._lines = 0
        self._log_pending: list[str] = []
        self._events_pending: list[str] = []
        self._flushed_us = 0
        self._channels: dict[str, str] = {}
        self._error: str | None = None
        self._on = True

    @property
    def recording(self) -> bool:
        """Whether what happens still goes to the disk."""
        return self._on

    def take_error(self) -> str | None:
        """Why recording ended early: once, afterwards `None` again."""
        error, self._error = self._error, None
        return error

    # ── what happens ────────────────────────────────────────────────────────────────────────────────

    def start(self, t_us: int, origin: Origin, channels: Mapping[str, str]) -> None:
        """The first engine was made.

        Args:
            t_us: its start.
            origin: what it was made from.
            channels: each bus of the profile and its interface, as `BusConfig.name` and `.channel`.
        """
        self._channels = _writable(channels)
        self._event(t_us, "start", **self._facts(origin))
        self.flush(t_us)

    def received(self, t_us: int, frame: Frame) -> None:
        """A frame was given to the engine with this stamp."""
        self._line(t_us, frame, sent=False)

    def sent(self, due: Due) -> None:
        """A frame left."""
        self._line(due.t_us, due.frame, sent=True)

    def unsent(self, due: Due, why: str) -> None:
        """A frame was due and did not leave."""
        self._event(due.t_us, "unsent", bus=due.frame.bus, frame=str(due.frame), why=why)

    def resumed(self, t_us: int, latest_us: int) -> None:
        """`resume(t_us)` was called.

        Args:
            t_us: what it was called with.
            latest_us: stamp of the engine's last call before that: the gap is counted from there.
        """
        self._event(t_us, "resume", latest_us=latest_us)

    def reloaded(
        self, t_us: int, latest_us: int, origin: Origin, channels: Mapping[str, str], *, closed: bool
    ) -> None:
        """A new engine took over.

        Args:
            t_us: start of the new one.
            latest_us: stamp of the old one's last call, `poll` or `close`.
            origin: as for `start`, of the new one.
            channels: as for `start`, of the new one.
            closed: that last call was `close`.
        """
        self._channels = _writable(channels)
        self._event(t_us, "reload", latest_us=latest_us, closed=closed, **self._facts(origin))
        self.flush(t_us)

    def stopped(self, t_us: int) -> None:
        """`close(t_us)` was called. What it gave may be reported before or after."""
        self._event(t_us, "stop")

    # ── to the disk ─────────────────────────────────────────────────────────────────────────────────

    def flush(self, t_us: int | None = None) -> None:
        """Hands everything to the operating system. Called by itself once a second of engine time."""
        if t_us is not None:
            self._flushed_us = t_us
        if not self._on:
            return
        try:
            events_size = self._events_size + _append(self._events, self._events_pending)
            self._log_size += _append(self._log, self._log_pending)
            self._events_size = events_size
        except OSError as error:
            self._give_up(error)
        self._log_pending.clear()
        self._events_pending.clear()

    def close(self) -> None:
        """Flushes and closes. More than once does no harm."""
        self.flush()
        self._on = False
        for file in (self._log, self._events):
            with suppress(OSError):  # some file systems tell only now; nothing can be done about it
                file.close()

    def _give_up(self, error: OSError) -> None:
        self._on = False
        why = error.strerror or error
        self._error = f"{self.path}: recording ended: {why}; what was written before can be replayed"
        for file, size in ((self._events, self._events_size), (self._log, self._log_size)):
            try:
                file.truncate(size)
            except OSError:
                self._error += f"; {file.name} may end in the middle of a line"

    def _line(self, t_us: int, frame: Frame, *, sent: bool) -> None:
        if self._on:
            channel = self._channels[frame.bus]
            self._log_pending.append(write_line(t_us, channel, frame.key, frame.data, sent=sent))
            self._lines += 1
            if t_us - self._flushed_us >= FLUSH_US:
                self.flush(t_us)

    def _event(self, t_us: int, event: str, **more: Json) -> None:
        if self._on:
            facts = {"event": event, "t_us": t_us, "after_line": self._lines, **more}
            self._events_pending.append(json.dumps(facts))
            if t_us - self._flushed_us >= FLUSH_US:
                self.flush(t_us)

    def _facts(self, origin: Origin) -> dict[str, Json]:
        return {**origin._asdict(), "version": __version__, "buses": self._channels}


def _append(file: FileIO, lines: Sequence[str]) -> int:
    """Writes whole lines; returns how many bytes. Raises OSError also where only a part was taken."""
    data = "".join(f"{line}\n" for line in lines).encode()
    written = 0
    while written < len(data):
        taken = file.write(data[written:])
        if not taken:
            raise OSError(f"only {written} of {len(data)} bytes were taken")
        written += taken
    return written


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


def _create(path: Path) -> FileIO:
    try:
        return FileIO(path, "xb")
    except FileExistsError:
        found, allowed = "exists already", "a file name not yet in use"
    except OSError as error:
        found, allowed = f"cannot be made ({error.strerror or error})", "a writable place with room"
    raise CaptureError([Problem(Severity.FAIL, str(path), "file", found, allowed)])


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        found = f"cannot be read ({error.strerror or error})"
        raise InputError([Problem(Severity.FAIL, str(path), "file", found, "a readable file")]) from None
