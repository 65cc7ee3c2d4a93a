"""How the voltage comes down in the search for the charger's offset; and beside a limit that is obeyed."""

import pytest

from bridge.core.charging.charge_offset import CABLE_V
from bridge.core.charging.charge_seek import STEP_V, Seek, Stage
from tests.core.limits.test_charge_seek import Site, trying


def descending() -> Site:
    """The search has begun, half a volt above a string of 54 V; more is wanted than the 100 A that flow."""
    site = Site()
    site.facts["wanted_a"] = 200.0
    assert site.go(100.0).down_v == 54.5
    return site


def test_while_the_voltage_comes_down_it_follows_the_string_upward_only() -> None:
    """Its own step makes the string sink; to follow that would be another step."""
    site = descending()
    for string_v, down_v in ((53.9, 54.5), (54.02, 54.52), (54.0, 54.52), (54.03, 54.53), (53.0, 54.53)):
        assert site.go(100.0, string_v=string_v).down_v == pytest.approx(down_v)


@pytest.mark.parametrize(("string_v", "down_v"), [(53.9, 54.4), (54.0, 54.4), (54.03, 54.43)])
def test_what_has_settled_is_lowered_by_no_more_than_a_step(string_v: float, down_v: float) -> None:
    """Below what was sent, 54.5 V, wherever the string has sunk to; by less where that has risen."""
    site = descending()
    site.go(100.0, 7)
    assert site.go(100.0, string_v=string_v).down_v == pytest.approx(down_v)
    assert site.offset_v == pytest.approx(0.5 - STEP_V)


@pytest.mark.parametrize(
    ("lag_s", "unseen_s", "settled_s"), [(None, 2.0, 8), (None, 4.0, 10), (1.5, 2.0, 5), (4.0, 3.0, 11)]
)
def test_a_step_has_settled_after_twice_the_chargers_own_lag(
    lag_s: float | None, unseen_s: float, settled_s: int
) -> None:
    """Once that is known, else twice the slowest, 3 s; and the age of what is seen. The first position not
    before 8 s, what any change takes: a trial of the current limit may have ended just before."""
    site = descending()
    site.facts["unseen_s"] = unseen_s
    site.charger.lag_s = lag_s
    first_s = max(settled_s, 8)
    assert site.go(100.0, first_s - 1).offset.known == (0.5, 100.0)
    assert site.go(100.0).offset.known == pytest.approx((0.4, 100.0))
    assert site.go(100.0, settled_s - 1).offset.known == pytest.approx((0.4, 100.0))
    assert site.go(100.0).offset.known == pytest.approx((0.3, 100.0))


def test_after_a_trial_that_a_load_has_ended_the_first_position_settles_anew() -> None:
    """8 s after the last reading of the trial, the one with the load counted."""
    site = trying()
    site.go(100.0, 9)
    assert not site.go(-50.0).tries
    assert site.go(100.0, 6).offset.known == (0.5, 100.0)
    assert site.go(100.0).offset.known == pytest.approx((0.4, 100.0))


def test_what_was_before_the_trial_of_the_current_limit_counts_no_more() -> None:
    """The voltage comes down from where the string stands then, and the current must give way from there."""
    site = trying()
    site.go(100.0, 40)
    site.seen_v = 0.7
    seek = site.go(95.0, string_v=53.9)
    assert not seek.tries
    assert seek.down_v == pytest.approx(53.9 + seek.offset.at(95.0))
    assert site.go(95.0 * 0.97, string_v=53.9).stage is Stage.DOWN


def obeyed(steps: int = 9) -> Site:
    """A charger that obeys its current limit of 140 A, and gives 100 A by itself, into a string of 54 V;
    after a first step down 54.4 V are sent."""
    site = Site()
    site.charger.obeys = True
    site.facts["wanted_a"] = 200.0
    site.go(100.0, steps)
    site.sent_v, site.seen_v = 54.4, 0.4
    return site


TOP_A = 100.0 * 0.998**2
"""The highest current, faded by two readings."""


def given_way(steps: int = 9) -> Site:
    """Two readings show 90 A, and the string as much lower as R makes of what is lost."""
    site = obeyed(steps)
    site.go(90.0, 2, string_v=54.0 - 0.005 * (TOP_A - 90.0))
    return site


@pytest.mark.parametrize(("steps", "stage"), [(7, Stage.SETTLING), (9, Stage.BACK_UP)])
@pytest.mark.parametrize("blur_a", [0.0, 1.0, 2.0])
def test_a_hundredth_of_the_capacity_is_enough_whatever_the_error_of_the_current(
    blur_a: float, steps: int, stage: Stage
) -> None:
    """2.8 A. At the first position they must settle: nothing is known yet of where b lies."""
    for more_a, found in ((-0.1, Stage.DOWN), (0.1, stage)):
        site = obeyed(steps)
        site.facts["blur_a"] = blur_a
        assert site.go(TOP_A - 2.8 - more_a, 2).stage is found


def test_the_share_counts_where_the_limit_is_not_known_to_be_obeyed() -> None:
    """4 %, 4 A: what held the current may have been anything."""
    for obeys in (True, False):
        for amps, falls in ((96.7, obeys), (95.5, True)):
            site = obeyed()
            site.charger.obeys = obeys
            assert (site.go(amps, 2).stage is not Stage.DOWN) is falls


def test_a_fall_counts_when_two_readings_in_a_row_show_it() -> None:
    """Where none has to settle, one that is wrong would be enough."""
    site = obeyed()
    for amps in (90.0, 100.0, 90.0, 100.0, 90.0):
        assert site.go(amps).stage is Stage.DOWN
    assert site.go(90.0).stage is Stage.BACK_UP
    site = obeyed()
    site.charger.least_a = 90.0
    assert site.go(90.0).stage is Stage.DOWN  # it is held by its limit
    site.charger.least_a = 140.0
    assert site.go(90.0, 3).stage is Stage.DOWN  # and has not given way since
    assert site.go(80.0).stage is Stage.DOWN
    assert site.go(80.0).stage is Stage.BACK_UP


def test_what_an_obeyed_limit_has_taken_is_no_part_of_a_fall() -> None:
    """Of 100 A it leaves 60, and the voltage 50 of them: b is what was sent above the string at those 60 A,
    faded by two readings. A limit that is passed by takes nothing."""
    site = obeyed()
    site.charger.least_a = 60.0
    assert site.go(60.0, 2).stage is Stage.DOWN
    string_v = 53.8
    assert site.go(50.0, 2, string_v=string_v).stage is Stage.BACK_UP
    before_v = string_v + 0.005 * (60.0 * 0.998**2 - 50.0)
    assert site.seek.offset.known == pytest.approx((54.4 + 0.8 * STEP_V - before_v, 60.0 * 0.998**2))

    site = descending()
    site.charger.least_a, site.charger.unfelt = 60.0, True
    site.go(100.0)
    assert site.go(90.0).stage is Stage.SETTLING


@pytest.mark.parametrize("obeys", [True, False])
def test_a_search_that_is_given_up_beside_an_obeyed_limit_leaves_the_offset_high(obeys: bool) -> None:
    """It does no harm there, and would hold the current back if it were taken for less than it is."""
    site = obeyed()
    site.charger.obeys, site.charger.least_a = obeys, 20.0
    assert site.go(20.0).stage is Stage.WAITING
    assert site.offset_v == pytest.approx(0.4 if obeys else 0.0)


@pytest.mark.parametrize(("steps", "amps"), [(16, 90.0), (9, 20.0)])
def test_what_one_reading_shows_ends_no_step_and_no_search(steps: int, amps: float) -> None:
    """Just when the step has settled, 8 s after it; or below the 22.4 A that a search needs."""
    site = obeyed(steps)
    site.seen_v = 0.6
    before = site.seek.offset.known
    assert site.go(amps).stage is Stage.DOWN
    assert site.seek.offset.known == before
    assert site.go(amps).stage is Stage.BACK_UP


def test_between_two_steps_the_offset_is_found_without_waiting() -> None:
    """At the current before, of a string that stood higher by R times what is lost; the voltage goes up by
    more than three steps."""
    site = given_way()
    assert site.seek.stage is Stage.BACK_UP
    assert site.seek.offset.known == pytest.approx((54.4 + 0.8 * STEP_V - 54.0, TOP_A))
    assert site.seek.held_v == pytest.approx(54.4 + 3.15 * STEP_V)


def returned(site: Site, *amps: float) -> Seek:
    """The current has given way; what is seen while the step up settles, the last until it has."""
    site.sent_v, site.seen_v = 54.7, 0.7
    for one_a in amps[:-1]:
        site.go(one_a)
    assert site.go(amps[-1], 8 - len(amps)).stage is Stage.BACK_UP
    return site.go(amps[-1])


@pytest.mark.parametrize(
    ("amps", "verified"),
    [
        ((90.0, 91.6), True),
        ((90.0, 91.4), False),
        ((95.0, 80.0, 83.1), True),
        ((95.0, 80.0, 82.9), False),
        ((80.0, 104.9), True),
        ((80.0, 105.1), False),
    ],
)
def test_the_lowest_that_was_seen_is_what_it_fell_to(amps: tuple[float, ...], verified: bool) -> None:
    """Nobody waited for that. 15 % of 9.6 A lost must come back, or of the 20 A that a step is worth; at most
    1.25 times the latter."""
    site = given_way()
    before = site.seek.offset.known
    seek = returned(site, *amps)
    assert seek.held_v is None
    assert (seek.stage is Stage.DONE, seek.offset.verified) == (verified, verified)
    if verified:
        assert seek.known == before == pytest.approx((0.48, TOP_A))


def test_what_has_settled_is_what_it_fell_to() -> None:
    """Where the current limit is not known to be obeyed: a current that falls further is the sun's."""
    for back_a, found in ((62.9, False), (63.1, True)):
        site = Site()
        site.go(100.0, 9)
        site.seen_v = 0.2
        site.go(60.0, 9)
        assert site.seek.stage is Stage.BACK_UP
        site.go(50.0)
        assert site.go(back_a, 7).offset.verified is found


def test_obeyed_too_what_may_be_the_sun_must_come_back_again() -> None:
    """The search goes on a step below what was found; what came back the second time may be as much."""
    site = given_way()
    found_v, found_a = site.seek.offset.known
    seek = returned(site, 80.0, 106.0)
    assert (seek.stage, seek.offset.verified) == (Stage.DOWN, False)
    assert seek.offset.known == pytest.approx((found_v - STEP_V, 106.0))
    assert found_a < 106.0
    assert seek.down_v == pytest.approx(54.0 + found_v - STEP_V)
    assert site.go(90.0, 2).stage is Stage.BACK_UP
    assert returned(site, 80.0, 106.0).offset.verified


def test_obeyed_too_a_cloud_is_followed_by_the_search() -> None:
    """It goes on from where the string stands under it, and from the offset it was at, for the current there
    is: what was taken from between two steps was the sun's. What was seen fall before counts no more."""
    site = given_way()
    under_v = site.facts["string_v"] = 53.95
    seek = returned(site, 90.0)
    sought_v = 0.5 - STEP_V - CABLE_V / 280.0 * (100.0 - 90.0)
    assert seek.stage is Stage.DOWN
    assert seek.offset.known == pytest.approx((sought_v, 90.0))
    assert seek.down_v == pytest.approx(under_v + sought_v)
    assert site.go(80.0).stage is Stage.DOWN
    assert site.go(80.0).stage is Stage.BACK_UP


def test_what_has_settled_is_sought_from_when_it_was_the_sun() -> None:
    """At the first position: what was seen then, whatever is seen since."""
    site = obeyed(7)
    site.go(90.0, 2)
    site.seen_v = 0.35
    assert site.go(90.0, 8).stage is Stage.BACK_UP
    site.sent_v, site.seen_v = 54.6, 0.6
    assert site.go(90.0, 8).stage is Stage.DOWN
    assert site.seek.offset.known == pytest.approx((0.35, 90.0))
