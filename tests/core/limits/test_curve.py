"""Derating curves."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.plan.curve import Curve

TAPER = Curve([3.40, 3.48, 3.50], [1.0, 0.2, 0.0])


@pytest.mark.parametrize(
    ("x", "expected"),
    [(-1.0, 1.0), (3.40, 1.0), (3.44, 0.6), (3.48, 0.2), (3.49, 0.1), (3.50, 0.0), (9.0, 0.0)],
)
def test_is_straight_between_points_and_constant_outside(x: float, expected: float) -> None:
    """Values at, between and beyond the points."""
    assert TAPER.at(x) == pytest.approx(expected, abs=1e-12)


def test_one_point_is_a_constant() -> None:
    """A single point holds everywhere."""
    assert [Curve([1.0], [0.3]).at(x) for x in (-9.0, 1.0, 9.0)] == [0.3] * 3


@given(st.lists(st.floats(0, 1), min_size=2, max_size=6), st.floats(-1, 7), st.floats(-1, 7))
def test_a_falling_curve_never_rises_anywhere(shares: list[float], a: float, b: float) -> None:
    """Rounding of binary floats does not make a falling curve rise between its points, nor leave its span."""
    shares = sorted(shares, reverse=True)
    curve = Curve([float(n) for n in range(len(shares))], shares)

    assert curve.falls
    assert curve.at(max(a, b)) <= curve.at(min(a, b)) + 1e-12
    assert shares[-1] <= curve.at(a) <= shares[0]


@pytest.mark.parametrize(
    ("xs", "ys"),
    [
        ([], []),
        ([1.0], [1.0, 2.0]),
        ([1.0, 1.0], [0.0, 1.0]),
        ([2.0, 1.0], [0.0, 1.0]),
        ([1.0, float("nan")], [0.0, 1.0]),
        ([1.0, 2.0], [0.0, float("inf")]),
        ([-1e9, 2.0], [0.0, 1.0]),
        ([1.0, 1e9], [0.0, 1.0]),
    ],
)
def test_impossible_points_are_refused(xs: list[float], ys: list[float]) -> None:
    """The error says what is allowed."""
    with pytest.raises(ValueError, match="allowed"):
        Curve(xs, ys)


def test_knows_its_direction_and_its_equals() -> None:
    """Directions are told from the values; equal points make equal curves."""
    assert TAPER.falls
    assert not TAPER.rises
    assert Curve([0.0, 1.0], [0.0, 1.0]).rises
    assert Curve([0.0, 1.0, 2.0], [0.0, 1.0, 1.0]).rises
    there_and_back = Curve([0.0, 1.0, 2.0], [0.0, 1.0, 0.5])
    assert not there_and_back.rises
    assert not there_and_back.falls
    assert Curve([3.40, 3.48, 3.50], [1.0, 0.2, 0.0]) == TAPER != Curve([0.0], [1.0])
    assert hash(Curve([0.0], [1.0])) == hash(Curve([0], [1]))
    assert TAPER != 1
    assert repr(Curve([0], [1])) == "Curve([0.0], [1.0])"
