"""Verifies a recording: whether a replay makes the same frames at the same stamps, bit for bit."""

from collections import Counter
from collections.abc import Sequence
from itertools import zip_longest
from typing import NamedTuple

from bridge.core.engine import Due
from bridge.frames import Frame
from bridge.replay.recorder import Origin
from bridge.replay.replay import Run, Segment


class Mismatch(NamedTuple):
    """One frame that did not come back. `None`: only the other side has it."""

    recorded: Due | None
    replayed: Due | None


class Verdict(NamedTuple):
    """What verification found.

    Attributes:
        checked: recorded frames that were compared.
        mismatches: those that did not come back: same stamp, same place in the order, same bytes.
        other: recorded frames of segments of another profile, which cannot be compared.
    """

    checked: int
    mismatches: tuple[Mismatch, ...]
    other: int

    @property
    def identical(self) -> bool:
        """Something was compared, all that was recorded was, and all came back."""
        return self.checked > 0 and not self.mismatches and not self.other


def verify(run: Run, origin: Origin | None = None, others: Sequence[Origin] = ()) -> Verdict:
    """Compares what was recorded with what the replay made, bit for bit.

    Args:
        run: the replay of a recording.
        origin: of the profile it was replayed with. Segments recorded with another one, or begun where one of
            another one stood, are left out; with `None` none is.
        others: of the further profiles it was replayed with.
    """
    checked, other, found = 0, 0, list[Mismatch]()
    for segment in run.segments:
        if not at_hand(segment, origin, others):
            other += len(segment.made)
            continue
        checked += len(segment.made)
        found += _mismatches(segment)
    return Verdict(checked, tuple(found), other)


def same_profile(recorded: Origin | None, now: Origin | None) -> bool:
    """Whether the bytes of profile and message definitions are the same, wherever they lie now."""
    return recorded is None or now is None or recorded.same(now)


def at_hand(segment: Segment, origin: Origin | None, others: Sequence[Origin] = ()) -> bool:
    """Whether all that a segment was recorded with is what it was replayed with."""
    return all(
        any(same_profile(one, now) for now in (origin, *others)) for one in (segment.origin, *segment.before)
    )


def _mismatches(segment: Segment) -> list[Mismatch]:
    recorded = [Due(made.t_us, made.frame) for made in segment.made]
    replayed = segment.frames
    if not segment.closed:
        # The recording just ends: some of what was due at its last stamp may not have been written.
        replayed = replayed[: max(len(recorded), sum(due.t_us < segment.end_us for due in replayed))]
    if recorded == replayed:
        return []
    return aligned(recorded, replayed) or [
        Mismatch(a, b) for a, b in zip_longest(recorded, replayed) if a != b
    ]


def aligned(old: list[Due], new: list[Due]) -> list[Mismatch]:
    """Pairs the frames of two runs by stamp, bus and identifier; gives the pairs that are not the same."""
    pairs: dict[tuple[int, str, int, int], Mismatch] = {}
    for at, due in _numbered(old):
        pairs[at] = Mismatch(due, None)
    for at, due in _numbered(new):
        before = pairs.get(at)
        pairs[at] = Mismatch(before.recorded if before else None, due)
    return [pairs[at] for at in sorted(pairs) if pairs[at].recorded != pairs[at].replayed]


def _numbered(dues: list[Due]) -> list[tuple[tuple[int, str, int, int], Due]]:
    """Each frame with its stamp, bus and key, and its number among those that share all three."""
    seen: Counter[tuple[int, Frame]] = Counter()
    numbered = []
    for due in dues:
        same = (due.t_us, Frame(due.frame.bus, due.frame.key, b""))
        numbered.append(((due.t_us, due.frame.bus, due.frame.key, seen[same]), due))
        seen[same] += 1
    return numbered
