"""Two runs side by side over time: how long each limit was tighter or looser, by how much, and when."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from bridge.core.failsafe.machine import State
from bridge.core.plan.reasons import Reason
from bridge.quantities import LIMITS, QUANTITIES, Rounding
from bridge.replay.replay import Mark, Sample

_SAME: Final = 1e-9
"""V or A. Limits are on a grid of 1e-6: what differs by less is the last bit of a float."""


class Extreme(NamedTuple):
    """The largest difference one way. `by`: V or A, 0 if there is none; `t_us`: when first."""

    by: float = 0.0
    t_us: int = 0


NONE: Final = Extreme()
"""No difference."""


@dataclass(slots=True)
class Stats:
    """One limit of one run, over time: V or A. `mean` is weighted by time."""

    low: float | None = None
    high: float | None = None
    total: float = 0.0
    known_us: int = 0
    reasons_us: dict[tuple[Reason, str], int] = field(default_factory=dict)

    @property
    def mean(self) -> float | None:
        """Mean over the time in which the limit is known."""
        return self.total / self.known_us if self.known_us else None

    def add(self, mark: Mark, lasted_us: int) -> None:
        """The limit was so for some time."""
        if mark.reason is not None:
            why = (mark.reason, mark.bank)
            self.reasons_us[why] = self.reasons_us.get(why, 0) + lasted_us
        if mark.value is not None:
            self.low = mark.value if self.low is None else min(self.low, mark.value)
            self.high = mark.value if self.high is None else max(self.high, mark.value)
            self.total += mark.value * lasted_us
            self.known_us += lasted_us


@dataclass(slots=True)
class Difference:
    """One limit of the new run against the old one. `tighter`: the new one allows less."""

    tighter_us: int = 0
    equal_us: int = 0
    looser_us: int = 0
    most_tighter: Extreme = NONE
    most_looser: Extreme = NONE

    def add(self, t_us: int, lasted_us: int, looser_by: float) -> None:
        """The new limit was looser by so much (tighter if negative) for some time."""
        if looser_by > _SAME:
            self.looser_us += lasted_us
            if looser_by > self.most_looser.by + _SAME:
                self.most_looser = Extreme(looser_by, t_us)
        elif looser_by < -_SAME:
            self.tighter_us += lasted_us
            if -looser_by > self.most_tighter.by + _SAME:
                self.most_tighter = Extreme(-looser_by, t_us)
        else:
            self.equal_us += lasted_us


class Interval(NamedTuple):
    """A stretch of time in which one limit (or the state) differed one way.

    Attributes:
        start_us, end_us: the stretch.
        limit: name of the limit; "" for the fail-safe state.
        looser: the new run allows more; for a state: it follows, and the old one does not.
        most: the largest difference, V or A.
        at_us: when it was largest.
        old, new: the two samples then.
        weight: how much it matters: the difference, as a share of the largest value, times seconds.
    """

    start_us: int
    end_us: int
    limit: str
    looser: bool
    most: float
    at_us: int
    old: Sample
    new: Sample
    weight: float


class Span(NamedTuple):
    """A stretch of time in which nothing changes in either run."""

    start_us: int
    end_us: int
    old: Sample
    new: Sample


def spans(old: Sequence[Sample], new: Sequence[Sample], end_us: int) -> Iterator[Span]:
    """Both runs, cut at every change of either; from where both are known."""
    if not old or not new:
        return
    t_us = max(old[0].t_us, new[0].t_us)
    i = j = 0
    while t_us < end_us:
        while i + 1 < len(old) and old[i + 1].t_us <= t_us:
            i += 1
        while j + 1 < len(new) and new[j + 1].t_us <= t_us:
            j += 1
        next_us = end_us
        if i + 1 < len(old):
            next_us = min(next_us, old[i + 1].t_us)
        if j + 1 < len(new):
            next_us = min(next_us, new[j + 1].t_us)
        yield Span(t_us, next_us, old[i], new[j])
        t_us = next_us


def stats(samples: Sequence[Sample], end_us: int) -> tuple[dict[str, Stats], dict[State, int]]:
    """Each limit of one run, and the time in each fail-safe state."""
    limits = {name: Stats() for name in LIMITS}
    states: dict[State, int] = {}
    for span in spans(samples, samples, end_us):
        lasted_us = span.end_us - span.start_us
        for name, mark in zip(LIMITS, span.new.marks, strict=True):
            limits[name].add(mark, lasted_us)
        if span.new.state is not None:
            states[span.new.state] = states.get(span.new.state, 0) + lasted_us
    return limits, states


def differences(
    old: Sequence[Sample], new: Sequence[Sample], end_us: int
) -> tuple[dict[str, Difference], list[Interval]]:
    """Each limit of `new` against `old`, and the intervals that differ, the most significant first.

    Intervals in which the new run is looser come before all others.
    """
    limits = {name: Difference() for name in LIMITS}
    # 1 where a larger number allows more, -1 for the floor
    signs = [-1 if QUANTITIES[name].rounding is Rounding.UP else 1 for name in LIMITS]
    scales = [_largest(i, old, new) for i in range(len(LIMITS))]
    found = _Intervals()
    for span in spans(old, new, end_us):
        lasted_us = span.end_us - span.start_us
        for i, name in enumerate(LIMITS):
            before, after = span.old.marks[i].value, span.new.marks[i].value
            by = 0.0
            if before is not None and after is not None:
                by = signs[i] * (after - before)
                limits[name].add(span.start_us, lasted_us, by)
            found.add(name, span, by, abs(by) / scales[i] * lasted_us / 1e6)
        one, other = span.old.state, span.new.state
        differs = one is not None and other is not None and one is not other
        found.add("", span, (1.0 if other is State.FOLLOWING else -1.0) * differs, lasted_us / 1e6)
    return limits, sorted(found.finish(), key=lambda each: (not each.looser, -each.weight, each.start_us))


class _Intervals:
    """Joins spans that follow each other and differ the same way."""

    def __init__(self) -> None:
        self._open: dict[str, Interval] = {}
        self._done: list[Interval] = []

    def add(self, name: str, span: Span, by: float, weight: float) -> None:
        last = self._open.get(name)
        differs = abs(by) > _SAME
        if last is not None and (not differs or last.looser != (by > 0)):
            self._done.append(self._open.pop(name))
            last = None
        if not differs:
            return
        if last is None or abs(by) > last.most + _SAME:
            start_us, before = (span.start_us, 0.0) if last is None else (last.start_us, last.weight)
            self._open[name] = Interval(
                start_us,
                span.end_us,
                name,
                by > 0,
                abs(by),
                span.start_us,
                span.old,
                span.new,
                before + weight,
            )
        else:
            self._open[name] = last._replace(end_us=span.end_us, weight=last.weight + weight)

    def finish(self) -> list[Interval]:
        return [*self._done, *self._open.values()]


def _largest(i: int, *runs: Sequence[Sample]) -> float:
    values = [abs(value) for run in runs for sample in run if (value := sample.marks[i].value) is not None]
    return max(values, default=0.0) or 1.0
