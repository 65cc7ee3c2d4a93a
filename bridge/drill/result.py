"""What a drill found: one row for each fault."""

from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

from bridge.drill.fault import Fault


class Outcome(Enum):
    """How a fault went."""

    PASS = "pass"
    FAIL = "fail"
    NOT_APPLICABLE = "not applicable"
    SKIPPED = "skipped"


class Result(NamedTuple):
    """One row of the table.

    Attributes:
        name: of the fault.
        injected: what was done.
        wanted: what the inverter had to see.
        saw: what it saw at the end of the fault.
        took_s: how long it took until it saw what was wanted, to stay; `None` if it never did, or if
            nothing was to change.
        allowed_s: how long it might take.
        outcome: see `Outcome`.
        remarks: what was wrong; or why the fault is not applicable, or was skipped.
    """

    name: str
    injected: str
    wanted: str
    saw: str
    took_s: float | None
    allowed_s: float | None
    outcome: Outcome
    remarks: tuple[str, ...]


def without(fault: Fault, outcome: Outcome, why: str) -> Result:
    """The row of a fault that was not rehearsed."""
    injected = "" if outcome is Outcome.NOT_APPLICABLE else fault.injected
    return Result(fault.name, injected, fault.wanted.text, "", None, None, outcome, (why,))


def died(fault: Fault) -> Result:
    """The row of a fault whose rehearsal ended without a result."""
    return without(fault, Outcome.FAIL, "the process that rehearsed it ended without a result")


def never_began(fault: Fault, wrong: Sequence[str]) -> Result:
    """The row of a fault for which there never was a healthy site."""
    row = without(fault, Outcome.FAIL, "")
    return row._replace(remarks=tuple(wrong) or ("the daemon ended before any fault began",))


class DrillReport(NamedTuple):
    """The whole drill.

    Attributes:
        profile: name of the site.
        where: the virtual clock, or the interfaces it ran on.
        results: in the order of the table.
        planned: so many faults there would have been; more than results if it was stopped.
    """

    profile: str
    where: str
    results: tuple[Result, ...]
    planned: int = 0

    @property
    def partial(self) -> bool:
        """Whether it was stopped before its end."""
        return self.planned > len(self.results)

    @property
    def ok(self) -> bool:
        """Whether nothing failed, and anything was tried at all, and it was not stopped."""
        tried = [result for result in self.results if result.outcome is Outcome.PASS]
        return (
            bool(tried)
            and not self.partial
            and not any(result.outcome is Outcome.FAIL for result in self.results)
        )
