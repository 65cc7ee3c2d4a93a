"""The fail-safe state machine, step by step."""

from hypothesis import given
from hypothesis import strategies as st

from bridge.core.failsafe.machine import FailSafe, State
from bridge.core.pack.state import Doubt, Trouble
from tests.core.plans import SECOND, TIMES

LATE = Doubt(Trouble.LATE, "pack_voltage of shelf")


def steps(machine: FailSafe, *rows: tuple[float, Doubt | None]) -> list[State]:
    """The states after each (time in s, doubt)."""
    return [machine.step(round(t_s * SECOND), doubt).state for t_s, doubt in rows]


def following() -> FailSafe:
    """A machine that follows since 2 s."""
    machine = FailSafe(TIMES)
    assert steps(machine, (0, None), (2, None))[-1] is State.FOLLOWING
    return machine


def test_starting_ends_only_after_a_steady_stretch() -> None:
    """Every doubt begins the stretch anew; without data it goes on for ever."""
    machine = FailSafe(TIMES)
    rows = [(0.0, None), (1.9, None), (2.0, LATE), (3.0, None), (4.9, None), (5.0, None)]
    assert steps(machine, *rows) == [State.STARTING] * 5 + [State.FOLLOWING]
    assert steps(FailSafe(TIMES), (0, LATE), (9999, LATE)) == [State.STARTING] * 2


def test_lost_data_leads_through_holding_and_safe_to_silent() -> None:
    """At once, then after the hold time, then after the silent time."""
    rows = [(3.0, LATE), (5.9, LATE), (6.0, LATE), (15.9, LATE), (16.0, LATE), (99.0, LATE)]
    expected = [State.HOLDING, State.HOLDING, State.SAFE, State.SAFE, State.SILENT, State.SILENT]
    assert steps(following(), *rows) == expected


def test_never_silent_where_the_profile_says_so() -> None:
    """`None`: zero currents are sent for ever."""
    machine = FailSafe(TIMES._replace(silent_us=None))
    assert steps(machine, (0, None), (2, None), (3, LATE), (6, LATE), (9999, LATE))[-1] is State.SAFE


def test_silence_and_safety_end_only_after_a_steady_stretch() -> None:
    """Trusted data alone changes nothing before."""
    for rows in ([(3, LATE), (6, LATE)], [(3, LATE), (6, LATE), (20, LATE)]):
        machine = following()
        lost = steps(machine, *rows)[-1]
        assert steps(machine, (30, None), (31.9, None), (32, None)) == [lost, lost, State.FOLLOWING]


def test_flapping_data_does_not_hold_limits_for_ever() -> None:
    """Moments of trust are not counted, 2 s in all, and win nothing back: doubt adds up to the hold time."""
    machine = following()
    states = steps(machine, *[(2.5 + n / 2, LATE if n % 2 == 0 else None) for n in range(14)])
    assert states[:10] == [State.HOLDING] * 10
    assert states[10:] == [State.SAFE] * 4


def test_one_bad_moment_or_two_do_not_close_a_sound_pack() -> None:
    """However long the hold time beside the steady stretch: what goes to `safe` is doubt, never trust."""
    for hold_s in (0.2, 1.0, 3.0):
        machine = FailSafe(TIMES._replace(hold_us=round(hold_s * SECOND)))
        rows = [
            (0.0, None),
            (2.0, None),
            (2.5, LATE),
            (2.6, None),
            (4.4, None),
            (4.5, LATE),
            (4.6, None),
            (6.5, None),
        ]
        found = steps(machine, *rows, (6.6, None))
        assert found[2:] == [State.HOLDING] * 6 + [State.FOLLOWING]


flickers = st.lists(
    st.tuples(st.booleans(), st.integers(1, 4 * SECOND)), min_size=1, max_size=60
)  # good or bad, and for how long


@given(flickers, st.integers(0, 5 * SECOND), st.integers(SECOND, 8 * SECOND))
def test_nothing_is_held_in_doubt_beyond_the_stated_times(
    rows: list[tuple[bool, int]], hold_us: int, steady_us: int
) -> None:
    """After the first doubt: the hold time at least if all of it is doubt, hold and steady time at most."""
    machine = FailSafe(TIMES._replace(hold_us=hold_us, steady_us=steady_us, silent_us=None))
    assert [machine.step(t_us, None).state for t_us in (0, steady_us)][-1] is State.FOLLOWING
    t_us, first_us, doubted_us, before = steady_us, 0, 0, State.FOLLOWING
    for good, lasts_us in rows:
        for step_us in (lasts_us // 3, lasts_us - lasts_us // 3):
            t_us += step_us
            state = machine.step(t_us, None if good else LATE).state
            if before is State.FOLLOWING:
                first_us, doubted_us = t_us, 0
            elif not good:
                doubted_us += step_us
            if state is State.HOLDING and not good:
                assert t_us - first_us < hold_us + steady_us
                assert doubted_us < max(hold_us, 1)
            if state is State.SAFE and before is State.HOLDING:
                assert t_us - first_us >= hold_us
                assert not good
                assert doubted_us >= hold_us or t_us - first_us >= hold_us + min(steady_us, t_us - first_us)
            before = state


def test_a_steady_stretch_gives_the_whole_hold_time_back() -> None:
    """After it, an outage is held as long as the first."""
    machine = following()
    steps(machine, (3, LATE), (5, LATE), (5.5, None), (7.5, None))
    assert steps(machine, (8, LATE), (10.9, LATE), (11, LATE)) == [State.HOLDING, State.HOLDING, State.SAFE]


def test_the_cause_is_told_until_the_data_is_followed_again() -> None:
    """And it says that data is back before that."""
    machine = following()
    assert machine.step(3 * SECOND, LATE).cause == "pack_voltage of shelf: late"
    assert "late; trusted now" in machine.step(4 * SECOND, None).cause
    assert machine.step(6 * SECOND, None).cause == ""
    assert machine.step(7 * SECOND, None).cause == ""


def test_a_restart_begins_at_starting_with_its_cause() -> None:
    """What was trusted before counts for nothing."""
    machine = following()
    machine.restart("stood still")
    step = machine.step(3 * SECOND, None)
    assert (step.state, step.cause[:11]) == (State.STARTING, "stood still")


def test_the_states_go_out_as_these_numbers() -> None:
    """A receiver knows them by number."""
    assert [(state.name, state.value) for state in State] == [
        ("STARTING", 0),
        ("FOLLOWING", 1),
        ("HOLDING", 2),
        ("SAFE", 3),
        ("SILENT", 4),
    ]
