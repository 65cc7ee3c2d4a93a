"""What outlives an engine: read back exactly, refused if it cannot be, and loosening nothing."""

import json
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.charging.charge_settings import Learnt
from bridge.core.course.remembered import NOTHING, Kept, read, rounded
from bridge.core.engine import Engine
from bridge.core.failsafe.machine import State
from bridge.core.pack.lost import LostBanks
from bridge.core.plan.plan import Plan
from bridge.core.plan.wishes import Stages
from tests.core.plans import OPTIONS, SECOND, Builder
from tests.core.rig import Rig, level
from tests.core.test_course import COMMISSIONING, STAGES, plan_of

DAY = 86_400 * SECOND
NOW = 1_750_000_000 * SECOND
TWO = Builder(banks=2).plan()

learnt = st.builds(
    Learnt,
    st.just(()) | st.lists(st.floats(0.4, 8.0), min_size=16, max_size=16).map(tuple),
    st.none() | st.floats(-0.5, 0.7),
    st.floats(-300.0, 300.0),
    st.none() | st.floats(1.5, 8.0),
    st.booleans(),
).map(rounded)
rests = st.sampled_from([(False, False), (True, False), (True, True)])
anything_kept = st.builds(
    lambda full_us, rest, until_us, tripped, lost, caps, known, drawn: Kept(
        full_us, rest[0], rest[1], until_us, tripped, lost, caps, known, drawn
    ),
    st.none() | st.integers(0, NOW),
    rests,
    st.none() | st.integers(0, 2 * NOW),
    st.frozensets(st.sampled_from(["bank1 charge cell", "bank1 discharge cold", "bank2 charge hot"])),
    st.frozensets(st.sampled_from(["bank bank2", "cell_voltage_max of bank1"])),
    st.none() | st.tuples(*[st.floats(0.0, 60.0)] * 4),
    st.dictionaries(st.sampled_from(["bank1", "bank2"]), learnt),
    st.dictionaries(st.sampled_from(["bank1", "bank2"]), learnt.map(lambda one: one.ohms)),
)


def next_life(rig: Rig, plan: Plan | None = None, after_s: float = 2.0) -> Rig:
    """The same pack, a new engine with what the old one keeps, by way of JSON."""
    plan = plan or rig.engine.plan
    start_us = rig.t_us + round(after_s * SECOND)
    kept = read(json.loads(json.dumps(rig.engine.kept.facts)), plan, start_us)
    new = Rig(plan, *rig.speakers, start_us=start_us)
    new.engine = Engine(plan, start_us, kept)
    return new


@given(anything_kept)
def test_what_is_kept_comes_back_to_the_last_digit(kept: Kept) -> None:
    """By way of JSON: a recorded run replays with just what the live one knew."""
    assert read(json.loads(json.dumps(kept.facts, allow_nan=False)), TWO, NOW) == kept


def test_what_is_learnt_is_kept_as_finely_as_is_worth_a_write() -> None:
    """A thousandth of a resistance, a millivolt, a tenth of an ampere and of a second; of two cells, too."""
    learnt_now = Learnt((1.23456, 0.98765), 0.12345, 12.345, 2.345, True)
    assert rounded(learnt_now) == Learnt((1.235, 0.988), 0.123, 12.3, 2.3, True)
    assert rounded(Learnt()) == Learnt()
    kept = Kept(learnt={"bank1": rounded(learnt_now)})
    assert read(kept.facts, TWO, NOW) == kept


def test_a_lost_bank_is_remembered_only_where_the_policy_is_to_go_on_without_it() -> None:
    """Under the other it would be left out of what must be trusted."""
    for reduce, names in ((True, {"bank2"}), (False, set())):
        plan = TWO._replace(options=OPTIONS._replace(reduce_on_lost_bank=reduce))
        assert LostBanks(plan, {"bank bank2", "cell_voltage_max of bank1"}).names == names


def wrong(**changes: Any) -> dict[str, Any]:
    """What is kept, with something in it changed."""
    return {**NOTHING.facts, **changes}


def of_bank(**changes: Any) -> dict[str, Any]:
    """The same, within what a bank's law learnt."""
    return wrong(learnt={"bank1": {**Learnt()._asdict(), "ohms": [], **changes}})


@pytest.mark.parametrize(
    ("facts", "key"),
    [
        ({}, "keys"),
        (wrong(more=1), "keys"),
        (wrong(last_full_us=NOW + 1), "last_full_us"),
        (wrong(last_full_us=-1), "last_full_us"),
        (wrong(last_full_us=1.0), "last_full_us"),
        (wrong(last_full_us=True), "last_full_us"),
        (wrong(commissioned_us="now"), "commissioned_us"),
        (wrong(resting=1), "resting"),
        (wrong(full=True), "full"),
        (wrong(tripped=["bank3 charge cell"]), "tripped"),
        (wrong(tripped="bank1 charge cell"), "tripped"),
        (wrong(lost=["bank bank3"]), "lost"),
        (wrong(lost={"bank bank1": 1}), "lost"),
        (wrong(lost=[["bank bank1"]]), "lost"),
        (wrong(caps=3), "caps"),
        (wrong(caps=[-0.5, 100.0, 100.0, 46.0]), "caps"),
        (wrong(caps=[56.0, 100.0, 100.0]), "caps"),
        (wrong(caps=[56.0, 100.0, 100.0, float("nan")]), "caps"),
        (wrong(learnt={"bank3": {}}), "learnt"),
        (wrong(learnt=[]), "learnt"),
        (wrong(learnt={"bank1": 3}), "learnt.bank1"),
        (wrong(learnt={"bank1": {}}), "learnt.bank1.keys"),
        (of_bank(ohms=3), "learnt.bank1.ohms"),
        (of_bank(ohms=[1.0]), "learnt.bank1.ohms"),
        (of_bank(ohms=[1.0] * 3), "learnt.bank1.ohms"),
        (of_bank(ohms=[1.0] * 15), "learnt.bank1.ohms"),
        (of_bank(ohms=[0.39, *[1.0] * 15]), "learnt.bank1.ohms"),
        (of_bank(ohms=[10**400, *[1.0] * 15]), "learnt.bank1.ohms"),
        (of_bank(offset_v=0.71), "learnt.bank1.offset_v"),
        (of_bank(offset_v=float("nan")), "learnt.bank1.offset_v"),
        (of_bank(offset_a=None), "learnt.bank1.offset_a"),
        (of_bank(offset_a=5000.5), "learnt.bank1.offset_a"),
        (of_bank(lag_s=float("inf")), "learnt.bank1.lag_s"),
        (of_bank(ignores=0), "learnt.bank1.ignores"),
        (wrong(drawn={"bank3": []}), "drawn"),
        (wrong(drawn={"bank1": [8.1, *[1.0] * 15]}), "drawn.bank1"),
        (wrong(drawn={"bank1": [1.0] * 3}), "drawn.bank1"),
        (wrong(going=3), "going"),
        (wrong(going={}), "going.keys"),
        (wrong(going={"trusted_us": None, "limits": [56.0, 1.0, 1.0, 46.0], "heard": []}), "going"),
        (wrong(going={"trusted_us": NOW, "limits": None, "heard": []}), "going"),
        (wrong(going={"trusted_us": NOW + 1, "limits": None, "heard": []}), "going.trusted_us"),
    ],
)
def test_what_cannot_be_is_refused_by_its_key(facts: dict[str, Any], key: str) -> None:
    """Of another pack, out of bounds, of another kind: key, found and allowed."""
    with pytest.raises(ValueError, match=rf"^{key}: .*; allowed: ."):
        read(facts, TWO, NOW)


@pytest.mark.parametrize(
    "known",
    [frozenset({"extremes"}), frozenset({"totals", "extremes"}), frozenset({"totals", "extremes", "cells"})],
)
def test_what_is_kept_of_any_pack_is_understood_again(known: frozenset[str]) -> None:
    """Whichever cells are known: all of them, the lowest and highest, or the lowest alone."""
    plan = Builder(parts=known).plan()
    rig = Rig(plan, level(cell_v=3.3), kept=NOTHING)
    for seconds, amps in ((20.0, 0.0), (20.0, -60.0), (20.0, 0.0)):
        rig.speakers[0].amps = amps
        rig.run(seconds)
    kept = rig.engine.kept
    assert "totals" not in known or kept.drawn["bank1"]
    assert read(kept.facts, plan, rig.t_us) == kept


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=6,
)


@pytest.mark.slow
@given(st.dictionaries(st.sampled_from(Kept._fields), json_like), anything_kept)
def test_no_file_whatever_breaks_more_than_itself(changes: dict[str, Any], kept: Kept) -> None:
    """Any JSON is either understood, and then fit to be kept again, or refused as such."""
    with suppress(ValueError):
        known = read({**kept.facts, **changes}, TWO, NOW)
        assert read(known.facts, TWO, NOW) == known


# ── the next engine ─────────────────────────────────────────────────────────────────────────────────────


def test_a_new_engine_has_nothing_to_hand_on() -> None:
    """Before the first reading."""
    assert Engine(TWO, 0).kept == NOTHING


def rested(stages: Stages = STAGES) -> Rig:
    """A pack that has just been charged, and rests."""
    rig = Rig(plan_of(stages))
    rig.speakers[0].soc = 100.0
    rig.speakers[0].cells_v = [3.49, *[3.47] * 15]
    rig.run(100.0, SECOND)
    assert rig.engine.decision.stage.startswith("resting")
    return rig


def test_a_full_pack_goes_on_resting() -> None:
    """Its charge voltage never leaves the resting one, and 100 % is still shown; alone it would charge up."""
    rig = next_life(rested())
    for _ in range(60):
        rig.run(1.0, SECOND)
        assert rig.limits()[0] <= STAGES.rest_v
    assert rig.state() is State.FOLLOWING
    assert rig.engine.decision.stage == "resting: charged before the restart"
    assert rig.engine.decision.values["shown_state_of_charge"] == 100.0
    forgot = Rig(rig.engine.plan, *rig.speakers)
    forgot.run(60.0, SECOND)
    assert forgot.limits()[0] > STAGES.rest_v
    assert forgot.engine.decision.values["shown_state_of_charge"] == 99.0


def test_the_last_full_charge_counts_over_a_restart() -> None:
    """Due three days after it, however many of them nothing ran."""
    stages = STAGES._replace(full_every_us=3 * DAY)
    early, due = (next_life(rested(stages), after_s=days * 86_400.0) for days in (2.9, 3.1))
    for life in (early, due):
        life.speakers[0].cells_v = [3.40] * 16
        life.run(10.0, SECOND)
    assert early.engine.decision.stage.startswith("resting")
    assert due.engine.decision.stage == "bulk: a full charge is due, the last was 3 days ago"


def test_commissioning_that_has_ended_does_not_begin_again() -> None:
    """Unless the person wishes another one: its stated end is another."""
    rig = Rig(plan_of(None, COMMISSIONING))
    rig.speakers[0].cells_v = [3.49] * 16
    rig.run(100.0, SECOND)
    assert rig.engine.decision.progress == ""
    ended = next_life(rig)
    anew = next_life(rig, plan_of(None, COMMISSIONING._replace(until_us=20_000 * SECOND)))
    for life in (ended, anew):
        life.speakers[0].cells_v = [3.30] * 16
        life.run(30.0, SECOND)
    assert (ended.engine.decision.progress == "", anew.engine.decision.progress == "") == (True, False)
    assert (ended.limits()[1], anew.limits()[1]) == (100.0, 10.0)


def test_a_tripped_cut_off_stays_tripped_between_its_thresholds() -> None:
    """At 1 °C, after -1 °C, nothing is charged before or after a restart; alone it would be."""
    rig = Rig(Builder().plan())
    rig.run(10.0)
    rig.speakers[0].coldest_c = -1.0
    rig.run(2.0)
    rig.speakers[0].coldest_c = 1.0
    assert rig.engine.kept.tripped == {"bank1 charge cold"}
    after = next_life(rig)
    after.run(30.0, SECOND)
    assert (after.state(), after.limits()[1]) == (State.FOLLOWING, 0.0)
    forgot = Rig(Builder().plan(), *rig.speakers)
    forgot.run(30.0, SECOND)
    assert forgot.limits()[1] > 0.0
    after.speakers[0].coldest_c = 10.0
    after.run(30.0, SECOND)
    assert after.limits()[1] > 0.0


def test_a_kept_cut_off_waits_for_the_cell_that_tripped_it() -> None:
    """Pages of other cells come first after a restart: between its thresholds it is still tripped then."""
    plan = Builder(parts=frozenset({"totals", "cells"})).plan()
    rig = Rig(plan)
    rig.run(10.0)
    rig.speakers[0].cells_v[-1] = 3.62
    rig.run(2.0)
    rig.speakers[0].cells_v[-1] = 3.54
    rig.run(2.0)
    assert rig.engine.kept.tripped == {"bank1 charge cell"}
    after = next_life(rig)
    for page in range(5):
        after.hear([after.speakers[0].page(page)])
        after.wait(0.3)
        assert after.engine.kept.tripped == {"bank1 charge cell"}
    after.run(30.0, SECOND)
    assert (after.state(), after.limits()[1]) == (State.FOLLOWING, 0.0)


@pytest.mark.slow
def test_what_was_lost_before_caps_the_limits_until_it_is_back() -> None:
    """A bank that forbade charging when it was lost: a restart is no way round it."""
    two = Builder(banks=2).plan()
    two = two._replace(options=OPTIONS._replace(reduce_on_lost_bank=True))
    rig = Rig(two, level(cell_v=3.30), level(cell_v=3.30, number=1))
    rig.speakers[1].may_charge = 0
    rig.run(20.0)
    assert rig.limits()[1] == 0.0
    rig.quiet = {1}
    rig.run(20.0)
    assert rig.state() is State.FOLLOWING
    assert "bank bank2 is lost" in rig.warnings()
    after = next_life(rig)
    after.quiet = {1}
    for _ in range(40):
        after.run(1.0, SECOND)
        assert after.limits()[1] == 0.0
    assert after.state() is State.FOLLOWING
    assert "bank bank2 is lost" in after.warnings()
    after.quiet = set()
    after.speakers[1].may_charge = 1
    after.run(40.0)
    assert (after.limits()[1] > 0.0, after.warnings()) == (True, ())


@pytest.mark.slow
def test_what_a_bank_forbade_last_holds_over_a_restart_though_it_is_silent() -> None:
    """It fell silent only just before: not yet lost, and so nothing else says what it had forbidden."""
    two = Builder(banks=2).plan()
    two = two._replace(options=OPTIONS._replace(reduce_on_lost_bank=True))
    rig = Rig(two, level(cell_v=3.30), level(cell_v=3.30, number=1))
    rig.speakers[1].may_draw = 0
    rig.run(20.0)
    rig.quiet = {1}
    rig.run(0.3)
    assert rig.engine.kept.lost == frozenset()
    assert rig.engine.kept.tripped == {"bank2 discharge denied"}
    after = next_life(rig)
    after.quiet = {1}
    for _ in range(40):
        after.run(1.0, SECOND)
        assert after.limits()[2] == 0.0
    assert (after.state(), after.limits()[1] > 0.0) == (State.FOLLOWING, True)
    after.quiet = set()
    after.speakers[1].may_draw = 1
    after.run(40.0)
    assert after.limits()[2] > 0.0


def test_a_lost_reading_that_was_not_required_caps_them_too() -> None:
    """The pack's own limit was 20 A when it went; after a restart it is not forgotten."""
    plan = Builder(
        parts=frozenset({"totals", "extremes", "cells", "permits"}),
        optional=frozenset({"charge_current_permitted", "discharge_current_permitted"}),
    ).plan()
    rig = Rig(plan)
    rig.speakers[0].charge_most_a = 20.0
    rig.run(20.0)
    rig.run(20.0, without={"permits"})
    assert rig.limits()[1] == 20.0
    after = next_life(rig)
    after.run(40.0, without={"permits"})
    assert after.state() is State.FOLLOWING
    assert after.limits()[1] == 20.0
    after.speakers[0].charge_most_a = 80.0
    after.run(40.0)
    assert after.limits()[1] == 80.0


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(
    anything_kept,
    st.sampled_from([3.30, 3.42, 3.48, 3.52]),
    st.sampled_from([-1.0, 1.0, 8.0, 20.0]),
    st.sampled_from([0.0, 30.0]),
)
def test_nothing_kept_loosens_what_a_fresh_start_would_send(
    kept: Kept, cell_v: float, coldest_c: float, amps: float
) -> None:
    """With whatever was kept: through the first half minute no limit is looser than without it."""
    plan = TWO._replace(options=OPTIONS._replace(reduce_on_lost_bank=True))
    rigs = []
    for known in (kept, NOTHING):
        banks = [level(cell_v=cell_v, number=number) for number in (0, 1)]
        for bank in banks:
            bank.coldest_c, bank.amps = coldest_c, amps
        rig = Rig(plan, *banks, start_us=NOW)
        rig.engine = Engine(plan, NOW, known)
        rigs.append(rig)
    for _ in range(10):
        for rig in rigs:
            rig.run(3.0, SECOND // 2)
        (volts, charge, draw, floor), fresh = rigs[0].limits(), rigs[1].limits()
        assert (volts <= fresh[0] + 1e-6, charge <= fresh[1] + 1e-6) == (True, True)
        assert (draw <= fresh[2] + 1e-6, floor >= fresh[3] - 1e-6) == (True, True)
