"""What is believed of each cell while the pack is drawn from."""

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.draw.draw_cells import UNSEEN, DrawCells
from bridge.core.draw.draw_settings import DrawSettings

LFP = DrawSettings(2, 280.0, 2.90, 3.05, 140.0)
OHM = RESISTANCE_V / 280.0


def run(cells: DrawCells, drawn_a: float, seconds: int, factors: tuple[float, float] = (0.8, 3.0)) -> None:
    """Two cells of 3.2 V and so many times the expected resistance."""
    for _ in range(seconds):
        cells.update([3.2 - OHM * factor * drawn_a for factor in factors], drawn_a, 1.0, 25.0)


def test_resistance_is_learnt_between_two_level_stretches() -> None:
    """Of each cell by itself; until then a cell is taken for a bad one."""
    cells = DrawCells(LFP)
    run(cells, 10.0, 5)
    assert cells.factors == [UNSEEN] * 2
    for amps in (80.0, 10.0) * 6:
        run(cells, amps, 4)
    assert cells.factors == pytest.approx([0.8, 3.0], rel=0.05)


def test_a_pack_that_cools_at_rest_has_the_resistances_of_the_cold() -> None:
    """At once, without a step of the current."""
    cells = DrawCells(LFP)
    for coldest_c, scale in ((25.0, 1.0), (0.0, 2.155), (25.0, 1.0)):
        cells.update([3.2, 3.2], 0.0, 1.0, coldest_c)
        assert cells.ohms == pytest.approx([UNSEEN * OHM * scale] * 2, rel=1e-3)


def test_a_change_that_takes_long_teaches_nothing() -> None:
    """What falls in that time is charge, too."""
    cells = DrawCells(LFP)
    run(cells, 10.0, 5)
    for amps in range(10, 80, 5):
        run(cells, float(amps), 1)
    run(cells, 80.0, 5)
    assert cells.factors == [UNSEEN] * 2


def test_a_fall_is_believed_at_once_and_forgotten_slowly() -> None:
    """The slope by charge drawn; a fall that the next reading takes back leaves nothing."""
    cells = DrawCells(LFP)
    volts = 3.0
    for _ in range(40):
        volts -= 0.002
        cells.update([volts, 3.2], 50.0, 1.0, 25.0)
    steep = cells.slopes[0]
    assert steep == pytest.approx(0.002 / 50.0, rel=0.1)
    for _ in range(20):
        cells.update([volts, 3.2], 50.0, 1.0, 25.0)
    assert 0.7 * steep < cells.slopes[0] < steep
    before = cells.slopes[0]
    cells.update([volts - 0.2, 3.2], 50.0, 1.0, 25.0)
    cells.update([volts, 3.2], 50.0, 1.0, 25.0)
    assert cells.slopes[0] <= before + 1e-6


def test_the_step_of_the_sensors_is_found() -> None:
    """The coarsest grid that all readings lie on, and no finer than what is stated."""
    coarse, fine = DrawCells(LFP), DrawCells(LFP)
    coarse.update([3.21, 3.20], 0.0, 1.0, 25.0)
    fine.update([3.213, 3.204], 0.0, 1.0, 25.0)
    assert (coarse.step_v, fine.step_v) == (0.010, 0.001)


def test_a_level_is_never_below_the_reading_and_highest_when_the_reading_has_just_come_down() -> None:
    """In steps of 10 mV: from half a step above the new reading down to it, however fast the fall seems."""
    cells = DrawCells(LFP)
    cells.update([3.03, 3.20], 50.0, 1.0, 25.0)
    cells.update([3.02, 3.20], 50.0, 1.0, 25.0)
    assert cells.levels == pytest.approx([3.025, 3.20])
    cells.slopes = [1e-5, 0.0]
    cells.update([3.02, 3.20], 50.0, 4.0, 25.0)
    assert cells.levels[0] == cells.volts[0] == pytest.approx(3.023, abs=0.0005)
    cells.update([3.02, 3.20], 50.0, 40.0, 25.0)
    assert cells.volts[0] == pytest.approx(3.015)
    assert cells.levels[0] == 3.02


def test_in_the_cold_resistance_and_its_slow_part_are_larger() -> None:
    """By Arrhenius, the slow part more so."""
    warm, cold = DrawCells(LFP), DrawCells(LFP)
    warm.update([3.2, 3.2], 0.0, 1.0, 25.0)
    cold.update([3.2, 3.2], 0.0, 1.0, 0.0)
    assert cold.ohms[0] == pytest.approx(2.15 * warm.ohms[0], rel=0.02)
    assert (warm.diffusion, cold.diffusion) == pytest.approx((1.0, 2.29), rel=0.02)
