"""What is believed of the charger's offset."""

import pytest

from bridge.core.charging.charge_offset import Offset

AH = 340.0
"""Of a pack whose cable has 1 mOhm: 0.34 V at 1C."""


def test_at_first_there_is_none() -> None:
    """Neither a value, nor a charger that has answered."""
    offset = Offset(AH)
    assert (offset.known, offset.at(0.0), offset.at(100.0), offset.verified) == ((0.0, 0.0), 0.0, 0.0, False)


@pytest.mark.parametrize(
    ("current_a", "value_v"),
    [(100.0, 0.3), (100.5, 0.3), (140.0, 0.3), (99.5, 0.2995), (50.0, 0.25), (0.0, 0.2), (-80.0, 0.2)],
)
def test_at_a_lower_current_the_cable_drops_less(current_a: float, value_v: float) -> None:
    """1 mOhm of what is missing; at a higher one nothing is added, and what is drawn is none."""
    offset = Offset(AH)
    offset.put(0.3, 100.0)
    assert offset.known == (0.3, 100.0)
    assert offset.at(current_a) == pytest.approx(value_v)


def test_the_drop_along_the_cable_goes_with_the_size_of_the_pack() -> None:
    """The same share of C takes the same voltage off."""
    for capacity_ah in (100.0, 560.0):
        offset = Offset(capacity_ah)
        offset.put(0.4, 0.5 * capacity_ah)
        assert offset.at(0.0) == pytest.approx(0.4 - 0.17)


@pytest.mark.parametrize(("found_v", "value_v"), [(9.0, 0.7), (0.69, 0.69), (-0.49, -0.49), (-9.0, -0.5)])
def test_it_is_bounded(found_v: float, value_v: float) -> None:
    """However it comes; and only an answer verifies it."""
    put, confirmed, bounded = Offset(AH), Offset(AH), Offset(AH)
    put.put(found_v, 0.0)
    confirmed.confirm(found_v, 0.0)
    bounded.put(0.7, 0.0)
    bounded.bound(found_v, 0.0)
    assert [one.at(0.0) for one in (put, confirmed, bounded)] == [value_v] * 3
    assert [one.verified for one in (put, confirmed, bounded)] == [False, True, False]


def test_what_is_seen_lowers_it_at_once_and_never_raises_it() -> None:
    """Compared at the same current."""
    offset = Offset(AH)
    offset.put(0.3, 100.0)
    offset.bound(0.251, 50.0)
    assert offset.known == (0.3, 100.0)
    offset.bound(0.249, 50.0)
    assert offset.known == (0.249, 50.0)


def test_it_follows_upward_by_less_than_a_step() -> None:
    """By its weight, to 60 mV above what was confirmed; a gap of 60 mV takes an experiment."""
    offset = Offset(AH)
    offset.confirm(0.1, 50.0)
    offset.creep(0.16, 50.0, 0.5)
    offset.creep(0.1, 50.0, 0.5)
    offset.creep(0.05, 50.0, 0.5)
    assert offset.known == (0.1, 50.0)
    offset.creep(0.15, 50.0, 0.1)
    assert offset.known == pytest.approx((0.105, 50.0))
    offset.creep(0.15, 40.0, 0.1)
    assert offset.known == pytest.approx((0.095 + 0.0055, 40.0))
    for _ in range(9):
        offset.creep(offset.at(40.0) + 0.059, 40.0, 0.5)
    assert offset.known == pytest.approx((0.16, 40.0))


def test_what_was_put_higher_than_it_may_follow_is_not_taken_back_for_that() -> None:
    """It stands, and rises no further; before anything is confirmed it may follow from none."""
    offset = Offset(AH)
    offset.creep(0.05, 50.0, 0.5)
    assert offset.at(50.0) == pytest.approx(0.025)
    offset.put(0.3, 50.0)
    offset.creep(0.34, 50.0, 0.5)
    assert offset.at(50.0) == pytest.approx(0.3)
