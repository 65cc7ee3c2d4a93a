"""Stages of a charge: what starts and ends each, and what it adds to the limits."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.course.stage import FALL_BACK_US, LEAVE_V, STEADY_US, Seen, Stage, StageMachine
from bridge.core.plan.reasons import Reason
from bridge.core.plan.wishes import Stages
from tests.core.plans import SECOND

MINUTE = 60 * SECOND
DAY = 1440 * MINUTE
WISH = Stages(
    cells=16,
    target_v=3.50,
    within_v=0.02,
    hold_us=30 * MINUTE,
    tail_a=5.0,
    rest_v=53.6,
    restart_soc=None,
    restart_low_v=None,
    restart_mean_v=3.30,
    usual_v=None,
    full_every_us=None,
    balance_within_v=None,
    balance_us=120 * MINUTE,
    full_soc=True,
)
CHARGING = Seen(high_v=3.40, low_v=3.38, mean_v=3.39, spread_v=0.02, current_a=50.0, soc=80.0, reached_v=3.40)
AT_TARGET = Seen(
    high_v=3.49, low_v=3.44, mean_v=3.46, spread_v=0.05, current_a=30.0, soc=97.0, reached_v=3.49
)
TAIL = AT_TARGET._replace(current_a=5.0)
RESTED = Seen(high_v=3.36, low_v=3.34, mean_v=3.35, spread_v=0.02, current_a=0.0, soc=100.0, reached_v=3.36)
EMPTIER = Seen(high_v=3.30, low_v=3.25, mean_v=3.29, spread_v=0.05, current_a=20.0, soc=60.0, reached_v=3.30)


class Life:
    """A machine and its clock."""

    def __init__(self, wish: Stages = WISH) -> None:
        self.machine = StageMachine(wish)
        self.t_us = 0
        self.changes: list[Stage] = []

    def go(
        self, seen: Seen | None, minutes: float = 0.0, *, hold: bool = False, step_us: int = SECOND
    ) -> Stage:
        """At least one step, then on for so long."""
        until_us = self.t_us + max(step_us, round(minutes * MINUTE))
        while self.t_us < until_us:
            self.t_us += step_us
            if self.machine.step(self.t_us, step_us, seen, hold=hold):
                self.changes.append(self.machine.stage)
        return self.machine.stage

    def at(self) -> Stage:
        """Where it stands."""
        return self.machine.stage

    def full(self) -> bool:
        """Whether the pack counts as full."""
        return self.machine.full

    def bounds(self) -> list[tuple[Reason, float]]:
        """What it adds to the charge voltage."""
        assert all(bound.bank == "" for bound in self.machine.volts)
        return [(bound.reason, round(bound.value, 9)) for bound in self.machine.volts]


def full(wish: Stages = WISH) -> Life:
    """A pack that has been charged until it rests."""
    life = Life(wish)
    life.go(AT_TARGET)
    assert life.go(TAIL, 1.0) is Stage.RESTING
    life.changes.clear()
    return life


def test_a_charge_goes_from_bulk_over_absorption_to_rest() -> None:
    """By the tail current here; each cause is a sentence; only rest adds a bound."""
    life = Life()
    assert life.go(CHARGING, 5.0) is Stage.BULK
    assert life.go(CHARGING._replace(high_v=3.479)) is Stage.BULK
    assert life.go(CHARGING._replace(high_v=3.480)) is Stage.ABSORPTION
    assert life.machine.cause == "the highest cell is at 3.480 V, target 3.500 V"
    assert life.bounds() == []
    assert life.go(TAIL, 59 / 60) is Stage.ABSORPTION
    assert life.go(TAIL) is Stage.RESTING
    assert life.machine.cause == "the current has tailed off to 5.0 A"
    assert life.bounds() == [(Reason.RESTED, 53.6)]
    assert life.changes == [Stage.ABSORPTION, Stage.RESTING]


def test_a_tail_must_last_and_may_be_unknown() -> None:
    """A moment of low current ends nothing; without a current, or a wish for it, the time does."""
    for seen, wish in (
        (AT_TARGET, WISH),
        (AT_TARGET._replace(current_a=None), WISH),
        (TAIL, WISH._replace(tail_a=None)),
    ):
        life = Life(wish)
        life.go(seen)
        for _ in range(29):
            life.go(seen, 0.5)
            if seen is AT_TARGET:
                life.go(TAIL, 0.5)
            else:
                life.go(seen, 0.5)
        assert life.at() is Stage.ABSORPTION
        assert life.go(seen, 1.0) is Stage.RESTING
        assert life.machine.cause == "30 min at the target are over"


def test_time_counts_only_at_the_target_and_a_cloud_ends_nothing() -> None:
    """A little below, nothing counts; far below for five minutes, the charge begins anew."""
    life = Life()
    life.go(AT_TARGET, 20.0)
    assert life.go(TAIL._replace(high_v=3.47), 600.0) is Stage.ABSORPTION
    assert life.go(TAIL._replace(high_v=3.40), FALL_BACK_US / MINUTE) is Stage.ABSORPTION
    life.go(AT_TARGET)
    assert life.go(CHARGING, FALL_BACK_US / MINUTE) is Stage.ABSORPTION
    assert life.go(CHARGING) is Stage.BULK
    assert life.machine.cause == "the highest cell fell back to 3.400 V"
    life.go(AT_TARGET)
    assert life.go(AT_TARGET, 29.0) is Stage.ABSORPTION


def test_rest_lasts_until_charge_is_needed_for_a_minute() -> None:
    """By each of the three, whichever is stated, with its sentence."""
    for changes, seen, cause in (
        ({}, EMPTIER, "mean cell 3.290 V, below 3.3 V"),
        ({"restart_low_v": 3.26, "restart_mean_v": None}, EMPTIER, "lowest cell 3.250 V, below 3.26 V"),
        ({"restart_soc": 90.0}, EMPTIER, "state of charge 60.0 %, below 90 %"),
    ):
        life = full(WISH._replace(**changes))
        assert life.go(RESTED, 600.0) is Stage.RESTING
        assert life.go(seen, 59 / 60) is Stage.RESTING
        life.go(RESTED)
        assert life.go(seen, 59 / 60) is Stage.RESTING
        assert life.go(seen) is Stage.BULK
        assert life.machine.cause == cause
        assert life.bounds() == []
    life = full(WISH._replace(restart_soc=90.0, restart_mean_v=None))
    assert life.go(EMPTIER._replace(soc=90.0), 600.0) is Stage.RESTING


def test_nothing_counts_while_the_pack_is_not_trusted() -> None:
    """No stage ends on what is not seen."""
    life = Life()
    life.go(AT_TARGET, 29.0)
    assert life.go(None, 600.0) is Stage.ABSORPTION
    assert life.go(AT_TARGET, 1.0) is Stage.ABSORPTION
    assert life.go(AT_TARGET) is Stage.RESTING


def test_balancing_holds_the_pack_at_the_target_until_the_cells_are_even() -> None:
    """For a minute on end; the time it may take counts at the target only."""
    wish = WISH._replace(balance_within_v=0.01)
    life = Life(wish)
    life.go(AT_TARGET)
    assert life.go(TAIL, 1.0) is Stage.BALANCING
    assert life.machine.cause == "the current has tailed off to 5.0 A, cells still 50 mV apart"
    assert not life.full()
    assert life.bounds() == []
    even = TAIL._replace(spread_v=0.01)
    life.go(even, 59 / 60)
    life.go(TAIL)
    assert life.go(even, 59 / 60) is Stage.BALANCING
    assert life.go(even) is Stage.RESTING
    assert life.machine.cause == "cells within 10 mV"
    assert life.full()

    life = Life(wish)
    life.go(AT_TARGET)
    life.go(TAIL, 1.0)
    life.go(TAIL._replace(high_v=3.46), 600.0)
    assert life.go(TAIL, 119.9) is Stage.BALANCING
    assert life.go(TAIL, 0.1) is Stage.RESTING
    assert life.machine.cause == "time for balancing is over, cells 50 mV apart"

    life = Life(wish)
    life.go(even)
    assert life.go(even, 1.0) is Stage.RESTING


def test_balancing_is_only_interrupted_when_the_charge_falls_back() -> None:
    """Loads that come again and again keep no pack at its target for ever; after a rest all is new."""
    life = Life(WISH._replace(balance_within_v=0.01, balance_us=3 * MINUTE))
    life.go(AT_TARGET)
    life.go(TAIL, 3.0)
    assert life.at() is Stage.BALANCING
    assert life.go(CHARGING, FALL_BACK_US / MINUTE + 0.1) is Stage.BULK
    life.go(AT_TARGET)
    life.go(TAIL, 1.0)
    assert life.go(TAIL, 0.9) is Stage.BALANCING
    assert life.go(TAIL, 0.1) is Stage.RESTING
    assert life.go(EMPTIER, 1.0) is Stage.BULK
    life.go(AT_TARGET)
    life.go(TAIL, 1.0)
    assert life.go(TAIL, step_us=3 * MINUTE - 1) is Stage.BALANCING
    assert life.go(TAIL, step_us=1) is Stage.RESTING


def test_a_hold_keeps_the_pack_at_the_target() -> None:
    """As commissioning wishes; once it is lifted, what was reached counts."""
    life = Life()
    life.go(AT_TARGET)
    assert life.go(TAIL, 600.0, hold=True) is Stage.ABSORPTION
    assert life.go(TAIL) is Stage.RESTING
    life = Life(WISH._replace(balance_within_v=0.01))
    life.go(AT_TARGET)
    assert life.go(TAIL, 600.0, hold=True) is Stage.BALANCING
    assert life.go(TAIL) is Stage.RESTING


def test_a_usual_target_lies_lower_until_a_full_charge_is_due() -> None:
    """The bound on the voltage goes for the full charge; only that one counts as full."""
    wish = WISH._replace(usual_v=3.40, full_every_us=7 * DAY, balance_within_v=0.01, restart_mean_v=3.30)
    life = Life(wish)
    life.t_us = 100 * DAY
    usual = AT_TARGET._replace(high_v=3.39, current_a=3.0)
    life.go(usual)
    assert life.at() is Stage.ABSORPTION
    assert life.machine.target_v == 3.40
    assert life.bounds() == [(Reason.USUAL_TARGET, 54.4)]
    assert life.go(usual, 1.0) is Stage.RESTING
    assert life.bounds() == [(Reason.RESTED, 53.6), (Reason.USUAL_TARGET, 54.4)]
    assert (life.full(), life.machine.most_soc) == (False, 99.0)
    life.go(RESTED, 7 * 1440 - 5, step_us=MINUTE)
    assert life.at() is Stage.RESTING
    life.go(RESTED, 5, step_us=MINUTE)
    assert life.at() is Stage.BULK
    assert life.machine.cause == "a full charge is due, the last was 7 days ago"
    assert (life.machine.target_v, life.bounds()) == (3.50, [])
    assert life.go(usual, 10.0) is Stage.BULK
    life.go(TAIL)
    assert life.go(TAIL, 1.0) is Stage.BALANCING
    assert life.go(TAIL._replace(spread_v=0.005), 1.0) is Stage.RESTING
    assert (life.full(), life.machine.target_v, life.machine.last_full_us) == (True, 3.40, life.t_us)


def test_a_due_full_charge_interrupts_a_usual_one_and_nothing_else() -> None:
    """An absorption at the full target goes on: it is the full charge."""
    life = Life(WISH._replace(usual_v=3.40, full_every_us=DAY))
    life.go(CHARGING)
    life.t_us = DAY + SECOND
    assert life.at() is Stage.ABSORPTION
    assert life.go(AT_TARGET._replace(high_v=3.39)) is Stage.BULK
    life = Life(WISH._replace(full_every_us=DAY))
    life.go(AT_TARGET)
    life.t_us = DAY + SECOND
    assert life.go(AT_TARGET) is Stage.ABSORPTION
    assert life.go(TAIL, 1.0) is Stage.RESTING
    assert life.go(RESTED, 1439.0, step_us=MINUTE) is Stage.RESTING
    assert life.go(RESTED, 2.0, step_us=MINUTE) is Stage.BULK
    assert not life.full()


def test_100_percent_is_kept_for_a_full_pack() -> None:
    """From the end of a full charge until the next one starts; always, where nobody wishes otherwise."""
    life = Life()
    assert life.machine.most_soc == 99.0
    life = full()
    assert life.machine.most_soc == 100.0
    life.go(EMPTIER, 1.0)
    assert life.machine.most_soc == 99.0
    assert Life(WISH._replace(full_soc=False)).machine.most_soc == 100.0


sights = st.none() | st.builds(
    lambda low, spread, amps, soc: Seen(low + spread, low, low + spread / 2, spread, amps, soc, low + spread),
    st.sampled_from([3.2, 3.29, 3.35, 3.44, 3.48]),
    st.sampled_from([0.0, 0.01, 0.05]),
    st.none() | st.sampled_from([0.0, 5.0, 80.0]),
    st.none() | st.sampled_from([50.0, 100.0]),
)
wishes = st.builds(
    lambda usual, every, even, tail: WISH._replace(
        usual_v=usual, full_every_us=every, balance_within_v=even, tail_a=tail
    ),
    st.sampled_from([None, 3.42]),
    st.sampled_from([None, 90 * MINUTE]),
    st.sampled_from([None, 0.02]),
    st.sampled_from([None, 5.0]),
)


@settings(max_examples=60, deadline=None)
@given(wishes, st.lists(st.tuples(sights, st.integers(1, 90), st.booleans()), max_size=25))
def test_whatever_is_seen_rest_comes_from_the_target_only_and_bounds_go_with_their_stage(
    wish: Stages, life: list[tuple[Seen | None, int, bool]]
) -> None:
    """No way from bulk to rest; nothing unseen and no hold ends at the target; full only while resting."""
    machine, t_us = StageMachine(wish), 0
    for seen, minutes, hold in life:
        for _ in range(minutes):
            before, t_us = machine.stage, t_us + STEADY_US
            changed = machine.step(t_us, STEADY_US, seen, hold=hold)
            after = machine.stage
            assert changed or after is before
            if after is Stage.RESTING and before is not Stage.RESTING:
                assert before is not Stage.BULK
                assert seen is not None
                assert not hold
                assert seen.high_v >= 3.40
            assert not machine.full or after is Stage.RESTING
            assert all(bound.value <= 16 * wish.target_v for bound in machine.volts)
            assert (Reason.RESTED in [bound.reason for bound in machine.volts]) == (after is Stage.RESTING)


APART = WISH._replace(balance_within_v=0.01, tail_a=None)
JUST_AT = AT_TARGET._replace(high_v=3.50 - 0.02)
JUST_NEAR = AT_TARGET._replace(high_v=(3.50 - 0.02) - LEAVE_V)


@pytest.mark.parametrize(
    ("wish", "before", "seen", "lasts_us", "then"),
    [
        (WISH, [AT_TARGET], AT_TARGET, WISH.hold_us, Stage.RESTING),
        (WISH, [AT_TARGET], JUST_AT, WISH.hold_us, Stage.RESTING),
        (WISH, [AT_TARGET, TAIL, AT_TARGET], TAIL, MINUTE, Stage.RESTING),
        (WISH, [AT_TARGET], CHARGING, 5 * MINUTE + 1, Stage.BULK),
        (WISH, [AT_TARGET, CHARGING, AT_TARGET], CHARGING, 5 * MINUTE + 1, Stage.BULK),
        (WISH, [AT_TARGET, CHARGING, JUST_NEAR], CHARGING, 5 * MINUTE + 1, Stage.BULK),
        (APART, [AT_TARGET] * 1802, AT_TARGET, 120 * MINUTE - SECOND, Stage.RESTING),
        (APART, [AT_TARGET] * 1802, AT_TARGET._replace(spread_v=0.01), MINUTE, Stage.RESTING),
        (WISH, [AT_TARGET, *[TAIL] * 60, EMPTIER, RESTED], EMPTIER, MINUTE, Stage.BULK),
        (WISH._replace(full_every_us=DAY), [AT_TARGET, *[TAIL] * 60], RESTED, DAY, Stage.BULK),
    ],
    ids=[
        "hold",
        "hold just at",
        "tail",
        "away",
        "away again",
        "away after near",
        "balance",
        "even",
        "need",
        "due",
    ],
)
def test_every_time_is_kept_to_the_microsecond(
    wish: Stages, before: list[Seen], seen: Seen, lasts_us: int, then: Stage
) -> None:
    """Not a microsecond earlier, whatever was counted before."""
    life = Life(wish)
    for one in before:
        life.go(one)
    stands = life.at()
    assert life.go(seen, step_us=lasts_us - 1) is stands
    assert life.go(seen, step_us=1) is then


def test_the_stages_go_out_as_these_numbers() -> None:
    """A receiver knows them by number."""
    numbers = [(stage.name, stage.value) for stage in Stage]
    assert numbers == [("BULK", 0), ("ABSORPTION", 1), ("BALANCING", 2), ("RESTING", 3)]


def test_a_charge_that_ends_while_a_bank_is_lost_is_no_full_one() -> None:
    """The others rest; nobody knows of it, so 100 % is not shown, and a full charge stays due."""
    life = Life(WISH._replace(full_every_us=DAY))
    life.go(CHARGING, 1441.0, step_us=MINUTE)
    life.go(AT_TARGET._replace(lost=True))
    assert life.go(TAIL._replace(lost=True), 1.0) is Stage.RESTING
    assert life.machine.cause == "the current has tailed off to 5.0 A; not counted as full, a bank is lost"
    assert (life.full(), life.machine.most_soc) == (False, 99.0)
    assert life.machine.last_full_us is not None
    assert life.t_us - life.machine.last_full_us > DAY


def test_a_state_of_charge_that_is_not_told_leaves_the_mean_cell_to_start_a_charge() -> None:
    """A twentieth of a volt below its rest; else a pack whose monitor is mute would never be full again."""
    life = full(WISH._replace(restart_soc=60.0, restart_mean_v=None))
    assert life.go(EMPTIER, 2.0) is Stage.RESTING
    mute = EMPTIER._replace(soc=None)
    assert life.go(mute._replace(mean_v=3.301), 2.0) is Stage.RESTING
    assert life.go(mute._replace(mean_v=3.299), 1.0) is Stage.BULK
    assert life.machine.cause == "mean cell 3.299 V, below 3.3 V"
    for changes in ({"restart_soc": 60.0, "restart_mean_v": 3.2}, {"restart_mean_v": None}):
        assert full(WISH._replace(**changes)).go(mute, 2.0) is Stage.RESTING


def test_after_a_restart_a_full_charge_is_due_so_long_after_the_last() -> None:
    """Not so long after the restart."""
    life = Life(WISH._replace(full_every_us=7 * DAY))
    life.machine.go_on(2 * DAY, resting=True, full=True)
    life.t_us = 9 * DAY - 2 * SECOND
    assert (life.go(RESTED), life.full()) == (Stage.RESTING, True)
    assert (life.go(RESTED), life.full()) == (Stage.BULK, False)
    assert life.machine.cause == "a full charge is due, the last was 7 days ago"


def test_commissioning_charges_a_rested_pack_anew_and_to_the_full_target() -> None:
    """Whatever the usual target is, and though the pack counts as full."""
    life = full(WISH._replace(usual_v=3.40))
    life.machine.full = True
    assert life.go(RESTED, hold=True) is Stage.BULK
    assert life.machine.cause == "the pack is commissioned"
    assert (life.full(), life.machine.target_v) == (False, 3.50)


def test_a_pack_that_a_bank_has_joined_does_not_count_as_full() -> None:
    """Nobody knows whether the bank is."""
    life = full()
    assert (life.full(), life.machine.most_soc) == (True, 100.0)
    life.machine.joined()
    assert (life.full(), life.machine.most_soc) == (False, 99.0)
