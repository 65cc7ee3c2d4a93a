"""The two files of a recording on the disk: whole pieces only, by a thread where nobody may wait for it."""

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from io import FileIO
from pathlib import Path
from queue import SimpleQueue
from typing import Final

from bridge.errors import CaptureError, Problem, Severity

WAIT_S: Final = 0.5
"""How long an end waits for a disk that is busy."""

MOST: Final = 60
"""So many pieces, of about a second each, wait for the disk at most."""

Piece = tuple[Sequence[str], Sequence[str]]
"""Lines of the events and of the log."""


class TwoFiles:
    """Events and log. A write that fails is taken back, so that both files end at the same moment.

    Args:
        log: path of the log.
        events: path of the events.

    Raises:
        CaptureError: one of the two exists already (nothing is ever overwritten), or cannot be made.
    """

    def __init__(self, log: Path, events: Path) -> None:
        self._path = log
        self._log = _create(log)
        try:
            self._events = _create(events)
        except CaptureError:
            self._log.close()
            log.unlink()
            raise
        self._log_size = self._events_size = 0

    def append(self, piece: Piece) -> str:
        """Writes a piece; returns why that failed, "" if it did not. After a failure no other may come."""
        events, lines = piece
        try:
            events_size = self._events_size + _append(self._events, events)
            self._log_size += _append(self._log, lines)
            self._events_size = events_size
        except OSError as error:
            return self._taken_back(error)
        return ""

    def _taken_back(self, error: OSError) -> str:
        why = f"{self._path}: {error.strerror or error}"
        for file, size in ((self._events, self._events_size), (self._log, self._log_size)):
            try:
                file.truncate(size)
            except OSError:
                return f"{why}; its last line may be cut off"
        return f"{why}; what was written before can be replayed"

    def close(self) -> None:
        """Lets go of both. More than once does no harm."""
        for file in (self._log, self._events):
            with suppress(OSError):  # some file systems tell only now; nothing can be done about it
                file.close()


class Behind:
    """Writes pieces by a thread of its own, in order: a slow disk holds nobody up.

    Args:
        append: writes one piece; returns why that failed.
        close: follows the last one.
    """

    def __init__(self, append: Callable[[Piece], str], close: Callable[[], None]) -> None:
        self._append, self._close = append, close
        self._pieces: SimpleQueue[Piece | None] = SimpleQueue()
        self._failed = ""  # said by the thread
        self._late = ""  # said by who calls
        self._thread = threading.Thread(target=self._run, name="recording", daemon=True)
        self._thread.start()

    def append(self, piece: Piece) -> str:
        """Takes a piece; returns why an earlier one failed, or that too many wait."""
        if self._pieces.qsize() >= MOST:
            self._late = "the disk does not take it as fast as it comes"
        failed = self._failed or self._late
        if not failed and (piece[0] or piece[1]):
            self._pieces.put(piece)
        return failed

    def close(self) -> str:
        """Waits for what is still to be written, but not for long; returns what failed."""
        self._pieces.put(None)
        self._thread.join(WAIT_S)
        if self._thread.is_alive():
            return self._failed or self._late or "the disk is busy: the end may be missing"
        return self._failed or self._late

    def _run(self) -> None:
        while (piece := self._pieces.get()) is not None:
            if not self._failed:
                try:
                    self._failed = self._append(piece)
                except Exception as problem:  # there is nobody else to hear of it
                    self._failed = f"{type(problem).__name__}: {problem}"
        self._close()


def _append(file: FileIO, lines: Sequence[str]) -> int:
    """Writes whole lines; returns how many bytes. Raises OSError also where only a part was taken."""
    data = "".join(f"{line}\n" for line in lines).encode(errors="backslashreplace")
    written = 0
    while written < len(data):
        taken = file.write(data[written:])
        if not taken:
            raise OSError(f"only {written} of {len(data)} bytes were taken")
        written += taken
    return written


def _create(path: Path) -> FileIO:
    try:
        return FileIO(path, "xb")
    except FileExistsError:
        found, allowed = "exists already", "a file name not yet in use"
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        found, allowed = f"cannot be made ({why})", "a writable place with room"
    raise CaptureError([Problem(Severity.FAIL, str(path), "file", found, allowed)])
