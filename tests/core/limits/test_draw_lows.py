"""The lowest that a cell may be while the pack is drawn from, number by number."""

from dataclasses import replace

import pytest

from bridge.core.limits.draw_cells import RESISTANCE_V, DrawCells
from bridge.core.limits.draw_settings import DrawSettings

COARSE = DrawSettings(2, 280.0, 2.90, 3.05, 140.0, sensor_step_v=0.010)
OHM = RESISTANCE_V / 280.0
FOLD = 0.03 * 3600.0 * 280.0
"""Charge, As, in which the curve falls by an e-fold, at least."""


def curve(rest_v: float) -> float:
    """How fast the curve falls with the charge drawn where a cell would rest at this voltage, V/As."""
    return (2.0 * 3.05 - 2.90 - rest_v) / FOLD


def stood(
    drawn_a: float = 0.0,
    slope: float = 0.0,
    *,
    shown: float = 3.02,
    low_v: float = 3.02,
    settings: DrawSettings = COARSE,
) -> DrawCells:
    """Two cells of the expected resistance, the first of which shows this and may be as low as that."""
    cells = DrawCells(settings, (1.0, 1.0))
    cells.update([shown, 3.30], drawn_a, 1.0, 25.0)
    cells.lows[0], cells.slopes[0] = low_v, slope
    return cells


def low_after(cells: DrawCells, drawn_a: float, elapsed_s: float = 1.0, shown: float = 3.02) -> float:
    """How low the first cell may be by the next reading."""
    cells.update([shown, 3.30], drawn_a, elapsed_s, 25.0)
    return cells.lows[0]


def test_at_first_it_is_half_a_step_below_what_is_shown() -> None:
    """Under whatever current, and so for other cells."""
    cells = DrawCells(COARSE)
    for shown in ([3.02, 3.30], [3.01], [2.90, 3.00]):
        cells.update(shown, 50.0, 1.0, 25.0)
        assert cells.lows == pytest.approx([volt - 0.005 for volt in shown])


def test_the_first_readings_tell_of_coarse_sensors() -> None:
    """Which are not what was stated: the cell may be lower by half of the step that they lie on."""
    cells = DrawCells(replace(COARSE, sensor_step_v=0.001))
    cells.update([3.02, 3.30], 0.0, 1.0, 25.0)
    assert cells.lows == pytest.approx([3.015, 3.295])


def test_once_the_reading_has_come_down_it_is_at_the_edge() -> None:
    """Half a step above the new reading, for the cell has just passed it; likewise below one that went up."""
    assert low_after(stood(), 0.0, shown=3.01) == pytest.approx(3.015)
    assert low_after(stood(), 0.0, shown=3.03) == pytest.approx(3.025)


def test_it_keeps_within_half_a_step_of_what_is_shown() -> None:
    """However much is drawn, or charged."""
    cells = stood()
    assert low_after(cells, 100.0) == pytest.approx(3.015)
    assert low_after(cells, -100.0) == pytest.approx(3.025)


@pytest.mark.parametrize(
    ("from_a", "to_a", "slope", "elapsed_s", "fall_v"),
    [
        (0.0, 10.0, 0.0, 1.0, 10.0 * OHM + curve(3.02) * 11.0),
        (10.0, 0.0, 0.0, 1.0, -0.4 * 10.0 * OHM + curve(3.02 + 10.0 * OHM) * 1.0),
        (0.0, 0.5, 0.0, 1.0, 0.5 * OHM + curve(3.02) * 1.5),
        (0.5, 0.0, 0.0, 1.0, -0.4 * 0.5 * OHM + curve(3.02 + 0.5 * OHM) * 1.0),
        (5.0, -5.0, 0.0, 9.0, -0.4 * 10.0 * OHM),
        (50.0, 50.0, 2e-5, 2.0, 1.3 * 2e-5 * 102.0),
        (50.0, 50.0, 4e-6, 2.0, curve(3.02 + 50.0 * OHM - 4e-6 * 100.0) * 102.0),
        (0.0, 0.0, 0.0, 300.0, curve(3.02) * 300.0),
        (0.0, 0.0, 1e-5, 300.0, 1.3 * 1e-5 * 300.0),
        (-0.6, -0.6, 0.0, 300.0, curve(3.02 - 0.6 * OHM) * 0.4 * 300.0),
        (-1.5, -1.5, 1e-5, 300.0, 0.0),
    ],
    ids=[
        "a load comes",
        "a load goes",
        "a small one comes",
        "a small one goes",
        "charge comes",
        "by its slope",
        "by the curve",
        "at rest",
        "at rest by its slope",
        "hardly charged",
        "charged",
    ],
)
def test_between_steps_it_falls_by_the_most_and_rises_by_the_least(
    from_a: float, to_a: float, slope: float, elapsed_s: float, fall_v: float
) -> None:
    """By all that its resistance takes, and 0.4 of what it gives back; by 1.3 times its slope or by the
    curve, the steeper, with all that may be drawn where the sensor is wrong by 1 A. Charge gives nothing."""
    assert low_after(stood(from_a, slope), to_a, elapsed_s) == pytest.approx(3.02 - fall_v, abs=1e-9)


def test_a_sensor_of_the_current_that_is_worse_lets_it_fall_faster() -> None:
    """At rest by 3 A."""
    cells = stood(settings=replace(COARSE, current_zero_a=3.0))
    assert low_after(cells, 0.0, 100.0) == pytest.approx(3.02 - curve(3.02) * 300.0, abs=1e-9)


def test_far_above_the_knee_it_does_not_fall_by_the_curve() -> None:
    """Nor does that bring it up: as far above the knee as the floor is below."""
    assert low_after(stood(shown=3.21, low_v=3.21), 0.0, 100.0, 3.21) == 3.21
    assert low_after(stood(shown=3.19, low_v=3.19), 0.0, 100.0, 3.19) < 3.19
