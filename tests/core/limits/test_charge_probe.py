"""The experiments that follow the charger's offset once it is known, and before it is sought."""

from typing import Any

import pytest

from tests.core.limits.test_charge_seek import Site, verified


def test_a_known_offset_follows_upward_while_the_voltage_holds_the_current() -> None:
    """A tenth of the gap; not while the current limit is felt, or the voltage has not stood for long."""
    for amps, steady_s, unfelt, offset_v in (
        (50.0, 8.0, False, 0.104),
        (50.0, 7.9, False, 0.1),
        (98.0, 8.0, False, 0.104),
        (98.1, 8.0, False, 0.1),
        (138.0, 8.0, True, 0.104),
        (138.1, 8.0, True, 0.1),
    ):
        site = verified(0.1, amps)
        site.charger.least_a, site.charger.unfelt = 100.0, unfelt
        site.seen_v, site.steady_s = 0.14, steady_s
        assert site.go(amps).offset.known[0] == pytest.approx(offset_v)


def held(site: Site) -> bool:
    """Whether a step up is being tried."""
    return site.seek.held_v is not None


def lacking() -> Site:
    """A charger that has answered, asked for more than it gives by far more than a step is worth, 20 A."""
    site = verified()
    site.facts["wanted_a"] = 100.0
    return site


def probing(**changes: Any) -> bool:
    """Whether a step up is tried within 61 s of 50 A."""
    site = lacking()
    site.charger.obeys = changes.pop("obeys", False)
    site.go(50.0, 61, **changes)
    return held(site)


def test_a_step_up_is_tried_when_current_is_lacking() -> None:
    """With room, a string that stands 50 mV lower, after 60 s."""
    site = lacking()
    site.go(50.0, 60)
    assert (site.seek.held_v, site.offset_v) == (None, 0.1)
    site.go(50.0)
    assert site.seek.held_v == pytest.approx(54.5 + 0.115)
    assert site.seek.offset.known == pytest.approx((0.2, 50.0))
    assert (probing(spare_v=0.0101), probing(spare_v=0.01)) == (True, False)
    for seen_v, far in ((0.157, True), (0.155, False)):  # of which a tenth is followed first
        low = lacking()
        low.seen_v, low.steady_s = seen_v, 0.0
        low.go(50.0, 61)
        low.steady_s = 99.0
        assert not held(low)
        low.go(50.0)
        assert held(low) is far


def test_while_the_current_is_under_test_no_step_up_is_tried() -> None:
    """Each would take what the other makes of the current for its own answer."""
    site = lacking()
    site.charger.obeys, site.charger.test_a = True, 49.0
    site.go(50.0, 61)
    assert not held(site)
    site.charger.leave()
    site.go(50.0)
    assert held(site)


def test_above_all_that_is_learnt_it_is_the_source_that_limits() -> None:
    """An offset is at most 0.7 V: a string that stands lower yet is not held by the voltage."""
    for seen_v, tries in ((0.69, True), (0.71, False)):
        site = lacking()
        site.seen_v = seen_v
        site.go(50.0, 61)
        assert held(site) is tries


@pytest.mark.parametrize(
    ("facts", "least_a"),
    [
        ({}, 50.0 + 20.0 + 1.0),
        ({"blur_a": 3.0}, 50.0 + 20.0 + 3.0),
        ({"string_ohm": 0.01}, 50.0 + 10.0 + 1.0),
        ({"string_ohm": 0.1}, 50.0 + 3.36 + 1.0),
        ({"obeys": True}, 50.0 + 3.36 + 1.0),
    ],
)
def test_what_is_lacking_is_more_than_what_would_be_taken_back(facts: dict[str, Any], least_a: float) -> None:
    """By what a step gives, besides the error of the current; 0.012C where the current limit takes it."""
    assert not probing(wanted_a=least_a - 0.1, **facts)
    assert probing(wanted_a=least_a + 0.1, **facts)


@pytest.mark.parametrize(
    ("moved_a", "blur_a", "moves"),
    [(4.3, 1.0, False), (4.4, 1.0, True), (-4.3, 1.0, False), (-4.4, 1.0, True), (4.4, 2.0, False)],
)
def test_a_step_up_is_not_tried_while_the_current_moves(moved_a: float, blur_a: float, moves: bool) -> None:
    """What moves by itself, by 0.012C and the error of the current, answers nothing: 8 s since it stands."""
    for waited, ready in ((54, not moves), (53, True)):
        site = lacking()
        site.go(50.0, waited - 1, blur_a=blur_a)
        site.go(50.0 + moved_a, 61 - waited + 1, blur_a=blur_a)
        assert held(site) is ready


def test_a_current_that_creeps_away_moves_too() -> None:
    """It is compared with where it stood, not with the last; time counts by new readings."""
    site = lacking()
    for n in range(70):
        site.go(50.0 + 0.6 * n, wanted_a=200.0)
    assert not held(site)
    site.go(100.0, wanted_a=200.0)
    site.go(100.0, 3, wanted_a=200.0, elapsed_s=2.0)
    assert not held(site)
    site.go(100.0, wanted_a=200.0, elapsed_s=2.0)
    assert held(site)


def test_before_the_search_a_step_is_tried_in_the_knee_from_50_mv_below() -> None:
    """A current too small for the search is all there may be."""
    for high_v, seen_v, tried in ((3.45, -0.04, True), (3.45, -0.06, True), (3.40, 0.6, False)):
        site = Site()
        site.seen_v = seen_v
        site.go(10.0, 61, high_v=high_v)
        assert held(site) is tried


def test_while_the_search_goes_on_no_step_is_tried() -> None:
    """Nor once it has found that the voltage limit is ignored."""
    site = Site()
    while not site.seek.voltage_ignored:
        assert site.go(50.0, wanted_a=100.0).held_v is None
    assert site.go(50.0, 99, wanted_a=100.0).held_v is None


def test_an_answer_before_the_search_verifies_the_offset() -> None:
    """As one step, or what is seen then, if that is less."""
    for seen_v, found_v in ((0.3, 0.1), (0.07, 0.07)):
        site = Site()
        site.go(10.0, 61)
        site.seen_v = seen_v
        site.go(16.0, 9)
        assert site.seek.offset.verified
        assert site.seek.known == pytest.approx((found_v, 16.0))


def tried() -> Site:
    """A step up has just begun."""
    site = lacking()
    site.go(50.0, 61)
    assert held(site)
    return site


def test_a_step_that_is_answered_is_the_offset() -> None:
    """However much lower the string stands, as one that heeds its current limit is; one step is taken at a
    time, so the next may come once the current stands level."""
    site = tried()
    site.go(55.1, 8)
    assert held(site)
    site.go(55.1)
    assert not held(site)
    assert site.seek.offset.known == pytest.approx((0.2, 55.1))
    site.go(55.1, 8)
    assert not held(site)
    site.go(55.1)
    assert held(site)
    assert site.offset_v == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("answer_a", "ohm", "answers"),
    [
        (4.9, 0.005, False),
        (5.1, 0.005, True),
        (31.9, 0.005, True),
        (32.1, 0.005, False),
        (9.9, 0.0025, False),
        (10.1, 0.0025, True),
        (63.9, 0.0025, True),
        (64.1, 0.0025, False),
    ],
)
def test_an_answer_is_of_the_size_of_a_step(answer_a: float, ohm: float, answers: bool) -> None:
    """0.25 to 1.6 times what it is worth, 20 A or 40 A: less is noise, more is the sun."""
    site = lacking()
    site.facts |= {"wanted_a": 200.0, "string_ohm": ohm}
    site.go(50.0, 61)
    site.go(50.0 + answer_a, 9)
    assert not held(site)
    assert site.seek.offset.known == pytest.approx((0.2, 50.0 + answer_a) if answers else (0.1, 50.0))


def test_an_answer_is_no_more_than_is_seen() -> None:
    """Even where too little flows for that to count otherwise, 1.5 A into a string of much resistance."""
    site = lacking()
    site.facts["string_ohm"] = 0.05
    site.go(0.0, 61)
    assert held(site)
    site.seen_v = 0.12
    site.go(1.5, 9)
    assert site.seek.offset.known == pytest.approx((0.12, 1.5))


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
    site.go(56.0, 9)
    assert held(site)
    site.go(56.0, 9)
    for pause, ready in ((120, False), (1, True)):
        site.go(56.0, pause)
        assert held(site) is ready


def test_a_step_is_not_held_when_no_more_is_wanted() -> None:
    """The trial itself goes on, and answers or is taken back."""
    site = tried()
    assert site.go(50.0, wanted_a=50.1).held_v is not None
    assert site.go(50.0, wanted_a=50.0).held_v is None
    assert site.offset_v == pytest.approx(0.2)
    site.go(50.0, 7)
    assert site.offset_v == pytest.approx(0.1)


def test_a_pack_that_is_drawn_from_ends_a_trial() -> None:
    """By more than 2.4 A; what is drawn otherwise tells nothing, but that a trial must wait anew."""
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
    site = lacking()
    site.go(50.0, 50)
    site.go(-2.5)
    site.go(50.0, 60)
    assert not held(site)
    site.go(50.0)
    assert held(site)
