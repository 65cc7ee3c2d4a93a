"""The step of the cell sensors, found in what they say."""

from collections.abc import Sequence
from typing import Final

GRIDS_MV: Final = (10, 5, 2)


class SensorStep:
    """Mutable. `stated_v`: the least it can be, V."""

    def __init__(self, stated_v: float) -> None:
        self._stated_v = stated_v
        self._grid = 0
        self._told: tuple[float, ...] = ()

    def found_v(self, cells_v: Sequence[float]) -> float:
        """The coarsest grid that all readings so far lie on, V; what was ruled out stays so."""
        told = tuple(cells_v)
        while self._grid < len(GRIDS_MV) and told != self._told:
            grid = GRIDS_MV[self._grid]
            if all(round(v * 1000.0) % grid == 0 for v in told):
                self._told = told
            else:
                self._grid += 1
        found = GRIDS_MV[self._grid] / 1000.0 if self._grid < len(GRIDS_MV) else 0.0
        return max(found, self._stated_v)
