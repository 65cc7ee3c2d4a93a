"""Another profile taken while limits are followed: nothing stops, nothing gets looser, nothing is doubled."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.failsafe import State
from bridge.core.plan import Plan
from bridge.core.reasons import Reason
from bridge.core.succession import Succession
from bridge.frames import Frame
from tests.core.plans import (
    AGE,
    BEAT,
    BUS,
    DRAW,
    FLAGS,
    OPTIONS,
    SECOND,
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
