"""The invariants of the design, as properties of the whole engine under hostile streams of frames.

A stream is a list of acts: speak (some messages, some values), send rubbish, repeat a frame, let time pass.
What leaves is read by a plain bit walk in exact decimals, independent of the codec.
"""

from collections.abc import Iterable
from fractions import Fraction
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.engine import Due, Engine
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Plan
from bridge.frames import Frame
from tests.core.plans import AGE, BOUNDS, BUS, FLAGS, OPTIONS, SECOND, SHOWN, TICK, Builder, bank_layouts
from tests.core.rig import Rig, Speaker, level, on_the_wire

START_US = 5 * SECOND
MICRO = Fraction(1, 1_000_000)
LIMITS_ON_WIRE = {
    "charge_to": ("charge_voltage_limit", True),
    "charge_with": ("charge_current_limit", True),
    "draw_with": ("discharge_current_limit", True),
    "draw_to": ("discharge_voltage_floor", False),
}
KEYS = [layout.key for number in (0, 1) for layout in bank_layouts(number, 4).values()]
FULL = frozenset({"totals", "extremes", "cells", "permits"})


class Act(NamedTuple):
    """One thing that happens, and the time that passes after it."""

    frames: tuple[Frame, ...]
    wait_us: int


@st.composite
def speeches(draw: st.DrawFn) -> Act:
    """A bank that says things, true or not, of which some get lost."""
    cells = draw(
        st.sampled_from([[3.3] * 4, [3.45, 3.4, 3.4, 3.4], [2.9, 3.0, 3.1, 3.1], [3.6, 3.3, 3.3, 3.3]])
    )
    if draw(st.integers(0, 4)) == 0:
        cells = draw(st.lists(st.floats(0, 6), min_size=4, max_size=4))
    speaker = Speaker(
        cells,
        amps=draw(st.sampled_from([0.0, 30.0, -50.0])),
        soc=draw(st.sampled_from([0.0, 9.0, 50.0, 100.0])),
        coldest_c=draw(st.sampled_from([20.0, 20.0, 5.0, 0.0, -5.0, -60.0])),
        hottest_c=draw(st.sampled_from([22.0, 22.0, 44.0, 50.0, -10.0])),
        may_charge=draw(st.sampled_from([1, 1, 1, 0, 3])),
        charge_most_a=draw(st.sampled_from([500.0, 40.0, 0.0])),
        number=draw(st.integers(0, 1)),
        count=draw(st.integers(0, 255)),
    )
    frames = speaker.all()
    kept = draw(st.lists(st.sampled_from(frames), max_size=5)) if draw(st.booleans()) else frames
    return Act(tuple(kept), draw(st.sampled_from([0, 1, TICK // 3, TICK, 3 * TICK])))


@st.composite
def rubbish(draw: st.DrawFn) -> Act:
    """Any bytes under any identifier that is listened to."""
    key = draw(st.sampled_from(KEYS))
    data = draw(st.binary(max_size=8) | st.binary(min_size=8, max_size=8))
    return Act((Frame(BUS, key, data),) * draw(st.integers(1, 4)), draw(st.sampled_from([0, TICK])))


gaps = st.builds(Act, st.just(()), st.sampled_from([0, 7, AGE, 3 * SECOND, 15 * SECOND, 25 * SECOND]))


@st.composite
def healthy(draw: st.DrawFn) -> list[Act]:
    """A stretch of good data on both banks, so that something is up that can fail."""
    soc = draw(st.sampled_from([8.0, 50.0]))
    speakers = [level(4, number=number) for number in (0, 1)]
    acts = []
    for _ in range(draw(st.integers(20, 40))):
        for speaker in speakers:
            speaker.soc = soc
        acts.append(Act(tuple(frame for speaker in speakers for frame in speaker.all()), TICK))
    return acts


streams = st.lists(
    healthy() | st.lists(speeches(), max_size=12) | st.lists(rubbish(), max_size=6) | gaps.map(lambda g: [g]),
    max_size=5,
).map(lambda parts: [act for part in parts for act in part])

policies = st.builds(
    lambda reduce, optional: Builder(
        cells=4,
        banks=2,
        parts=FULL,
        jumps={"cell_voltage_max": 0.3, "pack_voltage": 3.0},
        optional=optional,
        options=OPTIONS._replace(reduce_on_lost_bank=reduce),
    ).plan(),
    st.booleans(),
    st.sampled_from([frozenset[str](), frozenset({"charge_permitted", "charge_current_permitted"})]),
)


class Moment(NamedTuple):
    """What the engine had decided when a frame was built."""

    due: Due
    values: dict[str, float | None]
    state: State


def play(plan: Plan, acts: Iterable[Act], step_us: int = TICK // 2) -> tuple[Engine, list[Moment]]:
    """Runs a stream, polling so often that every decision is seen with the frames built from it."""
    engine, t_us, moments = Engine(plan, START_US), START_US, []
    for act in acts:
        for frame in act.frames:
            engine.receive(t_us, frame)
        until_us = t_us + act.wait_us
        while t_us < until_us:
            t_us = min(t_us + step_us, until_us, max(t_us + 1, engine.next_deadline_us))
            for due in engine.poll(t_us):
                decision = engine.decision
                moments.append(Moment(due, dict(decision.values), decision.state))
        last, decision = engine.poll(t_us), engine.decision
        moments += [Moment(due, dict(decision.values), decision.state) for due in last]
    return engine, moments


slow = settings(max_examples=40, deadline=None)


@slow
@given(policies, streams)
def test_what_leaves_is_never_looser_than_decided_nor_than_the_hard_limits(
    plan: Plan, acts: list[Act]
) -> None:
    """Invariants 1, 2 and 3: read by a plain bit walk, on the grid, never NaN."""
    hard = {
        "charge_to": plan.limits.charge_voltage_v,
        "charge_with": plan.limits.charge_a,
        "draw_with": plan.limits.discharge_a,
        "draw_to": plan.limits.discharge_floor_v,
    }
    for due, values, _ in play(plan, acts)[1]:
        if due.frame.key != BOUNDS.key:
            continue
        said = on_the_wire(due.frame)
        for name, (quantity, maximum) in LIMITS_ON_WIRE.items():
            decided = values[quantity]
            assert decided is not None
            assert decided == decided
            meant, bound = round(Fraction(decided) / MICRO) * MICRO, Fraction(repr(hard[name]))
            assert (said[name] <= min(meant, bound)) if maximum else (said[name] >= max(meant, bound))


@slow
@given(policies, streams)
def test_flags_and_state_say_what_was_decided(plan: Plan, acts: list[Act]) -> None:
    """Invariant 7: not allowed while starting, safe; nothing at all is sent while silent.

    Alarm is also for a cell outside what it bears, in whatever state.
    """
    for due, values, state in play(plan, acts)[1]:
        assert state is not State.SILENT
        if due.frame.key == FLAGS.key:
            said = on_the_wire(due.frame)
            assert said["state"] == state
            assert said["alarm"] == values["alarm"]
            assert said["alarm"] or state is not State.SAFE
            if state in (State.STARTING, State.SAFE):
                assert said["charge_ok"] == said["draw_ok"] == said["wanted"] == 0
            assert not (said["wanted"] and not said["charge_ok"])
        if due.frame.key == BOUNDS.key and state in (State.STARTING, State.SAFE):
            said = on_the_wire(due.frame)
            assert said["charge_with"] == said["draw_with"] == 0
            assert said["charge_to"] <= Fraction(repr(plan.limits.resting_v))
        assert values["charge_allowed"] in (0.0, 1.0)


@slow
@given(policies, streams)
def test_limits_rise_only_while_following_and_only_by_the_ramp(plan: Plan, acts: list[Act]) -> None:
    """Invariants 3 and 4: no data, late data, odd data: never looser than the moment before."""
    engine, t_us = Engine(plan, START_US), START_US
    before = engine.decision
    for act in acts:
        for frame in act.frames:
            engine.receive(t_us, frame)
        for _ in range(-(-act.wait_us // TICK)):
            t_us += TICK
            engine.poll(t_us)
            now, steps = engine.decision, (engine.decision.t_us - before.t_us) / SECOND
            rises = [
                now.charge_voltage.value - before.charge_voltage.value,
                now.charge_current.value - before.charge_current.value,
                now.discharge_current.value - before.discharge_current.value,
                before.discharge_floor.value - now.discharge_floor.value,
            ]
            limits = plan.limits
            rates = (limits.rise_v_per_s, limits.charge_rise_a_per_s, limits.discharge_rise_a_per_s)
            for rise, rate in zip(rises, (*rates, limits.rise_v_per_s), strict=True):
                allowed = rate * steps if now.state is State.FOLLOWING else 0.0
                assert rise <= allowed + 2e-6
            before = now


@slow
@given(policies, streams)
def test_nothing_is_followed_beyond_its_age(plan: Plan, acts: list[Act]) -> None:
    """Invariant 4: once every reading is too old, the engine does not follow, and soon sends zero."""
    engine, _ = play(plan, acts)
    t_us = engine.latest_us
    engine.poll(t_us + AGE + TICK)
    assert engine.decision.state is not State.FOLLOWING
    engine.poll(t_us + AGE + plan.times.hold_us + 2 * TICK)
    assert engine.decision.charge_current.value == engine.decision.discharge_current.value == 0.0


@slow
@given(st.lists(st.floats(-50, 0), min_size=1, max_size=12), st.floats(-50, 120), st.booleans())
def test_never_charged_at_or_below_the_charging_temperature(
    colds: list[float], hottest_c: float, healthy_first: bool
) -> None:
    """Invariant 5: whatever the hottest cell says, at any age of the engine."""
    rig = Rig(Builder(cells=4).plan(), level(4))
    if healthy_first:
        rig.run(10.0)
    rig.speakers[0].hottest_c = hottest_c
    for cold_c in colds:
        rig.speakers[0].coldest_c = cold_c
        rig.run(0.5)
        assert rig.engine.decision.charge_current.value == 0.0
        assert rig.engine.decision.values["charge_allowed"] == 0.0


@slow
@given(policies, streams, st.integers(TICK // 5, 3 * TICK))
def test_the_same_inputs_give_the_same_frames_however_often_polled(
    plan: Plan, acts: list[Act], step_us: int
) -> None:
    """Invariant 8: bit for bit, stamps included."""
    once = [moment.due for moment in play(plan, acts)[1]]
    again = [moment.due for moment in play(plan, acts)[1]]
    engine, t_us, coarse = Engine(plan, START_US), START_US, []
    for act in acts:
        for frame in act.frames:
            engine.receive(t_us, frame)
        t_us += act.wait_us
        coarse += engine.poll(t_us)
    fine = [moment.due for moment in play(plan, acts, step_us)[1]]
    assert once == again == coarse == fine


@slow
@given(policies, streams)
def test_stamps_are_the_deadlines_exactly(plan: Plan, acts: list[Act]) -> None:
    """No drift: start + phase + k * period, each once, in order; gaps only while silent or waiting."""
    moments = play(plan, acts)[1]
    stamps = [due.t_us for due, *_ in moments]
    assert stamps == sorted(stamps)
    for transmission in plan.transmissions:
        own = [due.t_us for due, *_ in moments if due.frame.key == transmission.layout.key]
        assert len(set(own)) == len(own)
        for t_us in own:
            assert (t_us - START_US - transmission.phase_us) % transmission.period_us == 0


def test_stamps_are_without_gaps_while_the_pack_speaks() -> None:
    """A hundred seconds: every deadline of every message is met."""
    rig = Rig(Builder(cells=4).plan(), level(4))
    rig.run(100.0)
    for transmission in rig.engine.plan.transmissions:
        own = [due.t_us for due in rig.sent if due.frame.key == transmission.layout.key]
        deadlines = list(range(START_US + transmission.phase_us, rig.t_us + 1, transmission.period_us))
        # What is only shown waits for its first reading.
        assert own == deadlines[transmission.layout.key == SHOWN.key :]


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(["totals", "extremes", "cells"]), st.integers(11, 60))
def test_after_stale_data_currents_come_back_after_a_steady_stretch_and_by_the_ramp(
    part: str, ticks: int
) -> None:
    """Whichever message was silent, and however long."""
    rig = Rig(Builder(cells=4).plan(), level(4))
    rig.run(15.0)
    assert rig.limits()[1] == 100.0
    rig.run(ticks / 10, without={part})
    low_a = rig.limits()[1]
    assert rig.state() is not State.FOLLOWING
    back_us = rig.t_us
    while rig.state() is not State.FOLLOWING:
        rig.run(0.1)
        assert rig.limits()[1] <= low_a or rig.state() is State.FOLLOWING
    assert rig.t_us - back_us >= rig.engine.plan.times.steady_us
    assert rig.limits()[1] <= low_a + 1.0 + 1e-9


@pytest.mark.parametrize("key", [BOUNDS.key, FLAGS.key, SHOWN.key])
def test_a_replay_is_bit_for_bit(key: int) -> None:
    """Invariant 8 once more, over a long life with every kind of trouble."""

    def live() -> list[Due]:
        rig = Rig(Builder(banks=2, cells=4).plan(), level(4), level(4, number=1))
        for quiet, seconds in ((set[int](), 12.0), ({1}, 2.5), (set(), 9.0), ({0, 1}, 30.0), (set(), 9.0)):
            rig.quiet = quiet
            rig.run(seconds)
        rig.sent += rig.engine.resume(rig.t_us + 9 * SECOND)
        return [due for due in rig.sent + rig.engine.close(rig.engine.latest_us) if due.frame.key == key]

    first = live()
    assert len(first) > 20  # what is shown waits while a bank is not known
    assert first == live()
