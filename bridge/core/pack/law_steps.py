"""When the law of a bank steps."""

from typing import Final

from bridge.core.pack.state import Reading
from bridge.core.plan.plan import SECOND_US

STEP_US: Final = SECOND_US
"""With new cells this often, and at once when the extreme cell has moved towards its bound."""

STALE_STEP_US: Final = 3 * SECOND_US
"""And this often while no new ones come in: only the age of the readings grows."""

LATE: Final = 1.25
"""The first of these is made when the cells are late by so much of their own time."""

MOST_GAP_US: Final = 12 * SECOND_US
"""What passed in a longer gap is not known, nor does it tell how often the pack speaks."""

MOVED_V: Final = 0.002
"""Move of the extreme cell that is not left to the next step."""


class Pace:
    """Mutable; one for each law of a bank.

    New is what the stamp of the cells says is new: a frame with something else does not make them so. And an
    extreme that has moved: it may be told beside the cells, and more often.

    Attributes:
        fresh: whether new cells had come in at the last question.
        age_s: how old the oldest of them was then.
        waited_s: how old the ones before had become when these came.
        next_us: when the law steps next, with the same cells.
        idle: with cells that say the same, another step would come to the same, however much later.
    """

    def __init__(self) -> None:
        self._cells_us: int | None = None
        self._extreme_v = 0.0
        self._stepped_us: int | None = None
        self._waits = False
        self.fresh = True
        self.age_s = self.waited_s = 0.0
        self.next_us = 0
        self.idle = True

    def settled(self, t_us: int, reading: Reading) -> bool:
        """Whether a step at `t_us`, with a reading that says the same, would be none or change nothing."""
        return self.idle or not self._due(t_us, fresh=self._renewed(reading))

    def step_s(self, t_us: int, reading: Reading, extreme_v: float) -> float | None:
        """How long the step is that is due now, s; `None` if none is.

        Args:
            t_us: now.
            reading: the bank as it stands.
            extreme_v: the cell that matters, signed so that its bound lies above.
        """
        before_us = self._stepped_us
        renewed = self._renewed(reading)
        moved = extreme_v > self._extreme_v + MOVED_V
        self.fresh = renewed or moved
        step_us = STEP_US
        if before_us is not None:
            if not (self._due(t_us, fresh=renewed) or (moved and t_us > before_us)):
                return None
            step_us = min(t_us - before_us, MOST_GAP_US)
        if self.fresh:
            self._cells_us, self._extreme_v = reading.cells_us, extreme_v
            self.age_s = 0.0 if reading.cells_us is None else (t_us - reading.cells_us) / SECOND_US
            self.waited_s = min(reading.cells_waited_us or 0, MOST_GAP_US) / SECOND_US
        self._stepped_us, self._waits = t_us, not self.fresh
        late_us = max(STEP_US, round(LATE * self.waited_s * SECOND_US))
        self.next_us = t_us + (min(late_us, STALE_STEP_US) if self.fresh else STALE_STEP_US)
        return step_us / SECOND_US

    def _renewed(self, reading: Reading) -> bool:
        return reading.cells_us is None or reading.cells_us != self._cells_us

    def _due(self, t_us: int, *, fresh: bool) -> bool:
        """Cells that were waited for do not wait: the current beside them is of the same moment."""
        if not fresh or self._stepped_us is None:
            return t_us >= self.next_us
        return t_us > self._stepped_us if self._waits else t_us >= self._stepped_us + STEP_US
