"""Stages and commissioning in the engine: added bounds, nothing loosened, all of it told."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.course.course import IDLE, Course, Now, look
from bridge.core.course.remembered import NOTHING
from bridge.core.course.stage import Seen, Stage
from bridge.core.engine import Engine
from bridge.core.failsafe.machine import State
from bridge.core.limits.compose import Limits
from bridge.core.pack.state import Doubt, Reading, Trouble
from bridge.core.plan.plan import Plan, ShownSoc
from bridge.core.plan.reasons import Contribution, Limit, Reason
from bridge.core.plan.wishes import Commissioning, Stages
from tests.core.plans import DRAW, OPTIONS, SECOND, TICK, Builder, pack_limits
from tests.core.rig import Rig, Speaker, level

MINUTE = 60 * SECOND
STAGES = Stages(
    cells=16,
    target_v=3.50,
    within_v=0.02,
    hold_us=MINUTE,
    tail_a=2.0,
    rest_v=53.6,
    restart_soc=90.0,
    restart_low_v=None,
    restart_mean_v=None,
    usual_v=None,
    full_every_us=None,
    balance_within_v=None,
    balance_us=0,
    full_soc=True,
)
COMMISSIONING = Commissioning(
    until_us=10_000 * SECOND,
    current_a=10.0,
    target_v=3.50,
    near_v=0.02,
    within_v=0.010,
    low_a=2.0,
    steady_us=MINUTE,
    tell_us=MINUTE,
    window=(20.0, 80.0),
)
GOOD = Reading(52.8, 5.0, 50.0, 3.3, 3.3, [3.3] * 16, 20.0, 22.0, 1.0, 1.0, None, None, 0.0, None)


def plan_of(stages: Stages | None = STAGES, commissioning: Commissioning | None = None, **rest: Any) -> Plan:
    """A pack with these."""
    return Builder(**rest).plan()._replace(stages=stages, commissioning=commissioning)


def told(rig: Rig) -> list[str]:
    """News of the charge since the last call."""
    return [f"{note.subject}: {note.text}" for note in rig.engine.take_notes() if note.kind == "told"]


def value(rig: Rig, name: str) -> float | None:
    """A value for the wire."""
    return rig.engine.decision.values[name]


def test_a_charge_in_the_engine_is_told_bounded_and_shown() -> None:
    """Absorption by time, rest with its voltage, 100 % only then, a new start by state of charge."""
    rig = Rig(plan_of())
    pack = rig.speakers[0]
    pack.soc, pack.amps = 100.0, 10.0
    rig.run(20.0)
    assert (value(rig, "charge_stage"), value(rig, "shown_state_of_charge")) == (0.0, 99.0)
    assert value(rig, "state_of_charge") == 100.0
    assert told(rig) == []
    pack.cells_v = [3.49, *[3.47] * 15]
    rig.run(1.0)
    assert value(rig, "charge_stage") == 1.0
    assert rig.engine.decision.stage == "absorption: the highest cell is at 3.490 V, target 3.500 V"
    assert told(rig) == [f"stage: {rig.engine.decision.stage}"]
    assert rig.limits()[0] > 53.6
    rig.run(60.0)
    assert told(rig) == ["stage: resting: 1 min at the target are over"]
    assert (value(rig, "charge_stage"), value(rig, "shown_state_of_charge")) == (3.0, 100.0)
    volts = rig.engine.decision.charge_voltage
    assert (volts.value, volts.binding.reason) == (53.6, Reason.RESTED)
    pack.cells_v, pack.soc = [3.32] * 16, 89.5
    rig.run(60.0)
    rig.run(1.0)
    assert told(rig) == ["stage: bulk: state of charge 89.5 %, below 90 %"]
    assert rig.engine.decision.charge_voltage.binding.reason is Reason.RISING


def test_lost_data_ends_no_stage_and_a_stage_lifts_no_fail_safe() -> None:
    """Resting stays resting; what holds or is safe is bounded by its own."""
    rig = Rig(plan_of())
    rig.speakers[0].cells_v = [3.49] * 16
    rig.run(90.0)
    assert value(rig, "charge_stage") == 3.0
    rig.wait(9.0)
    assert rig.state() is State.SAFE
    assert (value(rig, "charge_stage"), rig.limits()[:3]) == (3.0, (53.6, 0.0, 0.0))


@pytest.mark.slow
def test_commissioning_in_the_engine_is_gentle_told_and_over_by_itself() -> None:
    """The pack is not taken from its target before; then the stage that was reached counts."""
    rig = Rig(plan_of(commissioning=COMMISSIONING))
    pack = rig.speakers[0]
    pack.cells_v, pack.amps, pack.soc = [3.495, *[3.463] * 15], 1.0, 99.0
    rig.run(200.0)
    charge = rig.engine.decision.charge_current
    assert Contribution(Reason.COMMISSIONING, 10.0, "") in charge.contributions
    assert charge.value <= 10.0
    assert (value(rig, "charge_stage"), value(rig, "shown_state_of_charge")) == (1.0, 80.0)
    sentence = "top balance: cells within 32 mV, wanted 10 mV, 1 of 16 at their target; 1.0 A"
    assert rig.engine.decision.progress == sentence
    assert told(rig).count(f"commissioning: {sentence}") == 4
    pack.cells_v = [3.495, *[3.490] * 15]
    rig.run(62.0)
    assert told(rig)[-2:] == [
        "commissioning: top balance done: cells within 5 mV, wanted 10 mV, 16 of 16 at their target; 1.0 A",
        "stage: resting: the current has tailed off to 1.0 A",
    ]
    assert (rig.engine.decision.progress, value(rig, "shown_state_of_charge")) == ("", 99.0)


@pytest.mark.parametrize(
    ("other", "count"),
    [(None, ""), ([3.495] * 16, ", 32 of 32 at their target"), ([3.4] * 16, ", 16 of 32 at their target")],
)
def test_cells_of_all_banks_are_counted_or_none(other: list[float] | None, count: str) -> None:
    """Half a picture would look like half the way."""
    course = Course(plan_of(None, COMMISSIONING, banks=2))
    full = GOOD._replace(cells_v=[3.495] * 16, high_v=3.495, low_v=3.495)
    rows = [full, full._replace(cells_v=other)]
    told = course.step(SECOND, TICK, State.FOLLOWING, rows, [True, True]).progress
    assert told == f"top balance: cells within 0 mV, wanted 10 mV{count}; 10.0 A"
    alone = course.step(2 * SECOND, TICK, State.FOLLOWING, rows, [True, False]).progress
    assert alone == (
        "top balance: cells within 0 mV, wanted 10 mV, 16 of 16 at their target; 5.0 A; waits for bank bank2"
    )


def test_commissioning_needs_no_stages_and_ends_at_its_time_without_any_data() -> None:
    """The bound goes, and no stage is shown."""
    wish = COMMISSIONING._replace(until_us=8 * SECOND, window=None)
    rig = Rig(plan_of(None, wish))
    rig.run(2.9)
    assert rig.engine.decision.charge_current.contributions[-2].value == 10.0
    rig.wait(1.0)
    assert [text.partition(":")[0] for text in told(rig)] == ["commissioning"] * 2
    assert (value(rig, "charge_stage"), rig.engine.decision.stage) == (None, "")


def test_a_window_of_commissioning_goes_before_the_wish_and_after_what_the_stages_leave() -> None:
    """A wish for the shown charge is the person's: a fixed one stands even at 100 %."""
    shown = ShownSoc(100.0, 100.0, 10_000 * SECOND)
    options = OPTIONS._replace(shown_soc=shown)
    rig = Rig(plan_of(options=options))
    rig.run(5.0)
    assert value(rig, "shown_state_of_charge") == 100.0
    rig = Rig(plan_of(commissioning=COMMISSIONING, options=options))
    rig.run(5.0)
    assert value(rig, "shown_state_of_charge") == 50.0
    rig = Rig(plan_of(commissioning=COMMISSIONING._replace(window=None), options=options))
    rig.run(5.0)
    assert value(rig, "shown_state_of_charge") == 100.0


def test_an_unknown_charge_stays_unknown() -> None:
    """Neither 99 nor anything else is shown for it."""
    rig = Rig(plan_of())
    assert value(rig, "shown_state_of_charge") is None


def test_without_either_nothing_is_asked_for() -> None:
    """And nothing is looked at."""
    course = Course(plan_of(None))
    assert course.step(0, TICK, State.FOLLOWING, [], []) is IDLE
    assert (course.take_news(), IDLE.sentence, IDLE.most_soc) == ([], "", 100.0)
    assert Now(Stage.RESTING, "full").sentence == "resting: full"


def test_a_request_ends_in_time_while_the_limits_stand_still() -> None:
    """What asks early, far from where any law limits: only the time since the cell came back moves on."""
    wish = pack_limits(4)._replace(request_below_v=3.25, request_until_v=3.28)
    rig = Rig(Builder(cells=4, tick_us=SECOND, limits=wish, draw=DRAW._replace(max_a=20.0)).plan(), level(4))
    rig.speakers[0].cells_v = [3.24] * 4
    rig.run(30.0)
    rig.speakers[0].cells_v = [3.3] * 4
    rig.run(590.0, SECOND // 2)
    assert value(rig, "charge_requested") == 1.0
    rig.run(20.0, SECOND // 2)
    assert value(rig, "charge_requested") == 0.0


@pytest.mark.parametrize(
    ("changes", "options"),
    [
        ({"coldest_c": 0.0}, OPTIONS),
        ({"hottest_c": 45.0}, OPTIONS),
        ({"may_charge": 0}, OPTIONS),
        ({}, OPTIONS._replace(inhibit_charge=True)),
    ],
)
def test_a_starved_pack_asks_for_nothing_it_may_not_have(changes: dict[str, float], options: Any) -> None:
    """Too cold, too hot, forbidden by the pack or by the person; the wish itself is kept."""
    rig = Rig(Builder(options=options).plan())
    rig.speakers[0].soc = 5.0
    for name, number in changes.items():
        setattr(rig.speakers[0], name, number)
    rig.run(10.0)
    assert value(rig, "charge_requested") == 0.0
    assert rig.limits()[1] == 0.0
    if changes:
        rig.speakers[0].coldest_c, rig.speakers[0].hottest_c, rig.speakers[0].may_charge = 20.0, 22.0, 1
        rig.speakers[0].soc = 12.0
        rig.run(2.0)
        assert value(rig, "charge_requested") == 1.0


def test_a_restart_goes_on_with_a_commissioning_that_has_not_ended() -> None:
    """And does not begin one anew that has: by its stated end it is known."""
    plan = plan_of(None, COMMISSIONING)
    course = Course(plan)
    assert course.keep(NOTHING) == NOTHING
    assert Course(plan, course.keep(NOTHING)).step(0, TICK, State.FOLLOWING, [GOOD], [True]).charge
    course.step(COMMISSIONING.until_us, TICK, State.SAFE, [GOOD], [True])
    kept = course.keep(NOTHING)
    assert kept.commissioned_us == COMMISSIONING.until_us
    assert not Course(plan, kept).step(0, TICK, State.FOLLOWING, [GOOD], [True]).charge


def test_banks_are_seen_together_and_only_those_that_count() -> None:
    """Extremes of all, the largest spread within one, the sum of currents, charge by capacity."""
    banks = Builder(banks=2, capacities_ah=(100.0, 300.0, 0.0)).plan().banks
    other = GOOD._replace(pack_v=52.0, current_a=-7.0, soc=90.0, low_v=3.0, high_v=3.25)
    both = look(banks, [GOOD, other], [True, True])
    assert both == Seen(3.3, 3.0, 3.25, 0.25, 12.0, 80.0, 3.25)
    assert look(banks, [GOOD, other], [True, False]) == Seen(
        3.3, 3.3, 3.3, 0.0, 5.0, 50.0, 3.3, "bank bank2", lost=True
    )
    for name in ("pack_v", "low_v", "high_v"):
        assert look(banks, [GOOD, other._replace(**{name: None})], [True, True]) is None
    dim = look(banks, [GOOD, other._replace(current_a=None, soc=None)], [True, True])
    assert dim is not None
    assert (dim.current_a, dim.soc) == (None, None)


readings = st.builds(
    lambda low, spread, soc, cold, may: GOOD._replace(
        pack_v=16 * low + 2 * spread,
        low_v=low,
        high_v=low + spread,
        cells_v=None,
        soc=soc,
        coldest_c=cold,
        charge_permitted=may,
    ),
    st.sampled_from([2.95, 3.2, 3.3, 3.44, 3.48, 3.52]),
    st.sampled_from([0.0, 0.01, 0.05]),
    st.sampled_from([5.0, 85.0, 100.0]),
    st.sampled_from([20.0, 20.0, 4.0, -1.0]),
    st.sampled_from([1.0, 1.0, 1.0, 0.0]),
)


def tight(limit: Limit, *, floor: bool = False) -> float:
    """What all contributions that are not of the course leave."""
    own = (Reason.RESTED, Reason.USUAL_TARGET, Reason.COMMISSIONING, Reason.RISING)
    values = [one.value for one in limit.contributions if one.reason not in own]
    return max(values) if floor else min(values)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(
    st.builds(
        lambda usual, every, even: STAGES._replace(usual_v=usual, full_every_us=every, balance_within_v=even),
        st.sampled_from([None, 3.42]),
        st.sampled_from([None, 60 * MINUTE]),
        st.sampled_from([None, 0.02]),
    ),
    st.sampled_from([None, COMMISSIONING]),
    st.lists(st.tuples(readings, st.sampled_from(list(State)), st.integers(1, 40)), max_size=20),
)
def test_no_stage_and_no_commissioning_ever_loosens_a_limit(
    stages: Stages, commissioning: Commissioning | None, life: list[tuple[Reading, State, int]]
) -> None:
    """Never looser than the bounds without them; beside the same pack without them, by no more than the
    deadband, because a limit that comes from below is not held back by it, and a step of the law's voltage,
    which depends on what was sent."""
    plan = plan_of(stages, commissioning)
    course, with_it, without = Course(plan), Limits(plan), Limits(plan)
    t_us = 0
    for reading, state, ticks in life:
        for _ in range(ticks):
            t_us += 3 * SECOND
            now = course.step(t_us, 3 * SECOND, state, [reading], [True])
            args = (t_us, 3.0, state, [reading], [True], ())
            mine = with_it.decide(*args, inverter_silent=False, course=now)
            plain = without.decide(*args, inverter_silent=False)
            for a, b, slack in zip(mine, plain, (0.15, 1.0, 1.0, 0.05), strict=True):
                if b is plain[3]:
                    assert a == b
                    continue
                assert a.value <= b.value + slack
                assert a.value <= tight(a) + 1e-6
                assert a.value == round(min(one.value for one in a.contributions), 6)
            assert mine[2] == plain[2]
            if commissioning is not None:
                assert mine[1].value <= 10.0


@pytest.mark.slow
def test_the_same_life_gives_the_same_frames_with_stages_too() -> None:
    """However often it is polled."""

    def live(step_us: int) -> list[Any]:
        engine = Engine(plan_of(commissioning=COMMISSIONING), 5 * SECOND)
        speaker, t_us, sent = Speaker([3.49] * 16, amps=1.0), 5 * SECOND, []
        for _ in range(1500):
            for frame in speaker.all():
                engine.receive(t_us, frame)
            for _ in range(TICK // step_us):
                t_us += step_us
                sent += engine.poll(t_us)
        return [sent, engine.take_notes()]

    assert live(TICK) == live(TICK // 4)


def test_commissioning_waits_for_a_bank_that_is_lost_and_for_one_that_is_not_connected() -> None:
    """Either was to be brought to top balance, too."""
    full = GOOD._replace(pack_v=55.92, cells_v=[3.495] * 16, high_v=3.495, low_v=3.495, current_a=1.0)
    for other in (full._replace(doubt=Doubt(Trouble.LATE, "cells")), full._replace(connected=0.0)):
        course = Course(plan_of(commissioning=COMMISSIONING, banks=2))
        for second in range(1, 200):
            rows = [full, other]
            now = course.step(second * SECOND, SECOND, State.FOLLOWING, rows, [True, False])
        assert now.progress.endswith("wanted 10 mV, 16 of 16 at their target; 1.0 A; waits for bank bank2")
        for second in range(200, 260):
            now = course.step(second * SECOND, SECOND, State.FOLLOWING, [full, full], [True, True])
        assert now.progress == ""


def test_a_bank_that_joins_a_full_pack_makes_it_one_that_is_not_known_to_be_full() -> None:
    """While it stays away nothing changes, nor when it leaves or is there from the start."""
    full = GOOD._replace(cells_v=[3.495] * 16, high_v=3.495, low_v=3.495, current_a=1.0)
    away = GOOD._replace(connected=0.0)
    course = Course(plan_of(banks=2))
    for second in range(1, 120):
        now = course.step(second * SECOND, SECOND, State.FOLLOWING, [full, away], [True, False])
    assert (now.stage, now.most_soc) == (Stage.RESTING, 100.0)
    kept = course.keep(NOTHING)
    now = course.step(120 * SECOND, SECOND, State.FOLLOWING, [full, full], [True, True])
    assert (now.stage, now.most_soc) == (Stage.RESTING, 99.0)
    course = Course(plan_of(banks=2), kept)
    for other in (full, away, away):
        rows = [full, other]
        assert course.step(SECOND, SECOND, State.FOLLOWING, rows, [True, other is full]).most_soc == 100.0


def test_the_usual_target_is_the_highest_cells_until_a_full_charge_is_due() -> None:
    """Also while the pack rests, and whatever becomes of the data; the voltage has its bound, too."""
    course = Course(plan_of(STAGES._replace(usual_v=3.42, full_every_us=10 * MINUTE, hold_us=MINUTE)))
    reading = GOOD._replace(high_v=3.42, current_a=1.0)
    stages = {course.step(0, SECOND, State.FOLLOWING, [GOOD], [True]).stage}
    for second in range(1, 80):
        state = State.SAFE if second == 6 else State.FOLLOWING
        now = course.step(second * SECOND, SECOND, state, [reading], [True])
        assert (now.target_v, now.charge) == (3.42, ())
        assert now.volts
        stages.add(now.stage)
    assert stages == {Stage.BULK, Stage.ABSORPTION, Stage.RESTING}
    now = course.step(601 * SECOND, SECOND, State.FOLLOWING, [reading], [True])
    assert (now.stage, now.charge, now.volts, now.target_v) == (Stage.BULK, (), (), STAGES.target_v)


def test_commissioning_charges_to_the_full_target_whatever_the_stages_had_reached() -> None:
    """Neither the usual target nor a rest from before keeps the cells from it."""
    wish = STAGES._replace(usual_v=3.42, full_every_us=1000 * MINUTE)
    kept = NOTHING._replace(last_full_us=0, resting=True, full=True)
    course = Course(plan_of(wish, COMMISSIONING), kept)
    now = course.step(SECOND, SECOND, State.FOLLOWING, [GOOD], [True])
    assert (now.sentence, now.volts, now.most_soc) == ("bulk: the pack is commissioned", (), 99.0)
    assert [one.reason for one in now.charge] == [Reason.COMMISSIONING]


def test_a_commissioning_that_has_ended_holds_no_stage_and_each_change_is_told_once() -> None:
    """The tail that came meanwhile counts; while nothing changes there is nothing to tell."""
    course = Course(plan_of(commissioning=COMMISSIONING._replace(tell_us=1000 * SECOND)))
    full = GOOD._replace(cells_v=[3.495] * 16, high_v=3.495, low_v=3.495, current_a=1.0, soc=100.0)
    news = []
    for second in range(0, 130, 10):
        course.step(second * SECOND, 10 * SECOND, State.FOLLOWING, [full], [True])
        news.append([text for _, text in course.take_news()])
    balance = "top balance{}: cells within 0 mV, wanted 10 mV, 16 of 16 at their target; 1.0 A"
    at_target = "absorption: the highest cell is at 3.495 V, target 3.500 V"
    over = "resting: the current has tailed off to 1.0 A"
    assert news[0] == [balance.format(""), at_target]
    assert news[1:7] == [[], [], [], [], [balance.format(" done")], [over]]
    assert news[7:] == [[]] * 6


def test_a_course_takes_over_only_what_the_same_wishes_came_to() -> None:
    """With other stages, or another commissioning, that part begins by itself."""
    kept = NOTHING._replace(last_full_us=0, resting=True, full=True, commissioned_us=COMMISSIONING.until_us)
    old = Course(plan_of(STAGES, COMMISSIONING), kept)
    assert old.keep(NOTHING) == kept
    stages = STAGES._replace(rest_v=STAGES.rest_v - 0.1)
    commissioning = COMMISSIONING._replace(until_us=COMMISSIONING.until_us + SECOND)
    for plan, left in (
        (plan_of(STAGES, COMMISSIONING), kept),
        (plan_of(stages, COMMISSIONING), NOTHING._replace(commissioned_us=COMMISSIONING.until_us)),
        (plan_of(STAGES, commissioning), kept._replace(commissioned_us=None)),
        (plan_of(stages, commissioning), NOTHING),
    ):
        new = Course(plan)
        new.take_over(old)
        assert new.keep(NOTHING) == left
