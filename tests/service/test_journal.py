"""What the daemon says: lines for people, JSON for programs, and not the same thing over and over."""

import json

from bridge.core.engine import Note
from bridge.core.failsafe.machine import State
from bridge.core.plan.reasons import Contribution, Limit, Reason
from bridge.core.told.decision import Decision
from bridge.service.journal import Journal, make_logger
from bridge.words import status_line
from tests.service.fakes import SECOND_US, Lines


def limit(value: float, reason: Reason = Reason.CONFIGURED, bank: str = "") -> Limit:
    """A limit with one contribution."""
    contribution = Contribution(reason, value, bank)
    return Limit(value, contribution, (contribution,))


def decided(
    t_s: float,
    charge: Limit,
    state: State = State.FOLLOWING,
    cause: str = "",
    warnings: tuple[str, ...] = (),
) -> Decision:
    """A decision of which only the charge current varies."""
    still = limit(50.0)
    return Decision(round(t_s * SECOND_US), state, cause, still, charge, still, still, {}, warnings)


def told(*decisions: Decision) -> list[str]:
    """The lines about the charge current."""
    lines = Lines()
    journal = Journal(make_logger(write=lines))
    for decision in decisions:
        journal.decision(decision)
    return lines.having("charge with")


def test_a_limit_is_told_with_its_binding_reason() -> None:
    """The first line names the limit, the value with its unit, and why."""
    lines = told(decided(0, limit(84.0, Reason.HIGHEST_CELL, "shelf")))

    assert lines == ["charge with 84.0 A: taper by the highest cell (bank shelf)"]


def test_a_small_move_is_not_told() -> None:
    """Less than a twentieth is noise to a person."""
    assert len(told(decided(0, limit(100)), decided(10, limit(97)), decided(20, limit(94)))) == 2


def test_a_ramp_is_told_now_and_then() -> None:
    """A limit that rises for a minute makes some lines, not six hundred."""
    ramp = [decided(i / 10, limit(i * 0.25, Reason.RISING)) for i in range(600)]

    assert 10 <= len(told(*ramp)) <= 31


def test_a_change_of_reason_is_told_at_once() -> None:
    """Another reason binds and the value moved: the person wants to know now."""
    lines = told(decided(0, limit(100)), decided(0.1, limit(0, Reason.NOT_PERMITTED, "shelf")))

    assert lines[-1] == "charge with 0.0 A: the pack does not permit it (bank shelf)"


def test_a_reason_that_lasts_is_told_though_the_limit_hardly_moved() -> None:
    """After a minute without a break, once; what only shapes the way up is not told for that."""
    up = decided(0, limit(138.0, Reason.RISING))
    there = [decided(t_s, limit(140.0)) for t_s in (5, 64, 65, 66, 130)]
    assert told(up, *there[:2]) == ["charge with 138.0 A: rising slowly after a lower limit"]
    assert told(up, *there)[1:] == ["charge with 140.0 A: the configured limit"]
    broken = decided(30, limit(139.0, Reason.RISING))
    assert len(told(up, there[0], broken, decided(31, limit(140.0)), decided(90, limit(140.0)))) == 1
    assert len(told(decided(0, limit(140.0)), decided(5, limit(139.0, Reason.NOT_WORTH_IT)), broken)) == 1
    assert (
        len(told(decided(0, limit(140.0)), *[decided(t_s, limit(139.0, Reason.RISING)) for t_s in (5, 99)]))
        == 1
    )


def test_states_and_warnings_are_told_when_they_begin_and_end() -> None:
    """A state comes with its meaning and cause; a warning when it appears and when it goes."""
    lines = Lines()
    journal = Journal(make_logger(write=lines))
    journal.decision(decided(0, limit(1)))
    journal.decision(decided(1, limit(1), State.HOLDING, "pack_voltage of shelf: late", ("inverter x",)))
    journal.decision(decided(2, limit(1)))

    assert lines.having(
        "! holding: data is late: last limits held, none may rise (pack_voltage of shelf: late)"
    )
    assert lines.having("! inverter x")
    assert lines.having("no longer: inverter x")


def test_the_same_refusal_is_told_once_a_minute() -> None:
    """A source that is refused ten times a second does not fill the disk."""
    lines = Lines()
    journal = Journal(make_logger(write=lines))
    for i in range(1300):
        journal.note(Note(i * 100_000, "refused", "A on cabin", "A on cabin: checksum 1; allowed: 2"))

    assert len(lines.lines) == 3
    assert "repeats=599" in lines.lines[1]


def untrusted(t_s: float, cause: str, state: State = State.STARTING) -> Decision:
    """Not followed, and why."""
    return decided(t_s, limit(0.0), state, cause)


def test_each_new_reason_not_to_follow_is_told_less_and_less_often() -> None:
    """The first at once; one that stays is told in the end, and one that goes to and fro costs few lines."""
    lines = Lines()
    journal = Journal(make_logger(write=lines))
    causes = ["pack_voltage of shelf: never seen", "cell_voltage 5 of shelf: never seen"]
    journal.decision(untrusted(0.0, causes[0]))
    for tick in range(1, 30):
        journal.decision(untrusted(tick / 10, causes[1]))
    assert [line for line in lines.lines if causes[1] in line] == [f"still starting: {causes[1]}"]
    for tick in range(30, 36_000):
        journal.decision(untrusted(tick / 10, causes[tick % 2]))
    assert 8 < len(lines.having("still starting")) < 20
    journal.decision(untrusted(3600.0, causes[0], State.SAFE))
    for tick in range(1, 100):
        journal.decision(untrusted(3600.0 + tick / 10, causes[1], State.SAFE))
    assert len(lines.having(f"still safe: {causes[1]}")) == 1


def test_waiting_for_steady_data_is_no_reason_not_to_follow() -> None:
    """It is what follows when all is well; in the status it stands."""
    lines = Lines()
    journal = Journal(make_logger(write=lines))
    journal.decision(untrusted(0.0, "pack_voltage of shelf: never seen"))
    waits = untrusted(5.0, "trusted now, not yet for long enough")
    journal.decision(waits)
    assert not lines.having("still")
    assert status_line(waits).startswith("starting (trusted now, not yet for long enough) · ")


def test_news_of_the_charge_is_told_as_it_comes() -> None:
    """Every one, as something normal: a stage may follow another within the minute."""
    lines = Lines()
    journal = Journal(make_logger(write=lines))
    for i, text in enumerate(("absorption: the highest cell is at 3.480 V", "resting: 30 min are over")):
        journal.note(Note(i * SECOND_US, "told", "stage", text))

    assert lines.lines == [
        "stage: absorption: the highest cell is at 3.480 V",
        "stage: resting: 30 min are over",
    ]


def test_the_status_line_ends_with_stage_and_progress() -> None:
    """Where there are any."""
    decision = decided(1, limit(50.0))
    plain = status_line(decision)
    assert status_line(decision._replace(stage="bulk: x", progress="top balance: y")) == (
        f"{plain} · bulk: x · top balance: y"
    )
    assert status_line(decision._replace(stage="bulk: x")) == f"{plain} · bulk: x"


def test_json_lines_are_json() -> None:
    """One object a line, with event and level."""
    lines = Lines()
    journal = Journal(make_logger("json", lines), lambda t_us: f"{t_us} µs")
    journal.say(5, "hello", "warning", bus="cabin")

    assert json.loads(lines.lines[0]) == {
        "event": "hello",
        "level": "warning",
        "bus": "cabin",
        "clock": "5 µs",
    }
