"""Frames of two runs side by side, with the signals that differ."""

from collections.abc import Sequence
from typing import NamedTuple

from bridge.core.engine import Due
from bridge.core.plan.plan import Plan
from bridge.core.wire.codec import Decoder
from bridge.errors import FrameRefused
from bridge.replay.verify import aligned


class Change(NamedTuple):
    """One signal of a frame, in both runs; `None`: not there."""

    signal: str
    old: float | None
    new: float | None


class FramePair(NamedTuple):
    """A frame that is not the same in both runs; `None`: only the other one has it."""

    t_us: int
    old: Due | None
    new: Due | None
    changes: tuple[Change, ...]


def frame_pairs(old: Sequence[Due], new: Sequence[Due], old_plan: Plan, new_plan: Plan) -> list[FramePair]:
    """The frames of two runs that are not the same, in order of time, each read by its own profile."""
    readers = _Readers(old_plan), _Readers(new_plan)
    pairs = []
    for recorded, replayed in aligned(list(old), list(new)):
        at = recorded or replayed
        if at is not None:
            pairs.append(FramePair(at.t_us, recorded, replayed, _changes(readers, recorded, replayed)))
    return pairs


class _Readers:
    """Reads all signals of the frames a profile sends."""

    def __init__(self, plan: Plan) -> None:
        self._decoders = {}
        for sent in plan.transmissions:
            names = [field.name for field in sent.layout.fields]
            self._decoders[sent.bus, sent.layout.key] = names, Decoder(sent.layout, names)

    def read(self, due: Due | None) -> dict[str, float | None]:
        """Signals of a frame by name; nothing for one the profile does not send."""
        if due is None or (due.frame.bus, due.frame.key) not in self._decoders:
            return {}
        names, decoder = self._decoders[due.frame.bus, due.frame.key]
        try:
            return dict(zip(names, decoder.decode(due.frame.data), strict=True))
        except FrameRefused:
            return {}


def _changes(readers: tuple[_Readers, _Readers], old: Due | None, new: Due | None) -> tuple[Change, ...]:
    if old is None or new is None:
        return ()
    before, after = readers[0].read(old), readers[1].read(new)
    names = [*before, *(name for name in after if name not in before)]
    changes = (Change(name, before.get(name), after.get(name)) for name in names)
    return tuple(change for change in changes if change.old != change.new)
