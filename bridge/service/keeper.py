"""Writes small files whole, by a thread of its own: a slow card must not hold up the limits.

Of each file the newest content counts: what came in between while the card was busy is never written.
"""

import os
import threading
import time
from math import inf
from pathlib import Path
from typing import Final, NamedTuple

WAIT_S: Final = 2.0
"""How long an orderly stop waits for a card that is busy."""


SLOW_S: Final = 30.0
"""A card that has not answered for so long is told."""


class Page(NamedTuple):
    """What one file is to hold.

    Attributes:
        data: the content; `None`: there is to be no such file.
        durable: it is on the disk, through a power cut, before it counts as written.
    """

    data: bytes | None
    durable: bool


class Keeper:
    """The files of one profile. Never raises, never blocks.

    Attributes:
        failed: what could not be written last, and why; "" while all is well.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pages: dict[Path, Page] = {}
        self._news = threading.Event()
        self._idle = threading.Event()
        self._idle.set()
        self._thread: threading.Thread | None = None
        self._began_s = inf
        self.failed = ""

    def put(self, path: Path, data: bytes | None, *, durable: bool) -> None:
        """Writes a file as soon as the card is free; without `data` it goes."""
        with self._lock:  # held for moments only, never while the card is asked
            self._pages[path] = Page(data, durable)
            self._idle.clear()
        self._news.set()
        if self._thread is None:
            thread = threading.Thread(target=self._work, name="keeper", daemon=True)
            try:
                thread.start()
            except RuntimeError as problem:
                self.failed = f"{path}: {problem}"
            else:
                self._thread = thread

    @property
    def stuck(self) -> bool:
        """Whether the card has not answered for long."""
        return time.monotonic() - self._began_s > SLOW_S

    @property
    def busy(self) -> bool:
        """Whether something is still to be written."""
        return not self._idle.is_set()

    def wait(self, seconds: float = WAIT_S) -> bool:
        """Until all is written, or for so long; returns whether it is."""
        return self._thread is None or self._idle.wait(seconds)

    def _work(self) -> None:
        while True:
            self._news.wait()
            self._news.clear()
            while True:
                with self._lock:
                    if not self._pages:
                        self._idle.set()
                        break
                    path = next(iter(self._pages))
                    page = self._pages.pop(path)
                self._began_s = time.monotonic()
                try:
                    _write(path, page)
                except Exception as problem:  # whatever a card may answer
                    why = problem.strerror if isinstance(problem, OSError) else ""
                    self.failed = f"{path}: {why or problem or type(problem).__name__}"
                else:
                    self.failed = ""
                self._began_s = inf


def _write(path: Path, page: Page) -> None:
    if page.data is None:
        path.unlink(missing_ok=True)
        return
    beside = path.with_name(f".{path.name}.new")
    beside.unlink(missing_ok=True)  # of one that was killed; or something else that would block
    number = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        written = 0
        while written < len(page.data):
            written += os.write(number, page.data[written:])
        if page.durable:
            os.fsync(number)
    finally:
        os.close(number)
    beside.replace(path)
    if page.durable:
        directory = os.open(path.parent, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)
