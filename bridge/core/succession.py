"""One engine after the other, without a gap: what the daemon and the replay hold in place of an engine.

When another profile is taken while limits are followed, its engine does not begin with zeros: it looks on,
receives every frame, and sends nothing, while the engine at work goes on, no looser than the new one would
be. So what the new profile tightens holds from the next tick on, before its engine has seen one reading.
Once the new engine follows, and knows what the old one knows, it takes over at that tick: from the limits
that were sent last, with the old one's counters and deadlines. What it allows more then rises as ever.

If the new engine never follows, the old one goes on, and says so: no wish to tighten is lost by that, nothing
gets looser, and nobody stands in the dark because of a mistyped message. If the old one follows no more,
its limits are zero, and the new one takes over at once, in `starting`.
"""

from collections.abc import Mapping
from typing import Final

from bridge.core.course.remembered import NOTHING, Going, Kept
from bridge.core.engine import Due, Engine, Note
from bridge.core.failsafe.machine import State
from bridge.core.handover import hand_over, unseen
from bridge.core.limits.compose import FREE, Bounds
from bridge.core.plan.plan import SECOND_US, Plan
from bridge.core.plan.reasons import Contribution, Limit, Reason
from bridge.core.told.decision import Decision
from bridge.frames import Frame

WAITS: Final = frozenset(
    {
        *(Reason.NOT_TRUSTED, Reason.RESTING, Reason.HELD, Reason.RISING, Reason.NOT_WORTH_IT),
        Reason.LOST,  # what the old engine has lost it heeds itself
    }
)
"""Bounds of an engine that looks on which are no wish of its profile's."""

PATIENCE_US: Final = 5 * SECOND_US
"""What is not required may come so much later than its age allows until it counts as lost (own choice)."""


class Succession:
    """An engine, and the one that is to follow it. Deterministic, as each of them.

    Args:
        plan, start_us, kept: of the first engine.
    """

    def __init__(self, plan: Plan, start_us: int, kept: Kept = NOTHING) -> None:
        self._engine = Engine(plan, start_us, kept)
        self._next: Engine | None = None
        self._asked_us = start_us
        self._due: list[Due] = []
        self._notes: list[Note] = []

    # ── from one profile to the next ────────────────────────────────────────────────────────────────

    def replace(self, t_us: int, plan: Plan, kept: Kept = NOTHING) -> None:
        """Another profile holds from now on; its engine takes over as soon as it can.

        Args:
            t_us: now.
            plan: the new profile, compiled; everything the old one sends can still leave.
            kept: what its engine knows from before.
        """
        self._advance(t_us)
        t_us = max(t_us, self._engine.latest_us)
        self._due += self._engine.poll(t_us)
        self._dismiss()
        if plan == self._engine.plan:
            return
        self._next, self._asked_us = Engine(plan, t_us, kept, self._engine), t_us
        self._look(t_us)

    def restart(self, t_us: int, plan: Plan, kept: Kept = NOTHING) -> None:
        """An engine of this plan begins anew, from zero; the one before must have been closed."""
        self._next = None
        self._notes += self._engine.take_notes()
        self._engine = Engine(plan, t_us, kept)

    @property
    def plan(self) -> Plan:
        """Of the engine that sends."""
        return self._engine.plan

    @property
    def waits(self) -> bool:
        """Whether another engine is to take over and has not yet."""
        return self._next is not None

    @property
    def at_work(self) -> "Engine | Succession":
        """Who answers: the engine itself, while nobody is to follow it and nothing is left of another."""
        return self if self._next is not None or self._due or self._notes else self._engine

    # ── what an engine does ─────────────────────────────────────────────────────────────────────────

    def receive(self, t_us: int, frame: Frame) -> bool:
        """See `Engine.receive`."""
        if self._next is None:
            return self._engine.receive(t_us, frame)
        self._advance(t_us)
        if self._next is not None:
            self._next.receive(t_us, frame)
        return self._engine.receive(t_us, frame)

    def poll(self, t_us: int) -> list[Due]:
        """See `Engine.poll`."""
        if self._next is not None:
            self._advance(t_us)
        due = self._engine.poll(t_us)
        if self._due:
            due, self._due = self._due + due, []
        return due

    def unsent(self, due: Due) -> None:
        """See `Engine.unsent`."""
        self._engine.unsent(due)

    @property
    def owed(self) -> frozenset[tuple[str, int]]:
        """See `Engine.owed`."""
        return self._engine.owed

    def resume(self, t_us: int) -> list[Due]:
        """See `Engine.resume`."""
        due, self._due = self._due, []
        if t_us - self._engine.latest_us > self._engine.plan.times.stall_us:
            for dropped in due:
                self._engine.unsent(dropped)
            due = []
        if self._next is not None:
            self._next.resume(t_us)
            self._heed(self._next, t_us)
        due += self._engine.resume(t_us)
        self._look(max(t_us, self._engine.latest_us))
        due += self._due
        self._due = []
        return due

    def close(self, t_us: int) -> list[Due]:
        """See `Engine.close`. Nobody takes over any more."""
        due = self.poll(t_us)
        self._dismiss()
        return due + self._engine.close(t_us)

    def make(self, i: int, values: Mapping[str, float | None]) -> Frame:
        """See `Engine.make`; of the plan whose engine sends."""
        return self._engine.make(i, values)

    @property
    def latest_us(self) -> int:
        """See `Engine.latest_us`."""
        return self._engine.latest_us

    @property
    def kept(self) -> Kept:
        """See `Engine.kept`. What tripped in the engine that looks on is tripped, too."""
        kept = self._engine.kept
        if self._next is not None:
            kept = kept._replace(tripped=kept.tripped | self._next.kept.of_another(self.plan).tripped)
        return kept

    @property
    def weighty(self) -> object:
        """See `Engine.weighty`."""
        return self._engine.weighty if self._next is None else (self._engine.weighty, self._next.weighty)

    @property
    def going(self) -> Going | None:
        """See `Engine.going`."""
        return self._engine.going

    @property
    def decision(self) -> Decision:
        """See `Engine.decision`."""
        return self._engine.decision

    @property
    def next_deadline_us(self) -> int:
        """See `Engine.next_deadline_us`."""
        if self._next is None:
            return self._engine.next_deadline_us
        return min(self._engine.next_deadline_us, self._next.next_deadline_us)

    def take_notes(self) -> list[Note]:
        """See `Engine.take_notes`."""
        notes = self._engine.take_notes()
        if self._notes:
            notes, self._notes = self._notes + notes, []
        return notes

    # ── while one looks on ──────────────────────────────────────────────────────────────────────────

    def _advance(self, t_us: int) -> None:
        """Takes both engines from deadline to deadline, as long as there are two."""
        while self._next is not None:
            next_us = min(self._engine.next_deadline_us, self._next.next_deadline_us)
            if next_us > t_us:
                return
            self._next.poll(next_us)
            self._heed(self._next, next_us)
            self._due += self._engine.poll(next_us)
            self._look(next_us)

    def _heed(self, new: Engine, t_us: int) -> None:
        """The engine at work is no looser than the new one would be."""
        new.take_notes()  # of what it hears the other one tells
        self._engine.heed(ahead(new.decision), self._waiting(new, t_us))

    def _look(self, t_us: int) -> None:
        """The new engine takes over if it can, or must."""
        new, old = self._next, self._engine
        if new is None:
            return
        self._heed(new, t_us)
        if new.decision.state is State.FOLLOWING:
            if unseen(new, old, t_us) and not self._late(new, t_us):
                return
        elif old.decision.state in (State.FOLLOWING, State.HOLDING):
            return
        self._next = None
        self._due += hand_over(old, new, t_us)
        self._notes += old.take_notes()
        self._notes.append(Note(t_us, "told", "the profile", "the new one has taken over"))
        self._engine = new

    def _late(self, new: Engine, t_us: int) -> bool:
        times, slots = new.plan.times, new.plan.slots
        longest_us = max((slot.max_age_us for slot in slots), default=0)
        return t_us - self._asked_us > longest_us + times.steady_us + times.mismatch_us + PATIENCE_US

    def _waiting(self, new: Engine, t_us: int) -> str:
        """A warning, once the new engine takes longer than it can with data it trusts; "" before."""
        if new.decision.state is State.FOLLOWING or not self._late(new, t_us):
            return ""
        return (
            f"the new profile has not taken over: {new.decision.cause}; "
            "the old one goes on, no looser than the new one allows"
        )

    def _dismiss(self) -> None:
        if self._next is not None:
            self._next = None
            self._engine.heed(FREE, "")


def ahead(decision: Decision) -> Bounds:
    """What an engine that looks on would allow: the tightest of what its profile and its readings say."""
    return (
        _tightest(decision.charge_voltage),
        _tightest(decision.charge_current),
        _tightest(decision.discharge_current),
        _tightest(decision.discharge_floor, highest=True),
    )


def _tightest(limit: Limit, *, highest: bool = False) -> Contribution | None:
    found = [one for one in limit.contributions if one.reason not in WAITS]
    sign = -1.0 if highest else 1.0
    return min(found, key=lambda one: sign * one.value, default=None)
