"""The experiments that follow the charger's offset once it is known, and before it is sought."""

from typing import Any

import pytest

from tests.core.limits.test_charge_seek import Site, verified


def test_a_known_offset_follows_upward_while_the_voltage_holds_the_current() -> None:
    """A tenth of the gap; not while the current limit is felt, or the voltage has not stood for long."""
    for amps, steady_s, offset_v in (
        (50.0, 8.0, 0.104),
        (50.0, 7.9, 0.1),
        (138.0, 8.0, 0.104),
        (138.1, 8.0, 0.1),
    ):
        site = verified(0.1, amps)
        site.seen_v, site.steady_s = 0.14, steady_s
        assert site.go(amps).offset.known[0] == pytest.approx(offset_v)


def probing(site: Site | None = None, **changes: Any) -> bool:
    """Whether a step up is tried within 61 s of 50 A."""
    site = site or verified()
    for _ in range(61):
        site.go(50.0, **changes)
    return site.seek.held_v is not None


def test_a_step_up_is_tried_when_current_is_lacking() -> None:
    """By 0.012C and its sensor's error, 4.36 A; with room, a string that stands 50 mV lower, after 60 s."""
    site = verified()
    site.go(50.0, 60)
    assert (site.seek.held_v, site.offset_v) == (None, 0.1)
    site.go(50.0)
    assert site.seek.held_v == pytest.approx(54.5 + 0.115)
    assert site.seek.offset.known == pytest.approx((0.2, 50.0))
    assert (probing(wanted_a=54.4), probing(wanted_a=54.3)) == (True, False)
    assert (probing(spare_v=0.0101), probing(spare_v=0.01)) == (True, False)
    for seen_v, far in ((0.157, True), (0.155, False)):  # of which a tenth is followed first
        low = verified()
        low.seen_v, low.steady_s = seen_v, 0.0
        low.go(50.0, 61)
        low.steady_s = 99.0
        assert (low.go(50.0).held_v is not None) is far


def test_before_the_search_a_step_is_tried_in_the_knee_from_50_mv_below() -> None:
    """A current too small for the search is all there may be."""
    for high_v, seen_v, tried in ((3.45, -0.04, True), (3.45, -0.06, True), (3.40, 1.0, False)):
        site = Site()
        site.seen_v = seen_v
        site.go(10.0, 61, high_v=high_v)
        assert (site.seek.held_v is not None) is tried


def held(site: Site) -> bool:
    """Whether a step up is being tried."""
    return site.seek.held_v is not None


def test_an_answer_before_the_search_verifies_the_offset() -> None:
    """As what is seen then."""
    site = Site()
    site.go(10.0, 61)
    site.seen_v = 0.3
    site.go(16.0, 9)
    assert site.seek.offset.verified
    assert site.seek.known == pytest.approx((0.3, 16.0))


def tried() -> Site:
    """A step up has just begun."""
    site = verified()
    assert probing(site)
    return site


def test_a_step_that_is_answered_is_the_offset() -> None:
    """By more than 5 A within 9 s; the next may come after 60 s."""
    site = tried()
    site.seen_v = 0.17
    site.go(55.1, 8)
    assert site.offset_v == pytest.approx(0.17)
    assert held(site)
    site.seek.offset.put(0.2, 55.1)
    site.go(55.1)
    assert not held(site)
    assert site.seek.offset.known == pytest.approx((0.17, 55.1))
    site.seen_v = 2.0
    site.go(55.1, 60, wanted_a=70.0)
    assert not held(site)
    assert site.go(55.1, wanted_a=70.0).held_v is not None


def test_a_step_that_is_not_answered_is_taken_back() -> None:
    """And the next waits twice as long, up to 15 min; an answer ends that."""
    site = tried()
    site.go(54.9, 8)
    assert held(site)
    site.go(54.9)
    assert not held(site)
    assert site.seek.offset.known == pytest.approx((0.1, 50.0))
    for pause in (120, 240, 480, 900, 900):
        site.go(50.0, pause)
        assert not held(site)
        site.go(50.0)
        assert held(site)
        site.go(50.0, 9)
        assert not held(site)
    site.go(50.0, 901)
    site.go(56.0, 9)
    site.go(56.0, 60, wanted_a=70.0)
    assert not held(site)
    assert site.go(56.0, wanted_a=70.0).held_v is not None


def test_a_step_is_not_held_when_no_more_is_wanted() -> None:
    """The trial itself goes on, and answers or is taken back."""
    site = tried()
    assert site.go(50.0, wanted_a=50.1).held_v is not None
    assert site.go(50.0, wanted_a=50.0).held_v is None
    assert site.offset_v == pytest.approx(0.2)
    site.go(50.0, 7)
    assert site.offset_v == pytest.approx(0.1)


def test_a_pack_that_is_drawn_from_ends_a_trial() -> None:
    """By more than 2.4 A; what is drawn otherwise tells nothing."""
    site = tried()
    assert site.go(-2.3).held_v is not None
    assert site.go(-2.5).held_v is None
    assert site.seek.offset.known == pytest.approx((0.1, 50.0))
    site.go(50.0, 119)
    assert not held(site)
    assert site.go(50.0, 2).held_v is not None
    site = Site()
    site.seek.offset.put(0.3, 0.0)
    assert site.go(-50.0, 99).offset.known == (0.3, 0.0)
