"""Ramps and cut-offs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.bounds.shape import CutOff, Ramp


def test_falls_at_once_and_rises_at_its_rate() -> None:
    """Down in one step, up by the rate, and onto the target exactly."""
    ramp = Ramp(rise_per_s=10.0, deadband=0.0, start=0.0)

    risen = [ramp.follow(25.0, 1.0) for _ in range(4)]

    assert risen == [10.0, 20.0, 25.0, 25.0]
    assert ramp.follow(3.0, 1.0) == 3.0


def test_a_small_gap_is_not_worth_a_rise_but_a_rise_once_begun_goes_on() -> None:
    """Deadband: no rise for less; a rise ends at the target, not a deadband below it."""
    ramp = Ramp(rise_per_s=1.0, deadband=2.0, start=10.0)

    assert ramp.follow(11.9, 1.0) == 10.0
    assert not ramp.rising
    assert [ramp.follow(12.5, 1.0) for _ in range(3)] == [11.0, 12.0, 12.5]
    assert not ramp.rising


def test_a_drop_ends_a_rise() -> None:
    """After a drop the deadband counts again; a drop never raises."""
    ramp = Ramp(rise_per_s=1.0, deadband=2.0, start=0.0)
    ramp.follow(9.0, 1.0)
    assert ramp.rising

    ramp.drop_to(5.0)
    assert ramp.value == 1.0
    ramp.drop_to(0.5)

    assert ramp.follow(2.0, 1.0) == 0.5


def test_a_fall_of_the_target_ends_a_rise_and_a_bound_that_is_no_lower_does_not() -> None:
    """After a fall the deadband counts again; a gap of just the deadband is worth a rise."""
    ramp = Ramp(rise_per_s=1.0, deadband=2.0, start=0.0)
    assert ramp.follow(2.0, 1.0) == 1.0
    ramp.drop_to(1.0)
    assert ramp.follow(2.5, 1.0) == 2.0
    assert ramp.follow(1.5, 1.0) == 1.5
    assert ramp.follow(2.5, 1.0) == 1.5


def test_a_rise_that_meets_its_target_in_one_step_is_over() -> None:
    """`rising` is for what is still to come."""
    ramp = Ramp(rise_per_s=1.0, deadband=0.0, start=0.0)
    assert (ramp.follow(1.0, 1.0), ramp.rising) == (1.0, False)


@given(st.lists(st.tuples(st.floats(0, 500), st.floats(0, 2)), max_size=40))
def test_never_above_its_target_and_never_faster_than_its_rate(moves: list[tuple[float, float]]) -> None:
    """Whatever the target does."""
    ramp = Ramp(rise_per_s=7.0, deadband=1.0, start=0.0)
    for target, elapsed_s in moves:
        before = ramp.value
        value = ramp.follow(target, elapsed_s)
        assert value <= target
        assert value - before <= 7.0 * elapsed_s + 1e-9


@given(st.lists(st.floats(0, 500), min_size=1, max_size=20), st.floats(0, 500))
def test_a_ramp_that_does_not_rise_stands_still(targets: list[float], last: float) -> None:
    """`rising` tells whether the same target would give another value: the engine relies on it."""
    ramp = Ramp(rise_per_s=7.0, deadband=1.0, start=0.0)
    for target in (*targets, last):
        value = ramp.follow(target, 0.1)

    if not ramp.rising:
        assert ramp.follow(last, 0.1) == value


@pytest.mark.parametrize(
    ("trip", "release", "readings", "expected"),
    [
        (3.6, 3.4, [3.5, 3.6, 3.5, 3.41, 3.4, 3.5], [False, True, True, True, False, False]),
        (0.0, 2.0, [1.0, 0.0, 1.0, 1.99, 2.0, 1.0], [False, True, True, True, False, False]),
        (0.0, 2.0, [float("nan")], [True]),
        (3.6, 3.4, [float("nan")], [True]),
    ],
    ids=["upper", "lower", "lower NaN", "upper NaN"],
)
def test_cut_off_trips_at_its_threshold_and_releases_well_back(
    trip: float, release: float, readings: list[float], expected: list[bool]
) -> None:
    """At the threshold it trips, at the release it lets go, in between it stays; NaN trips."""
    cut_off = CutOff(trip, release)

    assert [cut_off.update(reading) for reading in readings] == expected
