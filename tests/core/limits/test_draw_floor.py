"""The discharge voltage floor over time."""

from dataclasses import replace

import pytest

from bridge.core.draw.draw_floor import DrawFloor
from bridge.core.draw.draw_settings import DrawSettings

LFP = DrawSettings(16, 280.0, 2.90, 3.05, 140.0)
LEAST_V = 46.4


@pytest.mark.parametrize(
    ("goal_v", "floor_v"), [(47.0, 47.0), (47.01, 47.1), (47.0999, 47.1), (47.1, 47.1), (30.0, LEAST_V)]
)
def test_it_goes_up_at_once_to_the_next_step(goal_v: float, floor_v: float) -> None:
    """And is never below as many times the cell's floor as there are cells."""
    floor = DrawFloor(LFP)
    assert floor.value == LEAST_V
    assert floor.follow(goal_v, 1.0, at_once=False) == floor_v
    assert floor.value == floor_v


def test_binary_errors_cost_no_step() -> None:
    """6 cells of 2.7 V are 16.2 V, 162 steps, though their quotient is a hair above."""
    assert 6 * 2.7 / 0.1 > 162
    assert DrawFloor(replace(LFP, cells=6, floor_v=2.7)).value == 16.2


def test_a_coarse_wire_rounds_it_up_from_the_start() -> None:
    """46.4 V on a grid of 0.5 V is 46.5 V."""
    floor = DrawFloor(replace(LFP, wire_v=0.5))
    assert floor.value == 46.5
    assert floor.follow(46.55, 1.0, at_once=True) == 47.0


def test_it_comes_down_five_minutes_after_it_went_up() -> None:
    """Not before; each rise begins the time anew, and each step down as well."""
    floor = DrawFloor(LFP)
    floor.follow(47.5, 1.0, at_once=False)
    floor.follow(47.0, 1.0, at_once=True)
    assert floor.value == 47.0
    floor.follow(47.5, 1.0, at_once=False)
    assert floor.follow(47.0, 299.0, at_once=False) == 47.5
    assert floor.follow(47.6, 1.0, at_once=False) == 47.6
    assert floor.follow(47.0, 299.0, at_once=False) == 47.6
    floor.follow(47.0, 1.0, at_once=False)
    assert floor.follow(47.0, 299.0, at_once=False) == 47.6
    assert floor.follow(46.6, 1.0, at_once=False) == 47.0
    assert floor.follow(46.6, 299.0, at_once=False) == 47.0
    assert floor.follow(46.6, 1.0, at_once=False) == 46.6


def test_a_goal_that_swings_leaves_it_where_the_highest_was() -> None:
    """Loads that pulse move the goal by what the resistances are wrong: no reason to come down."""
    floor = DrawFloor(LFP)
    seen = {floor.follow(47.5 if n % 7 else 46.9, 1.0, at_once=False) for n in range(1, 2200)}
    assert seen == {47.5}
    seen = {floor.follow(47.2 if n % 7 else 46.9, 1.0, at_once=False) for n in range(2200)}
    assert seen == {47.5, 47.2}


@pytest.mark.parametrize(
    ("goal_v", "floor_v"), [(47.36, 47.5), (47.34, 47.4), (47.49, 47.5), (46.0, LEAST_V)]
)
def test_it_comes_down_only_for_more_than_it_is_held_for(goal_v: float, floor_v: float) -> None:
    """0.15 V, to the step above; with a reason it does not wait."""
    floor = DrawFloor(LFP)
    floor.follow(47.5, 1.0, at_once=False)
    assert floor.follow(goal_v, 1.0, at_once=False) == 47.5
    assert floor.follow(goal_v, 1.0, at_once=True) == floor_v
