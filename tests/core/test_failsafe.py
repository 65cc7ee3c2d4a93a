"""The fail-safe state machine, step by step."""

from bridge.core.failsafe import FailSafe, State
from bridge.core.pack import Doubt, Trouble
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
    """Moments of trust are not counted, but win nothing back: doubt adds up to the hold time."""
    machine = following()
    states = steps(machine, *[(2.5 + n / 2, LATE if n % 2 == 0 else None) for n in range(14)])
    assert states[:11] == [State.HOLDING] * 11
    assert states[12] is State.SAFE


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
