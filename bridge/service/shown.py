"""Frames in words, for a dry run: what would be sent, as bytes and as the receiver would read them."""

from typing import Final

from bridge.core.engine import Due
from bridge.core.plan.plan import Plan
from bridge.core.wire.codec import Decoder
from bridge.frames import Frame

AGAIN_US: Final = 1_000_000
"""A frame that changed is shown again at most this often; one that did not change, not at all."""


class ShownFrames:
    """Says what is new among the frames that would be sent."""

    def __init__(self, plan: Plan) -> None:
        self._readers = {
            (one.bus, one.layout.key): (one.layout, Decoder(one.layout, [f.name for f in one.layout.fields]))
            for one in plan.transmissions
        }
        self._shown: dict[tuple[str, int, tuple[str, ...]], tuple[Frame, int]] = {}

    def line(self, due: Due) -> str | None:
        """`would send 0A6#… on cabin: PackBounds charge_amps_most=140.0A …`, or `None` if that is no news."""
        frame = due.frame
        layout, decoder = self._readers[frame.bus, frame.key]
        values = decoder.decode(frame.data)
        present = [
            (field, value) for field, value in zip(layout.fields, values, strict=True) if value is not None
        ]
        page = (frame.bus, frame.key, tuple(field.name for field, _ in present))
        before, shown_us = self._shown.get(page, (None, -AGAIN_US))
        if frame == before or due.t_us - shown_us < AGAIN_US:
            return None
        self._shown[page] = frame, due.t_us
        told = " ".join(f"{field.name}={value:g}{field.unit}" for field, value in present)
        return f"would send {frame} on {frame.bus}: {layout.name} {told}"
