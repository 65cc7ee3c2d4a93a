"""The error tree, and the exit code each branch ends the program with.

AmpweirError
├── InputError          a file of the user's cannot be used: exit 4
│   ├── ProfileError    profile or message definitions, all problems at once
│   └── CaptureError    a capture is unreadable or truncated
├── BusError            a bus cannot be opened, or failed: exit 5
│   ├── BusDown         the interface is down or gone; rebuild the bus
│   └── BusFull         the transmit queue is full; the frame did not leave
└── CoreError           raised inside the core, handled by the engine
    ├── FrameRefused    a received frame is not to be trusted, nothing of it was taken
    └── NotExpressible  a value cannot be sent on the safe side; its frame must not leave
        └── NeverSeen   a measured value to be sent is not known yet; its frame waits

Two ends without an error of their own: 6, a fault inside; 7, a stop whose zero currents did not leave.
"""

from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

EXIT_OK = 0
EXIT_FAIL = 1
EXIT_USAGE = 2
EXIT_WARN = 3
EXIT_INPUT = 4
EXIT_BUS = 5
EXIT_INTERNAL = 6
EXIT_UNSENT = 7


class Severity(Enum):
    """How bad a problem is: `FAIL` stops a start, `WARN` is for the person to judge, `NOTE` informs."""

    FAIL = "fail"
    WARN = "warn"
    NOTE = "note"


class Problem(NamedTuple):
    """One finding about a file of the user's.

    Attributes:
        severity: see `Severity`.
        file: path as the user gave it.
        key: dotted key, message.signal or `line N` within the file.
        found: what is there.
        allowed: what would be right.
    """

    severity: Severity
    file: str
    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        return f"{self.file}: {self.key}: {self.found}; allowed: {self.allowed}"

    @property
    def plain(self) -> "Problem":
        """The same, fit for one line of a log or terminal, whatever stands in the file."""
        return Problem(self.severity, *(one_line(text) for text in self[1:]))


def one_line(text: str, most: int = 400) -> str:
    """A text on one line, not too long, with everything that cannot be printed as an escape."""
    if len(text) > most:
        text = text[: most - 3] + "..."
    return text if text.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


class AmpweirError(Exception):
    """Base of all errors this program raises on purpose."""

    exit_code = EXIT_INTERNAL


class InputError(AmpweirError):
    """A file of the user's cannot be used. Carries every problem found, not only the first."""

    exit_code = EXIT_INPUT

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problem.plain for problem in problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class ProfileError(InputError):
    """The profile, or a message-definition file it names, cannot be used."""


class CaptureError(InputError):
    """A capture is unreadable, truncated, or cannot be written."""


class BusError(AmpweirError):
    """A bus cannot be opened, or failed."""

    exit_code = EXIT_BUS


class BusDown(BusError):
    """The interface is down or gone: the bus object is dead and must be rebuilt."""


class BusFull(BusError):
    """The transmit queue is full: this frame did not leave."""


class CoreError(AmpweirError):
    """Raised inside the core, and handled by the engine."""


class FrameRefused(CoreError):
    """A received frame is not to be trusted. Nothing of it was taken."""


class NotExpressible(CoreError):
    """A value cannot be put into its signal on the safe side. The frame must not leave."""


class NeverSeen(NotExpressible):
    """A measured value that is to be sent has never been seen. The frame waits for it."""
