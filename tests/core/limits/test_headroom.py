"""The headroom law. Its check values are in tests/outside."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.limits import headroom

TARGET, KNEE = 3.50, 3.40
cells = st.lists(st.floats(2.5, 3.65), min_size=1, max_size=20)


@given(cells)
def test_never_above_the_static_limit(cells_v: list[float]) -> None:
    """N times the target."""
    assert headroom.charge_voltage(cells_v, TARGET, KNEE) <= len(cells_v) * TARGET


@given(cells)
def test_a_cell_at_or_past_its_target_leaves_no_room(cells_v: list[float]) -> None:
    """The limit is then no higher than the pack voltage, less what the highest is over."""
    over_v = max(cells_v) - TARGET
    if over_v >= 0:
        assert headroom.charge_voltage(cells_v, TARGET, KNEE) <= sum(cells_v) - over_v + 1e-9


@given(cells)
def test_below_the_knee_nothing_is_held_back(cells_v: list[float]) -> None:
    """The plateau says nothing about balance."""
    low = [min(cell_v, KNEE) for cell_v in cells_v]
    assert headroom.charge_voltage(low, TARGET, KNEE) == len(low) * TARGET


@given(st.floats(3.2, 3.4), st.floats(3.3, 3.6))
def test_no_step_anywhere(rest_v: float, high_v: float) -> None:
    """A microvolt more of the highest cell moves the limit by microvolts."""
    rest = [rest_v] * 15
    here = headroom.charge_voltage([high_v, *rest], TARGET, KNEE)
    there = headroom.charge_voltage([high_v + 1e-6, *rest], TARGET, KNEE)
    assert abs(here - there) < 1e-3


def test_participation_counts_cells_by_their_height_above_the_knee() -> None:
    """The highest as 1, one half way up as a half, one below the knee not at all; never less than 1."""
    assert headroom.participation([3.5, 3.45, 3.3], 3.5, 3.4) == pytest.approx(1.5)
    assert headroom.participation([3.3], 3.5, 3.4) == 1.0
    assert headroom.participation([3.42], 3.5, 3.4) == 1.0
    assert headroom.participation([3.5, 3.48, 3.38], 3.5, 3.4) == pytest.approx(1.8)
    assert headroom.participation([3.58, 3.5], 3.5, 3.4) == 2.0


@pytest.mark.parametrize(
    ("high_v", "expected_v"),
    [(3.40, 14.0), (3.41, 13.90625), (3.42, 13.70), (3.44, 13.40), (3.46, 13.40)],
)
def test_between_plateau_and_knee_the_limit_passes_over_smoothly(high_v: float, expected_v: float) -> None:
    """One cell above three at 3.30 V: from N times the target to the headroom, within 40 mV."""
    assert headroom.charge_voltage([high_v, 3.3, 3.3, 3.3], TARGET, KNEE) == pytest.approx(expected_v)
