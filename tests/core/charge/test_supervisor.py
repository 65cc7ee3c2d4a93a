"""The supervisor: its table of transitions is the input of these tests, and every row is visited."""

from collections.abc import Iterator

import pytest

from bridge.core.charge import constants as k
from bridge.core.charge.supervisor import LONGER_S, TABLE, Evidence, Row, Seen, State, Supervisor
from tests.core.charge.plant import settings

MOST_A = 40.0


def steady(sent_a: float, current_a: float, seconds: int, **more: bool) -> list[Seen]:
    """Some seconds that are all alike."""
    return [Seen(1.0, current_a, sent_a, 2.0, **more)] * seconds


STORIES: dict[tuple[State, Evidence], list[Seen]] = {
    (State.STARTING, Evidence.PASSED): steady(28.0, 38.0, 30),
    (State.STARTING, Evidence.FOLLOWED): steady(20.0, 20.0, 8) + steady(30.0, 30.0, 1),
    (State.STARTING, Evidence.ANSWERED): steady(28.0, 15.0, 13),
    (State.UNDECIDED, Evidence.PASSED): steady(20.0, 30.0, 30),
    (State.UNDECIDED, Evidence.FOLLOWED): steady(20.0, 20.0, 4) + steady(12.0, 12.0, 1),
    (State.UNDECIDED, Evidence.UNTRIED): steady(40.0, 20.0, 302),
    (State.TRIED, Evidence.PASSED): steady(10.0, 20.0, 30),
    (State.TRIED, Evidence.FOLLOWED): steady(10.0, 10.0, 5) + steady(20.0, 20.0, 1),
    (State.TRIED, Evidence.ANSWERED): steady(10.0, 3.0, 13),
    (State.OBEYS, Evidence.PASSED_FIRMLY): steady(20.0, 30.0, 40),
    (State.IGNORES, Evidence.RESTED): steady(40.0, 0.0, 602),
    (State.IGNORES, Evidence.POWERLESS): steady(0.0, 30.0, 1, powerless=True),
    (State.NEITHER, Evidence.RESTED): steady(0.0, 0.0, 602),
}
"""What the supervisor sees in each row of the table."""


def test_no_row_is_without_a_story_and_no_story_without_a_row() -> None:
    """The table and the tests tell of the same."""
    rows = [(row.state, row.evidence) for row in TABLE]
    assert len(rows) == len(set(rows))
    assert set(rows) == set(STORIES)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.state.value}-{row.evidence.value}")
def test_each_row_leads_where_the_table_says(row: Row) -> None:
    """From its state, by its evidence, at the last moment of its story or before."""
    watch = Supervisor(settings(), row.state)
    states = [watch.update(seen) for seen in STORIES[row.state, row.evidence]]
    assert row.next in states
    assert set(states[: states.index(row.next)]) <= {row.state}


def test_every_state_can_be_left_and_reached() -> None:
    """No belief is for ever, and none is there for nothing."""
    assert {row.state for row in TABLE} == set(State)
    assert {row.next for row in TABLE} == set(State)
    assert set(LONGER_S) == set(State)
    assert all(row.done for row in TABLE)


def test_a_load_that_goes_proves_nothing_however_often() -> None:
    """Its current passes the limit, and decays."""
    watch = Supervisor(settings(), State.UNDECIDED)
    for n in range(600):
        excess = 40.0 * 0.7 ** (n % 12)
        watch.update(Seen(1.0, 20.0 + excess, 20.0, 2.0))
    assert watch.state is State.UNDECIDED


def test_a_current_that_fades_slowly_from_a_sibling_proves_nothing() -> None:
    """A bank that feeds the other: two percent a second less."""
    watch = Supervisor(settings(), State.OBEYS)
    for n in range(300):
        watch.update(Seen(1.0, 12.0 * 0.98**n, 0.0, 2.0))
    assert watch.state is State.OBEYS


def test_an_excess_that_loads_break_is_proof_all_the_same() -> None:
    """A charger that ignores its limit stays above it, whatever comes and goes."""
    watch = Supervisor(settings(), State.OBEYS)
    for n in range(120):
        watch.update(Seen(1.0, 30.0 if n % 20 < 12 else 18.0, 5.0, 2.0))
    assert watch.state is State.IGNORES


def test_a_current_that_comes_back_under_its_limit_clears_the_charge_at_once() -> None:
    """Fourteen seconds above are forgotten by one below."""
    watch = Supervisor(settings(), State.OBEYS)
    for seen in 4 * (steady(20.0, 30.0, 14) + steady(20.0, 19.0, 1)):
        watch.update(seen)
    assert watch.state is State.OBEYS


def test_what_came_before_the_limit_moved_is_no_answer_to_it() -> None:
    """A current that rises past a limit, and stays when that is lifted, follows nothing."""
    watch = Supervisor(settings())
    for amps in [24.0, 27.0, 29.0, 30.0, *[30.5] * 8]:
        watch.update(Seen(1.0, amps, 28.0, 2.0))
    for seen in steady(40.0, 30.5, 20):
        watch.update(seen)
    assert watch.state is State.UNDECIDED


def test_a_long_delay_is_taken_over_and_a_short_one_is_not() -> None:
    """The answer is never reckoned shorter than told."""
    quick, slow = Supervisor(settings(), State.UNDECIDED), Supervisor(settings(), State.UNDECIDED)
    for n in range(60):
        limit = 40.0 - 0.5 * n
        quick.update(Seen(1.0, min(limit + 0.5, 40.0), limit, 2.0))
        slow.update(Seen(1.0, min(limit + 3.5, 40.0), limit, 2.0))
    assert quick.answer_s == settings().lag_s
    assert 6.0 <= slow.answer_s <= 8.0


def test_the_horizon_shrinks_slowly_once_it_is_known_that_the_limit_is_heeded() -> None:
    """So the limit stands, rather than turns."""
    watch = Supervisor(settings(), State.UNDECIDED)
    for seen in STORIES[State.UNDECIDED, Evidence.FOLLOWED]:
        watch.update(seen)
    assert watch.state is State.OBEYS
    assert watch.longer_s == k.UNDECIDED_S
    watch.update(Seen(1.0, 12.0, 12.0, 2.0))
    assert watch.longer_s == k.UNDECIDED_S - k.EASES_PER_S


def test_caps_are_those_of_the_trials_and_none_else() -> None:
    """At the start a share of the most, on trial one of what flowed, nothing where nothing helps."""
    assert Supervisor(settings()).cap_a == pytest.approx(k.STARTS * MOST_A)
    assert Supervisor(settings(), State.UNDECIDED).cap_a == MOST_A
    assert Supervisor(settings(), State.NEITHER).cap_a == 0.0
    watch = Supervisor(settings(), State.UNDECIDED)
    for seen in STORIES[State.UNDECIDED, Evidence.UNTRIED]:
        watch.update(seen)
    assert watch.cap_a == pytest.approx(k.TRY_SHARE * 20.0)


def test_a_charge_has_one_trial_and_the_next_charge_another() -> None:
    """Fruitless, it is not made again; after a rest it is."""
    watch = Supervisor(settings(), State.UNDECIDED)

    def trials(seconds: list[Seen]) -> int:
        states: Iterator[State] = (watch.update(seen) for seen in seconds)
        before, count = watch.state, 0
        for state in states:
            count += state is State.TRIED and before is not State.TRIED
            before = state
        return count

    assert trials(steady(40.0, 20.0, 302) + steady(10.0, 3.0, 20) + steady(40.0, 20.0, 900)) == 1
    assert watch.state is State.UNDECIDED
    assert trials(steady(20.0, 30.0, 60) + steady(40.0, 0.0, 700) + steady(40.0, 20.0, 400)) == 1


def test_an_unknown_current_proves_nothing() -> None:
    """And what was gathered is forgotten."""
    watch = Supervisor(settings(), State.OBEYS)
    for seen in steady(20.0, 30.0, 14):
        watch.update(seen)
    watch.update(Seen(1.0, None, 20.0, 2.0))
    for seen in steady(20.0, 30.0, 14):
        watch.update(seen)
    assert watch.state is State.OBEYS
