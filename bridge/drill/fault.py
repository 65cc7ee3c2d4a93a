"""A fault as a declaration: what is injected, what an inverter must then see, and how soon."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from bridge.drill.stage import Stage

DIRECTION = ("charge_current_limit", "discharge_current_limit")


class View(NamedTuple):
    """What one inverter knows at an instant.

    Attributes:
        values: newest value of every quantity, in its own unit.
        before: the same, when the fault began.
        timed_out: it has stopped by itself, because no limit came for too long.
        fresh: a limit came after the fault began to act.
    """

    values: dict[str, float]
    before: dict[str, float]
    timed_out: bool
    fresh: bool

    def at_zero(self, *names: str) -> bool:
        """Whether these limits, where the inverter is told them at all, are zero."""
        return all(self.values.get(name, 0.0) == 0.0 for name in names)

    def as_before(self) -> bool:
        """Whether currents are what they were, or less, and neither has gone to zero.

        A limit that is still followed may drift by some 2 %; how far exactly is watched elsewhere.
        """
        return all(
            (self.values[name] > 0.0 or not self.before[name])
            and self.values[name] <= 1.02 * self.before[name]
            for name in DIRECTION
            if name in self.before
        )


class Wanted(NamedTuple):
    """What an inverter must see.

    Attributes:
        text: in words.
        met: whether it sees it.
        throughout: all the time, not only from the allowed time on.
        at_once: from the first limit on that comes once the fault acts.
    """

    text: str
    met: Callable[[View], bool]
    throughout: bool = False
    at_once: bool = False


CLOSED = Wanted(
    "both currents at zero, or its own time-out", lambda view: view.timed_out or view.at_zero(*DIRECTION)
)
CLOSED_AT_ONCE = CLOSED._replace(
    text="both currents at zero from the first frame on",
    met=lambda view: view.fresh and view.at_zero(*DIRECTION),
    at_once=True,
)
NO_CHARGE = Wanted("charge current at zero", lambda view: view.at_zero("charge_current_limit"))
NO_DRAW = Wanted("draw at zero", lambda view: view.at_zero("discharge_current_limit"))
UNCHANGED = Wanted("limits as before", lambda view: view.as_before() and not view.timed_out, throughout=True)
RESUMED = Wanted("fresh limits again, none higher", lambda view: view.fresh and view.as_before())


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        name: short.
        injected: what is done, one sentence.
        wanted: see `Wanted`.
        allowed_s: how soon, from when it acts.
        inject: does it.
        acts_after_s: it acts so long after it was injected (a value slides, a process stands still).
        lasts_s: it is healed so long after it acts.
        self_heals: it is over when it acts: what follows counts as recovery.
        lost: trust in the data is lost: limits may not rise for `steady_s` after it is over.
        silence: frames that were due do not reach the inverter, so a gap in a counter is right.
        twin: every frame must be the same as in an undisturbed run, bit for bit.
        says: what the journal must say.
        why_not: not applicable, because of this.
    """

    name: str
    injected: str
    wanted: Wanted
    allowed_s: float
    inject: Callable[[Stage], None]
    acts_after_s: float = 0.0
    lasts_s: float = 0.0
    self_heals: bool = False
    lost: bool = False
    silence: bool = False
    twin: bool = False
    says: str = ""
    why_not: str = ""


def not_applicable(name: str, why: str) -> Fault:
    """A fault that the profile gives no occasion for."""
    return Fault(name, "nothing", UNCHANGED, 0.0, lambda _: None, why_not=why)
