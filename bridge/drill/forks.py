"""Faults side by side: one process up to the moment they begin, then one process for each.

All faults of a profile begin from the same healthy site. It is warmed up once; each fault then happens in a
copy of the process, which the operating system makes for next to nothing, and only its result comes back.
"""

import gc
import os
import pickle
import select
import signal
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

CHUNK: Final = 1 << 16


def default_jobs() -> int:
    """As many as this process may use processors."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Forks:
    """Makes copies of this process, and gathers what they answer.

    Attributes:
        child: this process is one of the copies, for this task.
    """

    def __init__(self) -> None:
        self.child: int | None = None
        self._out = -1
        self._running: dict[int, tuple[int, int, bytearray]] = {}

    def branch(self, count: int, jobs: int, answered: Callable[[int, Any], None]) -> None:
        """Returns in a copy for each task, which has `child` set then and must end with `answer`; and at last
        here, when all have answered.

        Args:
            count: of the tasks.
            jobs: so many copies at a time.
            answered: is told the number of a task and its answer, `None` if the copy died without one.
        """
        waiting = list(range(count))
        gc.freeze()  # what is shared need not be looked at, and so copied, by each
        try:
            while waiting or self._running:
                while waiting and len(self._running) < max(jobs, 1):
                    self._fork(waiting.pop(0))
                    if self.child is not None:
                        return
                self._gather(answered)
        finally:
            if self.child is None:
                gc.unfreeze()
                self._end()

    def answer(self, value: Any) -> None:
        """Sends the answer of this copy, and ends it."""
        try:
            with os.fdopen(self._out, "wb") as pipe:
                pickle.dump(value, pipe)
        finally:
            os._exit(0)

    def _fork(self, task: int) -> None:
        into, out = os.pipe()
        pid = os.fork()
        if pid == 0:
            signal.signal(signal.SIGINT, signal.SIG_IGN)  # who is asked to stop is the first process
            os.close(into)
            for other, _, _ in self._running.values():
                os.close(other)
            self._running = {}
            self.child, self._out = task, out
            return
        os.close(out)
        self._running[pid] = into, task, bytearray()

    def _gather(self, answered: Callable[[int, Any], None]) -> None:
        """Waits until something has come, and tells what is whole."""
        ready, _, _ = select.select([into for into, _, _ in self._running.values()], [], [])
        for pid, (into, task, data) in list(self._running.items()):
            if into not in ready:
                continue
            if part := os.read(into, CHUNK):
                data += part
                continue
            os.close(into)
            del self._running[pid]
            os.waitpid(pid, 0)
            answered(task, pickle.loads(data) if data else None)

    def _end(self) -> None:
        """Copies that are still at work when this one stops are ended, too."""
        for pid, (into, _, _) in self._running.items():
            os.close(into)
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        self._running = {}
