"""One thing that goes wrong, as plain values."""

from typing import Final, NamedTuple

WARM_S: Final = 15.0
"""The first faults come earlier than this only now and then: a storm on closed limits shows little."""

LONGEST_STALL_S: Final = 4.0
"""After some more the service manager would rightly kill it, and two stalls may follow each other."""


class Fault(NamedTuple):
    """One thing that goes wrong.

    Attributes:
        at_s: when, from the start.
        kind: see `tests.storm.faults`.
        lasts_s: for how long.
        what: the wire, bank, message, seam or profile concerned.
        how: which way it goes wrong.
        size: how much: a share, a number of calls, volts, seconds.
    """

    at_s: float
    kind: str
    lasts_s: float = 0.0
    what: str = ""
    how: str = ""
    size: float = 0.0

    def __str__(self) -> str:
        words = [f"{self.at_s:7.2f} s  {self.kind}"]
        words += [self.what] if self.what else []
        words += [self.how] if self.how else []
        words += [f"size {self.size:g}"] if self.size else []
        words += [f"for {self.lasts_s:g} s"] if self.lasts_s else []
        return " ".join(words)
