"""Loads a profile again, beside the loop: what takes a second on a small computer must hold up no frame."""

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from bridge.errors import InputError
from bridge.service.lastwords import LastWords

if TYPE_CHECKING:
    from bridge.profile.load import LoadedProfile


class Fresh(NamedTuple):
    """A profile, and its frames of zero currents, which prove that they can be made."""

    loaded: "LoadedProfile"
    last: LastWords


class Refused(NamedTuple):
    """Why a profile is not taken: a line for each problem."""

    lines: tuple[str, ...]


class Loading:
    """The profile on its way, if it is. Whatever is wrong with it ends in `Refused`, and nowhere else.

    Args:
        load: loads it; may raise anything.
        beside: in a thread of its own; else at once.

    Attributes:
        busy: one was asked for, and what came of it was not taken yet.
    """

    def __init__(self, load: Callable[[], "LoadedProfile"], *, beside: bool) -> None:
        self._load = load
        self._beside = beside
        self._found: Fresh | Refused | None = None
        self._again = False
        self.busy = False

    def ask(self) -> None:
        """Begins to load; once more, if one is on its way: it may have been read before the last change."""
        if self.busy:
            self._again = True
            return
        self.busy, self._again = True, False
        if not self._beside:
            self._work()
            return
        try:
            threading.Thread(target=self._work, name="loading", daemon=True).start()
        except RuntimeError as problem:
            self._found = Refused((str(problem),))

    def take(self) -> Fresh | Refused | None:
        """What came of it, once; `None` while it lasts."""
        found, again = self._found, self._again
        if found is not None:
            self._found, self.busy = None, False
            if again:
                self.ask()
                return None
        return found

    def _work(self) -> None:
        try:
            loaded = self._load()
            self._found = Fresh(loaded, LastWords(loaded.plan))
        except InputError as problem:
            self._found = Refused(tuple(str(one) for one in problem.problems))
        except Exception as problem:  # no profile may end the program that runs
            self._found = Refused((f"{type(problem).__name__}: {problem}",))
