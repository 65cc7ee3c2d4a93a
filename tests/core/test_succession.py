"""Another profile taken while limits are followed: nothing stops, nothing gets looser, nothing is doubled."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.charging.charge_settings import Learnt
from bridge.core.course.remembered import Kept, read
from bridge.core.engine import Due, Engine
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Plan
from bridge.core.plan.reasons import Reason
from bridge.core.succession import Succession
from bridge.frames import Frame
from tests.core.plans import (
    AGE,
    BEAT,
    BUS,
    CHARGE,
    DRAW,
    FLAGS,
    OPTIONS,
    SECOND,
    TICK,
    TIMES,
    Builder,
    bounds,
    pack_limits,
    seen_before,
)
from tests.core.rig import Rig, level, on_the_wire

PLAN = Builder().plan()
STEADY_S = TIMES.steady_us / SECOND


class Reloads(Rig):
    """A rig whose engine can be replaced; a load of 80 A runs."""

    def __init__(self, plan: Plan = PLAN, cell_v: float = 3.30) -> None:
        super().__init__(plan, level(cell_v=cell_v))
        self.succession = Succession(plan, self.t_us, seen_before(plan))
        self.engine = self.succession  # type: ignore[assignment]
        self.speakers[0].amps = -80.0
        self.run(30.0)
        assert self.state() is State.FOLLOWING

    def waits(self) -> bool:
        """Whether the new engine has not taken over yet."""
        return self.succession.waits

    def replace(self, plan: Plan) -> None:
        """Another profile holds."""
        self.succession.replace(self.t_us, plan, self.succession.kept)

    def told(self) -> list[str]:
        """What is told besides."""
        return [note.text for note in self.engine.take_notes() if note.kind == "told"]


def test_an_equal_profile_changes_nothing_at_all() -> None:
    """Not one frame differs, and nobody waits."""
    one, other = Reloads(), Reloads()
    one.replace(Builder().plan())
    assert not one.waits()
    for rig in (one, other):
        rig.run(10.0)
    assert one.sent == other.sent


def test_a_wish_to_tighten_holds_at_the_next_tick_and_the_other_limits_do_not_move() -> None:
    """Before the new engine has seen one reading, and after it has taken over."""
    rig = Reloads()
    before = rig.limits()
    rig.replace(Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
    rig.run(0.1)
    assert rig.waits()
    assert rig.engine.decision.charge_current.binding.reason is Reason.INHIBITED
    for _ in range(50):
        assert rig.limits() == (before[0], 0.0, *before[2:])
        rig.run(0.1)
    assert not rig.waits()
    assert rig.told() == ["the new one has taken over"]


def test_the_engine_answers_by_itself_while_nobody_is_to_follow_it() -> None:
    """And not while one looks on, or something is left of the one before."""
    rig = Reloads()

    def alone() -> bool:
        return isinstance(rig.succession.at_work, Engine)

    assert alone()
    rig.replace(Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
    assert not alone()
    rig.run(STEADY_S + 0.2)
    assert not rig.waits()
    assert not alone()
    rig.succession.take_notes()
    rig.succession.poll(rig.succession.latest_us)
    assert alone()


def test_it_takes_over_after_the_steady_stretch_and_then_rises_as_slowly_as_ever() -> None:
    """From what was sent last."""
    rig = Reloads()
    rig.replace(
        Builder(limits=pack_limits()._replace(discharge_a=200.0), draw=DRAW._replace(max_a=200.0)).plan()
    )
    rig.run(STEADY_S)
    assert rig.waits()
    assert rig.limits()[2] == 120.0
    rig.run(0.1)
    assert not rig.waits()
    for _ in range(20):
        before = rig.limits()[2]
        rig.run(0.1)
        assert 0.0 < rig.limits()[2] - before <= 1.2 + 1e-6


@pytest.mark.parametrize("beats", [0, 40])
def test_an_inverter_that_is_not_heard_stays_so(beats: int) -> None:
    """The new engine goes on counting from the last sign of life, or from the first engine's start."""
    plan = Builder(heartbeat=True, max_age_us=10 * SECOND).plan()
    rig = Rig(plan, level())
    succession = Succession(plan, rig.t_us, seen_before(plan))
    rig.engine = succession  # type: ignore[assignment]
    for beat in range(beats):
        rig.hear([Frame(BUS, BEAT.key, bytes([beat]))])
        rig.run(0.5)
    rig.run(11.0)
    assert rig.warnings() == ("inverter loft is not heard",)
    wish = Builder(
        heartbeat=True, max_age_us=10 * SECOND, options=OPTIONS._replace(hold_while_balancing=True)
    )
    succession.replace(rig.t_us, wish.plan(), succession.kept)
    for _ in range(100):
        rig.run(0.1)
        assert rig.limits()[1:3] == (0.0, 0.0)
    assert not succession.waits
    rig.hear([Frame(BUS, BEAT.key, bytes([beats]))])
    rig.run(9.0)
    assert rig.warnings() == ()
    assert rig.limits()[1] > 0.0


def test_counters_and_deadlines_go_on() -> None:
    """No receiver sees a gap, a repeat or a burst."""
    rig = Reloads()
    rig.replace(Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
    rig.run(5.0)
    flags = [due for due in rig.sent if due.frame.key == FLAGS.key]
    counts = [int(on_the_wire(due.frame)["count"]) for due in flags]
    assert all(later == (count + 1) % 256 for count, later in pairwise(counts))
    stamps = [due.t_us for due in flags]
    assert {later - stamp for stamp, later in pairwise(stamps)} == {200_000}


@pytest.mark.parametrize("period_us", [50_000, 400_000])
def test_a_message_with_another_period_neither_bursts_nor_pauses(period_us: int) -> None:
    """Its first slot is a period after its last one."""
    rig = Reloads(Builder(transmissions=(bounds(),)).plan())
    rig.replace(Builder(transmissions=(bounds(period_us),)).plan())
    rig.run(6.0)
    stamps = [due.t_us for due in rig.sent]
    gaps = [later - stamp for stamp, later in pairwise(stamps)]
    assert set(gaps) == {100_000, period_us}
    assert gaps == sorted(gaps, reverse=period_us < 100_000)


def test_last_words_are_those_of_the_engine_that_sends() -> None:
    """Whoever looks on has no counters yet."""
    one = Succession(Builder().plan(), 0)
    values = one.decision.values
    counts = [on_the_wire(one.make(1, values))["count"] for _ in range(2)]
    assert counts[1] == counts[0] + 1


def test_a_message_that_is_no_longer_sent_says_zero_last() -> None:
    """Else its receiver keeps what it was told until its time-out."""
    rig = Reloads()
    other = bounds()._replace(layout=replace(bounds().layout, key=0x2FF))
    rig.replace(Builder(transmissions=(other,)).plan())
    rig.run(STEADY_S + 1.0)
    old = [due for due in rig.sent if due.frame.key == bounds().layout.key]
    assert on_the_wire(old[-1].frame)["draw_with"] == 0
    assert on_the_wire(old[-2].frame)["draw_with"] == 120
    assert all(due.frame.key == 0x2FF for due in rig.sent if due.t_us > old[-1].t_us)


def test_what_never_follows_never_takes_over_and_is_told() -> None:
    """The old engine goes on, no looser than the new one; another reload ends it."""
    rig = Reloads()
    parts = frozenset({"totals", "extremes", "cells", "switch"})
    rig.replace(Builder(parts=parts, options=OPTIONS._replace(inhibit_charge=True)).plan())
    rig.run(60.0)
    assert rig.waits()
    assert rig.limits()[1:3] == (0.0, 120.0)
    assert rig.warnings() == (
        "the new profile has not taken over: bank_connected of bank1: never seen; "
        "the old one goes on, no looser than the new one allows",
    )
    rig.replace(Builder(options=OPTIONS._replace(inhibit_discharge=True)).plan())
    rig.run(0.2)
    assert rig.limits()[2] == 0.0
    assert rig.limits()[1] > 0.0
    assert rig.warnings() == ()
    assert AGE == SECOND


@st.composite
def reloads(draw: st.DrawFn) -> tuple[Plan, list[tuple[float, Plan]]]:
    """A random profile, and what becomes of it: bounds, wishes, ages, times, senders; how long it lasts."""

    def plan() -> Plan:
        most = draw(st.sampled_from([60.0, 90.0, 120.0, 160.0]))
        limits = pack_limits()._replace(
            discharge_a=draw(st.sampled_from([70.0, 100.0, 120.0, 150.0])),
            charge_a=draw(st.sampled_from([20.0, 100.0])),
            cell_target_v=draw(st.sampled_from([3.45, 3.5])),
            cell_floor_v=draw(st.sampled_from([2.8, 2.9])),
        )
        options = OPTIONS._replace(
            inhibit_charge=draw(st.booleans()), shown_soc=None, hold_while_balancing=draw(st.booleans())
        )
        return Builder(
            limits=limits,
            options=options,
            draw=DRAW._replace(max_a=most),
            max_age_us=draw(st.sampled_from([AGE, 2 * AGE, 5 * AGE])),
            times=TIMES._replace(steady_us=draw(st.sampled_from([0, SECOND, 2 * SECOND]))),
            transmissions=(bounds(draw(st.sampled_from([50_000, 100_000, 300_000]))),),
        ).plan()

    return plan(), [(draw(st.floats(0.0, 8.0)), plan()) for _ in range(draw(st.integers(1, 4)))]


def allowed_a(plan: Plan) -> float:
    """What a plan lets be drawn from a healthy pack."""
    return min(plan.limits.discharge_a, plan.banks[0].discharge.max_a)


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(reloads())
def test_no_reload_takes_from_a_load_what_both_profiles_allow_it(
    case: tuple[Plan, list[tuple[float, Plan]]],
) -> None:
    """Whatever changes while a load runs, also one reload after the other: the limit on the wire is never
    looser than either, never below the tighter of what was sent and what the new one allows, never doubled.
    """
    first, later = case
    rig = Reloads(first)
    sent, least, most = len(rig.sent), allowed_a(first), allowed_a(first)
    for wait_s, plan in [*later, (12.0, later[-1][1])]:
        before = allowed_a(rig.succession.plan)
        rig.replace(plan)
        asked_us = rig.t_us
        rig.run(wait_s)
        for due in rig.sent[sent:]:
            amps = float(on_the_wire(due.frame)["draw_with"])
            assert amps >= min(least, allowed_a(plan)) - 0.1
            if due.t_us > asked_us + 100_000:
                assert amps <= allowed_a(plan)
            assert amps <= max(before, most, allowed_a(plan))
        least = min(least, allowed_a(plan), rig.limits()[2])
        sent = len(rig.sent)
    assert not rig.waits()
    assert rig.state() is State.FOLLOWING
    stamps = [due.t_us for due in rig.sent]
    assert all(later_us > stamp_us for stamp_us, later_us in pairwise(stamps))


def test_a_pause_while_one_looks_on_counts_for_both() -> None:
    """A short one holds; a long one begins at zero, with the new profile. Nothing built before it leaves."""
    for pause_s, follows in ((1.0, True), (3.0, False)):
        rig = Reloads()
        rig.replace(Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
        rig.t_us += round(pause_s * SECOND)
        due = rig.succession.resume(rig.t_us)
        assert {float(on_the_wire(one.frame)["draw_with"]) > 0 for one in due if one.frame.key == 0x201} == {
            follows
        }
        rig.run(20.0)
        assert not rig.waits()
        assert rig.limits()[1:3] == (0.0, 120.0)


def test_an_end_while_one_looks_on_is_the_old_ones() -> None:
    """Zero currents in its messages, and nobody takes over any more."""
    rig = Reloads()
    rig.replace(Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
    last = rig.succession.close(rig.t_us)
    assert {float(on_the_wire(due.frame)["draw_with"]) for due in last if due.frame.key == 0x201} == {0.0}
    assert not rig.waits()


@pytest.mark.parametrize("quiet_s", [3.5, 20.0])
def test_a_new_profile_takes_over_at_once_from_one_that_does_not_follow(quiet_s: float) -> None:
    """There is nothing to go on with: it begins in `starting`."""
    rig = Reloads()
    rig.wait(quiet_s + 1.5)
    assert rig.state() in (State.SAFE, State.SILENT)
    rig.replace(Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
    assert not rig.waits()
    rig.run(0.2)
    assert rig.state() is State.STARTING
    assert rig.limits()[1:3] == (0.0, 0.0)


def test_an_optional_reading_is_waited_for_and_then_counts_as_lost() -> None:
    """What the pack allowed itself holds on in the new engine before it is told again, and if it never is."""
    parts, optional = (
        frozenset({"totals", "extremes", "cells", "permits"}),
        frozenset({"charge_current_permitted", "discharge_current_permitted"}),
    )
    rig = Reloads(Builder(parts=parts, optional=optional).plan())
    rig.speakers[0].draw_most_a = 50.0
    rig.run(1.0)
    other = Builder(parts=parts, optional=optional, options=OPTIONS._replace(inhibit_charge=True)).plan()
    elsewhere = tuple(
        one._replace(key=0x7FF) if one.name.startswith("Permits") else one for one in other.sources
    )
    rig.replace(other._replace(sources=elsewhere))
    rig.run(5.0)
    assert rig.waits()
    rig.run(10.0)
    assert not rig.waits()
    assert rig.limits()[2] == 50.0
    assert "discharge_current_permitted of bank1 is lost" in rig.warnings()


TWO = Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)).plan()


def test_what_trips_in_the_engine_that_looks_on_is_known_after_a_restart_too() -> None:
    """Its bounds hold already, and so must not be forgotten by a crash; at once, not in ten minutes."""
    rig = Reloads(cell_v=3.44)
    before = rig.succession.weighty
    low = CHARGE._replace(cell_trip_v=3.43, cell_release_v=3.40)
    rig.replace(Builder(charge=low).plan())
    rig.run(0.3)
    assert rig.waits()
    assert rig.limits()[1] == 0.0
    assert rig.succession.kept.tripped == {"bank1 charge cell"}
    assert rig.succession.weighty != before
    rig.run(5.0)
    assert not rig.waits()
    assert rig.succession.kept.tripped == {"bank1 charge cell"}


def test_a_pack_with_other_cells_keeps_what_tightens_by_name() -> None:
    """A cut-off that tripped, and the caps of what is lost; nothing that was learnt."""
    known = Kept(
        last_full_us=1,
        tripped=frozenset({"bank1 charge cold", "bank9 charge cold"}),
        lost=frozenset({"bank bank2", "bank bank1"}),
        caps=(50.0, 1.0, 2.0, 48.0),
        learnt={"bank1": Learnt((1.0,) * 16)},
    )
    assert known.of_another(PLAN) == Kept(
        tripped=frozenset({"bank1 charge cold"}), lost=frozenset({"bank bank1"}), caps=(50.0, 1.0, 2.0, 48.0)
    )
    assert known._replace(lost=frozenset({"bank x"})).of_another(PLAN).caps is None


def test_a_profile_that_does_not_read_what_forbade_charges_again() -> None:
    """Its engine knows nothing that forbids; one that reads it still does, until the pack says otherwise."""
    (bank,) = PLAN.banks
    slot = bank.slots["charge_permitted"]
    left = {name: at for name, at in bank.slots.items() if at != slot}
    blind = bank._replace(slots=left, required=tuple(row for row in bank.required if row[0] != slot))
    for plan, charges in ((PLAN._replace(banks=(blind,)), True), (PLAN._replace(tick_us=TICK // 2), False)):
        rig = Reloads()
        rig.speakers[0].may_charge = 0
        rig.run(1.0)
        assert rig.limits()[1] == 0.0
        kept = rig.succession.kept.of_another(plan)._replace(learnt=seen_before(plan).learnt)
        rig.succession.replace(rig.t_us, plan, kept)
        rig.run(STEADY_S + 10.0)
        assert not rig.waits()
        assert (rig.limits()[1] > 0.0) is charges


def test_a_lost_bank_stays_lost_in_the_engine_that_takes_over() -> None:
    """And so does what is known of the banks' charges, while they are the same banks."""
    rig = Rig(TWO, level(), level(number=1))
    rig.engine = succession = Succession(TWO, rig.t_us, seen_before(TWO))  # type: ignore[assignment]
    rig.run(20.0)
    rig.quiet = {1}
    rig.run(10.0)
    assert rig.warnings() == ("bank bank2 is lost",)
    cabled = TWO._replace(banks=tuple(bank._replace(resistance_ohm=0.01) for bank in TWO.banks))
    for plan in (TWO._replace(options=TWO.options._replace(inhibit_charge=True)), cabled):
        succession.replace(rig.t_us, plan, succession.kept)
        rig.run(10.0)
        assert not succession.waits
        assert rig.state() is State.FOLLOWING
        assert "bank bank2 is lost" in rig.warnings()


def test_a_restart_begins_from_zero_with_another_plan() -> None:
    """For where the one before was closed first; what it had noted is not lost."""
    rig = Reloads()
    rig.succession.close(rig.t_us)
    rig.succession.restart(rig.t_us, Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
    assert rig.state() is State.STARTING
    assert any(note.kind == "waiting" for note in rig.succession.take_notes())
    rig.run(15.0)
    assert rig.limits()[1:3] == (0.0, 120.0)


GOES_ON = Builder(
    times=TIMES._replace(goes_on=True),
    parts=frozenset({"totals", "extremes", "cells", "permits"}),
    optional=frozenset({"charge_current_permitted", "discharge_current_permitted"}),
).plan()


def restarted(rig: Rig, gap_s: float, plan: Plan = GOES_ON) -> Rig:
    """The next life of the same pack, with what stood on the disk."""
    known = rig.engine.kept._replace(going=rig.engine.going)
    start_us = rig.t_us + round(gap_s * SECOND)
    return Rig(plan, *rig.speakers, start_us=start_us, kept=read(known.facts, plan, start_us))


@pytest.mark.parametrize("holding", [False, True])
def test_a_restart_that_may_go_on_holds_what_was_sent_until_data_is_trusted(holding: bool) -> None:
    """Without a dip, and no looser: what the pack allowed itself counts until it is told again."""
    rig = Rig(GOES_ON)
    rig.speakers[0].draw_most_a = 50.0
    rig.run(20.0)
    if holding:
        rig.wait(1.3)
        assert rig.state() is State.HOLDING
    after = restarted(rig, 0.5)
    assert (after.state(), after.limits()) == (State.HOLDING, rig.limits())
    for _ in range(30):
        after.run(0.1, without={"permits"})
        assert after.limits()[2] == 50.0
    assert after.state() is State.FOLLOWING
    assert "discharge_current_permitted of bank1 is lost" in after.warnings()
    after.speakers[0].draw_most_a = 90.0
    after.run(10.0)
    assert after.limits()[2] == 90.0


@pytest.mark.parametrize(
    ("gap_s", "plan"), [(3.5, GOES_ON), (0.5, GOES_ON._replace(times=TIMES))], ids=["late", "not allowed"]
)
def test_a_restart_that_may_not_go_on_begins_at_zero(gap_s: float, plan: Plan) -> None:
    """Too late, or not the profile's wish; and where nothing was followed there is nothing to go on from."""
    rig = Rig(GOES_ON)
    assert rig.engine.going is None
    rig.run(20.0)
    after = restarted(rig, gap_s, plan)
    assert after.state() is State.STARTING
    assert after.limits()[1:3] == (0.0, 0.0)


def test_a_restart_that_goes_on_without_data_ends_at_zero_when_the_first_life_would_have() -> None:
    """Three seconds after the last sign of life, however often it is started."""
    rig = Rig(GOES_ON)
    rig.run(20.0)
    last_us = rig.t_us
    for _ in range(3):
        rig = restarted(rig, 0.4)
        rig.wait(0.4)
        assert rig.limits()[2] == 120.0
    rig.wait((last_us + TIMES.hold_us - rig.t_us) / SECOND + 0.1)
    assert rig.limits()[1:3] == (0.0, 0.0)


def unpolled(rig: Reloads, seconds: float) -> None:
    """Frames come in all the time, and nobody asks for what is due."""
    for _ in range(round(seconds * SECOND / TICK)):
        rig.t_us += TICK
        rig.hear(rig.speakers[0].all())


def test_it_takes_over_when_a_frame_comes_in_too() -> None:
    """Nothing that was due meanwhile is left out, twice there or out of order, and it is told once."""
    rig = Reloads()
    assert rig.told() == []
    asked_us = rig.t_us
    rig.replace(Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
    unpolled(rig, STEADY_S + 1.0)
    assert not rig.waits()
    assert rig.told() == ["the new one has taken over"]
    assert rig.told() == []
    stamps = [due.t_us for due in rig.succession.poll(rig.t_us) if due.frame.key == bounds().layout.key]
    assert stamps == list(range(asked_us + TICK, rig.t_us + 1, TICK))


@pytest.mark.parametrize(("pause_s", "dropped"), [(1.0, False), (3.0, True)])
def test_what_was_built_before_a_pause_leaves_after_a_short_one_only(
    pause_s: float, dropped: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a long one it is dropped, and counts as not sent."""
    unsent: list[Due] = []
    monkeypatch.setattr(Engine, "unsent", lambda _, due: unsent.append(due))
    rig = Reloads()
    rig.replace(Builder(options=OPTIONS._replace(inhibit_charge=True)).plan())
    unpolled(rig, 1.0)
    before_us = rig.t_us
    due = rig.succession.resume(before_us + round(pause_s * SECOND))
    early = [one for one in (unsent if dropped else due) if one.t_us <= before_us]
    assert len([one for one in early if one.frame.key == bounds().layout.key]) == 10
    assert bool(unsent) is dropped
    assert any(one.t_us <= before_us for one in due) is not dropped


def test_a_pause_while_nobody_looks_on_is_the_engines_own() -> None:
    """Each missed message goes out once, as from an engine alone."""
    rig = Reloads()
    due = rig.succession.resume(rig.t_us + SECOND // 2)
    assert {one.frame.key for one in due} == {one.layout.key for one in PLAN.transmissions}
    assert len(due) == len(PLAN.transmissions)
    assert not rig.waits()


def test_the_next_deadline_is_the_earlier_one_of_both() -> None:
    """And the time reached is that of the engine that sends."""
    assert Succession(PLAN, 7 * SECOND).latest_us == 7 * SECOND - 1
    rig = Reloads()
    assert rig.succession.latest_us == rig.t_us
    assert rig.succession.next_deadline_us > rig.t_us + TICK // 10
    rig.replace(Builder(tick_us=TICK // 10).plan())
    assert rig.succession.next_deadline_us == rig.t_us + TICK // 10
