"""The bound, on worked cases, and how the limit follows it."""

import pytest

from bridge.core.charge import constants as k
from bridge.core.charge.bound import Limit, bound_a, margin_v
from bridge.core.charge.cells import Cells
from tests.core.charge.plant import settings

OHM = 0.084 / 100.0


def resting(*volts: float) -> Cells:
    """Cells of which the last reading was at rest."""
    cells = Cells(settings())
    cells.update(volts, 0.0, 1.0, unseen_s=1.5)
    return cells


def test_on_the_plateau_only_the_resistance_bounds() -> None:
    """I' = (goal - e) / (R (1 + G))."""
    cells = resting(3.30, 3.30, 3.30, 3.30)
    grows, _ = cells.slow_later(10.0)
    assert bound_a(cells, 3.4975, 10.0) == pytest.approx(0.1975 / (OHM * (1.0 + grows)))


def test_in_the_knee_the_charge_of_the_horizon_counts_too() -> None:
    """I' = (goal - e) / (R (1 + G) + curve (e - foot) th), of the worst cell."""
    cells = resting(3.30, 3.47, 3.30, 3.30)
    grows, _ = cells.slow_later(10.0)
    stands = OHM * (1.0 + grows) + (3.47 - k.FOOT_V) / (0.0097 * 3600.0 * 100.0) * 10.0
    assert bound_a(cells, 3.4975, 10.0) == pytest.approx(0.0275 / stands)
    assert bound_a(cells, 3.4975, 20.0) < bound_a(cells, 3.4975, 10.0)


def test_above_the_goal_the_bound_is_negative() -> None:
    """Where it says how much too high a cell is."""
    assert bound_a(resting(3.30, 3.50, 3.30, 3.30), 3.4975, 10.0) < 0.0


def test_the_bound_does_not_depend_on_what_flows_now() -> None:
    """A cell of known resistance shows more under a current, and rests where it did."""
    quiet, loud = resting(3.44, 3.3, 3.3, 3.3), Cells(settings())
    loud.update([3.44, 3.3, 3.3, 3.3], 0.0, 1.0, unseen_s=1.5)
    loud.update([round(v + OHM * 12.0, 4) for v in (3.44, 3.3, 3.3, 3.3)], 12.0, 0.01, unseen_s=0.0)
    assert bound_a(loud, 3.4975, 8.0) == pytest.approx(bound_a(quiet, 3.4975, 8.0), rel=0.06)


def test_the_margin_grows_with_a_coarse_step_and_where_only_extremes_are_known() -> None:
    """The error of the sensor is in it always."""
    cells, facts = resting(3.301, 3.302, 3.303, 3.307), settings()
    assert margin_v(facts, cells) == pytest.approx(0.0025)
    assert margin_v(facts, resting(3.301, 3.307)) == pytest.approx(0.0025 + k.EXTREMES_V)
    assert margin_v(facts, resting(3.31, 3.32, 3.33, 3.30)) == pytest.approx(0.0034)


def test_the_limit_falls_at_once_and_rises_by_the_ramp() -> None:
    """And never above the most, or below nothing."""
    limit = Limit(settings())
    assert limit.follow(10.0, 10.0, 10.0, 1.0) == 10.0
    assert limit.follow(30.0, 30.0, 10.0, 1.0) == pytest.approx(10.8)
    assert limit.follow(30.0, 30.0, 10.0, 2.0) == pytest.approx(12.4)
    assert limit.follow(-5.0, -5.0, 10.0, 1.0) == 0.0
    for _ in range(100):
        limit.follow(99.0, 99.0, 30.0, 1.0)
    assert limit.exact_a == 40.0


def test_a_rise_leads_no_further_than_to_what_lasts() -> None:
    """What may flow now, and not in a while, is no reason for a rise."""
    limit = Limit(settings())
    limit.follow(10.0, 10.0, 10.0, 1.0)
    for _ in range(60):
        limit.follow(30.0, 20.0, 10.0, 1.0)
    assert 19.9 < limit.exact_a <= 20.0


def test_a_rise_that_is_not_worth_it_is_a_creep_which_is_faster_where_nothing_flows() -> None:
    """This frees a charger that gives nothing below a minimum."""
    flows, stands = Limit(settings()), Limit(settings())
    for limit, amps in ((flows, 10.0), (stands, 0.0)):
        limit.follow(10.0, 10.0, amps, 1.0)
        for _ in range(66):
            limit.follow(11.58, 11.58, amps, 1.0)
    assert flows.exact_a == pytest.approx(10.0 + 66 * k.CREEP_PER_S * 40.0)
    assert flows.exact_a < stands.exact_a <= 11.58


def test_a_creep_keeps_still_close_under_the_bound() -> None:
    """So it does not turn with every reading."""
    limit = Limit(settings())
    limit.follow(10.0, 10.0, 10.0, 1.0)
    assert limit.follow(10.02, 10.02, 10.0, 1.0) == 10.0


def test_after_a_rise_that_did_not_last_the_next_must_be_worth_twice_as_much() -> None:
    """Up to a bound; back to the usual once the limit is at the most."""
    limit = Limit(settings())

    def rises(to_a: float) -> bool:
        """From 10 A; half of the gain is gone again afterwards."""
        before = limit.follow(10.0, 10.0, 10.0, 1.0)
        limit.follow(to_a, to_a, 10.0, 1.0)
        risen = limit.exact_a > before + 0.5
        limit.follow(10.0, 10.0, 10.0, 1.0)
        return risen

    assert rises(12.0)
    assert not rises(12.0)
    assert rises(14.0)
    assert not rises(14.0)
    assert rises(17.0)
    assert rises(17.0)
    for _ in range(100 + int(k.LASTS_S)):
        limit.follow(99.0, 99.0, 30.0, 1.0)
    assert rises(12.0)


def test_a_rise_that_lasts_is_worth_as_much_as_the_next() -> None:
    """A fall much later is no fault of it."""
    limit = Limit(settings())
    limit.follow(10.0, 10.0, 10.0, 1.0)
    for _ in range(5):
        limit.follow(13.0, 13.0, 10.0, 1.0)
    for _ in range(int(k.LASTS_S)):
        limit.follow(13.0, 13.0, 10.0, 1.0)
    limit.follow(9.0, 9.0, 9.0, 1.0)
    before = limit.exact_a
    limit.follow(11.0, 11.0, 9.0, 1.0)
    assert limit.exact_a == pytest.approx(before + 0.8)


def test_where_a_load_keeps_the_current_down_the_limit_does_not_rise_for_it() -> None:
    """It would have to be taken back when the load goes; a wide bound is reason enough."""
    limit = Limit(settings())
    limit.follow(4.0, 4.0, 4.0, 1.0)
    for _ in range(30):
        limit.follow(15.0, 15.0, -20.0, 1.0)
    assert limit.exact_a < 4.7
    limit.follow(25.0, 25.0, -20.0, 1.0)
    assert limit.exact_a > 5.0
    before = limit.exact_a
    limit.follow(15.0, 15.0, -20.0, 1.0)
    assert limit.exact_a < before + 0.1


def test_where_nothing_flows_for_a_minute_the_limit_rises_to_its_bound() -> None:
    """A charger that gives nothing below a minimum is let on again."""
    limit = Limit(settings())
    limit.follow(2.0, 2.0, 2.0, 1.0)
    for _ in range(int(k.NOTHING_S) + 30):
        limit.follow(15.0, 15.0, 0.0, 1.0)
    assert limit.exact_a == pytest.approx(15.0)
