"""What is looked at while homes live."""

from typing import Final

import numpy as np

from tests.homes.cells import Array, Flags
from tests.homes.chargers import PIECE_S, Chargers
from tests.homes.draw import Homes

TRIP_V: Final = 3.65
STALL_SHARE, STALL_V = 0.02, 0.020
"""A limit stalls that lets through less than this share of the most, though the highest cell lacks this
much.
"""

BINDS_SHARE: Final = 0.05
"""A limit is to bind when this share of the most more would flow, or does."""

FORGET_S: Final = 30.0
"""What a load that went has charged is taken back within this time."""


class Watch:
    """The worst of each home so far.

    Attributes:
        lives: the homes that have not come to their end.
        peak_v: highest true cell; `tripped`: one was so high that an independent protection acts.
        longest_s, believed_h, called_s: see `run.Outcome`.
    """

    def __init__(self, homes: Homes) -> None:
        count = len(homes)
        self._homes, self._most_a = homes, homes.told.most_a
        self.lives = np.ones(count, bool)
        self.peak_v, self.tripped = np.full(count, -9.0), np.zeros(count, bool)
        self.longest_s, self._stalled_s = np.zeros(count), np.zeros(count)
        self.believed_h, self.called_s = np.zeros(count), np.full(count, np.nan)
        self._bound_s = np.full(count, np.nan)
        least_a = homes.manners.least_a.sum(axis=1)
        self._more_a = np.maximum(2.0 * STALL_SHARE * self._most_a, 1.05 * least_a)

    def look(self) -> None:
        """Every piece of time."""
        high_v = np.where(self.lives, self._homes.banks.high_v, -9.0)
        self.peak_v = np.maximum(self.peak_v, high_v)
        self.tripped |= high_v > TRIP_V

    def judge(
        self,
        chargers: Chargers,
        sent_v: Array,
        sent_a: Array,
        spare_a: Array,
        ignores: tuple[Flags, Flags],
        n: int,
    ) -> None:
        """Every second; `spare_a` is what the source gives beside the loads."""
        homes, has = self._homes, self._homes.has
        little = chargers.lets_a(homes.banks, sent_v, sent_a) < STALL_SHARE * self._most_a
        room = homes.banks.high_v < homes.told.target_v - STALL_V
        stalls = little & room & (spare_a > self._more_a) & ~self.tripped & self.lives
        self._stalled_s = np.where(stalls, self._stalled_s + 1.0, 0.0)
        self.longest_s = np.maximum(self.longest_s, self._stalled_s)
        current, voltage = has["current_ignored"], has["voltage_ignored"]
        wrongly = (ignores[0] & ~current) | (ignores[1] & ~voltage)
        self.believed_h += (wrongly & self.lives) / 3600.0
        binds = chargers.current_a > sent_a + BINDS_SHARE * self._most_a
        self._bound_s = np.where(np.isnan(self._bound_s) & binds & current & self.lives, n, self._bound_s)
        called = self.lives & ignores[0] & np.isnan(self.called_s) & ~np.isnan(self._bound_s)
        self.called_s = np.where(called, n - self._bound_s, self.called_s)

    @property
    def found_s(self) -> Array:
        """Until it was known that the current limit is ignored; infinite if never, not a number if never
        bound.
        """
        never = np.isnan(self.called_s) & ~np.isnan(self._bound_s)
        return np.where(never, np.inf, self.called_s)


class Unasked:
    """What a current that no limit can prevent does to each cell, and what is above the target without it.

    Attributes:
        peak_v: highest true cell of each home, less that.
    """

    def __init__(self, homes: Homes) -> None:
        self._banks = homes.banks
        cells = homes.banks.cells
        self._any = bool((homes.has["switching"] | homes.has["ripple"]).any())
        self._slow_v = [np.zeros_like(cells.charge) for _ in cells.branches]
        self._charge = np.zeros_like(cells.charge)
        self.peak_v = np.full(len(homes), -9.0)

    def look(self, unasked_a: Array, lives: Flags) -> None:
        """Every piece of time, with that part of the current; of homes that still live."""
        banks, cells = self._banks, self._banks.cells
        if not self._any:
            self.peak_v = np.maximum(self.peak_v, np.where(lives, banks.high_v, -9.0))
            return
        amps = (unasked_a[:, None] * banks.share)[:, :, None]
        more_v = cells.ohm * amps
        for volts, (ohm, tau_s, _) in zip(self._slow_v, cells.branches, strict=True):
            kept = float(np.exp(-PIECE_S / tau_s))
            volts *= kept
            volts += ohm * amps * (1.0 - kept)
            more_v = more_v + volts
        self._charge *= float(np.exp(-PIECE_S / FORGET_S))
        self._charge += amps * (PIECE_S / 3600.0) / cells.capacity_ah
        more_v = more_v + cells.slope_v * self._charge
        high_v = np.where(cells.there & lives[:, None, None], banks.cells_v - more_v, -9.0).max(axis=(1, 2))
        self.peak_v = np.maximum(self.peak_v, high_v)
