"""What stands beside the road from the pack to the inverter: journal, recording, disk and service manager.

Each may fail at any call; it is told where there is still something to tell with, and the loop goes on.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

from bridge.service.contained import contained
from bridge.service.journal import Journal
from bridge.service.notify import Notifier

if TYPE_CHECKING:
    from bridge.replay.recorder import Recorder
    from bridge.service.store import Store


class Beside:
    """All of it, each behind a wall.

    Attributes:
        journal: where changes are told.
        recorder: keeps every input and output, exactly; None where nothing does, or not any more.
        store: keeps what a restart must not forget; None where nothing does.
        notifier: tells the service manager.

    Args:
        now_us: engine time, for what is told.
    """

    def __init__(
        self,
        journal: Journal,
        recorder: "Recorder | None",
        store: "Store | None",
        notifier: Notifier | None,
        now_us: Callable[[], int],
    ) -> None:
        self.journal = contained(journal, self.not_told)
        self.recorder = None if recorder is None else contained(recorder, self._not_recorded)
        self.store = None if store is None else contained(store, self._not_done)
        self.notifier = contained(notifier or Notifier({}), self._not_done)
        self._now_us = now_us
        self._failures: dict[str, str] = {}
        self._untold = 0, ""

    def tell_untold(self) -> None:
        """Says how much could not be said, once something can be said again."""
        (count, why), self._untold = self._untold, (0, "")
        if count:
            self.journal.say(self._now_us(), f"{count} lines could not be told: {why}", "error")

    def end_recording(self) -> None:
        """Closes the recording."""
        if self.recorder is not None:
            self.recorder.close()

    def not_told(self, _: str, problem: Exception) -> None:
        """Something could not be put into words."""
        self._untold = self._untold[0] + 1, f"{type(problem).__name__}: {problem}"

    def _not_recorded(self, _: str, problem: Exception) -> None:
        """A recording with a hole cannot be replayed: it ends here."""
        recorder, self.recorder = self.recorder, None
        if recorder is not None:
            recorder.close()
            text = f"recording ended: {type(problem).__name__}: {problem}"
            self.journal.say(self._now_us(), text, "error")

    def _not_done(self, name: str, problem: Exception) -> None:
        """Told once, and again when something else is the matter."""
        text = f"{name}: {type(problem).__name__}: {problem}"
        if self._failures.get(name) != text:
            self._failures[name] = text
            self.journal.say(self._now_us(), f"not done: {text}", "warning")
