"""Deeply discharged cells: charged gently, and once they were too low not at all."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.bounds.current import CurrentLaw, cut_offs
from bridge.core.plan.curve import Curve
from bridge.core.plan.plan import Deep
from bridge.core.plan.reasons import Contribution, Reason
from tests.core.limits.test_compose import Bench, open_bench
from tests.core.plans import CHARGE, DRAW, Builder

DEEP = Deep(Curve([2.5, 2.7], [0.14, 1.0]), lost_v=2.0, release_v=2.9)
SIDE = CHARGE._replace(deep=DEEP)


def bounds(law: CurrentLaw, lowest_v: float | None, **wanted: Any) -> dict[Reason, float]:
    """Bounds by reason, of a bank whose other readings are easy."""
    found: list[Contribution] = law.bounds(3.3, 20.0, 20.0, None, None, None, lowest_v=lowest_v, **wanted)
    assert {contribution.bank for contribution in found} == {"shelf"}
    return {contribution.reason: contribution.value for contribution in found}


def charging() -> CurrentLaw:
    """The law of a charging bank of 100 A."""
    return CurrentLaw("shelf", SIDE, charging=True)


@pytest.mark.parametrize(
    ("lowest_v", "amps"), [(2.01, 14.0), (2.05, 14.0), (2.5, 14.0), (2.6, 57.0), (2.699, 99.57)]
)
def test_a_deeply_discharged_cell_is_charged_gently(lowest_v: float, amps: float) -> None:
    """A trickle below the floor of its chemistry, then more, in a straight line."""
    found = bounds(charging(), lowest_v)
    assert found[Reason.DEEPLY_DISCHARGED] == pytest.approx(amps)
    assert Reason.CELL_LOST not in found


@pytest.mark.parametrize("lowest_v", [2.7, 2.9, 3.3, 3.6, None])
def test_a_cell_that_is_not_bounds_nothing(lowest_v: float | None) -> None:
    """Nor does one that is not known."""
    assert not bounds(charging(), lowest_v).keys() & {Reason.DEEPLY_DISCHARGED, Reason.CELL_LOST}


def test_a_lost_cell_is_not_charged_until_it_stands_far_above() -> None:
    """What it recovers to by itself, a little above, is not enough; what is left of the readings neither."""
    law = charging()
    assert law.alarms == []
    for lowest_v in (2.0, 1.2, 2.1, 2.6, 2.899):
        assert bounds(law, lowest_v)[Reason.CELL_LOST] == 0.0
    assert Reason.CELL_LOST in bounds(law, 3.2, whole=False)
    assert law.tripped == {"shelf charge lost"}
    assert law.alarms == [
        "bank shelf: a cell was at or below 2 V, where its makers call it lost; "
        "not charged until the lowest stands at 2.9 V again"
    ]
    assert Reason.CELL_LOST not in bounds(law, 2.9)
    assert law.tripped == frozenset()
    assert law.alarms == []


def test_a_lost_cell_is_lost_after_a_restart_too() -> None:
    """The name of the trip is one of those that are kept."""
    law = charging()
    law.trip({"shelf charge lost"})
    assert bounds(law, 2.6)[Reason.CELL_LOST] == 0.0
    assert "bank1 charge lost" in cut_offs(Builder().plan().banks[0])


def test_drawing_and_profiles_without_the_rule_know_no_lost_cell() -> None:
    """Discharging ends at its own cut-off, long before."""
    for law in (
        CurrentLaw("shelf", DRAW._replace(deep=DEEP), charging=False),
        CurrentLaw("shelf", CHARGE, charging=True),
    ):
        law.trip({"shelf charge lost", "shelf discharge lost"})
        assert "shelf discharge lost" not in law.tripped
        assert Reason.CELL_LOST not in bounds(law, 1.0)
        assert law.alarms == []


@given(st.lists(st.floats(0.5, 4.0), min_size=1, max_size=20))
def test_never_more_than_the_trickle_below_the_floor_and_nothing_after_the_loss(lows: list[float]) -> None:
    """In any order of readings: the rule, told once more in other words."""
    law, lost = charging(), False
    for lowest_v in lows:
        lost = lowest_v <= 2.0 or (lost and lowest_v < 2.9)
        least = min(bounds(law, lowest_v).values())
        assert least <= (0.0 if lost else 14.0 if lowest_v <= 2.5 else 100.0) + 1e-9
        assert lost or least >= 14.0


def deep_bench() -> Bench:
    """A pack with the rule, all ramps up."""
    builder = Builder()
    builder.charge = SIDE
    return open_bench(builder)


def test_the_pack_is_charged_by_its_lowest_cell_or_by_what_that_is_at_most() -> None:
    """At once; where only the pack's voltage is known, the lowest cell is no higher than their mean."""
    for low_v, pack_v, amps, reason in (
        (2.05, 52.0, 14.0, Reason.DEEPLY_DISCHARGED),
        (1.95, 52.0, 0.0, Reason.CELL_LOST),
        (None, 16 * 2.4, 14.0, Reason.DEEPLY_DISCHARGED),
        (None, 16 * 1.9, 0.0, Reason.CELL_LOST),
        (2.8, 16 * 2.4, 100.0, None),
    ):
        bench = deep_bench()
        bench.set(low_v=low_v, pack_v=pack_v, cells_v=None)
        charge = bench.go()[1]
        assert charge.value == pytest.approx(amps)
        assert reason is None or charge.binding.reason is reason
        assert bool([one for one in bench.limits.alarms if "lost" in one]) is (amps == 0.0)


def test_a_pack_of_which_no_voltage_is_known_is_not_bound_by_this() -> None:
    """The fail-safe state bounds it."""
    bench = deep_bench()
    bench.set(low_v=None, high_v=None, pack_v=None, cells_v=None)
    assert not [c for c in bench.go()[1].contributions if c.reason is Reason.DEEPLY_DISCHARGED]
