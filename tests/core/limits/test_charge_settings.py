"""What the charge law takes for granted unless it is told otherwise."""

import pytest

from bridge.core.charging.charge_settings import NOTHING, ChargeLimits, ChargeSettings


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("sensor_offset_v", 0.002),
        ("sensor_step_v", 0.001),
        ("current_zero_a", 1.0),
        ("lag_s", 3.0),
        ("delay_s", 1.0),
        ("wire_v", 0.1),
        ("wire_a", 0.1),
        ("rise_a_per_s", 3.0),
        ("below_knee_v", 0.065),
        ("e_fold", 0.0097),
    ],
)
def test_what_is_not_told_is_taken_as_stated(name: str, value: float) -> None:
    """The numbers that README.md beside the law derives its margins and horizons from."""
    assert getattr(ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0), name) == value


def test_at_first_nothing_is_learnt_and_nothing_is_said() -> None:
    """Of the cells, or the charger."""
    assert NOTHING == ((), None, 0.0, None, False)
    assert ChargeLimits(56.0, 140.0) == (56.0, 140.0, False, False, None, False, False)
