"""Lines to a terminal, file or pipe that may be full, gone, slow or not read at all.

Who says something only appends to a bounded queue: that never waits and never raises. A thread of its own
writes. What finds no room, and what the other side does not take, is dropped and counted, and the number is
told when lines are taken again.
"""

import codecs
import contextlib
import errno
import io
import os
import select
import sys
import threading
from collections.abc import Callable, Iterator
from queue import SimpleQueue
from typing import Final

MOST: Final = 2000
"""So many lines wait at most."""

LONGEST: Final = 8000
"""A longer line is cut, characters."""

WAIT_S: Final = 0.5
"""How long an end waits for lines that are still to be written."""

_TRY_AGAIN: Final = (errno.EAGAIN, errno.EINTR)
_TRY_AGAIN_S: Final = 0.2


class LineWriter:
    """Takes lines, and writes them to a file descriptor as it takes them.

    Args:
        descriptor: where to; stays open.
        encoding: of the bytes; what it does not have is written as an escape.
        dropped: words for a number of lines that were dropped.
    """

    def __init__(
        self,
        descriptor: int,
        *,
        encoding: str = "utf-8",
        dropped: Callable[[int], str] = "! {} lines were dropped: nobody took them".format,
    ) -> None:
        self._descriptor = descriptor
        self._encoding = encoding
        self._dropped = dropped
        self._lines: SimpleQueue[str | None] = SimpleQueue()
        self._refused = 0  # counted by who calls; the others by the thread
        self._lost = self._told = 0
        self._torn = False
        self._thread = threading.Thread(target=self._run, name="lines", daemon=True)
        self._thread.start()

    def __call__(self, line: str) -> None:
        """Takes one line. Never waits, never raises."""
        if self._lines.qsize() < MOST:
            self._lines.put(line)
        else:
            self._refused += 1

    def close(self, wait_s: float = WAIT_S) -> None:
        """Waits until all is written, but not longer than this; what is left is lost with the program."""
        self._lines.put(None)
        self._thread.join(wait_s)

    def _run(self) -> None:
        while (line := self._lines.get()) is not None:
            try:
                self._write(line)
            except Exception:  # whatever it is: the next line is another chance
                self._lost += 1

    def _write(self, line: str) -> None:
        missing = self._lost + self._refused
        text = f"{line[:LONGEST]}\n"
        if missing > self._told:
            text = f"{self._dropped(missing - self._told)}\n{text}"
        if self._torn:
            text = f"\n{text}"
        data = _encoded(text, self._encoding)
        done = 0
        try:
            while done < len(data):
                done += self._some(data[done:])
        except OSError:
            self._torn = self._torn or bool(done)
            raise
        self._told, self._torn = missing, False

    def _some(self, data: bytes) -> int:
        """Writes a part; returns how much."""
        try:
            return os.write(self._descriptor, data)
        except OSError as problem:
            if problem.errno not in _TRY_AGAIN:
                raise
            # Not of our doing, but the other side can make it one that does not wait.
            select.select([], [self._descriptor], [], _TRY_AGAIN_S)
            return 0


def _encoded(text: str, encoding: str) -> bytes:
    try:
        return text.encode(encoding, "backslashreplace")
    except (UnicodeError, LookupError):  # some encodings know no escapes
        return text.encode("ascii", "backslashreplace")


def encoding_of(stream: object) -> str:
    """The encoding a standard stream was opened with, as the user's locale or wish says."""
    name = getattr(stream, "encoding", None)
    try:
        return codecs.lookup(name).name if isinstance(name, str) else "utf-8"
    except LookupError:
        return "utf-8"


class _Stream(io.TextIOBase):
    """Stands in for a standard stream: what a library prints does not hold up the program either."""

    def __init__(self, descriptor: int, encoding: str) -> None:
        self._descriptor = descriptor
        self._writes_in = encoding
        self._begun = ""
        self._writer: LineWriter | None = None

    def writable(self) -> bool:
        """See `io.TextIOBase`."""
        return True

    def write(self, text: str) -> int:
        """Takes text; whole lines are written."""
        *lines, rest = (self._begun + text).split("\n")
        self._begun = rest[-LONGEST:]
        if lines and self._writer is None:
            self._writer = LineWriter(self._descriptor, encoding=self._writes_in)
        for line in lines:
            if self._writer is not None:
                self._writer(line)
        return len(text)

    def end(self) -> None:
        """Waits a moment for what was taken."""
        if self._writer is not None:
            self._writer.close()


@contextlib.contextmanager
def never_waiting() -> Iterator[None]:
    """While it lasts, what anything in this process prints or warns of never waits and never raises."""
    with contextlib.ExitStack() as stack:
        out, err = _Stream(1, encoding_of(sys.stdout)), _Stream(2, encoding_of(sys.stderr))
        stack.callback(out.end)
        stack.callback(err.end)
        stack.enter_context(contextlib.redirect_stdout(out))
        stack.enter_context(contextlib.redirect_stderr(err))
        yield


def stdout_is_terminal() -> bool:
    """Whether a person is looking."""
    try:
        return os.isatty(1)
    except OSError:
        return False


def fill_standard_files() -> None:
    """Opens the null device where standard input, output or error is closed.

    Otherwise the next file opened, which may be a CAN socket, would get its number, and whatever is printed.
    """
    for descriptor in range(3):
        try:
            os.fstat(descriptor)
        except OSError:
            with contextlib.suppress(OSError):
                os.open(os.devnull, os.O_RDWR)
    if sys.stdout is None:  # how Python says that it found it closed
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 (for the rest of the program)
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115
