"""What the discharge law takes for granted unless it is told otherwise."""

import pytest

from bridge.core.draw.draw_settings import DrawSettings


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("sensor_offset_v", 0.002),
        ("sensor_step_v", 0.001),
        ("lag_s", 3.0),
        ("delay_s", 1.0),
        ("wire_v", 0.1),
        ("wire_a", 0.1),
        ("rise_a_per_s", 4.0),
        ("voltmeter_v", 0.2),
        ("cable_ohm", 0.003),
    ],
)
def test_what_is_not_told_is_taken_as_stated(name: str, value: float) -> None:
    """The numbers that README.md beside the law derives its margins and horizons from."""
    assert getattr(DrawSettings(16, 280.0, 2.9, 3.05, 140.0), name) == value
