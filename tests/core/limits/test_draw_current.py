"""The discharge current limit: its equation, and the reasons for which it goes up again."""

import math
from collections.abc import Sequence

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.draw.draw_cells import DrawCells
from bridge.core.draw.draw_current import FAR_A, Allowed, DrawCurrent, allowed, margin_v
from bridge.core.draw.draw_settings import DrawSettings

LFP = DrawSettings(16, 280.0, 2.90, 3.05, 140.0)
OHM = RESISTANCE_V / 280.0
GOAL_V = 2.9031
FOLD = 0.03 * 3600.0 * 280.0
"""Charge, As, in which the curve falls by an e-fold, at least."""


def cells_at(
    volts: Sequence[float],
    drawn_a: float = 0.0,
    *,
    ohms: Sequence[float] = (OHM, OHM),
    slopes: Sequence[float] = (0.0, 0.0),
    diffusion: float = 1.0,
) -> DrawCells:
    """Cells that are believed to stand like this."""
    cells = DrawCells(LFP)
    cells.update(volts, drawn_a, 1.0, 25.0)
    cells.step_v, cells.diffusion = 0.001, diffusion
    cells.ohms, cells.slopes = list(ohms), list(slopes)
    return cells


def test_the_margin_is_the_error_of_the_sensors_half_their_step_and_a_doubt() -> None:
    """2 mV, 0.5 mV and 0.6 mV; with coarse sensors more."""
    assert margin_v(LFP, 0.001) == pytest.approx(0.0031)
    assert margin_v(LFP, 0.010) == pytest.approx(0.0076)


@pytest.mark.parametrize("drawn_a", [0.0, 50.0, -20.0])
@pytest.mark.parametrize("horizon_s", [8.0, 30.0])
@pytest.mark.parametrize("diffusion", [1.0, 2.0])
@pytest.mark.parametrize("slope", [0.0, 1e-4])
def test_the_limit_solves_its_equation(
    drawn_a: float, horizon_s: float, diffusion: float, slope: float
) -> None:
    """A load that steps to it takes the cell to the goal within the horizon, and no other below it."""
    cells = cells_at([3.0, 2.95], drawn_a, ohms=(OHM, 2.0 * OHM), slopes=(0.0, slope), diffusion=diffusion)
    found = allowed(LFP, cells, GOAL_V, horizon_s)
    rest_v = 2.95 + 2.0 * OHM * drawn_a
    fall = max(slope, (2.0 * 3.05 - 2.90 - rest_v) / FOLD) * horizon_s
    slow = 1.0 + diffusion * math.sqrt(horizon_s / 120.0)
    assert rest_v - 2.0 * OHM * slow * found.amps - fall * found.amps == pytest.approx(GOAL_V)
    assert rest_v - 2.0 * OHM * found.at_once_a - fall * found.amps == pytest.approx(GOAL_V)
    assert found.cell == 1


def test_a_cell_far_up_is_not_expected_to_fall() -> None:
    """The curve ends as far above the knee as the floor lies below; what more than the most would take
    it by is not counted."""
    found = allowed(LFP, cells_at([3.30, 3.25]), GOAL_V, 10.0)
    assert found.amps == pytest.approx((3.25 - GOAL_V) / (OHM * (1.0 + math.sqrt(10.0 / 120.0))))
    assert found.at_once_a == pytest.approx((3.25 - GOAL_V) / OHM)
    found = allowed(LFP, cells_at([3.30, 3.15]), GOAL_V, 10.0)
    assert found.amps > 140.0
    fall = (3.20 - 3.15) / FOLD * 10.0
    assert found.at_once_a == pytest.approx((3.15 - GOAL_V - fall * 140.0) / OHM)


def test_of_cells_below_the_goal_the_lowest_by_current_counts() -> None:
    """By what would have to be taken back; of like ones the first."""
    under = GOAL_V - 0.003
    found = allowed(LFP, cells_at([3.0, under], ohms=(OHM, 2.0 * OHM)), GOAL_V, 8.0)
    assert found == pytest.approx((-5.0, -5.0, 1))
    found = allowed(LFP, cells_at([under, under], ohms=(OHM, 2.0 * OHM)), GOAL_V, 8.0)
    assert found == pytest.approx((-10.0, -10.0, 0))
    found = allowed(LFP, cells_at([under, under], ohms=(2.0 * OHM, OHM)), GOAL_V, 8.0)
    assert found == pytest.approx((-10.0, -10.0, 1))
    assert allowed(LFP, cells_at([under, under]), GOAL_V, 8.0).cell == 0
    assert allowed(LFP, cells_at([3.0, 3.0]), GOAL_V, 8.0).cell == 0
    assert allowed(LFP, cells_at([GOAL_V, 3.0]), GOAL_V, 8.0) == (0.0, 0.0, 0)


def test_what_cannot_be_is_cut() -> None:
    """Without any cell, and from impossible readings."""
    assert allowed(LFP, DrawCells(LFP), GOAL_V, 8.0) == (FAR_A, FAR_A, 0)
    assert allowed(LFP, cells_at([-1e9, 3.0]), GOAL_V, 8.0) == (-FAR_A, -FAR_A, 0)
    assert FAR_A > 10_000.0


REST = [3.2, 3.2]


def fallen(amps: float = 50.0, cells: DrawCells | None = None, cell: int = 0) -> DrawCurrent:
    """A limit that has just fallen."""
    limit = DrawCurrent(LFP)
    limit.follow(Allowed(amps, amps, cell), cells or cells_at(REST), 1.0, fresh=True, known=True)
    return limit


def later(limit: DrawCurrent, amps: float, seconds: float, drawn_a: float = 0.0) -> float:
    """The limit after a step of so long without new readings."""
    return limit.follow(Allowed(amps, amps, 0), cells_at(REST, drawn_a), seconds, fresh=False, known=True)


@pytest.mark.parametrize(
    ("amps", "value"), [(500.0, 140.0), (55.57, 55.5), (0.3, 0.3), (0.09, 0.0), (-7.0, 0.0)]
)
def test_it_falls_at_once_to_the_step_below(amps: float, value: float) -> None:
    """Within nothing and the most, where it begins."""
    assert (DrawCurrent(LFP).value, DrawCurrent(LFP).exact) == (140.0, 140.0)
    limit = fallen(amps)
    assert limit.value == pytest.approx(value)
    assert limit.exact == min(max(amps, 0.0), 140.0)


def test_it_stands_for_twenty_minutes_and_then_rises() -> None:
    """By 4 A a second here; each fall begins the time anew."""
    limit = fallen()
    assert later(limit, 100.0, 1199.0) == 50.0
    assert later(limit, 49.0, 1.0) == 49.0
    assert later(limit, 100.0, 1199.5) == 49.0
    assert later(limit, 100.0, 0.5) == 51.0
    assert later(limit, 100.0, 2.0) == 59.0


def test_it_rises_for_what_is_worth_it_and_then_all_the_way() -> None:
    """For 5.6 A of 140; until the next fall."""
    limit = fallen()
    assert later(limit, 55.5, 1300.0) == 50.0
    assert later(limit, 55.7, 1.0) == 54.0
    assert later(limit, 55.7, 1.0) == pytest.approx(55.7)
    assert later(limit, 56.0, 1.0) == 56.0
    assert later(limit, 55.9, 1.0) == pytest.approx(55.9)
    assert later(limit, 100.0, 1.0) == pytest.approx(55.9)
    assert later(limit, 500.0, 1300.0) == 140.0


def test_half_a_percent_of_charge_brings_it_back() -> None:
    """5040 As of 280 Ah, since the fall, less what was drawn meanwhile; nothing drawn before counts."""
    limit = fallen()
    later(limit, 50.0, 50.0, -100.0)
    later(limit, 50.0, 50.0, -100.0)
    assert later(limit, 100.0, 10.0, 100.0) == 50.0
    assert later(limit, 100.0, 50.39, -100.0) == 50.0
    later(limit, 100.0, 0.015, -100.0)
    assert limit.exact == pytest.approx(50.06)
    limit = fallen()
    assert later(limit, 100.0, 50.0, -100.0) == 50.0
    assert later(limit, 100.0, 1.0, 39.0) == 50.0
    assert later(limit, 100.0, 0.7, -100.0) == 50.0
    assert later(limit, 100.0, 0.5, -100.0) == 52.0


def readings(
    limit: DrawCurrent, rises_v: Sequence[float], cells: DrawCells, dt_s: float = 1.0, *, known: bool = True
) -> bool:
    """Whether new readings of the first cell, so much higher at rest than at the fall, contradict it."""
    for rise_v in rises_v:
        cells.volts[0] = 3.0 + rise_v - cells.ohms[0] * cells.drawn_a
        limit.follow(Allowed(51.0, 51.0, 0), cells, dt_s, fresh=True, known=known)
    return limit.contradicted


@pytest.mark.parametrize(
    ("drew_a", "draws_a", "dt_s", "diffusion"),
    [
        (0.0, 0.0, 1.0, 1.0),
        (100.0, 100.0, 1.0, 1.0),
        (100.0, 0.0, 4.0, 2.0),
        (30.0, 90.0, 2.0, 1.5),
        (-50.0, -50.0, 1.0, 1.0),
        (100.0, 0.0, 200.0, 1.0),
        (100.0, -50.0, 300.0, 1.0),
    ],
)
def test_more_than_recovery_gives_three_times_contradicts(
    drew_a: float, draws_a: float, dt_s: float, diffusion: float
) -> None:
    """What diffusion took of the largest current, which does not fade meanwhile; the sensors twice; and what
    a doubtful resistance makes of another current."""
    recent_a = max(draws_a, drew_a, 0.0)
    slow_v = OHM * recent_a * diffusion * math.sqrt(3.0 * dt_s / 120.0)
    bound_v = slow_v + 2.0 * (0.001 + 0.002) + OHM * abs(draws_a - drew_a)
    for more_v, contradicts in ((-1e-5, False), (1e-5, True)):
        limit = fallen(50.0, cells_at([3.0 - OHM * drew_a, 3.2], drew_a))
        cells = cells_at(REST, draws_a, diffusion=diffusion)
        assert readings(limit, [0.5, 0.5, bound_v + more_v], cells, dt_s) is contradicts


@pytest.mark.parametrize(("waited_s", "recent_a"), [(0.0, 120.0), (300.0, 60.0), (600.0, 0.0), (700.0, 0.0)])
def test_a_current_drawn_before_the_fall_is_forgotten(waited_s: float, recent_a: float) -> None:
    """Over 600 s, until the fall itself."""
    bound_v = OHM * recent_a * math.sqrt(6.0 / 120.0) + 2.0 * (0.001 + 0.002)
    for more_v, contradicts in ((-1e-5, False), (1e-5, True)):
        limit = DrawCurrent(LFP)
        later(limit, 500.0, 1.0, 120.0)
        limit.follow(Allowed(50.0, 50.0, 0), cells_at([3.0, 3.2]), waited_s, fresh=True, known=True)
        assert readings(limit, [0.5, 0.5, bound_v + more_v], cells_at(REST), 2.0) is contradicts


@pytest.mark.parametrize(("drew_a", "gone_a"), [(0.0, 140.0), (200.0, 200.0)])
def test_where_no_current_is_known_any_may_have_gone(drew_a: float, gone_a: float) -> None:
    """Up to the most: what diffusion took of it, and what it sagged by."""
    bound_v = OHM * gone_a * (1.0 + math.sqrt(6.0 / 120.0)) + 2.0 * (0.001 + 0.002)
    for more_v, contradicts in ((-1e-5, False), (1e-5, True)):
        limit = fallen(50.0, cells_at([3.0 - OHM * drew_a, 3.2], drew_a))
        assert readings(limit, [0.5, 0.5, bound_v + more_v], cells_at(REST), 2.0, known=False) is contradicts


def test_three_in_a_row_and_all_of_them_new() -> None:
    """One that does not contradict, or another fall, begins the count anew; what stands stays said."""
    cells = cells_at([3.0, 3.2])
    limit = fallen(50.0, cells)
    assert not readings(limit, [0.5, 0.5, 0.0, 0.5, 0.5], cells)
    for _ in range(3):
        limit.follow(Allowed(51.0, 51.0, 0), cells, 1.0, fresh=False, known=True)
    assert not limit.contradicted
    cells.volts[0] = 3.0
    limit.follow(Allowed(49.0, 49.0, 0), cells, 1.0, fresh=True, known=True)
    assert not readings(limit, [0.5, 0.5], cells)
    assert readings(limit, [0.5, 0.0, 0.0], cells)
    assert limit.follow(Allowed(100.0, 100.0, 0), cells, 1.0, fresh=True, known=True) == 53.0
    limit.follow(Allowed(40.0, 40.0, 0), cells, 1.0, fresh=True, known=True)
    assert not limit.contradicted


def test_only_the_cell_it_fell_for_can_contradict() -> None:
    """Neither another, nor the one that is all that is left of them."""
    cells = cells_at([3.0, 3.2])
    assert not readings(fallen(50.0, cells, cell=1), [0.5] * 9, cells)
    assert not readings(fallen(50.0, cells_at([3.0, 3.2])), [0.5] * 9, cells_at([3.0], ohms=[OHM]))


@pytest.mark.parametrize(
    ("lowest", "more_v", "contradicts"),
    [(0, 1e-5, True), (0, -1e-5, False), (1, 1e-5, True), (1, -1e-5, False)],
)
def test_what_fell_for_the_lowest_is_contradicted_by_the_lowest_of_all(
    lowest: int, more_v: float, contradicts: bool
) -> None:
    """Once all cells are known: whichever is the lowest then, with the largest resistance there is."""
    limit = fallen(50.0, cells_at([3.0 - OHM * 20.0], 20.0, ohms=[OHM]))
    bound_v = 2.0 * OHM * 20.0 * (1.0 + math.sqrt(3.0 / 120.0)) + 2.0 * (0.001 + 0.002)
    volts = [3.4, 3.4]
    volts[lowest] = 3.0 + bound_v + more_v
    cells = cells_at(volts, ohms=[OHM, 2.0 * OHM])
    for _ in range(3):
        limit.follow(Allowed(100.0, 100.0, 0), cells, 1.0, fresh=True, known=True)

    assert limit.contradicted is contradicts


def test_what_the_cell_showed_at_the_fall_is_what_counts() -> None:
    """At its second fall higher than at the first."""
    cells = cells_at([3.0, 3.2])
    limit = fallen(50.0, cells)
    cells.volts[0] = 3.1
    limit.follow(Allowed(49.0, 49.0, 0), cells, 1.0, fresh=True, known=True)
    assert not readings(limit, [0.1] * 9, cells)
    assert readings(limit, [0.2] * 3, cells)
