"""What a receiver of our frames saw: the limits in them, read back by the profile's own transmissions."""

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from bridge.core.engine import Due
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Plan
from bridge.core.wire.codec import Decoder
from bridge.core.wire.outgoing import QuantityItem
from bridge.errors import FrameRefused
from bridge.quantities import LIMITS
from bridge.replay.replay import Mark, Sample

_UNKNOWN = Mark(None, None, "")
_STATE = "failsafe_state"


class _Ear(NamedTuple):
    """Reads the quantities of one message."""

    decoder: Decoder
    items: tuple[QuantityItem, ...]


class Seen:
    """Turns frames into samples. Of messages that say the same quantity the first of the profile counts.

    Attributes:
        names: the limits, and the fail-safe state, that are sent at all.
    """

    def __init__(self, plan: Plan) -> None:
        chosen: dict[str, tuple[tuple[str, int], QuantityItem]] = {}
        layouts = {}
        for sent in plan.transmissions:
            at = (sent.bus, sent.layout.key)
            layouts[at] = sent.layout
            for page in sent.pages:
                for item in page:
                    if isinstance(item, QuantityItem) and item.quantity in (*LIMITS, _STATE):
                        chosen.setdefault(item.quantity, (at, item))
        self.names = frozenset(chosen)
        self._ears: dict[tuple[str, int], _Ear] = {}
        for at in {at for at, _ in chosen.values()}:
            items = tuple(item for where, item in chosen.values() if where == at)
            self._ears[at] = _Ear(Decoder(layouts[at], [item.signal for item in items]), items)

    def samples(self, frames: Sequence[Due], decided: Sequence[Sample] = ()) -> list[Sample]:
        """What holds for the receiver, from its first frame on; a sample for every change.

        Args:
            frames: what was sent, in order.
            decided: where they come from, for the reasons; none if that is not known.
        """
        found: list[Sample] = []
        values: dict[str, float | None] = {}
        stamps = [sample.t_us for sample in decided]
        for due in frames:
            ear = self._ears.get((due.frame.bus, due.frame.key))
            if ear is None or not _hear(ear, due.frame.data, values):
                continue
            at = bisect_right(stamps, due.t_us) - 1
            sample = _sample(due.t_us, values, decided[at] if at >= 0 else None)
            if not found or found[-1][1:] != sample[1:]:
                found.append(sample)
        return found


def _hear(ear: _Ear, data: bytes, values: dict[str, float | None]) -> bool:
    try:
        raws = ear.decoder.raws(data)
    except FrameRefused:  # another sender's message of the same identifier
        return False
    for item, raw in zip(ear.items, raws, strict=True):
        if raw is not None:
            values[item.quantity] = None if raw == item.absent_raw else float(item.grid.to_value(raw))
    return True


def _sample(t_us: int, values: dict[str, float | None], decided: Sample | None) -> Sample:
    marks = []
    for i, name in enumerate(LIMITS):
        mark = decided.marks[i] if decided else _UNKNOWN
        marks.append(mark._replace(value=values.get(name)))
    number = values.get(_STATE)
    state = State(int(number)) if number is not None and number in set(State) else None
    return Sample(t_us, state, decided.cause if decided else "", tuple(marks))
