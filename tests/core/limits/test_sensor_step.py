"""The step of the cell sensors, found in what they say."""

import pytest

from bridge.core.cells.sensor_step import SensorStep


@pytest.mark.parametrize(
    ("cells_v", "step_v"),
    [
        ([3.31, 3.32, 3.40], 0.010),
        ([3.31, 3.325, 3.40], 0.005),
        ([3.31, 3.322, 3.40], 0.002),
        ([3.304, 3.306], 0.002),
        ([3.31, 3.321], 0.001),
        ([3.306, 3.31, 3.312], 0.002),
        ([3.308, 3.312], 0.002),
    ],
)
def test_the_coarsest_grid_that_all_lie_on(cells_v: list[float], step_v: float) -> None:
    """10, 5 or 2 mV, else what is stated."""
    assert SensorStep(0.001).found_v(cells_v) == step_v


def test_what_was_ruled_out_stays_so() -> None:
    """A reading that happens to be round brings no coarser step back."""
    sensor = SensorStep(0.001)
    assert [sensor.found_v([volts]) for volts in (3.30, 3.305, 3.30, 3.302, 3.30, 3.301, 3.30)] == [
        *(0.010, 0.005, 0.005, 0.002, 0.002, 0.001, 0.001),
    ]


def test_it_is_never_finer_than_stated() -> None:
    """A message in steps of 20 mV, or a sensor of 5 mV."""
    assert SensorStep(0.02).found_v([3.30]) == 0.02
    assert SensorStep(0.005).found_v([3.301]) == 0.005
