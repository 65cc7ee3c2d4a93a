"""How old what the laws of a bank go by is: by accepted frames that carry its cells, and by nothing else."""

from collections.abc import Callable, Iterable, Sequence
from operator import itemgetter
from typing import Any

from bridge.core.plan.plan import Bank, Slot


def picker(slots: Sequence[int]) -> Callable[[Sequence[Any]], Sequence[Any]]:
    """What gives the entries of some slots of a table, all at once."""
    if len(slots) > 1:
        return itemgetter(*slots)
    return lambda table: [table[slot] for slot in slots]


class Stamps:
    """Of one bank. Mutable; owned by the state of one pack.

    All cells, if each is known: the oldest of them, because a law looks at every one. Else the extremes that
    are told, or what single cells there are.
    """

    def __init__(self, bank: Bank, slots: Sequence[Slot]) -> None:
        """Nothing was renewed yet."""

        def aged(numbers: Iterable[int]) -> tuple[tuple[int, int], ...]:
            return tuple((slot, slots[slot].max_age_us) for slot in numbers)

        ages_us = {slots[slot].max_age_us for slot in bank.cell_slots}
        self._age_us = ages_us.pop() if len(ages_us) == 1 else None
        self._of_cells = picker(bank.cell_slots)

        ends = ("cell_voltage_min", "cell_voltage_max")
        self._cells = aged(bank.cell_slots)
        self._ends = aged(bank.slots[name] for name in ends if name in bank.slots)
        self._oldest_us: int | None = None
        self._waited_us: int | None = None

    def look(self, t_us: int, until_us: Sequence[int], *, whole: bool) -> tuple[int | None, int | None]:
        """When the oldest came in, and how old the oldest had become when it was renewed last."""
        oldest_us: int | None
        if whole and self._age_us is not None and (end_us := min(self._of_cells(until_us))) >= t_us:
            oldest_us = end_us - self._age_us
        else:
            rows = self._cells if whole else self._ends or self._cells
            came = [until_us[slot] - age_us for slot, age_us in rows if until_us[slot] >= t_us]
            oldest_us = min(came, default=None)
        before_us = self._oldest_us
        if oldest_us is not None and before_us is not None and oldest_us > before_us:
            self._waited_us = t_us - before_us
        self._oldest_us = oldest_us
        return oldest_us, self._waited_us
