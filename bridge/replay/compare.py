"""One capture, two runs: a profile against another, or against what was sent when the capture was taken."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from bridge.core.engine import Due
from bridge.core.failsafe.machine import State
from bridge.profile.load import LoadedProfile
from bridge.replay.pairs import FramePair, frame_pairs
from bridge.replay.recorder import Origin, origin_of
from bridge.replay.replay import Known, Run, replay
from bridge.replay.seen import Seen
from bridge.replay.session import Session
from bridge.replay.timeline import Difference, Interval, Stats, differences, stats
from bridge.replay.verify import Verdict, at_hand, same_profile, verify


class Side(NamedTuple):
    """One of the two runs.

    Attributes:
        label: file name of the profile, or `recorded`.
        limits: each limit over time.
        states_us: time in each fail-safe state; empty if not known.
        sent: frames that left (that were due, in a replay).
        unsent: frames that were due and did not leave.
        notes: what the core noted, counted by kind; empty if not known.
    """

    label: str
    limits: dict[str, Stats]
    states_us: dict[State, int]
    sent: int
    unsent: int
    notes: dict[str, int]


@dataclass(frozen=True, slots=True)
class Comparison:
    """The result of a replay.

    Attributes:
        capture: the file.
        start_us, end_us: engine time.
        new: the run of the profile.
        old: what it is compared with; `None` if there is nothing, or nothing differs.
        limits: each limit of the new run against the old one; empty without `old`.
        intervals: where they differ, the most significant first, those in which `new` is looser before all
            others.
        frames: frames that are not the same.
        verdict: of a recording made with this very profile: whether it came back bit for bit.
        warnings: what a person should know about the capture.
        received: frames the profile asked for.
        taken: those it believed.
    """

    capture: Path
    start_us: int
    end_us: int
    new: Side
    old: Side | None
    limits: dict[str, Difference]
    intervals: list[Interval]
    frames: list[FramePair]
    verdict: Verdict | None
    warnings: list[str]
    received: int
    taken: int

    @property
    def identical(self) -> bool:
        """Every frame is the same, with the same stamp and in the same order."""
        if self.verdict is not None:
            return self.verdict.identical
        return self.old is not None and not self.frames and not self.intervals

    @property
    def looser(self) -> bool:
        """The new run allows more than the old one somewhere."""
        return any(difference.looser_us for difference in self.limits.values())

    @property
    def ok(self) -> bool:
        """False only where a recording made with this very profile did not come back bit for bit."""
        return self.verdict is None or not self.verdict.mismatches


def compare_capture(
    capture: Path,
    new: LoadedProfile,
    against: LoadedProfile | None = None,
    channels: Mapping[str, str] | None = None,
    also: Sequence[LoadedProfile] = (),
) -> Comparison:
    """Replays a capture with `new`, and compares with a replay with `against`, or with what was sent then.

    Args:
        capture: a candump log, or a recording.
        new: the profile.
        against: the profile to compare with.
        channels: channel in the capture: bus of the profiles, where the names do not tell.
        also: further profiles the recording was made with, before or after a reload.

    Raises:
        CaptureError: the capture is unreadable, damaged, or holds nothing the profile knows.
    """
    session = _session(capture, new, channels, also)
    others = [Known(origin_of(one), one.plan) for one in also]
    run = replay(new.plan, session.steps(), others)
    warnings = session.warnings()
    if against is not None:
        before = _session(capture, against, channels)
        old_run = replay(against.plan, before.steps())
        warnings += [text for text in before.warnings() if text not in warnings]
        labels = _labels(against.path, new.path)
        old_side, new_side = _replayed(labels[0], old_run), _replayed(labels[1], run)
        frames = frame_pairs(old_run.frames, run.frames, against.plan, new.plan)
        rows, intervals = differences(old_run.samples, run.samples, run.end_us)
        return _comparison(capture, run, new_side, old_side, rows, intervals, frames, None, warnings)
    verdict = None
    origins = [one.origin for one in others]
    if session.exact and run.made and not _foreign(run, new, origins, warnings):
        verdict = verify(run, origin_of(new), origins)
    return _against_recorded(capture, run, new, verdict, warnings)


def _against_recorded(
    capture: Path, run: Run, new: LoadedProfile, verdict: Verdict | None, warnings: list[str]
) -> Comparison:
    label = new.path.name
    plain = _replayed(label, run)
    if verdict is not None and verdict.identical:
        return _comparison(capture, run, plain, None, {}, [], [], verdict, warnings)
    seen = Seen(new.plan)
    made = [Due(each.t_us, each.frame) for each in run.made if not each.why_not]
    then = seen.samples(made)
    if not then:
        if run.made:
            warnings.append("what was sent then are other messages: compare with a profile, --against OLD")
        return _comparison(capture, run, plain, None, {}, [], [], verdict, warnings)
    now = seen.samples(run.frames, run.samples)
    limits, states_us = stats(then, run.end_us)
    old_side = Side("recorded", limits, states_us, len(made), len(run.made) - len(made), {})
    # Both as a receiver saw them: what was computed then is not known, only what was sent.
    limits, now_us = stats(now, run.end_us)
    new_side = plain._replace(limits=limits, states_us=now_us or plain.states_us)
    rows, intervals = differences(then, now, run.end_us)
    frames = frame_pairs([Due(each.t_us, each.frame) for each in run.made], run.frames, new.plan, new.plan)
    return _comparison(capture, run, new_side, old_side, rows, intervals, frames, verdict, warnings)


def _comparison(
    capture: Path,
    run: Run,
    new: Side,
    old: Side | None,
    limits: dict[str, Difference],
    intervals: list[Interval],
    frames: list[FramePair],
    verdict: Verdict | None,
    warnings: list[str],
) -> Comparison:
    return Comparison(
        capture,
        run.start_us,
        run.end_us,
        new,
        old,
        limits,
        intervals,
        frames,
        verdict,
        warnings,
        sum(segment.received for segment in run.segments),
        sum(segment.taken for segment in run.segments),
    )


def _session(
    capture: Path,
    loaded: LoadedProfile,
    channels: Mapping[str, str] | None,
    also: Sequence[LoadedProfile] = (),
) -> Session:
    buses = {bus.name: bus.channel for one in (*also, loaded) for bus in one.buses}
    return Session(capture, loaded.plan, buses, channels, [one.plan for one in also])


def _foreign(run: Run, new: LoadedProfile, others: Sequence[Origin], warnings: list[str]) -> bool:
    """Whether no segment was recorded with these profiles; says with which it was."""
    now = origin_of(new)
    strange = {
        origin.profile
        for segment in run.segments
        for origin in (segment.origin, *segment.before)
        if origin is not None and not any(same_profile(origin, one) for one in (now, *others))
    }
    if strange:
        names = ", ".join(sorted(strange))
        warnings.append(f"recorded with {names}, or message definitions, that are not what {new.path} is now")
        if any(segment.before for segment in run.segments):
            warnings.append("what followed a reload can be verified with the profiles before it: --also OLD")
    return not any(at_hand(segment, now, others) for segment in run.segments)


def _labels(old: Path, new: Path) -> tuple[str, str]:
    return (old.name, new.name) if old.name != new.name else (str(old), str(new))


def _replayed(label: str, run: Run) -> Side:
    limits, states_us = stats(run.samples, run.end_us)
    kinds = Counter(note.kind for note in run.notes)
    return Side(label, limits, states_us, len(run.frames), 0, dict(kinds))
