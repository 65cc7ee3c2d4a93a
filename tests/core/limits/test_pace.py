"""When the law of a bank steps."""

import pytest

from bridge.core.limits.pace import Pace
from bridge.core.pack import Reading

BLANK = Reading(*[None] * 14)
SECOND = 1_000_000


def reading() -> Reading:
    """Something new came in."""
    return BLANK._replace()


def stepped() -> tuple[Pace, Reading]:
    """A pace whose first step was at one second, with a cell at 3.4 V."""
    pace, first = Pace(), reading()
    assert pace.step_s(SECOND, first, 3.4) == 1.0
    assert (pace.fresh, pace.next_us) == (True, 2 * SECOND)
    return pace, first


@pytest.mark.parametrize(("t_us", "step_s"), [(2 * SECOND - 1, None), (2 * SECOND, 1.0), (4 * SECOND, 3.0)])
def test_with_new_readings_it_steps_once_a_second(t_us: int, step_s: float | None) -> None:
    """By the time since the last step."""
    pace, _ = stepped()
    assert pace.step_s(t_us, reading(), 3.4) == step_s


def test_without_new_readings_it_steps_every_three_seconds() -> None:
    """The first time after one."""
    pace, first = stepped()
    assert pace.step_s(2 * SECOND - 1, first, 3.4) is None
    assert pace.step_s(2 * SECOND, first, 3.4) == 1.0
    assert (pace.fresh, pace.next_us) == (False, 5 * SECOND)
    assert pace.step_s(5 * SECOND - 1, first, 3.4) is None
    assert pace.step_s(5 * SECOND, first, 3.4) == 3.0


def test_new_readings_do_not_wait_for_the_slow_step() -> None:
    """A second after the last step is enough."""
    pace, first = stepped()
    pace.step_s(2 * SECOND, first, 3.4)
    assert pace.step_s(3 * SECOND, reading(), 3.4) == 1.0
    assert pace.fresh


@pytest.mark.parametrize(("extreme_v", "steps"), [(3.4019, False), (3.4021, True), (3.3, False)])
def test_a_cell_that_moves_towards_its_bound_is_not_left_to_the_next_step(
    extreme_v: float, steps: bool
) -> None:
    """By more than 2 mV; and from then on it counts from there."""
    pace, _ = stepped()
    t_us = SECOND + SECOND // 10
    assert (pace.step_s(t_us, reading(), extreme_v) is not None) is steps
    if steps:
        assert pace.step_s(t_us + 1, reading(), extreme_v) is None


def test_no_step_is_of_no_length() -> None:
    """However far a cell has moved in no time."""
    pace, _ = stepped()
    assert pace.step_s(SECOND, reading(), 3.5) is None
    assert pace.step_s(SECOND + 1, reading(), 3.5) == 1e-6


def test_a_long_gap_counts_as_twelve_seconds() -> None:
    """What passed in it is not known."""
    pace, _ = stepped()
    assert pace.step_s(13 * SECOND - 1, reading(), 3.4) == 11.999999
    assert pace.step_s(60 * SECOND, reading(), 3.4) == 12.0


def test_a_step_that_would_change_nothing_is_none_that_is_due() -> None:
    """Until the law says that it limits something; then from the next step on."""
    pace, _ = stepped()
    assert pace.settled(9 * SECOND)
    pace.idle = False
    assert [pace.settled(t_us) for t_us in (2 * SECOND - 1, 2 * SECOND)] == [True, False]
