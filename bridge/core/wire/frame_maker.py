"""Makes the frames of all transmissions, and none twice that would come out the same."""

from collections.abc import Mapping, Sequence

from bridge.core.wire.outgoing import CounterItem, FrameBuilder, Transmission
from bridge.frames import Frame

_Values = Mapping[str, float | None]


class FrameMaker:
    """One builder for each transmission. Mutable; owned by one engine."""

    def __init__(self, transmissions: Sequence[Transmission]) -> None:
        """Raises NotExpressible if a transmission cannot be built at all."""
        self._builders = [FrameBuilder(transmission) for transmission in transmissions]
        self._repeats = [_repeats(transmission) for transmission in transmissions]
        self._made: list[tuple[_Values | None, Frame | None]] = [(None, None)] * len(transmissions)

    def go_on(self, i: int, other: "FrameMaker", j: int) -> None:
        """The `i`th transmission goes on where the `j`th of another maker stands: page and counters."""
        self._builders[i].go_on(other._builders[j])

    def page(self, i: int) -> int:
        """The page of the `i`th transmission that `make` gives next."""
        return self._builders[i].next_page

    def make(self, i: int, values: _Values) -> Frame:
        """The next frame of the `i`th transmission.

        Args:
            i: index in the plan.
            values: quantities by name; the very object given before means that nothing has changed.

        Raises:
            NotExpressible: see `FrameBuilder.build`.
        """
        before, frame = self._made[i]
        if frame is None or before is not values:
            frame = self._builders[i].build(values)
            if self._repeats[i]:
                self._made[i] = values, frame
        return frame


def _repeats(transmission: Transmission) -> bool:
    """Whether the same values always give the same frame: one page, and nothing that counts."""
    pages = transmission.pages
    return len(pages) == 1 and not any(isinstance(item, CounterItem) for item in pages[0])
