"""A fault as a declaration: what is injected, what an inverter must then see, and how soon."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from bridge.core.bounds.banks import EASE_S, FILTER_S
from bridge.core.draw.draw_current import HOLD_S
from bridge.drill.stage import Stage

DIRECTION = ("charge_current_limit", "discharge_current_limit")


TINY: Final = 1e-6
"""Two independent decoders may differ so much: limits are decided on a grid of 1e-6."""


AS_GOOD: Final = 0.9
"""A current that is so much of what it was counts as the same: the laws go on learning meanwhile."""

MOVED: Final = 0.75
"""The same where resistances are known worse than before, which only a current that moves can mend: a cell
was moved by itself, which is taken for resistance, too; or what was learnt of late was not yet kept."""

SHARES_S: Final = EASE_S + FILTER_S
"""What was learnt of the shares of banks under another current is given up after so long at the latest."""

CELLS_S: Final = HOLD_S
"""What a limit fell for, as cells and temperatures were seen, is held against it for so long at most."""


class View(NamedTuple):
    """What one inverter knows at an instant.

    Attributes:
        name: of the inverter.
        values: newest value of every quantity, in its own unit.
        before: the same, when the fault began.
        timed_out: it has stopped by itself, because no limit came for too long.
        came: the limits that came after the fault began to act.
        first: what each of them was then; 0 if data might be trusted again by then.
        trusted: by now data may be trusted again.
        steps: coarsest step each limit is told in.
        drift: by so much it may rise while it is still followed.
        total: currents of all inverters together, as far as they have not stopped by themselves.
    """

    name: str
    values: Mapping[str, float]
    before: Mapping[str, float]
    timed_out: bool
    came: frozenset[str]
    first: Mapping[str, float]
    trusted: bool
    steps: Mapping[str, float]
    drift: Mapping[str, float]
    total: Mapping[str, float]

    @property
    def fresh(self) -> bool:
        """Whether every current it is told has come after the fault began to act."""
        return all(name in self.came for name in DIRECTION if name in self.values)

    def at_zero(self, *names: str) -> bool:
        """Whether these limits, where the inverter is told them at all, are zero."""
        return all(abs(self.values.get(name, 0.0)) <= TINY for name in names)

    def none_higher(self) -> bool:
        """Whether currents are what they were, or less.

        A limit that is still followed may drift by some 2 %, and by a rise that had been put off so far as
        not worth it; how far exactly is watched elsewhere.
        """
        return all(
            self.values[name] <= 1.02 * self.before[name] + self.drift.get(name, 0.0) + TINY
            for name in DIRECTION
            if name in self.before
        )

    def as_before(self) -> bool:
        """Whether currents are what they were: none higher, and none less than nine tenths of it."""
        return self.none_higher() and all(
            self.values[name] >= AS_GOOD * self.before[name] - self.steps.get(name, 0.0) - TINY
            for name in DIRECTION
            if name in self.before
        )


class Wanted(NamedTuple):
    """What an inverter must see.

    Attributes:
        text: in words.
        met: whether it sees it.
        throughout: all the time, not only from the allowed time on.
        at_end: what it must see besides, at the end of the fault.
        never: what it must not see in any frame that comes once the fault acts. Limits that travel in
            several messages are new one by one.
    """

    text: str
    met: Callable[[View], bool]
    throughout: bool = False
    at_end: Callable[[View], bool] = lambda _: True
    never: Callable[[View], bool] = lambda _: False


CLOSED = Wanted(
    "both currents at zero, or its own time-out", lambda view: view.timed_out or view.at_zero(*DIRECTION)
)
CLOSED_AT_ONCE = CLOSED._replace(
    text="both currents at zero from the first frame on",
    met=lambda view: view.fresh and all(abs(view.first.get(name, 0.0)) <= TINY for name in DIRECTION),
    never=lambda view: not view.trusted and not view.at_zero(*view.came.intersection(DIRECTION)),
)
NO_CHARGE = Wanted("charge current at zero", lambda view: view.at_zero("charge_current_limit"))
NO_DRAW = Wanted("draw at zero", lambda view: view.at_zero("discharge_current_limit"))
UNCHANGED = Wanted("limits as before", lambda view: view.as_before() and not view.timed_out, throughout=True)
RESUMED = Wanted("fresh limits again, none higher", lambda view: view.fresh and view.as_before())
BACK = Wanted("fresh limits again, none higher, or zero", lambda view: view.fresh and view.none_higher())
NONE_HIGHER = Wanted("no limit higher", View.none_higher, throughout=True)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        name: short.
        injected: what is done, one sentence.
        wanted: see `Wanted`.
        allowed_s: how soon, from when it acts; but before an inverter's own time-out.
        comes_and_goes: in between there is trust again, so that a time-out says nothing of how soon.
        alone: inverters that nothing reaches any more: they must stop by themselves;
        alone_after_s: what reached them last came so long after the fault began to act, at the latest.
        inject: does it.
        acts_after_s: it acts so long after it was injected (a value slides, a process stands still).
        lasts_s: it is healed so long after it acts.
        self_heals: it is over when it acts: what follows counts as recovery.
        lost: trust in the data is lost: limits may not rise for `steady_s` after it is over.
        early_s: where bad frames come only now and then, the last one came so long before it was healed.
        silence: frames that were due do not reach the inverter, so a gap in a counter is right.
        follows: data of some bank stays true and trusted, so that limits go on following it, up and down.
        remembers_s: cells or temperatures are seen where they were not, or banks share another current. So
            long the laws may hold, or slowly learn anew, what that has taught them: current must flow again
            as soon as ever, and be what it was when this time has passed besides.
        back: a current that is so much of what it was is back.
        gone: readings that may not be sent any more, as if they were present,
        gone_after_s: so long after it acts.
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
    follows: bool = False
    comes_and_goes: bool = False
    remembers_s: float = 0.0
    alone: frozenset[str] = frozenset()
    alone_after_s: float = 0.0
    early_s: float = 0.0
    silence: bool = False
    back: float = AS_GOOD
    gone: frozenset[str] = frozenset()
    gone_after_s: float = 0.0
    twin: bool = False
    says: str = ""
    why_not: str = ""


def not_applicable(name: str, why: str) -> Fault:
    """A fault that the profile gives no occasion for."""
    return Fault(name, "nothing", UNCHANGED, 0.0, lambda _: None, why_not=why)
