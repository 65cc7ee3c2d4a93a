"""Shares by need: what an inverter does not use goes to those that do.

Each keeps a least part, so that it can show that it wants more; the rest follows the currents that the
inverters report, smoothed. Where one of them reports none, or none is worth speaking of, the fixed shares
hold.
"""

from collections.abc import Sequence
from typing import Final

from bridge.core.plan.shares import FINE, WAYS

LEAST: Final = 0.25
"""Of its fixed share each keeps so much (own choice)."""

SMOOTH_S: Final = 10.0
"""Time constant of what is taken for an inverter's current (own choice: some times its response)."""

LOOK_US: Final = 1_000_000
"""Shares move at most so often."""

WORTH: Final = 0.02
"""Currents that together are less than this share of the pack's limit ask for nothing (own choice)."""

Row = tuple[int, ...]


class Needs:
    """Where the parts go. Mutable.

    Attributes:
        shares: for charging and for discharging, the parts of each; never more than the whole.
    """

    def __init__(
        self, whole: int, fixed: tuple[Row, Row], caps_a: tuple[float, float], start_us: int
    ) -> None:
        self._whole = whole
        self._fixed = fixed
        self._worth_a = [WORTH * cap_a for cap_a in caps_a]
        self._levels_a: list[list[float]] = [[], []]
        self._looked_us = start_us
        self.shares = fixed

    def look(self, t_us: int, currents_a: Sequence[float | None]) -> None:
        """Takes the current each reports, positive when it charges; `None`: not known, or to be doubted."""
        elapsed_us = t_us - self._looked_us
        if elapsed_us < LOOK_US:
            return
        self._looked_us = t_us
        keep = max(0.0, 1.0 - elapsed_us / 1e6 / SMOOTH_S)
        charge, draw = (self._way(way, currents_a, keep) for way in WAYS)
        self.shares = charge, draw

    def _way(self, way: int, currents_a: Sequence[float | None], keep: float) -> Row:
        fixed, sign = self._fixed[way], 1.0 if way == 0 else -1.0
        rows = [(current_a, share) for current_a, share in zip(currents_a, fixed, strict=True)]
        if any(current_a is None for current_a, share in rows if share):
            self._levels_a[way] = []
            return fixed
        now_a = [
            max(0.0, sign * current_a) if share and current_a is not None else 0.0
            for current_a, share in rows
        ]
        before_a = self._levels_a[way] or now_a
        levels_a = [now + keep * (before - now) for now, before in zip(now_a, before_a, strict=True)]
        self._levels_a[way] = levels_a
        used_a = sum(levels_a)
        if used_a < self._worth_a[way]:
            return fixed
        to_give = sum(fixed) * (1.0 - LEAST)
        step = self._whole // FINE
        return tuple(
            int((LEAST * share + to_give * level_a / used_a) / step) * step
            for share, level_a in zip(fixed, levels_a, strict=True)
        )
