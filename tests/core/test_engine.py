"""The engine: time, frames in, frames out."""

from dataclasses import replace

import pytest

from bridge.core.engine import Engine
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import SECOND_US, Inverter, ShownSoc
from bridge.core.plan.reasons import Reason
from bridge.core.wire.grid import Grid
from bridge.core.wire.outgoing import QuantityItem
from bridge.frames import Frame
from bridge.quantities import QUANTITIES
from tests.core.plans import (
    AGE,
    BEAT,
    BOUNDS,
    BUS,
    FLAGS,
    OPTIONS,
    SECOND,
    SHOWN,
    TICK,
    TIMES,
    Builder,
    bounds,
)
from tests.core.rig import Rig, level, on_the_wire


def up(builder: Builder | None = None, seconds: float = 20.0) -> Rig:
    """A pack that is followed, all ramps up."""
    plan = (builder or Builder()).plan()
    rig = Rig(plan, *(level(plan.banks[0].cells, number=number) for number in range(len(plan.banks))))
    rig.run(seconds)
    assert rig.state() is State.FOLLOWING
    rig.sent.clear()
    rig.engine.take_notes()
    return rig


def last(rig: Rig, key: int) -> dict[str, float]:
    """The last frame sent with that identifier, decoded."""
    frame = next(due.frame for due in reversed(rig.sent) if due.frame.key == key)
    return {name: float(value) for name, value in on_the_wire(frame).items()}


# ── a life ──────────────────────────────────────────────────────────────────────────────────────────────


def test_the_first_frames_say_zero() -> None:
    """From the very first deadline on, before anything was heard."""
    rig = Rig(Builder().plan())
    first = rig.engine.poll(rig.t_us)
    assert [due.t_us for due in first] == [rig.t_us]
    rig.sent += first
    assert last(rig, BOUNDS.key) == {"charge_to": 53.6, "charge_with": 0.0, "draw_with": 0.0, "draw_to": 46.4}


def test_from_start_to_full_limits() -> None:
    """Two steady seconds, then currents by their ramp, then the configured limits, on the wire."""
    rig = Rig(Builder().plan())
    rig.run(2.0)
    assert (rig.state(), rig.limits()[1]) == (State.STARTING, 0.0)
    rig.run(0.1)
    assert (rig.state(), rig.limits()[1]) == (State.FOLLOWING, 1.0)
    rig.run(0.9)
    assert 0.0 < rig.limits()[1] <= 10.0
    rig.run(20.0)
    assert last(rig, BOUNDS.key) == {
        "charge_to": 56.0,
        "charge_with": 100.0,
        "draw_with": 120.0,
        "draw_to": 46.4,
    }
    flags = last(rig, FLAGS.key)
    assert (flags["charge_ok"], flags["draw_ok"], flags["alarm"], flags["state"]) == (1, 1, 0, 1)


def test_a_cell_past_its_cut_off_is_an_alarm_and_a_warning_that_names_it() -> None:
    """The current is zero, and says so; the data itself is trusted."""
    rig = up()
    rig.speakers[0].cells_v[3] = 3.70
    rig.run(3.0)
    decision = rig.engine.decision
    assert (rig.state(), rig.limits()[1]) == (State.FOLLOWING, 0.0)
    assert (decision.values["alarm"], decision.values["warning"]) == (1.0, 1.0)
    assert "bank bank1: a cell is past its cut-off" in rig.warnings()[0]
    assert last(rig, FLAGS.key)["alarm"] == 1


def test_silence_of_the_pack_leads_to_silence_of_the_bridge() -> None:
    """Held, then zero, then nothing at all; back only after a steady stretch and by the ramp."""
    rig = up()
    assert rig.engine.decision.values["warning"] == 0.0
    rig.wait(AGE / SECOND + 0.1)
    assert (rig.state(), rig.limits()[1]) == (State.HOLDING, 100.0)
    assert (rig.warnings(), rig.engine.decision.values["warning"]) == ((), 1.0)
    rig.wait(2.8)
    assert rig.state() is State.HOLDING
    rig.wait(0.2)
    assert (rig.state(), rig.limits()[:3]) == (State.SAFE, (53.6, 0.0, 0.0))
    assert last(rig, BOUNDS.key)["charge_with"] == 0.0
    rig.run(0.2, without=("cells",))
    assert last(rig, FLAGS.key)["alarm"] == 1
    rig.wait(10.0)
    assert rig.state() is State.SILENT
    rig.sent.clear()
    rig.wait(5.0)
    assert rig.sent == []
    rig.run(2.0)
    assert rig.sent == []
    rig.run(0.4)
    assert rig.state() is State.FOLLOWING
    assert 0.0 < last(rig, BOUNDS.key)["charge_with"] < 5.0


def test_one_refused_frame_costs_nothing_but_a_rise() -> None:
    """Limits are held for the steady stretch, none falls; the log is told."""
    rig = up()
    before = rig.limits()
    odd = rig.speakers[0].totals()
    assert not rig.engine.receive(rig.t_us, odd._replace(data=bytes(8)))
    rig.run(0.1)
    assert rig.state() is State.HOLDING
    rig.run(1.9)
    assert (rig.state(), rig.limits()) == (State.HOLDING, before)
    rig.run(0.2)
    assert (rig.state(), rig.limits()) == (State.FOLLOWING, before)
    (note,) = rig.engine.take_notes()
    assert (note.kind, note.subject) == ("refused", "Totals of bank1")
    assert rig.engine.take_notes() == []


def test_frames_of_others_are_none_of_ours() -> None:
    """Unknown identifiers, and known ones on another bus."""
    rig = up()
    frame = rig.speakers[0].extremes()
    assert rig.engine.receive(rig.t_us, Frame(BUS, 0x7FF, b"")) is False
    assert not rig.engine.receive(rig.t_us, frame._replace(bus="elsewhere"))
    assert rig.engine.receive(rig.t_us, frame)
    assert rig.engine.take_notes() == []


# ── time ────────────────────────────────────────────────────────────────────────────────────────────────


def test_time_never_runs_backwards() -> None:
    """An earlier stamp counts as the latest; nothing is sent twice."""
    rig = up()
    now_us = rig.engine.latest_us
    assert rig.engine.poll(now_us - 5 * SECOND) == []
    assert rig.engine.receive(0, rig.speakers[0].extremes())
    assert rig.engine.latest_us == now_us
    assert rig.engine.resume(0) == []


def test_a_short_gap_sends_each_missed_message_once() -> None:
    """At the time of the return, with the decision of then; later deadlines are where they were."""
    rig = up()
    t_us = rig.t_us + 1_930_000
    due = rig.engine.resume(t_us)
    assert [(d.t_us, d.frame.key) for d in due] == [(t_us, key) for key in (BOUNDS.key, FLAGS.key)]
    assert [(note.kind, note.subject) for note in rig.engine.take_notes()] == [("waiting", "Shown")]
    assert rig.state() is State.HOLDING
    assert rig.engine.next_deadline_us == rig.t_us + 2_000_000
    later = rig.engine.poll(rig.t_us + 2_050_000)
    assert [d.t_us - rig.t_us for d in later] == [2_000_000, 2_050_000]
    assert rig.engine.take_notes() == []


def test_a_long_gap_is_a_restart() -> None:
    """Zero currents at once, even though the data would be young enough; frames from before are dropped."""
    rig = up(Builder(max_age_us=100 * SECOND))
    rig.engine.receive(rig.t_us + 3 * TICK, rig.speakers[0].extremes())
    due = rig.engine.resume(rig.t_us + 8 * SECOND)
    assert rig.state() is State.STARTING
    assert rig.limits()[:3] == (53.6, 0.0, 0.0)
    assert {d.t_us for d in due} == {rig.t_us + 8 * SECOND}
    assert on_the_wire(due[0].frame)["charge_with"] == 0
    (note,) = rig.engine.take_notes()
    assert (note.kind, note.text) == ("stalled", "stood still for 7.700 s; allowed: 2 s")
    rig.t_us += 8 * SECOND
    rig.run(2.3)
    assert rig.state() is State.FOLLOWING


def test_a_gap_of_just_the_stall_time_is_no_restart() -> None:
    """One that is longer is; the ticks stay on their grid."""
    for longer_us in (0, 1):
        rig = up(Builder(max_age_us=100 * SECOND))
        rig.engine.resume(rig.t_us + TIMES.stall_us + longer_us)
        assert rig.state() is (State.STARTING if longer_us else State.FOLLOWING)
        assert rig.engine.decision.t_us == rig.t_us + TIMES.stall_us


def test_nothing_is_sent_on_resuming_while_silent() -> None:
    """Silence is silence."""
    rig = up()
    rig.wait(20.0)
    assert rig.state() is State.SILENT
    assert rig.engine.resume(rig.t_us + SECOND) == []


def test_closing_sends_the_safe_frames_once() -> None:
    """Messages that carry limits or permissions, not what is only shown."""
    rig = up()
    due = rig.engine.close(rig.t_us)
    assert [d.frame.key for d in due] == [BOUNDS.key, FLAGS.key]
    rig.sent += due
    assert last(rig, BOUNDS.key) == {"charge_to": 53.6, "charge_with": 0.0, "draw_with": 0.0, "draw_to": 46.4}
    assert last(rig, FLAGS.key)["charge_ok"] == 0
    assert "stopping" in rig.engine.decision.cause


def test_closing_while_silent_wakes_nobody() -> None:
    """An inverter that was left to its own time-out stays so."""
    rig = up()
    rig.wait(20.0)
    assert rig.engine.close(rig.t_us) == []


def test_last_words_are_of_given_values_and_count_on() -> None:
    """A frame can be asked for beside what was decided; its counter follows the last frame's."""
    plan = Builder().plan()
    idle = Engine(plan, 0)
    idle.close(0)
    rig = up()
    rig.run(1.0)
    count = last(rig, FLAGS.key)["count"]
    number = next(i for i, one in enumerate(plan.transmissions) if one.layout.key == FLAGS.key)
    made = [on_the_wire(rig.engine.make(number, idle.decision.values)) for _ in range(2)]
    assert [frame["count"] for frame in made] == [count + 1, count + 2]
    assert [frame["charge_ok"] for frame in made] == [0, 0]
    assert rig.state() is State.FOLLOWING


def test_before_the_first_call_the_time_reached_is_just_before_the_start() -> None:
    """What is due at the start has not been sent then: a recording must tell the two apart."""
    rig = Rig(Builder().plan())
    assert rig.engine.latest_us == rig.t_us - 1
    assert rig.engine.receive(0, rig.speakers[0].extremes())
    assert rig.engine.latest_us == rig.t_us


def test_a_tick_at_which_nothing_has_changed_decides_nothing_anew() -> None:
    """The very same values, and so the very same frames; with another stamp."""
    rig = up()
    before = rig.engine.decision
    rig.engine.poll(rig.t_us + TICK)
    assert rig.engine.decision.values is before.values
    assert rig.engine.decision.t_us == before.t_us + TICK


def test_engine_time_is_in_microseconds() -> None:
    """Ten frames a second are a hundred thousand apart."""
    assert SECOND_US == SECOND == 10 * bounds().period_us


# ── what is shown and asked ─────────────────────────────────────────────────────────────────────────────


def test_what_was_never_seen_is_not_sent() -> None:
    """The frame waits, and the log is told why."""
    rig = Rig(Builder(optional=frozenset({"state_of_charge"})).plan())
    rig.wait(1.0)
    assert SHOWN.key not in {due.frame.key for due in rig.sent}
    assert {(note.kind, note.subject) for note in rig.engine.take_notes()} == {("waiting", "Shown")}


def test_a_value_that_cannot_be_sent_is_withheld() -> None:
    """Not wrapped, not cut on the wrong side: an alarm, and the other frames leave."""
    builder = Builder(cells=1, transmissions=(bounds(),))
    rig = Rig(builder.plan()._replace(limits=builder.plan().limits._replace(discharge_floor_v=7000.0)))
    assert rig.engine.poll(rig.t_us + TICK) == []
    notes = rig.engine.take_notes()
    assert {note.kind for note in notes} == {"withheld"}


def test_the_shown_charge_is_a_wish_that_ends_by_itself() -> None:
    """A window until its end, then what the pack says."""
    wish = OPTIONS._replace(shown_soc=ShownSoc(60.0, 90.0, 30 * SECOND))
    rig = up(Builder(options=wish))
    assert last_shown(rig) == 60.0
    rig.run(10.0)
    assert last_shown(rig) == 50.0


def last_shown(rig: Rig) -> float:
    """State of charge as shown."""
    value = rig.engine.decision.values["shown_state_of_charge"]
    assert value is not None
    return value


def test_charge_is_asked_for_only_on_fresh_data_and_only_where_allowed() -> None:
    """An old state of charge asks for nothing."""
    rig = up(Builder(optional=frozenset({"state_of_charge"})))
    assert rig.engine.decision.values["charge_requested"] == 0.0
    rig.speakers[0].soc = 5.0
    rig.run(0.2)
    assert rig.engine.decision.values["charge_requested"] == 1.0
    rig.speakers[0].may_charge = 0
    rig.run(0.2)
    assert rig.engine.decision.values["charge_requested"] == 0.0
    rig.speakers[0].may_charge = 1
    rig.run(5.0)
    assert rig.engine.decision.values["charge_requested"] == 1.0
    rig.wait(5.0)
    assert rig.engine.decision.values["charge_requested"] == 0.0
    assert rig.engine.decision.values["state_of_charge"] is None


def test_what_is_too_old_is_not_shown_as_present() -> None:
    """Neither permissions, on which a receiver may act, nor any other reading; silence switched off."""
    rig = up(Builder(times=TIMES._replace(silent_us=None)))
    for name in ("charge_permitted", "pack_current", "pack_voltage", "state_of_charge"):
        assert rig.engine.decision.values[name] is not None
    rig.wait(1.1)
    for waited_s in (0.0, 60.0):
        rig.wait(waited_s)
        values = rig.engine.decision.values
        for name in (
            "charge_permitted",
            "pack_current",
            "pack_voltage",
            "state_of_charge",
            "cell_voltage_max",
        ):
            assert values[name] is None
        assert values["shown_state_of_charge"] is None


def test_a_message_that_only_shows_waits_while_its_reading_is_too_old_and_says_for_how_long() -> None:
    """Seconds since it was given up; one never seen is another matter. Limits leave all the while."""
    rig = up(Builder(times=TIMES._replace(silent_us=None)))
    rig.engine.take_notes()
    rig.sent.clear()
    rig.wait(12.9)
    assert {due.frame.key for due in rig.sent if due.t_us > 27 * SECOND} == {BOUNDS.key, FLAGS.key}
    texts = [note.text for note in rig.engine.take_notes() if note.kind == "waiting"]
    assert texts[0] == "Shown.level: state_of_charge not known for 0 s"
    assert texts[-1] == "Shown.level: state_of_charge not known for 11 s"
    told = rig.engine._told.waits
    assert told(rig.t_us, "A.b: shown_state_of_charge not seen yet").startswith(
        "A.b: shown_state_of_charge not known for "
    )
    for text in ("A.b: charge_stage not seen yet", "A.b: a page of another kind"):
        assert told(rig.t_us, text) == text
    rig.run(1.0)
    assert rig.sent[-1].frame.key in (BOUNDS.key, FLAGS.key, SHOWN.key)
    assert SHOWN.key in {due.frame.key for due in rig.sent[-20:]}
    fresh = Rig(Builder().plan())
    fresh.wait(2.0)
    notes = [note.text for note in fresh.engine.take_notes() if note.kind == "waiting"]
    assert set(notes) == {"Shown.level: state_of_charge not seen yet"}


def test_a_reading_beside_limits_that_has_no_number_for_absent_keeps_no_limit_from_leaving() -> None:
    """Such a profile fails `check`; if it is run all the same, the last known value goes with the limits."""
    soc = QUANTITIES["state_of_charge"]
    item = QuantityItem("draw_to", soc.name, Grid(BOUNDS.field("draw_to"), rounding=soc.rounding))
    mixed = bounds()._replace(pages=((*bounds().pages[0][:3], item),))
    rig = up(Builder(transmissions=(mixed,), times=TIMES._replace(silent_us=None)))
    rig.sent.clear()
    rig.wait(20.0)
    said = on_the_wire(rig.sent[-1].frame)
    assert len(rig.sent) == 200
    assert [float(said[name]) for name in ("charge_with", "draw_with", "draw_to")] == [0.0, 0.0, 50.0]


# ── banks, options, inverters ───────────────────────────────────────────────────────────────────────────


def test_a_lost_bank_without_a_policy_makes_the_pack_safe() -> None:
    """As any loss of data."""
    rig = up(Builder(banks=2), 40.0)
    rig.quiet = {1}
    rig.run(5.0)
    assert rig.state() is State.SAFE


def test_a_lost_bank_is_left_out_where_that_is_the_policy() -> None:
    """Held, then the rest alone, with a warning; back by the ramp after a steady stretch of the bank."""
    rig = up(Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)), 40.0)
    assert rig.limits()[1] == 200.0
    rig.quiet = {1}
    states = set()
    for _ in range(60):
        rig.run(0.1)
        states.add(rig.state())
    assert states == {State.FOLLOWING, State.HOLDING}
    assert rig.limits()[1] == 100.0
    rig.run(3.0)
    assert rig.state() is State.FOLLOWING
    assert rig.warnings() == ("bank bank2 is lost",)
    assert last(rig, FLAGS.key)["warning"] == 1

    rig.quiet = set()
    before = rig.limits()
    for _ in range(60):
        rig.run(0.1)
        now = rig.limits()
        assert now[1] - before[1] <= 1.0 + 1e-9
        assert now[2] - before[2] <= 1.2 + 1e-9
        before = now
    assert rig.warnings() == ()
    rig.run(15.0)
    assert rig.limits()[1] == 200.0


def test_the_coldest_cell_going_unheard_releases_no_cold_cut_off() -> None:
    """The warmer one that is still known stands in for it, and must not end the cut-off's hysteresis."""
    plan = Builder(parts=frozenset({"totals", "extremes"})).plan()
    (bank,) = plan.banks
    coldest = bank.slots["cell_temperature_min"]
    slots = [replace(slot, max_age_us=100 * SECOND) for slot in plan.slots]
    slots[coldest] = plan.slots[coldest]
    rig = Rig(plan._replace(slots=tuple(slots)))
    rig.speakers[0].coldest_c = -0.5
    rig.run(5.0)
    assert rig.state() is State.FOLLOWING
    rig.wait(2.0)
    assert rig.state() is State.HOLDING
    rig.speakers[0].coldest_c = 1.5
    rig.run(4.0)
    assert rig.state() is State.FOLLOWING
    assert rig.engine.decision.charge_current.binding.reason is Reason.TEMPERATURE_CUT_OFF


def test_a_bank_that_comes_and_goes_is_lost_too() -> None:
    """Its moments of trust win nothing back."""
    rig = up(Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)), 40.0)
    for _ in range(12):
        rig.quiet = {1}
        rig.run(1.5)
        rig.quiet = set()
        rig.run(0.3)
    assert rig.warnings() == ("bank bank2 is lost",)


def test_the_last_bank_is_never_left_out() -> None:
    """With all banks lost the pack is safe, then silent; one alone that returns is followed."""
    rig = up(Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)), 40.0)
    rig.wait(20.0)
    assert rig.state() is State.SILENT
    rig.quiet = {1}
    rig.run(6.0)
    assert rig.state() is State.FOLLOWING
    assert rig.limits()[1] <= 100.0


def test_a_gap_interrupts_the_steady_stretch_of_a_lost_bank() -> None:
    """What happened in it is not known."""
    builder = Builder(
        banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True), max_age_us=60 * SECOND, transmissions=()
    )
    rig = Rig(builder.plan(), level(), level(number=1))
    rig.quiet = {1}
    rig.run(5.0)
    assert rig.warnings() == ("bank bank2 is lost",)
    rig.quiet = set()
    rig.run(1.0)
    rig.engine.resume(rig.t_us + 10 * SECOND)
    assert rig.warnings() == ("bank bank2 is lost",)


def test_losing_an_optional_reading_never_loosens_a_limit() -> None:
    """The pack said no, and is gone: no stays no, with a warning, until it says yes."""
    optional = frozenset({"charge_current_permitted", "discharge_current_permitted"})
    rig = up(Builder(optional=optional, parts=frozenset({"totals", "extremes", "cells", "permits"})))
    rig.speakers[0].charge_most_a = 0.0
    rig.run(1.0)
    assert rig.limits()[1] == 0.0
    rig.run(10.0, without={"permits"})
    assert rig.state() is State.FOLLOWING
    assert rig.limits()[1:3] == (0.0, 120.0)
    assert rig.engine.decision.charge_current.binding.reason is Reason.LOST
    assert rig.warnings()[0] == "charge_current_permitted of bank1 is lost"
    rig.speakers[0].charge_most_a = 60.0
    rig.run(10.0)
    assert rig.limits()[1] == 60.0


def test_a_wish_ends_by_itself_and_the_current_returns_by_its_ramp() -> None:
    """At its end, not before."""
    rig = Rig(
        Builder(options=OPTIONS._replace(inhibit_charge=True, inhibit_charge_until_us=15 * SECOND)).plan()
    )
    rig.run(9.9)
    assert rig.limits()[1] == 0.0
    rig.run(1.0)
    assert 0.0 < rig.limits()[1] <= 11.0


@pytest.mark.parametrize("zero", [True, False])
def test_an_inverter_that_is_not_heard(zero: bool) -> None:
    """Zero currents or a warning, as the profile says."""
    rig = Rig(Builder(heartbeat=True, zero_when_silent=zero).plan())
    rig.run(20.0)
    assert rig.limits()[1] == (0.0 if zero else 100.0)
    assert rig.warnings() == ("inverter loft is not heard",)
    for beat in range(10):
        rig.hear([Frame(BUS, BEAT.key, bytes([beat]))])
        rig.run(0.5)
    assert rig.warnings() == ()
    assert rig.limits()[1] > 0.0


def test_all_four_limits_go_by_their_names() -> None:
    """For those who render them."""
    decision = up().engine.decision
    assert [limit.value for limit in decision.limits.values()] == [56.0, 100.0, 120.0, 46.4]
    assert all(decision.values[name] == limit.value for name, limit in decision.limits.items())


def test_an_engine_without_transmissions_still_decides() -> None:
    """Its next deadline is the next tick."""
    engine = Engine(Builder(transmissions=()).plan(), 7)
    assert engine.next_deadline_us == 7 + TICK
    assert engine.poll(7 + SECOND) == []
    assert engine.decision.t_us == 7 + SECOND


def test_counters_count_on_while_nothing_changes() -> None:
    """Only a frame that would come out the same is not made anew."""
    rig = up(Builder(max_age_us=100 * SECOND))
    rig.wait(2.0)
    counts = [int(on_the_wire(due.frame)["count"]) for due in rig.sent if due.frame.key == FLAGS.key]
    assert counts == list(range(counts[0], counts[0] + 10))


def test_each_further_loss_is_told() -> None:
    """Even where it changes nothing else."""
    rig = up(Builder(optional=frozenset({"cell_voltage"})))
    speaker = rig.speakers[0]
    counts = []
    for pages in (range(6), range(5), range(4)):
        for _ in range(15):
            rig.hear([speaker.totals(), speaker.extremes(), *(speaker.page(page) for page in pages)])
            rig.t_us += TICK
            rig.engine.poll(rig.t_us)
        counts.append(len(rig.warnings()))
    assert counts == [0, 1, 4]


def test_an_inverter_is_given_the_age_of_its_sign_of_life_from_the_start() -> None:
    """And one that gives none is not missed."""
    rig = Rig(Builder(heartbeat=True).plan())
    rig.run(AGE / SECOND)
    assert rig.warnings() == ()
    rig.run(TICK / SECOND)
    assert rig.warnings() == ("inverter loft is not heard",)

    rig = Rig(Builder().plan()._replace(inverters=(Inverter("loft", 10 * SECOND, None, True),)))
    rig.run(5.0)
    assert rig.warnings() == ()


def test_limits_that_were_not_decided_anew_do_not_differ() -> None:
    """Another tick of a pack that stands still; not so once another limit holds."""
    rig = Rig(Builder().plan())
    rig.run(20.0)
    before = rig.engine.decision
    assert not before._replace(t_us=before.t_us + 1, warnings=("one",)).limits_differ(before)
    rig.speakers[0].may_charge = 0
    rig.run(0.2)
    assert rig.engine.decision.charge_current.value == 0.0
    assert rig.engine.decision.limits_differ(before)
