"""A bus whose driver may do what it must not: raise anything at any call. It then counts as down."""

import contextlib
from collections.abc import Callable
from typing import TypeVar

from bridge.errors import BusDown, BusError
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.service.seam import Bus, BusNotice, NoticeKind, Retry

_Answer = TypeVar("_Answer")


class GuardedBus:
    """A `Bus` around another one. An error that is none of the seam's costs that bus, never the others.

    Args:
        config: the description.
        inner: the bus as it was opened.
        again: opens it anew, without waiting; may raise.
    """

    def __init__(self, config: BusConfig, inner: Bus, again: Callable[[BusConfig], Bus]) -> None:
        self._config = config
        self._inner: Bus | None = inner
        self._again = again
        self._retry = Retry()
        self._notices: list[BusNotice] = []
        self._closed = False

    @property
    def name(self) -> str:
        """The bus's name in the profile."""
        return self._config.name

    def fileno(self) -> int | None:
        """See `Bus.fileno`."""
        return self._safely(lambda inner: inner.fileno(), None)

    def read(self) -> tuple[list[Frame], list[BusNotice]]:
        """See `Bus.read`."""
        nothing: tuple[list[Frame], list[BusNotice]] = [], []
        frames, notices = self._safely(lambda inner: inner.read(), nothing)
        return frames, notices + self._take_notices()

    def send(self, frame: Frame) -> None:
        """See `Bus.send`."""
        inner = self._inner
        if inner is None:
            raise BusDown(f"{self._config} is down")
        try:
            inner.send(frame)
        except BusError:
            raise
        except Exception as problem:
            self._fall(problem)
            raise BusDown(f"{self._config} is down: {_words(problem)}") from problem

    def tend(self, now_us: int) -> list[BusNotice]:
        """See `Bus.tend`."""
        notices: list[BusNotice] = []
        if self._inner is not None:
            notices = self._safely(lambda inner: inner.tend(now_us), [])
        elif not self._closed and self._retry.due(now_us):
            try:
                self._inner = self._again(self._config)
            except Exception:  # the next attempt comes a little later
                self._retry.again()
            else:
                self._retry.over()
                self._notices.append(
                    BusNotice(self.name, NoticeKind.UP, f"{self._config.channel} is opened anew")
                )
        return notices + self._take_notices()

    def close(self) -> None:
        """See `Bus.close`."""
        self._closed = True
        inner, self._inner = self._inner, None
        if inner is not None:
            with contextlib.suppress(Exception):
                inner.close()

    def _safely(self, call: Callable[[Bus], _Answer], otherwise: _Answer) -> _Answer:
        if self._inner is None:
            return otherwise
        try:
            return call(self._inner)
        except Exception as problem:
            self._fall(problem)
            return otherwise

    def _fall(self, problem: Exception) -> None:
        inner, self._inner = self._inner, None
        self._retry.again()
        text = f"{self._config.channel} is down, its driver failed: {_words(problem)}"
        self._notices.append(BusNotice(self.name, NoticeKind.DOWN, text))
        if inner is not None:
            with contextlib.suppress(Exception):
                inner.close()

    def _take_notices(self) -> list[BusNotice]:
        taken, self._notices = self._notices, []
        return taken


def _words(problem: Exception) -> str:
    return f"{type(problem).__name__}: {problem}"
