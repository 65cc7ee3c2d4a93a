"""Single cells that are not told for a while, beside a highest and a lowest: what was learnt is not lost."""

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.charging.charge_cells import CHANGES, OHM_DOUBT, UNKNOWN, Cells
from bridge.core.charging.charge_settings import ChargeSettings, Learnt
from bridge.core.draw.draw_cells import UNSEEN, DrawCells
from bridge.core.draw.draw_settings import DrawSettings

CHARGE = ChargeSettings(4, 280.0, 3.50, 3.40, 14.0, 140.0)
DRAW = DrawSettings(4, 280.0, 2.90, 3.05, 140.0)
OHM = RESISTANCE_V / 280.0
FACTORS = (0.8, 1.0, 1.3, 2.5)


def charging(cells: Cells, factors: tuple[float, ...], *amps: float) -> None:
    """Cells of 3.3 V and so many times the expected resistance, under each current for 4 s."""
    for current_a in amps:
        for _ in range(4):
            cells.update([3.3 + OHM * factor * current_a for factor in factors], current_a, 1.0, 25.0)


def drawing(cells: DrawCells, factors: tuple[float, ...], *amps: float) -> None:
    """The same the other way."""
    for drawn_a in amps:
        for _ in range(4):
            cells.update([3.2 - OHM * factor * drawn_a for factor in factors], drawn_a, 1.0, 25.0)


def test_of_the_highest_alone_the_worst_resistance_is_believed_in_a_charge() -> None:
    """It may be any of them; and with all cells each has its own again, a little less surely."""
    cells = Cells(CHARGE)
    charging(cells, FACTORS, *(10.0, 90.0) * 5)
    learnt, doubt = cells.learnt, cells.doubt
    assert learnt[3] == max(learnt) > 2.0 * min(learnt)
    assert doubt < 1.0

    charging(cells, (FACTORS[0], FACTORS[3]), 90.0)
    assert cells.ohms == pytest.approx([OHM * learnt[3]] * 2)
    assert cells.doubt == pytest.approx(doubt + CHANGES)
    assert cells.learnt == learnt, "a restart now may go on with what was known of all"

    charging(cells, FACTORS, 90.0)
    assert cells.learnt == learnt
    assert doubt < cells.doubt <= doubt + CHANGES


def test_of_cells_never_seen_nothing_is_known_in_a_charge() -> None:
    """The highest and the lowest say nothing of the others."""
    cells = Cells(CHARGE)
    charging(cells, (0.8, 2.5), *(10.0, 90.0) * 5)
    assert cells.doubt < 1.0
    charging(cells, FACTORS, 90.0)
    assert (cells.learnt, cells.doubt) == ((1.0,) * 4, UNKNOWN)


def test_what_was_kept_of_all_cells_serves_the_highest_alone() -> None:
    """After a restart while the single cells are not told."""
    cells = Cells(CHARGE, Learnt(FACTORS))
    charging(cells, (0.8, 2.5), 90.0)
    assert (cells.ohms, cells.doubt) == ([OHM * 2.5] * 2, OHM_DOUBT)
    assert cells.learnt == FACTORS


def test_a_string_of_two_cells_has_no_others() -> None:
    """Each keeps its own."""
    cells = Cells(ChargeSettings(2, 280.0, 3.50, 3.40, 7.0, 140.0), Learnt((0.8, 2.5)))
    charging(cells, (0.8, 2.5), 90.0)
    assert cells.learnt == (0.8, 2.5)


def test_what_was_kept_of_two_stays_until_there_is_a_reading() -> None:
    """Where only a highest and a lowest are read, these are what there is."""
    assert Cells(CHARGE, Learnt((0.8, 2.5))).learnt == (0.8, 2.5)


def test_of_the_lowest_alone_the_worst_resistance_is_believed_in_a_discharge() -> None:
    """The same of what is drawn."""
    cells = DrawCells(DRAW)
    drawing(cells, FACTORS, *(80.0, 10.0) * 6)
    learnt = list(cells.learnt)
    assert learnt == pytest.approx(FACTORS, rel=0.05)

    drawing(cells, (FACTORS[3],), 10.0)
    assert cells.factors == [learnt[3]]
    assert cells.learnt == learnt

    drawing(cells, FACTORS, 10.0)
    assert cells.factors == cells.learnt == learnt


def test_of_cells_never_seen_nothing_is_known_in_a_discharge() -> None:
    """A cell that has not been seen is taken for a bad one."""
    cells = DrawCells(DRAW)
    drawing(cells, (0.8,), *(80.0, 10.0) * 6)
    assert cells.factors == pytest.approx([0.8], rel=0.05)
    drawing(cells, FACTORS, 10.0)
    assert cells.factors == [UNSEEN] * 4
