"""When the law of a bank steps."""

import pytest

from bridge.core.pack.law_steps import Pace
from bridge.core.pack.state import Reading

BLANK = Reading(*[None] * 14)
SECOND = 1_000_000


def cells(at_s: float, waited_s: float = 0.0) -> Reading:
    """Cells that came in at a time, after those before had become so old."""
    return BLANK._replace(cells_us=round(at_s * SECOND), cells_waited_us=round(waited_s * SECOND))


FIRST = cells(0.9)


def stepped() -> Pace:
    """A pace whose first step was at one second, with a cell at 3.4 V."""
    pace = Pace()
    assert pace.step_s(SECOND, FIRST, 3.4) == 1.0
    assert (pace.fresh, pace.next_us) == (True, 2 * SECOND)
    return pace


@pytest.mark.parametrize(("t_us", "step_s"), [(2 * SECOND - 1, None), (2 * SECOND, 1.0), (4 * SECOND, 3.0)])
def test_with_new_cells_it_steps_once_a_second(t_us: int, step_s: float | None) -> None:
    """By the time since the last step."""
    pace = stepped()
    assert pace.settled(t_us, cells(1.5)) is (step_s is None) or pace.idle
    assert pace.step_s(t_us, cells(1.5), 3.4) == step_s


def test_without_new_cells_it_steps_every_three_seconds() -> None:
    """The first time after one, whatever else comes in."""
    pace = stepped()
    assert pace.step_s(2 * SECOND - 1, FIRST, 3.4) is None
    assert pace.step_s(2 * SECOND, FIRST._replace(current_a=40.0), 3.4) == 1.0
    assert (pace.fresh, pace.next_us) == (False, 5 * SECOND)
    assert pace.step_s(5 * SECOND - 1, FIRST._replace(current_a=20.0), 3.4) is None
    assert pace.step_s(5 * SECOND, FIRST, 3.4) == 3.0


@pytest.mark.parametrize(("waited_s", "first_s"), [(0.1, 1.0), (1.2, 1.5), (2.0, 2.5), (10.0, 3.0)])
def test_cells_that_are_told_seldom_are_not_missed_at_once(waited_s: float, first_s: float) -> None:
    """A quarter of their own time is allowed them."""
    pace = Pace()
    pace.step_s(SECOND, cells(1.0, waited_s), 3.4)
    assert pace.next_us == SECOND + first_s * SECOND
    assert pace.waited_s == waited_s


def test_new_cells_that_were_waited_for_do_not_wait() -> None:
    """At once after a step without any: the current beside them is of the same moment. But not in no time."""
    pace = stepped()
    pace.idle = False
    pace.step_s(2 * SECOND, FIRST, 3.4)
    assert pace.step_s(2 * SECOND, cells(2.0), 3.4) is None
    assert not pace.settled(2 * SECOND + 1, cells(2.0))
    assert pace.step_s(2 * SECOND + 100_000, cells(2.0), 3.4) == 0.1
    assert (pace.fresh, pace.age_s) == (True, 0.1)
    assert pace.step_s(2 * SECOND + 200_000, cells(2.2), 3.4) is None


@pytest.mark.parametrize(("extreme_v", "steps"), [(3.4019, False), (3.4021, True), (3.3, False)])
@pytest.mark.parametrize("seen", [FIRST, cells(1.05)], ids=["beside the cells", "with them"])
def test_a_cell_that_moves_towards_its_bound_is_not_left_to_the_next_step(
    extreme_v: float, steps: bool, seen: Reading
) -> None:
    """By more than 2 mV, which is new whoever tells it; and from then on it counts from there."""
    pace = stepped()
    t_us = SECOND + SECOND // 10
    assert (pace.step_s(t_us, seen, extreme_v) is not None) is steps
    if steps:
        assert pace.fresh
        assert pace.step_s(t_us + 1, seen, extreme_v) is None


def test_a_cell_that_creeps_towards_its_bound_is_not_forgotten_by_steps_without_new_cells() -> None:
    """It counts from the last new ones."""
    pace = stepped()
    assert pace.step_s(2 * SECOND, FIRST, 3.4015) == 1.0
    assert not pace.fresh
    assert pace.step_s(2 * SECOND + 1, FIRST, 3.4021) == 1e-6
    assert pace.fresh


def test_no_step_is_of_no_length() -> None:
    """However far a cell has moved in no time."""
    pace = stepped()
    assert pace.step_s(SECOND, cells(1.0), 3.5) is None
    assert pace.step_s(SECOND + 1, cells(1.0), 3.5) == 1e-6


def test_a_long_gap_counts_as_twelve_seconds() -> None:
    """What passed in it is not known, nor does it tell how often the pack speaks."""
    pace = stepped()
    assert pace.step_s(13 * SECOND - 1, cells(12.9, 12.0), 3.4) == 11.999999
    assert pace.waited_s == 12.0
    assert pace.step_s(60 * SECOND, cells(60.0, 47.1), 3.4) == 12.0
    assert pace.waited_s == 12.0


def test_what_does_not_say_when_it_was_told_counts_as_new() -> None:
    """And as just told."""
    pace = stepped()
    pace.idle = False
    assert not pace.settled(2 * SECOND, BLANK)
    for t_us in (2 * SECOND, 3 * SECOND):
        assert pace.step_s(t_us, BLANK, 3.4) == 1.0
        assert (pace.fresh, pace.age_s, pace.waited_s) == (True, 0.0, 0.0)


def test_a_step_that_would_change_nothing_is_none_that_is_due() -> None:
    """Until the law says that it limits something; then from the next step on."""
    pace = stepped()
    assert pace.settled(9 * SECOND, FIRST)
    pace.idle = False
    assert [pace.settled(t_us, FIRST) for t_us in (2 * SECOND - 1, 2 * SECOND)] == [True, False]
    assert [pace.settled(t_us, cells(1.9)) for t_us in (2 * SECOND - 1, 2 * SECOND)] == [True, False]
