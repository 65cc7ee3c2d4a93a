"""Replays a capture through a new engine on the virtual clock.

The engine is polled at every deadline of its own up to the next input, so that every decision is seen; what
is sent does not depend on when it is polled (see `bridge.core.engine`).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from bridge.core.course.remembered import NOTHING, Kept, read
from bridge.core.engine import Due, Note
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Plan
from bridge.core.plan.reasons import Reason
from bridge.core.succession import Succession
from bridge.replay.recorder import Origin
from bridge.replay.session import Ended, Made, Received, Replaced, Resumed, Started, Step


class Mark(NamedTuple):
    """One limit at one time. `value`: V or A, `None` if not known. `reason`: `None` if not known."""

    value: float | None
    reason: Reason | None
    bank: str


class Sample(NamedTuple):
    """What holds from `t_us` on, until the next sample.

    Attributes:
        t_us: since when.
        state: fail-safe state; `None` if not known.
        cause: why it is not `following`.
        marks: the four limits, in the order of `bridge.quantities.LIMITS`.
    """

    t_us: int
    state: State | None
    cause: str
    marks: tuple[Mark, ...]


@dataclass(slots=True)
class Segment:
    """The life of one engine.

    Attributes:
        origin: what it was recorded with; `None` for a foreign capture.
        before: what the engine that went on meanwhile was recorded with, and those before it: this one
            began where they stood.
        start_us, end_us: its life.
        closed: it ended in good order.
        samples: one at the start and at every change, seen at each tick.
        frames: what the engine made.
        made: what had been made then.
        notes: what the engine noted.
        received: frames it was given.
        taken: those it took.
    """

    origin: Origin | None
    start_us: int
    end_us: int
    before: tuple[Origin, ...] = ()
    closed: bool = False
    samples: list[Sample] = field(default_factory=list)
    frames: list[Due] = field(default_factory=list)
    made: list[Made] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    received: int = 0
    taken: int = 0


class Run(NamedTuple):
    """One replay: its engines, one after the other."""

    segments: tuple[Segment, ...]

    @property
    def start_us(self) -> int:
        """Engine time of the first start."""
        return self.segments[0].start_us

    @property
    def end_us(self) -> int:
        """Engine time of the last end."""
        return self.segments[-1].end_us

    @property
    def frames(self) -> list[Due]:
        """All frames made."""
        return [due for segment in self.segments for due in segment.frames]

    @property
    def made(self) -> list[Made]:
        """All frames that had been made when the capture was taken."""
        return [made for segment in self.segments for made in segment.made]

    @property
    def samples(self) -> list[Sample]:
        """All samples."""
        return [sample for segment in self.segments for sample in segment.samples]

    @property
    def notes(self) -> list[Note]:
        """All notes."""
        return [note for segment in self.segments for note in segment.notes]


class Known(NamedTuple):
    """A profile at hand: what it is recognised by, and its plan."""

    origin: Origin
    plan: Plan


def replay(plan: Plan, steps: Iterable[Step], others: Sequence[Known] = ()) -> Run:
    """Takes the steps of a session through engines of this plan.

    Args:
        plan: of the profile.
        steps: of a session.
        others: further profiles at hand: what was recorded with one of them is replayed with it.

    Raises:
        CaptureError: from the steps.
    """
    segments: list[Segment] = []
    driver: _Driver | None = None
    for step in steps:
        if isinstance(step, Started):
            driver = _Driver(_plan_of(step.origin, plan, others), step)
            segments.append(driver.segment)
        elif isinstance(step, Replaced):
            if driver is not None:
                segments.append(driver.replace(_plan_of(step.origin, plan, others), step))
        elif driver is not None:
            driver.take(step)
    return Run(tuple(segments))


def _plan_of(origin: Origin | None, plan: Plan, others: Sequence[Known]) -> Plan:
    """The plan a segment was recorded with if it is at hand, else the one that is on trial."""
    return next((one.plan for one in others if origin is not None and one.origin.same(origin)), plan)


def _kept(plan: Plan, start: Started | Replaced) -> Kept:
    """What an engine knew from before. Another profile, whose banks it does not fit, begins with nothing."""
    if not start.kept:
        return NOTHING
    try:
        return read(start.kept, plan, start.t_us)
    except ValueError:
        return NOTHING


class _Driver:
    """One engine on the virtual clock."""

    def __init__(self, plan: Plan, start: Started) -> None:
        self._engine = Succession(plan, start.t_us, _kept(plan, start))
        self._decision = self._engine.decision
        self._start_us = start.t_us
        self.segment = Segment(start.origin, start.t_us, start.t_us)
        self._sample(start.t_us)

    def replace(self, plan: Plan, step: Replaced) -> Segment:
        """Another profile was taken: its engine follows the one at work, and a new segment begins."""
        self._run_to(step.t_us)
        self._engine.replace(step.t_us, plan, _kept(plan, step))
        self._look(step.t_us)
        before = self.segment
        before.closed, before.end_us = True, max(step.t_us, before.start_us)
        origins = before.before + ((before.origin,) if before.origin else ())
        self.segment = Segment(step.origin, before.end_us, before.end_us, origins)
        self._sample(step.t_us)
        return self.segment

    def take(self, step: Step) -> None:
        engine, segment = self._engine, self.segment
        if isinstance(step, Received):
            self._run_to(step.t_us)
            segment.received += 1
            segment.taken += engine.receive(step.t_us, step.frame)
        elif isinstance(step, Made):
            segment.made.append(step)
            if step.why_not:
                self._run_to(step.t_us)
                engine.unsent(Due(step.t_us, step.frame))
        elif isinstance(step, Resumed):
            if step.latest_us >= self._start_us:  # else it was late before its first call
                self._run_to(step.latest_us)
                engine.poll(step.latest_us)  # the gap is counted from here
            segment.frames += engine.resume(step.t_us)
            self._look(step.t_us)
        elif isinstance(step, Ended):
            self._run_to(step.t_us)
            if step.closed:
                segment.frames += engine.close(step.t_us)
            self._look(step.t_us)
            segment.closed = step.closed
            segment.end_us = max(step.t_us, segment.start_us)

    def _run_to(self, t_us: int) -> None:
        engine, frames = self._engine, self.segment.frames
        while (deadline_us := engine.next_deadline_us) <= t_us:
            frames += engine.poll(deadline_us)
            if engine.decision is not self._decision:
                self._look(deadline_us)

    def _look(self, t_us: int) -> None:
        self._decision = self._engine.decision
        self.segment.notes += self._engine.take_notes()
        self._sample(t_us)

    def _sample(self, t_us: int) -> None:
        decision = self._decision
        marks = tuple(
            Mark(limit.value, limit.binding.reason, limit.binding.bank) for limit in decision.limits.values()
        )
        samples = self.segment.samples
        if not samples or samples[-1][1:] != (decision.state, decision.cause, marks):
            samples.append(Sample(t_us, decision.state, decision.cause, marks))
