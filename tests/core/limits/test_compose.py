"""Limits of the whole pack over time: the tightest contribution, shaped by the fail-safe state."""

from collections.abc import Sequence
from typing import Any

import pytest

from bridge.core.charging.bank_charge import BankCharge
from bridge.core.course.course import IDLE, Now
from bridge.core.draw.bank_draw import BankDraw
from bridge.core.failsafe.machine import State
from bridge.core.limits.compose import Limits
from bridge.core.pack.state import Reading
from bridge.core.plan.reasons import Contribution, Limit, Reason
from tests.core.plans import OPTIONS, SECOND, Builder, pack_limits, seen_before

GOOD = Reading(52.8, 0.0, 50.0, 3.3, 3.3, [3.3] * 16, 20.0, 22.0, 1.0, 1.0, None, None, 0.0, None)
UNKNOWN = Reading(*[None] * 14)


class Bench:
    """Limits, and the inputs that a test changes."""

    def __init__(self, builder: Builder | None = None) -> None:
        plan = (builder or Builder()).plan()
        self.limits = Limits(plan, seen_before(plan))
        self.readings = [GOOD] * len(plan.banks)
        self.active = [True] * len(plan.banks)
        self.lost: Sequence[str] = ()
        self.state = State.FOLLOWING
        self.silent = False
        self.course = IDLE
        self.t_us = 0

    def go(self, seconds: float = 0.1) -> tuple[Limit, Limit, Limit, Limit]:
        """One step of so many seconds."""
        self.t_us += round(seconds * SECOND)
        return self.limits.decide(
            self.t_us,
            seconds,
            self.state,
            self.readings,
            self.active,
            self.lost,
            inverter_silent=self.silent,
            course=self.course,
        )

    def set(self, bank: int = 0, **changes: Any) -> None:
        """Changes the reading of one bank."""
        self.readings[bank] = self.readings[bank]._replace(**changes)


def values(limits: tuple[Limit, Limit, Limit, Limit]) -> tuple[float, float, float, float]:
    """The bare numbers."""
    a, b, c, d = limits
    return a.value, b.value, c.value, d.value


def open_bench(builder: Builder | None = None) -> Bench:
    """Long enough in `following` that all ramps are up."""
    bench = Bench(builder)
    bench.go(60.0)
    return bench


def recover(bench: Bench, seconds: int) -> None:
    """So many seconds, each with a new reading of a pack that is fine."""
    for _ in range(seconds):
        bench.readings = [GOOD._replace()]
        bench.go(1.0)


def test_an_easy_pack_gets_its_configured_limits() -> None:
    """Each is named, and all contributions are there."""
    volts, charge, draw, floor = open_bench().go()

    assert values((volts, charge, draw, floor)) == (56.0, 100.0, 120.0, 46.4)
    assert (volts.binding.reason, charge.binding.reason) == (Reason.CONFIGURED, Reason.PACK_CAP)
    assert {c.reason for c in charge.contributions} == {
        Reason.PACK_CAP,
        Reason.CONFIGURED,
        Reason.HIGHEST_CELL,
        Reason.CELL_TARGET,
        Reason.COLDEST_CELL,
        Reason.HOTTEST_CELL,
    }
    assert {c.reason for c in draw.contributions} >= {Reason.PACK_CAP, Reason.CELL_FLOOR, Reason.LOWEST_CELL}
    assert all(limit.value == limit.binding.value for limit in (volts, charge, draw, floor))


def test_the_value_is_the_tightest_contribution() -> None:
    """Of any number, in any state."""
    bench = open_bench()
    bench.set(cells_v=[3.49, *[3.42] * 15], high_v=3.49, low_v=3.42, coldest_c=5.0, charge_permitted=0.0)
    for state in State:
        bench.state = state
        volts, charge, draw, floor = bench.go()
        for limit in (volts, charge, draw):
            assert limit.value == round(min(c.value for c in limit.contributions), 6)
            assert limit.binding in limit.contributions
        assert floor.value == round(max(c.value for c in floor.contributions), 6)


def test_limits_fall_at_once_and_rise_slowly() -> None:
    """10 A a second up, with the reason told."""
    bench = open_bench()
    bench.set(charge_permitted_a=2.0)
    assert bench.go()[1].value == pytest.approx(2.0)
    bench.set(charge_permitted_a=None)
    _, charge, _, _ = bench.go(1.0)
    assert charge.value == pytest.approx(12.0)
    assert charge.binding.reason is Reason.RISING


def test_holding_limits_may_fall_but_never_rise() -> None:
    """What is still known counts."""
    bench = open_bench()
    bench.set(high_v=3.48)
    before = values(bench.go())
    bench.state = State.HOLDING
    bench.readings = [UNKNOWN]
    held = bench.go(9.0)
    assert values(held) == before
    assert held[1].binding.reason is Reason.HELD
    bench.set(coldest_c=-1.0, hottest_c=-1.0)
    assert bench.go()[1].value == 0.0


@pytest.mark.parametrize("state", [State.STARTING, State.SAFE, State.SILENT])
def test_untrusted_data_means_zero_currents_and_the_resting_voltage(state: State) -> None:
    """From any limits; the floor is never relaxed."""
    bench = open_bench()
    bench.set(cells_v=[2.8, *[3.0] * 15], low_v=2.8)
    floor_v = bench.go()[3].value
    assert floor_v > 46.4
    bench.state, bench.readings = state, [UNKNOWN]
    limits = bench.go()
    assert values(limits) == (53.6, 0.0, 0.0, floor_v)
    reasons = [limit.binding.reason for limit in limits]
    assert reasons == [Reason.RESTING, Reason.NOT_TRUSTED, Reason.NOT_TRUSTED, Reason.HELD]


def test_the_resting_voltage_is_a_bound_and_not_a_goal() -> None:
    """A lower limit stays, with its own reason; a resting voltage above the static limit is cut."""
    bench = open_bench()
    bench.set(cells_v=[3.6, *[3.2] * 15], high_v=3.6, low_v=3.2)
    low_v = bench.go()[0].value
    bench.state = State.SAFE
    volts = bench.go()[0]
    assert volts.value == low_v < 53.6
    assert volts.binding.reason is Reason.HEADROOM

    bench = Bench(Builder(limits=pack_limits()._replace(resting_v=58.0)))
    bench.state = State.STARTING
    assert bench.go()[0].value == 56.0


def test_the_floor_rises_at_once_and_falls_slowly() -> None:
    """The mirror image; what contradicts a low cell must do so three times."""
    bench = open_bench()
    bench.set(cells_v=[2.95, *[3.02] * 15], low_v=2.95)
    high_v = bench.go()[3].value
    assert high_v > 46.5
    for _ in range(2):
        bench.readings = [GOOD._replace()]
        assert bench.go(1.0)[3].value == high_v
    bench.readings = [GOOD._replace()]
    floor = bench.go(1.0)[3]
    assert floor.value == pytest.approx(high_v - 0.16)
    assert floor.binding.reason is Reason.RISING


def test_the_last_charge_is_drawn_by_what_the_lowest_cell_bears() -> None:
    """By the law, above the floor; below it the default curve is a backstop, and the cut-off stands."""
    bench = open_bench()
    bench.set(cells_v=[2.91, *[3.1] * 15], low_v=2.91)
    draw = bench.go(1.0)[2]
    assert 0.0 < draw.value < 20.0
    assert draw.binding.reason is Reason.CELL_FLOOR
    bench.set(cells_v=[2.85, *[3.1] * 15], low_v=2.85)
    assert bench.go(1.0)[2].value == 0.0


def test_headroom_needs_all_cells_or_three_numbers() -> None:
    """With fewer it says nothing; with three it is no looser than with all."""
    bench = open_bench()
    cells_v = [3.47, 3.45, *[3.41] * 14]
    bench.set(cells_v=cells_v, high_v=3.47, low_v=3.41, pack_v=sum(cells_v))
    of_all = values(bench.go())
    bench.set(cells_v=None)
    of_three = values(bench.go())
    assert of_three[0] <= of_all[0] < 56.0
    bench.set(pack_v=None)
    assert {c.reason for c in bench.go()[0].contributions} == {Reason.CONFIGURED, Reason.RISING}


def test_the_weakest_bank_governs_by_its_share() -> None:
    """Two equal banks, one of which may take 20 A: the pack gets 40 A."""
    bench = open_bench(Builder(banks=2))
    assert bench.go()[1].value == 200.0
    bench.set(1, charge_permitted_a=20.0)
    charge = bench.go()[1]
    assert charge.value == pytest.approx(40.0)
    assert (charge.binding.reason, charge.binding.bank) == (Reason.PERMITTED_CURRENT, "bank2")


def test_a_lost_bank_leaves_the_rest_with_its_own_limits_and_never_with_looser_ones() -> None:
    """Neither when it goes, nor while it is away; when it returns the limits rise by their ramp."""
    bench = open_bench(Builder(banks=2))
    bench.active, bench.lost = [True, False], ["bank bank2"]
    assert bench.go()[1].value == 100.0
    bench.active, bench.lost = [True, True], []
    assert bench.go(1.0)[1].value == pytest.approx(110.0)

    bench = open_bench(Builder(banks=2))
    bench.set(1, charge_permitted=0.0, high_v=3.48)
    bench.go()
    bench.active, bench.lost = [True, False], ["bank bank2"]
    charge = bench.go(60.0)[1]
    assert charge.value == 0.0
    assert charge.binding.reason is Reason.NOT_PERMITTED  # it says so still
    bench.set(1, charge_permitted=None, high_v=None)
    charge = bench.go(60.0)[1]
    assert charge.value == 0.0
    assert charge.binding.reason is Reason.NOT_PERMITTED  # it did so last


def test_what_a_lost_bank_forbids_is_heeded_and_nothing_else_of_it() -> None:
    """It may still be joined to the others: no charge while one of its cells is too high, whatever else."""
    bench = open_bench(Builder(banks=2))
    bench.active, bench.lost = [True, False], ["bank bank2"]
    bench.set(1, charge_permitted_a=7.0)
    assert bench.go(60.0)[1].value == 100.0
    bench.set(1, high_v=3.60)
    _, charge, draw, _ = bench.go(60.0)
    assert (charge.value, draw.value) == (0.0, 120.0)
    assert charge.binding.bank == "bank2"


def test_several_losses_keep_the_tightest() -> None:
    """Another loss counts from the limits of its own moment; all must return."""
    bench = open_bench()
    bench.set(charge_permitted_a=50.0)
    bench.go()
    bench.set(charge_permitted_a=None)
    bench.lost = ["one"]
    assert bench.go(60.0)[1].value == 50.0
    bench.set(charge_permitted_a=12.0)
    bench.go()
    bench.set(charge_permitted_a=None)
    bench.lost = ["two"]
    assert bench.go(60.0)[1].value == pytest.approx(12.0)
    bench.lost = []
    assert bench.go(60.0)[1].value == 100.0


def test_what_was_missing_from_the_start_holds_nothing_back() -> None:
    """Limits of a start are zero, which is no measure of what was allowed."""
    bench = Bench(Builder(banks=2))
    bench.state, bench.active, bench.lost = State.STARTING, [True, False], ["bank bank2"]
    bench.go()
    bench.state = State.FOLLOWING
    assert bench.go(60.0)[1].value == 100.0


def test_wishes_of_the_person() -> None:
    """Inhibited both ways until they end; balancing holds charging if wished."""
    options = OPTIONS._replace(
        inhibit_charge=True, inhibit_charge_until_us=100 * SECOND, inhibit_discharge=True
    )
    bench = open_bench(Builder(options=options))
    _, charge, draw, _ = bench.go()
    assert (charge.value, charge.binding.reason) == (0.0, Reason.INHIBITED)
    assert (draw.value, draw.binding.reason) == (0.0, Reason.INHIBITED)
    assert bench.limits.wishes(100 * SECOND - 1) == (True, True)
    assert bench.limits.wishes(100 * SECOND) == (False, True)
    bench.go(60.0)
    assert values(bench.go(60.0))[1:3] == (100.0, 0.0)

    bench = open_bench(Builder(options=OPTIONS._replace(hold_while_balancing=True)))
    bench.set(balancing=1.0)
    assert bench.go()[1].binding.reason is Reason.BALANCING
    bench = open_bench()
    bench.set(balancing=1.0)
    assert bench.go()[1].value == 100.0


def test_where_several_forbid_a_current_the_gravest_is_told() -> None:
    """And a cell past its cut-off is an alarm, until it is well back."""
    bench = open_bench()
    assert bench.limits.alarms == []
    bench.set(high_v=3.66, low_v=3.3, charge_permitted=0.0, coldest_c=-30.0)
    charge = bench.go()[1]
    assert (charge.value, charge.binding.reason) == (0.0, Reason.CELL_CUT_OFF)
    (alarm,) = bench.limits.alarms
    assert alarm.startswith("bank bank1: a cell is past its cut-off, ")
    assert "not charged until the highest is back at" in alarm
    bench.set(high_v=3.3, low_v=3.3, charge_permitted=0.0, coldest_c=-30.0)
    assert bench.go()[1].binding.reason is Reason.TEMPERATURE_CUT_OFF
    assert bench.limits.alarms == []
    bench.set(charge_permitted=0.0, coldest_c=20.0)
    assert bench.go()[1].binding.reason is Reason.NOT_PERMITTED
    bench.set(high_v=3.3, low_v=2.45, charge_permitted=1.0, coldest_c=20.0)
    draw = bench.go()[2]
    assert (draw.value, draw.binding.reason) == (0.0, Reason.CELL_CUT_OFF)
    (alarm,) = bench.limits.alarms
    assert "not discharged until the lowest is back at" in alarm


def test_a_silent_inverter_may_want_zero() -> None:
    """At once, both ways; back by the ramp."""
    bench = open_bench()
    bench.silent = True
    _, charge, draw, _ = bench.go()
    assert (charge.value, draw.value) == (0.0, 0.0)
    assert charge.binding.reason is draw.binding.reason is Reason.INVERTER_SILENT
    bench.silent = False
    assert bench.go(1.0)[1].value == 10.0


def test_settled_limits_stay_as_they_are() -> None:
    """`settled` promises it: the engine does not ask again then."""
    bench = Bench()
    bench.go(1.0)
    before = bench.limits.settled(bench.t_us, bench.readings)
    settled = bench.go(60.0)
    assert (before, bench.limits.settled(bench.t_us + SECOND, bench.readings)) == (False, True)
    assert bench.go(9.0) == settled


def test_each_direction_has_its_own_reasons_and_shares() -> None:
    """Lowest cell for discharging; of two equal banks, the weaker governs there as well."""
    bench = open_bench(Builder(banks=2))
    bench.set(1, discharge_permitted_a=20.0)
    draw = bench.go()[2]
    assert draw.value == pytest.approx(40.0)
    assert draw.binding.bank == "bank2"
    assert {Reason.LOWEST_CELL, Reason.PERMITTED_CURRENT} <= {c.reason for c in draw.contributions}
    assert Reason.HIGHEST_CELL not in {c.reason for c in draw.contributions}


@pytest.mark.parametrize(
    "rising",
    [
        {"high_v": 3.5},
        {"low_v": 2.95},
        {"cells_v": [2.85, *[3.0] * 15], "low_v": 2.95},
        {"charge_permitted_a": 2.0},
        {"discharge_permitted_a": 2.0},
    ],
)
def test_limits_that_rise_are_not_settled(rising: dict[str, Any]) -> None:
    """Any of the four: the next second would find another value."""
    bench = open_bench()
    bench.set(**rising)
    bench.go()
    recover(bench, 6)
    bench.go(0.1)
    assert not bench.limits.settled(bench.t_us, bench.readings)


def test_banks_whose_shares_are_being_measured_are_not_settled() -> None:
    """While a current flows the shares go on; at rest they stand."""
    bench = open_bench(Builder(banks=2))
    bench.go(60.0)
    assert bench.limits.settled(bench.t_us, bench.readings)
    for bank in (0, 1):
        bench.set(bank, current_a=40.0)
    bench.go()
    assert not bench.limits.settled(bench.t_us, bench.readings)


def test_the_wish_not_to_discharge_ends_by_itself_too() -> None:
    """At its end, not before."""
    options = OPTIONS._replace(inhibit_discharge=True, inhibit_discharge_until_us=9 * SECOND)
    limits = Bench(Builder(options=options)).limits
    assert [limits.wishes(9 * SECOND - 1), limits.wishes(9 * SECOND)] == [(False, True), (False, False)]


def test_a_loss_caps_currents_and_floor_by_what_they_were_before() -> None:
    """A second loss takes the tighter of each; once all is back, a new loss counts from then."""
    bench = open_bench()
    low = [2.95, *[3.02] * 15]
    bench.set(charge_permitted_a=50.0, discharge_permitted_a=40.0, cells_v=low, low_v=2.95)
    first = values(bench.go())[1:]
    bench.readings, bench.lost = [GOOD], ["one"]
    assert values(bench.go(60.0))[1:] == first
    bench.set(charge_permitted_a=5.0)
    assert bench.go()[1].value == 5.0
    bench.readings = [GOOD]
    assert values(bench.go(60.0))[1:] == first
    lower = [2.94, *[3.01] * 15]
    bench.set(charge_permitted_a=45.0, discharge_permitted_a=30.0, cells_v=lower, low_v=2.94)
    second = values(bench.go())[1:]
    assert second[0] < first[0]
    bench.readings, bench.lost = [GOOD], ["one", "two"]
    assert values(bench.go(60.0))[1:] == second
    bench.lost = []
    recover(bench, 120)
    assert values(bench.go(60.0))[1:] == (100.0, 120.0, 46.4)
    bench.lost = ["one"]
    assert values(bench.go(60.0))[1:] == (100.0, 120.0, 46.4)


def test_the_last_word_before_a_loss_counts_in_whatever_state_it_was_heard() -> None:
    """Not the zero of a start, nor what a pack says when nothing binds, but what the bank had said."""
    for state in State:
        bench = open_bench()
        bench.state = state
        bench.set(charge_permitted_a=12.0)
        bench.go()
        bench.set(charge_permitted_a=None)
        bench.state, bench.lost = State.FOLLOWING, ["one"]
        assert bench.go(60.0)[1].value == pytest.approx(12.0), state


def test_one_bank_that_balances_is_enough_to_hold_and_none_is_not() -> None:
    """At zero."""
    bench = open_bench(Builder(banks=2, options=OPTIONS._replace(hold_while_balancing=True)))
    assert bench.go()[1].value == 200.0
    bench.set(1, balancing=1.0)
    assert bench.go()[1].value == 0.0


def test_a_limit_is_told_to_the_millionth() -> None:
    """No finer, no coarser."""
    bench = open_bench()
    bench.set(charge_permitted_a=12.34567891)
    assert bench.go()[1].value == 12.345679


def test_the_floor_is_held_with_its_reason_and_as_high_as_it_was() -> None:
    """In doubt it may rise and not fall; where nothing holds it, no reason is added."""
    bench = open_bench()
    bench.set(cells_v=[2.95, *[3.02] * 15], low_v=2.95)
    high_v = bench.go()[3].value
    bench.state = State.HOLDING
    recover(bench, 6)  # and the law lets go of what three readings contradict
    floor = bench.go()[3]
    assert (floor.value, floor.binding.reason) == (high_v, Reason.HELD)
    assert floor.binding in floor.contributions
    bench.set(cells_v=[2.92, *[3.02] * 15], low_v=2.92)
    assert bench.go()[3].value > high_v
    assert bench.go()[3].binding.reason is Reason.HEADROOM


def test_a_closed_limit_says_so_whatever_else_would_close_it() -> None:
    """The state comes first."""
    bench = open_bench()
    bench.set(charge_permitted=0.0)
    bench.state = State.SAFE
    assert bench.go()[1].binding.reason is Reason.NOT_TRUSTED


def test_the_floor_is_told_to_the_millionth() -> None:
    """No finer, no coarser."""
    bench = Bench(Builder(limits=pack_limits()._replace(discharge_floor_v=46.12345678)))
    bench.set(cells_v=None, pack_v=None)
    assert bench.go()[3].value == 46.123457


@pytest.mark.parametrize("banks", [1, 2])
def test_limits_are_settled_until_the_charge_law_of_any_bank_steps_next(banks: int) -> None:
    """The first bank near its target here; one that idles has no next step."""
    bench, cells_v = open_bench(Builder(banks=banks)), [3.46, *[3.41] * 15]
    for _ in range(60):
        bench.set(cells_v=list(cells_v), high_v=3.46, low_v=3.41, pack_v=sum(cells_v))
        bench.go(1.0)
    settled = [
        bench.limits.settled(bench.t_us + later_us, bench.readings)
        for later_us in (0, SECOND - 1, SECOND, 3 * SECOND)
    ]
    assert settled == [True, True, False, False]
    bench = open_bench(Builder(banks=banks))
    for _ in range(60):
        bench.readings = [GOOD._replace() for _ in range(banks)]
        bench.go(1.0)
    assert bench.limits.settled(bench.t_us + 9 * SECOND, bench.readings)


def test_both_currents_start_at_zero_and_close_to_zero() -> None:
    """Whatever is allowed; and at first there is nothing to warn of."""
    bench = Bench()
    assert values(bench.go(0.0))[1:3] == (0.0, 0.0)
    bench.go(60.0)
    bench.state = State.SAFE
    assert values(bench.go())[1:3] == (0.0, 0.0)
    assert bench.limits.warnings == []


def test_a_floor_that_still_falls_is_not_settled() -> None:
    """While nothing else moves: here the pack's own permission holds the current where it was."""
    bench = open_bench()
    bench.set(cells_v=[2.95, *[3.02] * 15], low_v=2.95, discharge_permitted_a=5.0)
    assert bench.go()[2].value == 5.0
    for _ in range(4):
        bench.set(cells_v=[3.3] * 16, low_v=3.3)
        limits = bench.go(1.0)
    assert limits[2].value == 5.0
    assert limits[3].value > 46.4
    assert not bench.limits.settled(bench.t_us, bench.readings)


def test_what_has_lapsed_releases_no_cut_off_either_way() -> None:
    """Charging after the cold, discharging after a low cell."""
    rows: list[tuple[dict[str, Any], dict[str, Any], int]] = [
        ({"coldest_c": -1.0}, {"coldest_c": 22.0}, 1),
        ({"low_v": 2.6}, {"low_v": 3.3}, 2),
    ]
    for tripped, back, which in rows:
        bench = open_bench()
        bench.set(**tripped)
        assert bench.go()[which].value == 0.0
        for _ in range(9):  # as long as a reading that was false is held against the pack
            bench.set(**back, lapsed="cell_voltage 3 of bank1")
            assert bench.go(1.0)[which].value == 0.0
        for _ in range(9):  # what is new must be so three times
            bench.set(lapsed=None)
            last = bench.go(1.0)[which]
        assert last.value > 0.0


def test_a_voltage_that_still_rises_is_not_settled() -> None:
    """After a rest, while nothing else moves."""
    bench = open_bench()
    bench.course = Now(volts=(Contribution(Reason.RESTED, 53.6, ""),))
    assert bench.go()[0].value == 53.6
    assert bench.limits.settled(bench.t_us, bench.readings)
    bench.course = IDLE
    assert 53.6 < bench.go(1.0)[0].value < 56.0
    assert not bench.limits.settled(bench.t_us, bench.readings)


def test_each_bank_is_told_its_part_of_the_limits_by_what_flows_in_those_that_count(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Now, in the direction of the limit; by its share the other way, and where a current is not known."""
    told: dict[type, list[float]] = {}

    def listen(law: type[BankCharge] | type[BankDraw]) -> None:
        told[law] = []
        monkeypatch.setattr(law, "contributions", lambda *given: told[law].append(given[-1]))

    listen(BankCharge)
    listen(BankDraw)
    bench = Bench(Builder(banks=3))
    bench.active = [True, True, False]
    limits = bench.go(60.0)

    def parts(*currents_a: float | None) -> list[list[float]]:
        """Of the charge and of the discharge current limit, for each bank that counts."""
        nonlocal limits
        sent_a = values(limits)[1:3]
        for bank, amps in enumerate(currents_a):
            bench.set(bank, current_a=amps)
        for row in told.values():
            row.clear()
        limits = bench.go(0.01)
        return [[part / whole for part in row] for row, whole in zip(told.values(), sent_a, strict=True)]

    even, uneven = pytest.approx([0.5, 0.5], abs=0.01), pytest.approx([0.5, 0.9], abs=0.01)
    assert parts(30.0, 30.0, 500.0) == [even, even]
    assert parts(10.0, 90.0, 500.0) == [uneven, even]
    assert parts(-10.0, -90.0, 500.0) == [even, uneven]
    bench.active = [True] * 3
    assert parts(10.0, 90.0, None) == [pytest.approx([0.5, 0.5, 1 / 3], abs=0.01)] * 2
