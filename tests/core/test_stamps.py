"""How old the cells of a bank are, as its table of readings has it."""

from bridge.core.pack.stamps import Stamps
from tests.core.plans import AGE, Builder

PLAN = Builder(cells=3, parts=frozenset({"extremes", "cells"})).plan()
BARE = Builder(cells=3, parts=frozenset({"cells"})).plan()


def table(cells_us: list[int], low_us: int = 0, high_us: int = 0) -> list[int]:
    """Until when each reading is good, by when it came in: all of them are good for `AGE`."""
    bank, until_us = PLAN.banks[0], [0] * len(PLAN.slots)
    ends = (bank.slots["cell_voltage_min"], bank.slots["cell_voltage_max"])
    for slot, came_us in zip((*bank.cell_slots, *ends), (*cells_us, low_us, high_us), strict=True):
        until_us[slot] = came_us + AGE
    return until_us


def test_all_cells_count_or_else_the_extremes() -> None:
    """The oldest of either."""
    stamps, until_us = Stamps(PLAN.banks[0], PLAN.slots), table([50, 30, 40], 20, 70)
    assert stamps.look(100, until_us, whole=True)[0] == 30
    assert stamps.look(100, until_us, whole=False)[0] == 20


def test_single_cells_count_where_no_extremes_are_read() -> None:
    """Those that are not too old, to the microsecond."""
    bank = BARE.banks[0]
    until_us = [0] * len(BARE.slots)
    for slot, came_us in zip(bank.cell_slots, (50, 30, 40), strict=True):
        until_us[slot] = came_us + AGE
    stamps = Stamps(bank, BARE.slots)
    assert [stamps.look(AGE + t_us, until_us, whole=False)[0] for t_us in (30, 31, 41, 51)] == [
        30,
        40,
        50,
        None,
    ]


def test_how_long_the_oldest_had_stood_is_told_of_what_has_been_renewed() -> None:
    """Of nothing else: not of the same once more, of what went missing, nor of something older."""
    stamps = Stamps(PLAN.banks[0], PLAN.slots)
    rows = [
        (100, table([10, 20, 30]), (10, None)),
        (200, table([110, 20, 30]), (20, 100 + 90)),
        (300, table([110, 20, 30]), (20, 190)),
        (400, table([110, 310, 320]), (110, 380)),
        (500, table([90, 310, 320]), (90, 380)),
        (AGE + 999, table([90, 310, 320]), (None, 380)),
        (AGE + 1100, table([AGE + 1000] * 3), (AGE + 1000, 380)),
        (AGE + 1200, table([AGE + 1200] * 3), (AGE + 1200, 200)),
    ]
    assert [stamps.look(t_us, until_us, whole=True) for t_us, until_us, _ in rows] == [
        found for *_, found in rows
    ]
