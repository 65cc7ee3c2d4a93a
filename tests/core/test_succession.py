"""Another profile taken while limits are followed: nothing stops, nothing gets looser, nothing is doubled."""

from dataclasses import replace
from itertools import pairwise

import pytest

from bridge.core.failsafe import State
from bridge.core.plan import Plan
from bridge.core.reasons import Reason
from bridge.core.succession import Succession
from tests.core.plans import (
    AGE,
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
