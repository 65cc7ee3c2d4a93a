"""What is believed of each cell while the pack is drawn from, number by number."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.draw.draw_cells import UNSEEN, DrawCells
from bridge.core.draw.draw_settings import DrawSettings

LFP = DrawSettings(2, 280.0, 2.90, 3.05, 140.0)
OHM = RESISTANCE_V / 280.0


@pytest.mark.parametrize("coldest_c", [-60.0, -40.0, -20.0, 0.0, 25.0, 60.0, 70.0])
def test_in_the_cold_resistance_and_its_slow_part_are_larger(coldest_c: float) -> None:
    """By Arrhenius, with 2500 K and 2700 K, from -40 to 60 °C."""
    cells = DrawCells(LFP, (1.0, 2.0))
    cells.update([3.2, 3.2], 0.0, 1.0, coldest_c)
    inverse = 1.0 / (273.15 + min(max(coldest_c, -40.0), 60.0)) - 1.0 / 298.15
    base = OHM * math.exp(2500.0 * inverse)
    assert cells.ohms == pytest.approx([base, 2.0 * base])
    assert cells.diffusion == pytest.approx(math.exp(2700.0 * inverse))


def test_the_first_readings_are_taken_as_they_are() -> None:
    """Under whatever current, and anew when other cells are told of; before them there is nothing."""
    cells = DrawCells(LFP)
    assert (cells.volts, cells.drawn_a, cells.diffusion, cells.step_v) == ([], 0.0, 1.0, 0.001)
    for shown in ([3.201, 3.1], [3.0], [2.9, 2.95]):
        cells.slopes = [1e-5] * len(cells.slopes)
        cells.update(shown, 100.0, 1.0, 25.0)
        assert (cells.volts, cells.drawn_a, cells.slopes) == (shown, 100.0, [0.0] * len(shown))


@pytest.mark.parametrize(
    ("shown", "believed"), [(3.197, 3.1968), (3.196, 3.1965), (3.198, 3.1975), (3.19, 3.1905), (3.22, 3.2195)]
)
def test_what_is_expected_of_a_cell_counts_within_half_a_step_of_what_it_shows(
    shown: float, believed: float
) -> None:
    """10 A more through 0.3 mOhm and 20 As at 10 uV/As: 3.2 mV less."""
    cells = DrawCells(LFP, (1.0, 1.0))
    cells.update([3.2, 3.201], 0.0, 1.0, 25.0)
    cells.slopes = [1e-5] * 2
    cells.update([shown, 3.201], 10.0, 2.0, 25.0)
    assert cells.volts[0] == pytest.approx(believed, abs=1e-9)


@pytest.mark.parametrize(
    ("shown", "step_v", "slope", "elapsed_s", "becomes"),
    [
        (2.990, 0.001, 0.0, 1.0, 0.0095 * 0.15 / 50.0),
        (2.990, 0.001, 0.0, 2.0, 0.0095 * 0.30 / 100.0),
        (2.990, 0.001, 0.0, 10.0, 0.0095 / 500.0),
        (2.990, 0.005, 0.0, 1.0, 0.0075 * 0.15 * 0.4 / 50.0),
        (3.000, 0.001, 2e-5, 1.0, 2e-5 - 0.0005 / 300.0 / 50.0),
        (3.000, 0.001, 6e-5, 1.0, 6e-5 - 0.0025 / 300.0 / 50.0),
        (3.000, 0.001, 1e-7, 600.0, 1e-7 - 0.0025 / 30_000.0),
        (3.000, 0.001, 1e-4, 1.0, 1e-4 - 0.0045 * 0.15 / 50.0),
        (3.100, 0.001, 1e-5, 1.0, 0.0),
        (2.000, 0.001, 0.0, 1.0, 2.0 * 0.15 / (0.0025 * 3600.0 * 280.0)),
    ],
    ids=["1 s", "2 s", "10 s", "coarse", "less", "still less", "late", "taken back", "rise", "steepest"],
)
def test_a_slope_is_what_the_expected_voltage_missed_by_charge(
    shown: float, step_v: float, slope: float, elapsed_s: float, becomes: float
) -> None:
    """At 50 A: 0.15 of it a second, of coarse sensors less; what was too much goes over 300 s, a rise of more
    than the sensors' step and error with the faster; never below 0, nor above an e-fold in 0.25 %."""
    cells = DrawCells(DrawSettings(2, 280.0, 2.90, 3.05, 140.0, sensor_step_v=step_v))
    cells.update([3.0, 3.201], 50.0, 1.0, 25.0)
    cells.slopes[0] = slope
    cells.update([shown, 3.201], 50.0, elapsed_s, 25.0)
    assert cells.slopes[0] == pytest.approx(becomes)


@pytest.mark.parametrize("currents_a", [(10.0, 10.0), (60.0, 56.0), (56.0, 60.0), (-50.0, -50.0)])
def test_no_slope_is_seen_under_a_small_current_or_one_that_moves(currents_a: tuple[float, float]) -> None:
    """0.04C at least, and the same within 0.01C."""
    cells = DrawCells(LFP)
    cells.update([3.0, 3.201], currents_a[0], 1.0, 25.0)
    cells.update([2.9, 3.201], currents_a[1], 1.0, 25.0)
    assert cells.slopes == [0.0, 0.0]
    cells.update([2.8, 3.201], 12.0, 1.0, 25.0)
    cells.update([2.7, 3.201], 14.0, 1.0, 25.0)
    assert cells.slopes[0] > 0.0


def seen(currents_a: Sequence[float], elapsed_s: float = 1.0, delay_s: float = 1.0) -> bool:
    """Whether these currents show the resistance of two cells by themselves."""
    cells = DrawCells(replace(LFP, delay_s=delay_s))
    for amps in currents_a:
        before = list(cells.factors)
        cells.update([3.2 - 0.0002 * amps] * 2, amps, elapsed_s, 25.0)
    return before != cells.factors


def test_a_level_stretch_takes_two_readings() -> None:
    """Within 0.01C, after the step, and before it a third; what was before the first reading is not known."""
    assert not seen([10.0, 80.0, 80.0])
    assert not seen([10.0, 10.0, 80.0, 80.0])
    assert not seen([10.0, 10.0, 10.0, 80.0])
    assert seen([10.0, 10.0, 10.0, 80.0, 80.0])
    assert seen([10.0, 11.0, 12.0, 80.0, 82.0])
    assert not seen([10.0, 10.0, 13.0, 80.0, 80.0])
    assert not seen([10.0, 11.0, 12.0, 80.0, 84.0])


def test_readings_that_come_seldom_need_no_third() -> None:
    """Where they come less often than every second time the age they may have."""
    assert not seen([10.0, 10.0, 80.0, 80.0], 1.9)
    assert seen([10.0, 10.0, 80.0, 80.0], 2.0)
    assert seen([10.0, 10.0, 20.0, 50.0, 80.0, 80.0], 2.0)
    assert not seen([10.0, 10.0, 20.0, 50.0, 80.0, 80.0], 2.25)
    assert seen([10.0, 10.0, 80.0, 80.0], 1.0, delay_s=0.5)


@pytest.mark.parametrize(
    ("currents_a", "elapsed_s", "believed"),
    [
        ((60.0, 60.0, 46.0), 1.0, True),
        ((60.0, 60.0, 0.0), 1.9, True),
        ((60.0, 60.0, 46.1), 1.0, False),
        ((60.0, 60.0, 74.0), 1.0, False),
        ((80.0, 60.0, 0.0), 1.0, False),
        ((60.0, 60.0, 0.0), 2.0, False),
    ],
    ids=["a step", "all of it", "no step", "a load comes", "unsteady", "seldom"],
)
def test_a_cell_told_after_its_current_has_not_fallen_when_a_load_goes(
    currents_a: tuple[float, ...], elapsed_s: float, believed: bool
) -> None:
    """For one reading it is taken to have come up by what the load took; the next one counts as it is."""
    cells = DrawCells(LFP, (1.0, 1.0))
    for amps in currents_a:
        cells.update([3.0, 3.201], amps, elapsed_s, 25.0)
    recovered_v = OHM * (currents_a[-2] - currents_a[-1])
    assert cells.levels[0] == pytest.approx(3.0 + (recovered_v if believed else 0.0), abs=0.00051)
    cells.update([3.0, 3.201], currents_a[-1], elapsed_s, 25.0)
    assert cells.levels[0] == pytest.approx(3.0, abs=0.00051)


def test_one_step_teaches_once() -> None:
    """However long the current stands after it."""
    cells = DrawCells(LFP, (1.0, 1.0))
    taught = []
    for amps in (10.0, 10.0, 10.0, *[80.0] * 8):
        before = list(cells.factors)
        cells.update([3.2 - 0.0002 * amps] * 2, amps, 1.0, 25.0)
        taught.append(before != cells.factors)
    assert taught == [False] * 4 + [True] + [False] * 6


@pytest.mark.parametrize("late", [0, 1])
def test_a_current_told_a_second_after_the_cells_tells_the_same_resistance(late: int) -> None:
    """The cells sag with the readings before: 0.4 mOhm is found all the same."""
    cells = DrawCells(LFP)
    loads = [10.0] * 6 + ([80.0] * 6 + [10.0] * 6) * 6
    for n, amps in enumerate(loads):
        cells.update([3.2 - 0.0004 * amps] * 2, loads[max(n - late, 0)], 1.0, 25.0)
    assert cells.factors[0] == pytest.approx(0.0004 / OHM, rel=0.03)


def test_a_step_is_a_twentieth_of_the_capacity_either_way() -> None:
    """14 A of 280 Ah."""
    for amps in (24.0, -4.0, 80.0):
        assert seen([10.0, 10.0, 10.0, amps, amps])
    for amps in (23.9, -3.9, 10.0):
        assert not seen([10.0, 10.0, 10.0, amps, amps])


def test_two_stretches_are_eight_seconds_or_two_and_a_half_readings_apart() -> None:
    """What has become too old in between stays so, however late the next reading."""
    moving = [20.0 + 10.0 * n for n in range(8)]
    assert seen([10.0, 10.0, 10.0, *moving[:6], 70.0])
    assert not seen([10.0, 10.0, 10.0, *moving[:7], 80.0])
    assert seen([10.0, 10.0, 80.0, 80.0], 5.0)
    assert not seen([10.0, 10.0, 45.0, 80.0, 80.0], 5.0)
    cells = DrawCells(LFP)
    for amps, elapsed_s in (*[(10.0, 1.0)] * 3, *((amps, 1.0) for amps in moving), (45.0, 1.0)):
        cells.update([3.2 - 0.0002 * amps] * 2, amps, elapsed_s, 25.0)
    cells.update([3.19] * 2, 47.0, 20.0, 25.0)
    assert cells.factors == [UNSEEN] * 2


def test_other_cells_teach_nothing_of_the_old_ones() -> None:
    """From all to the lowest alone within a step of the current."""
    cells = DrawCells(LFP)
    for shown, amps in (([3.2, 3.3], 10.0), ([3.2, 3.3], 10.0), ([3.17], 80.0), ([3.17], 80.0)):
        cells.update(shown, amps, 1.0, 25.0)
    assert cells.factors == [UNSEEN]


@pytest.mark.parametrize(
    ("sag_v", "ohms"),
    [(0.03135, 0.030 / 70.0 / OHM), (0.0003, None), (0.0018, 0.4), (0.3, 8.0), (0.35, None)],
)
def test_a_resistance_is_the_sag_of_a_step_less_what_the_charge_took(
    sag_v: float, ohms: float | None
) -> None:
    """70 A, and 135 As since the readings before the last at 10 A, at 10 uV/As: 1.35 mV.

    Half of it is believed, less by what the sensors blur, within 0.4 to 8 times what is expected; nothing
    of what is not above 0, or beyond 16 times."""
    cells = DrawCells(LFP, (1.6, 1.6))
    for amps in (10.0, 10.0, 10.0, 80.0):
        cells.update([3.2, 3.201], amps, 1.0, 25.0)
    cells.slopes = [1e-5] * 2
    cells.update([3.2 - sag_v, 3.201], 80.0, 1.0, 25.0)
    weight = 0.5 * 70.0**2 / (70.0**2 + (3.0 * 0.001 / OHM) ** 2)
    expected = 1.6 if ohms is None else 1.6 + weight * (ohms - 1.6)
    assert cells.factors[0] == pytest.approx(expected)
