"""Whether one received frame is believed: checksum, counter, believable span, largest believable jump."""

from collections.abc import Sequence

from bridge.core.plan import Source
from bridge.errors import FrameRefused

CONFIRMATIONS = 3
"""Readings that jumped are believed once this many in a row agree with each other (own choice)."""

Numbers = list[float | int | None]


class Memory:
    """What is remembered of one source between frames.

    Attributes:
        counter: rolling counter of the last frame whose checksum was right.
        jumps: for each page (its slots) that jumped and is not yet believed: how many frames in a row agree,
            and the numbers of the last.
        refusal: why a frame was refused; stays until a tick has seen it and a good frame has followed.
        mended: a good frame has followed.
    """

    __slots__ = ("counter", "jumps", "mended", "refusal")

    def __init__(self) -> None:
        self.counter: float | int | None = None
        self.jumps: dict[frozenset[int], tuple[int, Numbers]] = {}
        self.refusal: str | None = None
        self.mended = True


def judge(
    source: Source, memory: Memory, numbers: Numbers, values: Sequence[float | None]
) -> list[tuple[int, float]]:
    """The readings of a frame, by slot; `values` are those believed before. Raises FrameRefused."""
    readings: list[tuple[int, float]] = []
    jump: FrameRefused | None = None
    for number, target in zip(numbers, source.targets, strict=False):
        if number is None:  # on another page of a multiplexed message
            continue
        slot = target.slot
        if target.truth is not None:
            readings.append((slot, 1.0 if number in target.truth else 0.0))
            continue
        reading = number * target.scale + target.shift
        if not target.low <= reading <= target.high:
            raise FrameRefused(
                f"{source.name}: {target.signal} {reading:g}; allowed: {target.low:g} to {target.high:g}"
            )
        before = values[slot]
        if target.jump is not None and before is not None and abs(reading - before) > target.jump:
            jump = jump or FrameRefused(
                f"{source.name}: {target.signal} jumped from {before:g} to {reading:g}; "
                f"allowed: a step of {target.jump:g}"
            )
        readings.append((slot, reading))
    if jump is not None or memory.jumps:
        page = frozenset(slot for slot, _ in readings)
        if jump is not None:
            _confirm(source, memory, page, numbers, jump)
        memory.jumps.pop(page, None)
    return readings


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


def _confirm(
    source: Source, memory: Memory, page: frozenset[int], numbers: Numbers, jump: FrameRefused
) -> None:
    """Refuses a jump, unless enough frames in a row agree on the new level: then the world did jump.

    Each page of a multiplexed message is confirmed by frames of that page alone.
    """
    count, last = memory.jumps.get(page, (0, numbers))
    agrees = all(
        target.jump is None or now is None or was is None or abs(now - was) * abs(target.scale) <= target.jump
        for target, now, was in zip(source.targets, numbers, last, strict=False)
    )
    count = count + 1 if agrees else 1
    memory.jumps[page] = count, numbers
    if count < CONFIRMATIONS:
        raise jump
