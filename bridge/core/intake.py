"""Whether one received frame is believed: checksum, counter, believable span, largest believable jump.

A frame with a required reading that cannot be believed is taken not at all. One that is not required costs
itself alone, and so does one that its sender marks as unknown: nothing was said of it, and it gets older.
What a permission or a switch says must never rest on a number that says neither yes nor no: the first is
withdrawn at once, and a bank is not taken to be apart on the word of an earlier frame.
"""

from collections.abc import Collection, Sequence
from math import isfinite
from typing import NamedTuple

from bridge.core.plan import Source, Target
from bridge.errors import FrameRefused

CONFIRMATIONS = 3
"""Readings that jumped are believed once this many in a row agree with each other (own choice)."""

PERMISSIONS = frozenset({"charge_permitted", "discharge_permitted"})

Numbers = list[float | int | None]


class Memory:
    """What is remembered of one source between frames.

    Attributes:
        counter: rolling counter of the last frame whose checksum was right.
        jumps: for each page (its slots) that jumped and is not yet believed: how many frames in a row agree,
            and the numbers of the last. One reading that is not required is a page of its own.
        refusal: why a frame was refused; stays until a tick has seen it and a good frame has followed.
        mended: a good frame has followed.
        left: slots of readings that were not believed in the last frame that was taken.
    """

    __slots__ = ("counter", "jumps", "left", "mended", "refusal")

    def __init__(self) -> None:
        self.counter: float | int | None = None
        self.jumps: dict[frozenset[int], tuple[int, Numbers]] = {}
        self.refusal: str | None = None
        self.mended = True
        self.left: frozenset[int] = frozenset()


class Judgement(NamedTuple):
    """What is believed of a frame.

    Attributes:
        readings: by slot.
        silenced: slots of permissions and switches whose last word stands no more.
        left: what is not believed, by slot, and why; nothing of it is required.
        refusal: why the frame is taken not at all.
    """

    readings: list[tuple[int, float]]
    silenced: list[int]
    left: dict[int, str]
    refusal: FrameRefused | None


def judge(
    source: Source,
    memory: Memory,
    numbers: Numbers,
    values: Sequence[float | None],
    required: Collection[int],
    permissions: Collection[int],
) -> Judgement:
    """What is believed of a frame; `values` are those believed before.

    Args:
        source, memory: what it is, and what is remembered of it.
        numbers: as decoded.
        values: what was believed before, by slot.
        required: slots without which a bank is not trusted.
        permissions: slots of the pack's permissions.
    """
    readings: list[tuple[int, float]] = []
    silenced: list[int] = []
    left: dict[int, str] = {}
    refusal: FrameRefused | None = None
    jump: FrameRefused | None = None
    for number, target in zip(numbers, source.targets, strict=False):
        if number is None:  # on another page of a multiplexed message
            continue
        slot = target.slot
        if target.unknown and is_unknown(target, number):
            silenced.append(slot)
            continue
        found, problem = _read(target, number)
        before = values[slot]
        if (
            problem is None
            and target.jump is not None
            and before is not None
            and abs(found - before) > target.jump
        ):
            jumped = (
                f"{target.signal} jumped from {before:g} to {found:g}; allowed: a step of {target.jump:g}"
            )
            if slot in required:
                jump = jump or FrameRefused(f"{source.name}: {jumped}")
            elif not _confirmed(source, memory, frozenset({slot}), numbers):
                problem = jumped
        elif memory.jumps and slot not in required:
            memory.jumps.pop(frozenset({slot}), None)
        if problem is None:
            readings.append((slot, found))
            continue
        silenced.append(slot)
        if slot in required:
            refusal = refusal or FrameRefused(f"{source.name}: {problem}")
        else:
            left[slot] = problem
            if slot in permissions:  # what is neither yes nor no permits nothing
                readings.append((slot, 0.0))
    if refusal is None and (jump is not None or memory.jumps):
        there = zip(numbers, source.targets, strict=False)
        page = frozenset(one.slot for number, one in there if number is not None and one.slot in required)
        if jump is None:
            memory.jumps.pop(page, None)
        elif not _confirmed(source, memory, page, numbers, silenced):
            refusal = jump
    return Judgement(readings, silenced, left, refusal)


def _read(target: Target, number: float) -> tuple[float, str | None]:
    """The reading, and why it cannot be believed."""
    if target.truth is not None:
        if number in target.truth:
            return 1.0, None
        if number in target.falsity:
            return 0.0, None
        yes, no = (", ".join(f"{one:g}" for one in sorted(those)) for those in (target.truth, target.falsity))
        return 0.0, f"{target.signal} {number:g}; allowed: {yes} for yes, {no} for no"
    reading = number * target.scale + target.shift
    if target.low <= reading <= target.high:
        return reading, None
    if not isfinite(number):
        return reading, f"{target.signal} {number} received, not a finite number"
    return reading, f"{target.signal} {reading:g}; allowed: {target.low:g} to {target.high:g}"


def is_unknown(target: Target, number: float) -> bool:
    """Whether a number is one of those that say nothing."""
    return any(low <= number <= high or (low != low and number != number) for low, high in target.unknown)


def check_integrity(source: Source, memory: Memory, numbers: Numbers, data: bytes) -> None:
    """Checks what the frame says about itself. Raises FrameRefused: bad checksum, stuck counter."""
    if source.checksum is not None and source.checksum_at is not None:
        count = 0 if source.chooser is None else int(numbers[source.chooser] or 0)
        chosen = source.checksum.chosen
        if chosen is not None and count >= len(chosen.ids):
            raise FrameRefused(f"{source.name}: counter {count}; allowed: 0 to {len(chosen.ids) - 1}")
        sent, computed = numbers[source.checksum_at], source.checksum.compute(data, count)
        if sent != computed:
            raise FrameRefused(f"{source.name}: checksum {sent}; allowed: {computed}")
    if source.counter is not None:
        counter = numbers[source.counter]
        if counter == memory.counter:
            raise FrameRefused(f"{source.name}: counter stuck at {counter}; allowed: any other")
        memory.counter = counter


def _confirmed(
    source: Source, memory: Memory, page: frozenset[int], numbers: Numbers, silenced: Collection[int] = ()
) -> bool:
    """Whether enough frames in a row agree on a new level: then the world did jump.

    Each page of a multiplexed message is confirmed by frames of that page alone; what is unknown says
    nothing.
    """
    if silenced:
        numbers = [
            None if target.slot in silenced else number
            for number, target in zip(numbers, source.targets, strict=False)
        ]
    count, last = memory.jumps.get(page, (0, numbers))
    agrees = all(
        target.slot not in page
        or target.jump is None
        or now is None
        or was is None
        or abs(now - was) * abs(target.scale) <= target.jump
        for target, now, was in zip(source.targets, numbers, last, strict=False)
    )
    count = count + 1 if agrees else 1
    if count >= CONFIRMATIONS:
        memory.jumps.pop(page, None)
        return True
    memory.jumps[page] = count, numbers
    return False
