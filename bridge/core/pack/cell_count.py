"""How many cells a bank has, as far as its voltages tell: one more or less than configured is 3 V on a pack.

N cells between the lowest v_min and the highest v_max make a pack voltage from N·v_min to N·v_max. With the
cells close together only one N fits; with them far apart several do. So a wrong number, once believed, is
taken back only by readings that only the configured number fits.
"""

from collections.abc import Sequence


class CellCount:
    """Watches one bank's number of cells. Mutable.

    Args:
        cells: configured cells in series.
        tolerance_v: largest believable difference for the whole string, V.
    """

    def __init__(self, cells: int, tolerance_v: float) -> None:
        self._cells = cells
        self._tolerance_v = tolerance_v
        self._suspected: int | None = None
        self._believed: int | None = None

    def judge(
        self,
        found: str | None,
        pack_v: float | None,
        low_v: float | None,
        high_v: float | None,
        cells_v: Sequence[float] | None,
    ) -> str | None:
        """A contradiction in words, with the number of cells that would explain it; `None`: there is none.

        Args:
            found: what contradicts itself now, in words.
            pack_v, low_v, high_v, cells_v: what is known, V.
        """
        self._suspected = None
        if found is not None:
            self._suspected = self._explained_by(pack_v, low_v, high_v, cells_v)
            return found if self._suspected is None else f"{found}, {self._as_if(self._suspected)}"
        if self._believed is None or self._certain(pack_v, low_v, high_v, cells_v):
            self._believed = None
            return None
        return f"earlier readings looked {self._as_if(self._believed)}, and nothing has ruled it out since"

    def believe(self) -> None:
        """The last contradiction has lasted for too long to be chance."""
        self._believed = self._suspected or self._believed

    def _as_if(self, count: int) -> str:
        return f"as if there were {count} cells, {self._cells} are configured"

    def _explained_by(
        self,
        pack_v: float | None,
        low_v: float | None,
        high_v: float | None,
        cells_v: Sequence[float] | None,
    ) -> int | None:
        """Another number of cells that fits all that is known."""
        if pack_v is None or low_v is None or high_v is None or low_v <= 0.0:
            return None
        mean_v = sum(cells_v) / len(cells_v) if cells_v else (low_v + high_v) / 2
        count = round(pack_v / mean_v)
        slack_v = self._tolerance_v
        fits = count * low_v - slack_v <= pack_v <= count * high_v + slack_v
        return count if fits and count != self._cells else None

    def _certain(
        self,
        pack_v: float | None,
        low_v: float | None,
        high_v: float | None,
        cells_v: Sequence[float] | None,
    ) -> bool:
        """Whether only the configured number fits; called where it does fit."""
        if pack_v is None:
            return False
        if cells_v:  # their sum has just been found to be the pack voltage
            return True
        if low_v is None or high_v is None:
            return False
        slack_v = self._tolerance_v
        return (self._cells - 1) * high_v + slack_v < pack_v < (self._cells + 1) * low_v - slack_v
