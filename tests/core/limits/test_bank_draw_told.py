"""What the discharge law of one bank is told, and how it fits the whole pack."""

import pytest

from bridge.core.draw.bank_draw import BankDraw
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import SECOND_US
from tests.core.limits.test_bank_charge import reading
from tests.core.limits.test_bank_draw import amps_of, law


def apart(cells_v: list[float], low_v: float) -> Reading:
    """A bank whose lowest cell is told besides; the string's voltage is not."""
    return reading(2.97, 0.0)._replace(pack_v=None, cells_v=cells_v, low_v=low_v)


def test_a_lowest_cell_that_is_told_apart_counts() -> None:
    """When it is lower than each: as if the lowest of them had said so."""
    cells_v = [3.28, 2.97, 2.92, *[2.97] * 13]
    told, shown = law(), law()
    for t_s in range(1, 9):
        found = told.contributions(t_s * SECOND_US, apart(cells_v, 2.91), 1.0, 120.0)
        lower = apart([*cells_v[:2], 2.91, *cells_v[3:]], 3.3)
        assert found == shown.contributions(t_s * SECOND_US, lower, 1.0, 120.0)
    assert found is not None
    assert found[0] is not None
    assert found[0].value > 46.5


def test_the_lowest_cell_alone_is_enough() -> None:
    """Without the others there is a current all the same."""
    alone = amps_of(law(), 1, reading(2.95, 0.0)._replace(cells_v=None))
    assert alone == amps_of(law(), 1, reading(2.95, 0.0)) > 0.0


def test_it_rises_by_three_percent_of_the_most_a_second() -> None:
    """120 A here, after a low cell that the next three readings contradict."""
    bank = law()
    assert amps_of(bank, 1, reading(2.90, 0.0)) == 0.0
    rises = [amps_of(bank, t_s, reading(3.20, 0.0)) for t_s in range(2, 8)]
    assert rises == pytest.approx([0.0, 0.0, 3.6, 7.2, 10.8, 14.4])


def ignored(bank: BankDraw, share: float) -> bool:
    """Whether two minutes of 9 A are told to pass by the bank's share of 10 A."""
    for t_s in range(1, 120):
        amps_of(bank, t_s, reading(2.92, -9.0), share, share * 10.0)
    return bool(bank.warnings)


def test_a_bank_is_held_to_its_share_of_what_was_sent() -> None:
    """Half of 10 A is passed by, the whole is not."""
    assert not ignored(law(), 1.0)
    assert ignored(law(), 0.5)
