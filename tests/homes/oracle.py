"""What is possible: the most that any charger could take, and the least that any limit must come over."""

from typing import Final

import numpy as np

from tests.homes.cells import Array, Flags
from tests.homes.chargers import PIECE_S, Chargers
from tests.homes.draw import Homes
from tests.homes.sensors import Seen

FULL_C: Final = 0.02
AFTER_S: Final = 1800


def best(homes: Homes, seconds: int) -> tuple[Array, Array]:
    """The charge taken by each second, of each home, Ah; and when it is full, the last second if never.

    It knows every true cell, and follows sun and loads at once; bound by the ceiling of the charge voltage,
    as the chargers set it. It ends half an hour after the last is full. `homes` are used up.
    """
    banks, told = homes.banks, homes.told
    chargers, ceiling_v = Chargers(homes.manners), told.cells * told.target_v
    rated_ah = told.banks_ah.sum(axis=1)
    full = np.full(len(homes), -1)
    taken = [np.zeros(len(homes))]
    for n in range(seconds):
        added = np.zeros(len(homes))
        spare_a = homes.source_a[n] - homes.load_a[n]
        for _ in range(round(1.0 / PIECE_S)):
            most_a = np.minimum(np.minimum(spare_a, told.most_a), chargers.ceiling_a(banks, ceiling_v))
            current = banks.largest_a(told.target_v, most_a, PIECE_S)
            current = np.maximum(current, np.minimum(most_a, 0.0))
            banks.flow(current, PIECE_S)
            added += current * PIECE_S / 3600.0
        taken.append(taken[-1] + added)
        little = (current < FULL_C * rated_ah) & (spare_a > 2.0 * FULL_C * rated_ah)
        done = (full < 0) & little
        full = np.where(done, n, full)
        if full.min() >= 0 and n >= full.max() + AFTER_S:
            break
    return np.array(taken), np.where(full < 0, len(taken) - 1, full)


class OracleLimits:
    """Sends limits, as a law does, with the same delays; it knows every true cell and charger, and the loads.

    What it does not know is that a load will go, or the source ripple: how far it comes over the target is
    what no limit can prevent. Where the current limit is ignored it limits by the voltage.
    """

    step_us = 0.0

    def __init__(self, homes: Homes) -> None:
        self._homes = homes
        self._span_s = homes.manners.answer_s + 1.0
        self._reads_v = np.where(homes.manners.there, homes.manners.reads_v, -9.0).max(axis=1)
        self._current = ~homes.has["current_ignored"]
        self._none = np.zeros(len(homes), bool)

    def step(self, n: int, seen: Seen, sent_v: Array, sent_a: Array) -> tuple[Array, Array, Flags, Flags]:
        """One second further."""
        del n, seen, sent_v, sent_a
        told, banks = self._homes.told, self._homes.banks
        amps = banks.largest_a(told.target_v, told.most_a, self._span_s)
        ceiling_v = told.cells * told.target_v
        volts = np.minimum(ceiling_v, banks.emf_v + banks.ohm * amps - self._reads_v)
        return np.where(self._current, ceiling_v, volts), np.maximum(amps, 0.0), self._none, self._none
