"""When the law of a bank steps."""

from typing import Final

from bridge.core.pack import Reading
from bridge.core.plan import SECOND_US

STEP_US: Final = SECOND_US
"""With new readings this often, and at once when the extreme cell has moved towards its bound."""

STALE_STEP_US: Final = 3 * SECOND_US
"""And this often while nothing new comes in: only the age of the readings grows."""

MOST_GAP_US: Final = 12 * SECOND_US
"""What passed in a longer gap is not known, nor does it tell how often the pack speaks."""

MOVED_V: Final = 0.002
"""Move of the extreme cell that is not left to the next step."""


class Pace:
    """Mutable; one for each law of a bank.

    Attributes:
        fresh: whether anything had come in at the last question.
        next_us: when the law steps next, with the same readings.
        idle: with the same readings, another step would come to the same, however much later.
    """

    def __init__(self) -> None:
        self._reading: Reading | None = None
        self._extreme_v = 0.0
        self._stepped_us: int | None = None
        self.fresh = True
        self.next_us = 0
        self.idle = True

    def settled(self, t_us: int) -> bool:
        """Whether a step at `t_us`, with the same readings, would be none or change nothing."""
        return self.idle or t_us < self.next_us

    def step_s(self, t_us: int, reading: Reading, extreme_v: float) -> float | None:
        """How long the step is that is due now, s; `None` if none is.

        Args:
            t_us: now.
            reading: the bank as it stands; a new object if anything new came in.
            extreme_v: the cell that matters, signed so that its bound lies above.
        """
        before_us = self._stepped_us
        self.fresh = reading is not self._reading
        step_us = STEP_US
        if before_us is not None:
            due = t_us >= self.next_us or (self.fresh and t_us >= before_us + STEP_US)
            if not (due or (extreme_v > self._extreme_v + MOVED_V and t_us > before_us)):
                return None
            step_us = min(t_us - before_us, MOST_GAP_US)
        self._reading, self._extreme_v, self._stepped_us = reading, extreme_v, t_us
        self.next_us = t_us + (STEP_US if self.fresh else STALE_STEP_US)
        return step_us / SECOND_US
