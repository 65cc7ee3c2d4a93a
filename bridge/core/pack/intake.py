"""Whether one received frame is believed: checksum, counter, believable span, largest believable jump.

A frame with a required reading that cannot be believed is taken not at all. One that is not required costs
itself alone, and so does one that its sender marks as unknown: nothing was said of it, and it gets older.
What a permission or a switch says must never rest on a number that says neither yes nor no: the first is
withdrawn at once, and a bank is not taken to be apart on the word of an earlier frame.
"""

from collections.abc import Collection, Sequence
from math import isfinite

from bridge.core.plan.plan import Source, Target
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


class Judgement:
    """What is believed of a frame.

    Attributes:
        readings: by slot.
        silenced: slots of which nothing was said, or nothing that can be believed.
        left: what is not believed, by slot, and why; nothing of it is required.
        refusal: why the frame is taken not at all.
    """

    __slots__ = ("left", "readings", "refusal", "silenced")

    def __init__(self) -> None:
        self.readings: list[tuple[int, float]] = []
        self.silenced: list[int] = []
        self.left: dict[int, str] = {}
        self.refusal: FrameRefused | None = None


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
    judged = Judgement()
    jump: str | None = None
    for number, target in zip(numbers, source.targets, strict=False):
        if number is None:  # on another page of a multiplexed message
            continue
        slot = target.slot
        if target.unknown and is_unknown(target, number):
            judged.silenced.append(slot)
            continue
        found, problem = number * target.scale + target.shift, None
        if target.truth is not None or not target.low <= found <= target.high:  # seldom: most are in order
            found, problem = _read(target, number)
        if problem is None and target.jump is not None:
            jumped = _jumped(target, values[slot], found)
            if slot in required:
                jump = jump or jumped
            elif jumped is None:
                memory.jumps.pop(frozenset({slot}), None)
            elif not _confirmed(source, memory, frozenset({slot}), numbers):
                problem = jumped
        if problem is None:
            judged.readings.append((slot, found))
            continue
        judged.silenced.append(slot)
        if slot in required:
            judged.refusal = judged.refusal or FrameRefused(f"{source.name}: {problem}")
            continue
        judged.left[slot] = problem
        if slot in permissions:  # what is neither yes nor no permits nothing
            judged.readings.append((slot, 0.0))
    if judged.refusal is None and (jump is not None or memory.jumps):
        there = zip(numbers, source.targets, strict=False)
        page = frozenset(one.slot for number, one in there if number is not None and one.slot in required)
        if jump is None:
            memory.jumps.pop(page, None)
        elif not _confirmed(source, memory, page, numbers, judged.silenced):
            judged.refusal = FrameRefused(f"{source.name}: {jump}")
    return judged


def _jumped(target: Target, before: float | None, found: float) -> str | None:
    """Why a reading cannot be believed beside the last one."""
    if target.jump is None or before is None or abs(found - before) <= target.jump:
        return None
    return f"{target.signal} jumped from {before:g} to {found:g}; allowed: a step of {target.jump:g}"


def _read(target: Target, number: float) -> tuple[float, str | None]:
    """What a flag says, or a reading out of its span, and why it cannot be believed."""
    if target.truth is not None:
        if number in target.truth:
            return 1.0, None
        if number in target.falsity:
            return 0.0, None
        yes, no = (", ".join(f"{one:g}" for one in sorted(those)) for those in (target.truth, target.falsity))
        return 0.0, f"{target.signal} {number:g}; allowed: {yes} for yes, {no} for no"
    reading = number * target.scale + target.shift
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
        before, memory.counter = memory.counter, counter
        if source.counter_step and before is not None and counter is not None:
            step = (counter - before) % source.counter_span
            if step > source.counter_step:
                raise FrameRefused(
                    f"{source.name}: counter {counter} after {before}; "
                    f"allowed: at most {source.counter_step} further"
                )


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
