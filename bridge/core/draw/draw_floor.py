"""The discharge voltage floor: the string's voltage at which the first cell stands at its own.

When a load comes, all cells sag together, each by its resistance; and so they do when it stays. With D' the
current that takes the first cell to its floor plus margin (see `draw_current`), the string then stands at

    W = V - (R / r)·(v - floor - margin - s·D'·t)

with R the resistance of the string, r that of the cell and v its voltage. W depends on neither the load
nor on how long it has been there: it moves only as that cell falls behind the others, and may be held.

What the inverter's voltmeter reads is not known. The current limit is the finer of the two: the floor stands
behind it, lower than W by that error, the cable's drop at the current that the cells bear and as much as it
may be held above its goal. Where W comes down, as with a bad contact whose sag goes with the current, it so
ends no discharge that the current limit still allows, but for the time that it waits.
Once the current limit is seen to be ignored, or a cell at its floor, the floor carries the pack alone, higher
than W by that error.
"""

import math

from bridge.core.draw.draw_settings import DrawSettings

BAND_V = 0.15
"""The floor goes down again only when it stands this far above its goal: one and a half steps on the wire."""

WAIT_S = 300.0
"""And only so long after it last moved, to the highest its goal has been since, for pulsing loads move that.
At once if the inverter has shown more of itself, or a reading was wrong."""


class DrawFloor:
    """The floor over time: up at once, down late. Mutable; owned by one law.

    Attributes:
        band_v: how far above its goal the floor may stand for as long as that stays, V.
        value: the floor, V, on the wire's grid.
    """

    def __init__(self, settings: DrawSettings) -> None:
        self._settings = settings
        self._least_v = settings.cells * settings.floor_v
        self._steady_s = 0.0
        self._highest_v = self._least_v
        self.band_v = max(BAND_V, settings.wire_v)
        self.value = self._grid(self._least_v)

    def _grid(self, volts: float) -> float:
        """The next step at or above."""
        step = self._settings.wire_v
        return round(math.ceil(volts / step - 1e-6) * step, 6)

    def follow(self, goal_v: float, dt_s: float, *, at_once: bool) -> float:
        """Keeps the floor at or above `goal_v`.

        Args:
            goal_v: W, with what is allowed for the voltmeter.
            dt_s: since the last step.
            at_once: it may go down without waiting.
        """
        goal = max(goal_v, self._least_v)
        self._steady_s += dt_s
        self._highest_v = max(self._highest_v, goal)
        low_v = self.value - self.band_v
        if goal > self.value + 1e-9 or (at_once and goal < low_v):
            self._stand(goal, goal)
        elif self._steady_s >= WAIT_S:
            self._stand(self._highest_v if self._highest_v < low_v else self.value, goal)
        return self.value

    def _stand(self, value_v: float, goal_v: float) -> None:
        """Where it stands from now on, and a wait begins."""
        self.value = self._grid(value_v)
        self._highest_v = goal_v
        self._steady_s = 0.0
