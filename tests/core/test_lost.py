"""Which banks are lost, tick by tick."""

from bridge.core.failsafe.machine import State
from bridge.core.pack.lost import LostBanks
from bridge.core.pack.state import Doubt, Reading, Trouble
from tests.core.plans import OPTIONS, SECOND, TICK, TIMES, Builder
from tests.core.rig import Rig, level

GOOD = Reading(*[None] * 14)
LATE = GOOD._replace(doubt=Doubt(Trouble.LATE, "pack_voltage of bank2"))


class Life:
    """Two banks, of which the second may be in doubt, and a clock in ticks."""

    def __init__(self) -> None:
        self.banks = LostBanks(Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)).plan())
        self.t_us = 0

    def active(self, second: Reading, seconds: float) -> bool:
        """Whether the second bank counts at the last tick of a stretch."""
        for _ in range(round(seconds * SECOND / TICK)):
            active = self.banks.active(self.t_us, [GOOD, second])
            self.t_us += TICK
        return active[1]


def test_doubts_add_up_to_the_holding_time_and_trust_in_between_does_not_count() -> None:
    """Two seconds of doubt, one of trust, and the third second of doubt is the last."""
    life = Life()
    assert life.active(LATE, 2.0)
    assert life.active(GOOD, 1.0)
    assert life.active(LATE, 1.0)
    assert not life.active(LATE, 0.1)


def test_trust_in_between_puts_it_off_by_the_steady_time_in_all() -> None:
    """Every ninth tick bad: lost after the hold time and that, not after nine times the hold time."""
    life = Life()
    found = [life.active(LATE if n % 9 == 0 else GOOD, 0.1) for n in range(90)]
    assert found.index(False) == 54  # the first bad tick 5 s and more after the first of all
    life = Life()
    life.active(LATE, 0.1)
    life.active(GOOD, 3.0)
    assert [life.active(LATE if n % 9 == 0 else GOOD, 0.1) for n in range(90)].index(False) == 54


def test_a_lost_bank_counts_again_after_just_the_steady_stretch() -> None:
    """Which also gives it the whole holding time again."""
    life = Life()
    assert not life.active(LATE, 3.1)
    assert not life.active(GOOD, TIMES.steady_us / SECOND)
    assert life.active(GOOD, 0.1)
    assert life.active(LATE, 3.0)
    assert not life.active(LATE, 0.1)


def test_a_doubt_or_a_gap_in_the_program_interrupts_the_steady_stretch() -> None:
    """It begins anew after either."""
    for gap in (False, True):
        life = Life()
        life.active(LATE, 3.1)
        assert not life.active(GOOD, 1.5)
        if gap:
            life.banks.restart()
        else:
            life.active(LATE, 0.1)
        assert not life.active(GOOD, TIMES.steady_us / SECOND)
        assert life.active(GOOD, 0.1)


def test_with_all_banks_lost_all_count() -> None:
    """Then the pack is in doubt, and the fail-safe state governs."""
    banks = LostBanks(Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)).plan())
    for t_us in range(0, 5 * SECOND, TICK):
        assert banks.active(t_us, [LATE, LATE]) == [True, True]


def test_where_the_policy_is_to_stop_all_banks_always_count() -> None:
    """The doubt of one is then the doubt of the pack."""
    banks = LostBanks(Builder(banks=2).plan())
    for t_us in range(0, 5 * SECOND, TICK):
        assert banks.active(t_us, [GOOD, LATE]) == [True, True]
    assert banks.names == set()


def test_a_bank_that_was_lost_before_a_restart_is_so_only_where_the_others_go_on() -> None:
    """Else its doubt is the doubt of the pack."""
    plan = Builder(banks=2).plan()
    others = Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)).plan()
    assert LostBanks(plan, ["bank bank1"]).names == set()
    assert LostBanks(others, ["bank bank1", "a reading"]).names == {"bank1"}


def test_what_was_forbidden_while_starting_stays_so_when_the_reading_is_lost() -> None:
    """The pack's own limits were heard once, before it was trusted, then never again. A restart knows it."""
    plan = Builder(
        parts=frozenset({"totals", "extremes", "cells", "permits"}),
        optional=frozenset({"charge_current_permitted", "discharge_current_permitted"}),
    ).plan()
    rig = Rig(plan)
    rig.speakers[0].charge_most_a = 0.0
    rig.run(0.3)
    assert rig.state() is State.STARTING
    rig.run(20.0, without={"permits"})
    assert rig.state() is State.FOLLOWING
    assert rig.limits()[1] == 0.0
    again = Rig(plan, start_us=rig.t_us + SECOND, kept=rig.engine.kept)
    again.run(0.3, without={"permits"})
    again.run(20.0, without={"permits"})
    assert again.state() is State.FOLLOWING
    assert again.limits()[1:3] == (0.0, 120.0)


def test_a_bank_that_forbids_and_is_gone_before_it_was_ever_trusted_still_forbids() -> None:
    """Its readings get too old one tick, and it counts as lost only later."""
    plan = Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)).plan()
    rig = Rig(plan, level(), level(number=1))
    rig.speakers[1].may_charge = 0
    rig.run(0.5)
    rig.quiet = {1}
    rig.run(20.0)
    assert rig.state() is State.FOLLOWING
    assert rig.warnings() == ("bank bank2 is lost",)
    assert rig.limits()[1] == 0.0


def test_a_wish_that_ends_is_not_gone_on_with_because_something_was_lost() -> None:
    """Charging was inhibited when the state of charge went missing."""
    options = OPTIONS._replace(inhibit_charge=True, inhibit_charge_until_us=30 * SECOND)
    plan = Builder(
        options=options,
        parts=frozenset({"totals", "extremes", "cells", "permits"}),
        optional=frozenset({"charge_current_permitted", "discharge_current_permitted"}),
    ).plan()
    rig = Rig(plan, start_us=5 * SECOND)
    rig.run(10.0)
    rig.run(10.0, without={"permits"})
    assert rig.limits()[1] == 0.0
    rig.run(30.0, without={"permits"})
    assert rig.limits()[1] > 50.0


def test_a_bank_that_is_known_to_be_apart_is_not_missed() -> None:
    """It is lost no longer, at once, and has the whole holding time again when it comes back in doubt."""
    life, apart = Life(), GOOD._replace(connected=0.0)
    assert not life.active(LATE, 3.1)
    assert life.active(apart, 0.1)
    assert life.active(LATE, 3.0)
    assert not life.active(LATE, 0.1)
