"""The experiments that find the charger's offset."""

from typing import Any

import pytest

from bridge.core.charging.charge_charger import NEVER_A, Charger
from bridge.core.charging.charge_moment import Moment
from bridge.core.charging.charge_seek import STEP_V, Seek, Stage
from bridge.core.charging.charge_settings import NOTHING, ChargeSettings, Learnt

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)


class Site:
    """A search, its charger, and what is seen of both; drawn from at first, so that the current limit is not
    tried, unless the test is about that.

    Attributes:
        seen_v: how far the highest that was sent lies above the string.
        sent_v: the limit as it stands.
        facts: the moment.
    """

    def __init__(self, learnt: Learnt = NOTHING, *, tries: bool = False) -> None:
        self.seek = Seek(LFP, learnt)
        self.charger = Charger(LFP)
        self.charger.least_a = 140.0
        self.seen_v = 0.6
        self.sent_v = 54.5
        self.steady_s = 99.0
        self.facts: dict[str, Any] = dict.fromkeys(Moment._fields, 0.0)
        self.facts |= {"dt_s": 1.0, "elapsed_s": 1.0, "high_v": 3.45, "string_v": 54.0, "string_ohm": 0.005}
        self.facts |= {"current_a": 10.0, "blur_a": 1.0, "wanted_a": 60.0, "spare_v": 0.02, "step_v": 0.01}
        self.facts |= {"settle_s": 8.0, "unseen_s": 2.0}
        if not tries:
            self.seek.stage = Stage.DOWN
            self.go(-50.0)
            self.seek.stage = Stage.WAITING

    def go(self, amps: float | None, steps: int = 1, **changes: Any) -> Seek:
        """So many steps at one current."""
        for _ in range(steps):
            self.charger.most_v = 54.0 + self.seen_v
            now = Moment(**self.facts | {"current_a": amps} | changes)
            self.seek.step(now, self.charger, self.sent_v, self.steady_s)
        return self.seek

    @property
    def offset_v(self) -> float:
        """As found."""
        return self.seek.offset.known[0]


def verified(offset_v: float = 0.1, amps: float = 50.0) -> Site:
    """A charger that has answered."""
    site = Site()
    site.seek.offset.confirm(offset_v, amps)
    site.seek.stage = Stage.DONE
    return site


def test_at_first_nothing_is_known_or_tried() -> None:
    """Nor ignored."""
    seek = Site().seek
    assert (seek.known, seek.stage, seek.voltage_ignored, seek.held_v) == (
        (None, 0.0),
        Stage.WAITING,
        False,
        None,
    )
    assert seek.offset.known == (0.0, 0.0)


@pytest.mark.parametrize(
    ("kept_v", "first_v", "sought_v"), [(0.3, 0.0, 0.4), (-0.2, -0.2, -0.1), (0.6, 0.0, 0.5)]
)
def test_what_was_kept_lowers_the_first_voltage_and_shortens_the_search(
    kept_v: float, first_v: float, sought_v: float
) -> None:
    """It begins a step above; it is known as before until another is found."""
    site = Site(Learnt((), kept_v, 30.0))
    assert site.seek.offset.known == (first_v, 0.0)
    assert site.seek.known == (kept_v, 30.0)
    assert site.go(50.0).offset.known == pytest.approx((sought_v, 50.0))
    site.seek.offset.confirm(0.05, 60.0)
    assert site.seek.known == (0.05, 60.0)


@pytest.mark.parametrize(
    ("amps", "seen_v", "offset_v"),
    [
        (2.5, 0.1, 0.1),
        (2.3, 0.1, 0.3),
        (-50.0, 0.1, 0.3),
        (None, 0.1, 0.1),
        (None, -0.4, -0.25),
        (10.0, 0.4, 0.3),
    ],
)
def test_while_a_current_flows_the_offset_is_no_more_than_is_seen(
    amps: float | None, seen_v: float, offset_v: float
) -> None:
    """0.005C and the error of its sensor, 2.4 A; where it is not known no less than -0.25 V is believed."""
    for fresh, ignored in ((1.0, False), (0.0, False), (1.0, True)):
        site = Site()
        site.seek.offset.put(0.3, 0.0)
        site.seek.voltage_ignored, site.seen_v = ignored, seen_v
        site.go(amps, elapsed_s=fresh, wanted_a=0.0, spare_v=-1.0)
        counts = fresh and (not ignored or amps is None)
        assert site.offset_v == pytest.approx(offset_v if counts else 0.3)
        assert site.seek.offset.known[1] == (amps if counts and amps == 2.5 else 0.0)


def test_without_a_known_current_it_is_raised_by_trial() -> None:
    """Every 24 s by a step, from below 0.3 V, while there is room and the string stands 50 mV lower."""
    site = Site(tries=True)
    found = [round(site.go(None).offset.known[0], 6) for _ in range(120)]
    assert [found.index(v) + 1 for v in (0.1, 0.2, 0.3)] == [25, 50, 75]
    assert found[-1] == 0.3
    assert verified(0.1, 50.0).go(None, 25).offset.known == pytest.approx((0.2 - 0.0607, 0.0), abs=1e-4)
    for changes, seen_v, raised in (
        ({}, 0.051, True),
        ({}, 0.049, False),
        ({"spare_v": 0.01}, 2.0, False),
        ({"spare_v": 0.011}, 2.0, True),
    ):
        site = Site()
        site.seen_v = seen_v
        assert (site.go(None, 25, **changes).offset.known[0] > 0.0) is raised


def test_the_search_begins_at_a_current_that_can_give_way() -> None:
    """0.08C, 22.4 A; half a volt up."""
    assert Site().go(22.3).stage is Stage.WAITING
    site = Site()
    assert site.go(22.5).stage is Stage.DOWN
    assert site.seek.offset.known == (0.5, 22.5)


def test_it_comes_down_by_a_step_whenever_the_last_has_settled() -> None:
    """After 8 s; from what is seen, if that is less. At the end the voltage limit is ignored."""
    site = Site()
    site.go(50.0)
    found = []
    for _ in range(10):
        site.go(50.0, 7)
        before_v = site.offset_v
        found.append((before_v, round(site.go(50.0).offset.known[0], 6)))
    assert [after for _, after in found] == [0.4, 0.3, 0.2, 0.1, 0.0, -0.1, -0.2, -0.3, -0.4, -0.5]
    assert [round(before, 6) for before, _ in found] == [0.5, 0.4, 0.3, 0.2, 0.1, 0.0, -0.1, -0.2, -0.3, -0.4]
    assert not site.go(50.0, 7).voltage_ignored
    assert site.go(50.0).voltage_ignored
    assert (site.seek.stage, site.offset_v, site.seek.offset.verified) == (Stage.DONE, 0.0, False)
    site = Site()
    site.go(50.0)
    site.seen_v = 0.25
    assert site.go(50.0, 8).offset.known == pytest.approx((0.15, 50.0))


@pytest.mark.parametrize(
    ("amps", "least_a", "gives_way"),
    [(95.9, 140.0, False), (95.7, 140.0, True), (90.0, 91.9, False), (90.0, 92.1, True)],
)
def test_the_current_has_given_way_by_share_and_below_its_limit(
    amps: float, least_a: float, gives_way: bool
) -> None:
    """4 % of 99.8 A; and more below what was allowed than the error of its sensor and 0.98 A."""
    site = Site()
    site.go(100.0)
    site.charger.least_a = least_a
    assert (site.go(amps).stage is Stage.SETTLING) is gives_way


def test_of_small_currents_a_hundredth_of_the_capacity_must_be_lost() -> None:
    """2.8 A; of the highest that has flowed, which fades by 0.2 % a reading."""
    for last_a, gives_way in ((47.2, False), (47.0, True)):
        site = Site()
        site.go(49.0)
        site.go(50.0)
        assert (site.go(last_a).stage is Stage.SETTLING) is gives_way
    site = Site()
    site.go(50.0)
    assert [site.go(50.0 - 0.09 * n).stage for n in range(1, 40)] == [Stage.DOWN] * 39


def test_a_current_too_small_for_the_search_ends_it() -> None:
    """It waits, and what was kept does not count for the next."""
    site = Site(Learnt((), 0.3, 30.0))
    site.go(30.0)
    site.charger.least_a = 22.0
    assert site.go(22.5).stage is Stage.DOWN
    assert site.go(22.3).stage is Stage.WAITING
    assert (site.seek.offset.known, site.seek.known) == ((0.0, 22.3), (None, 0.0))
    assert site.go(30.0).offset.known == (0.5, 30.0)


def touched(*, back_a: float, settle: int = 8) -> Site:
    """A charger of 100 A that gave way to 60 A after a step down, and so much after the step up."""
    site = Site()
    site.go(100.0, 9)
    site.seen_v = 0.2
    site.go(60.0)
    site.go(60.0, 7)
    assert (site.seek.stage, site.seek.held_v) == (Stage.SETTLING, None)
    site.go(60.0)
    assert site.seek.stage is Stage.BACK_UP
    assert site.seek.held_v == pytest.approx(54.5 + 0.115)
    assert site.seek.offset.known == pytest.approx((0.2, 60.0))
    site.seen_v = 0.3
    site.go(back_a)
    site.go(60.5, settle - 1)
    return site


def test_a_current_that_comes_back_verifies_the_offset() -> None:
    """By 15 % of what a step is worth, 3 A of 20 A here, at any time until the step has settled."""
    site = touched(back_a=63.1, settle=7)
    assert (site.seek.stage, site.seek.offset.verified) == (Stage.BACK_UP, False)
    site.go(60.5)
    assert (site.seek.stage, site.seek.offset.verified, site.seek.held_v) == (Stage.DONE, True, None)
    assert site.seek.offset.known == pytest.approx((0.2, 60.0))


def test_a_current_that_stays_away_was_a_cloud() -> None:
    """The search goes on from there."""
    site = touched(back_a=62.9)
    assert (site.seek.stage, site.seek.offset.verified, site.seek.held_v) == (Stage.DOWN, False, None)
    assert site.go(58.2).stage is Stage.DOWN
    assert site.go(57.0).stage is Stage.SETTLING


def test_of_a_small_loss_a_share_must_come_back() -> None:
    """15 % of 10 A."""
    for back_a, verified_by in ((61.4, False), (61.6, True)):
        site = Site()
        site.go(70.0, 9)
        site.seen_v = 0.2
        site.go(60.0, 9)
        site.go(back_a, 8)
        assert site.seek.offset.verified is verified_by


def test_what_is_seen_when_the_current_has_given_way_is_the_offset() -> None:
    """Even more than the search believed: it began too low."""
    site = Site(Learnt((), 0.1, 60.0))
    site.go(70.0, 9)
    site.seen_v = 0.4
    assert site.go(60.0, 9).offset.known == pytest.approx((0.4, 60.0))


def gives_way(site: Site, back_a: float) -> Site:
    """From 100 to 60 A, and comes back to so much; more is wanted."""
    site.facts["wanted_a"] = 200.0
    site.seen_v = 0.2
    assert site.go(60.0, 2 if site.charger.obeys else 1).stage is Stage.SETTLING
    assert site.go(60.0, 8).stage is Stage.BACK_UP
    site.seen_v = 0.3
    site.go(back_a, 8)
    return site


@pytest.mark.parametrize(
    ("back_a", "steps", "obeys", "verified_by"),
    [
        (84.9, 9, False, True),
        (85.1, 9, False, False),
        (70.0, 8, False, False),
        (70.0, 7, True, True),
        (85.1, 7, True, False),
    ],
)
def test_a_current_that_may_have_come_back_by_itself_must_do_so_again(
    back_a: float, steps: int, obeys: bool, verified_by: bool
) -> None:
    """By more than 1.25 times what a step is worth, 20 A; or if it gave way before the first step had
    settled, and is not known to obey its limit. The search goes on a step below what was found."""
    site = Site()
    site.charger.obeys = obeys
    site.go(100.0, steps)
    seek = gives_way(site, back_a).seek
    assert seek.offset.verified is verified_by
    if not verified_by:
        assert (seek.stage, seek.held_v) == (Stage.DOWN, None)
        assert seek.offset.known == pytest.approx((0.2 - STEP_V, back_a))
        assert site.go(0.97 * back_a).stage is Stage.DOWN


@pytest.mark.parametrize("again_a", [63.1, 70.0, 99.0])
def test_what_came_back_twice_is_found(again_a: float) -> None:
    """By however much, and at once or not; 15 % of what a step is worth at least."""
    for first_a, steps in ((99.0, 9), (99.0, 8)):
        site = Site()
        site.go(100.0, steps)
        gives_way(site, first_a)
        assert not site.seek.offset.verified
        gives_way(site, again_a)
        assert (site.seek.stage, site.seek.offset.verified) == (Stage.DONE, True)
        assert site.seek.offset.known == pytest.approx((0.2, 60.0))
        site = Site()
        site.go(100.0, steps)
        gives_way(site, first_a)
        assert gives_way(site, 62.9).seek.stage is Stage.DOWN


def test_a_search_that_begins_anew_knows_of_no_return() -> None:
    """Nor that the voltage had come down by a step."""
    site = Site()
    site.go(100.0, 9)
    gives_way(site, 99.0)
    site.charger.least_a = 22.0
    assert site.go(22.3).stage is Stage.WAITING
    site.charger.least_a = 140.0
    site.seen_v = 0.6
    assert site.go(100.0).offset.known == (0.5, 100.0)
    assert not gives_way(site, 70.0).seek.offset.verified


def trying() -> Site:
    """A search that has just begun, with a charger that is not known."""
    site = Site(tries=True)
    site.facts["wanted_a"] = 200.0
    assert not site.seek.tries
    assert site.go(100.0).tries
    return site


def test_the_current_limit_is_tried_before_the_voltage() -> None:
    """For no more than 40 s of readings, five times what a change takes; only then the first step settles."""
    site = trying()
    assert site.go(100.0, 99, elapsed_s=0.0).tries
    assert site.go(100.0, 40).tries
    assert site.seek.offset.known == (0.5, 100.0)
    assert not site.go(100.0).tries
    assert site.go(100.0, 7).offset.known == (0.5, 100.0)
    assert site.go(100.0).offset.known == pytest.approx((0.4, 100.0))
    assert trying().go(100.0, 20, elapsed_s=2.0).tries
    assert not trying().go(100.0, 21, elapsed_s=2.0).tries


def test_what_flows_while_the_current_limit_is_tried_gives_no_way() -> None:
    """It falls because it was told to."""
    site = trying()
    assert site.go(60.0, 9).stage is Stage.DOWN
    assert site.seek.tries


def test_what_was_before_the_search_is_no_reason_not_to_try() -> None:
    """A current that was drawn, or not known."""
    for amps in (None, -2.5):
        site = Site(tries=True)
        site.go(amps)
        assert site.go(100.0).tries


def test_a_trial_upward_ends_before_the_search_begins() -> None:
    """Both at once would hold the voltage for ever."""
    site = Site()
    assert site.go(10.0, 61).held_v is not None
    assert site.go(60.0, 8).stage is Stage.WAITING
    seek = site.go(60.0, 3)
    assert (seek.stage, seek.held_v) == (Stage.DOWN, None)


@pytest.mark.parametrize("amps", [None, -2.5])
def test_a_test_of_the_current_ends_when_what_flows_is_no_answer(amps: float | None) -> None:
    """The limit must not stay where the test put it; a current that only stays low goes on being tested."""
    site = verified()
    site.charger.test_a = 50.0
    site.go(0.0)
    assert site.charger.test_a == 50.0
    site.go(amps)
    assert site.charger.test_a == NEVER_A


@pytest.mark.parametrize("name", ["obeys", "unfelt"])
def test_a_charger_that_is_known_is_tried_no_more(name: str) -> None:
    """Whichever it was found to be."""
    site = trying()
    setattr(site.charger, name, True)
    assert not site.go(100.0).tries


@pytest.mark.parametrize(
    ("amps", "changes", "tries"),
    [
        (100.0, {"spare_v": 0.0201}, True),
        (100.0, {"spare_v": 0.0199}, False),
        (-2.3, {}, True),
        (-2.5, {}, False),
        (None, {}, False),
    ],
)
def test_without_room_or_current_nothing_is_tried(
    amps: float | None, changes: dict[str, Any], tries: bool
) -> None:
    """20 mV; 2.4 A drawn, or none known. Once is for all."""
    site = trying()
    assert site.go(amps, **changes).tries is tries
    assert site.go(100.0).tries is tries


def told(site: Site, amps: float | None, steps: int, **changes: Any) -> Site:
    """So many steps of a charger whose limit goes out at 102 A."""
    for _ in range(steps):
        site.charger.remember(56.0, 102.0, Moment(**site.facts | {"current_a": amps} | changes))
        site.go(amps, **changes)
    return site


def test_a_charger_that_is_silent_is_tried_no_more() -> None:
    """8 s from the begin of the test: the test ends without a result."""
    site = told(trying(), 100.0, 5)
    assert site.charger.test_a < 100.0
    assert told(site, 100.0, 7).seek.tries
    assert site.charger.test_a < 100.0
    assert not told(site, 100.0, 1).seek.tries
    assert (site.charger.test_a, site.charger.unfelt) == (NEVER_A, False)


def test_a_charger_that_begins_to_fall_is_waited_for() -> None:
    """Until it has been seen to come back; then the voltage comes down."""
    site = told(trying(), 100.0, 5)
    for amps in (100.0, 100.0, 98.0, *[96.0] * 6):
        assert told(site, amps, 1).seek.tries
    assert not told(site, 100.0, 1).seek.tries
    assert site.charger.obeys
    assert (site.seek.stage, site.offset_v) == (Stage.DOWN, 0.5)


@pytest.mark.parametrize(("amps", "changes"), [(100.0, {"spare_v": 0.0}), (-2.5, {}), (None, {})])
def test_a_test_does_not_outlast_the_trial(amps: float | None, changes: dict[str, Any]) -> None:
    """It would hold the current down for as long as nobody looks."""
    site = told(trying(), 100.0, 5)
    assert site.charger.test_a < 100.0
    told(site, amps, 1, **changes)
    assert (site.seek.tries, site.charger.test_a, site.charger.unfelt) == (False, NEVER_A, False)


def pressed(amps: float, steps: int, **changes: Any) -> float:
    """The offset after so many readings of a current that does not fall, with 19 A wanted."""
    site = Site()
    site.charger.obeys = changes.pop("obeys", False)
    site.seek.voltage_ignored = changes.pop("ignored", False)
    site.go(amps, steps, **{"wanted_a": 19.0, "high_v": 3.39} | changes)
    return round(site.offset_v, 6)


def test_too_much_current_that_does_not_fall_presses_the_offset_down() -> None:
    """By more than 0.01C, for longer than lag and delay, 4 s; 50 mV a reading."""
    assert [pressed(22.0, steps) for steps in (4, 5, 6)] == [0.0, -0.05, -0.1]
    assert (pressed(21.9, 9), pressed(21.7, 9)) == (-0.25, 0.0)
    assert (pressed(2.9, 9, wanted_a=-20.0), pressed(2.7, 9, wanted_a=-20.0)) == (-0.25, 0.0)
    assert pressed(22.0, 9, obeys=True) == pressed(22.0, 9, ignored=True) == 0.0
    assert pressed(22.0, 4, elapsed_s=1.5) == -0.1


def test_only_an_unbroken_stretch_presses() -> None:
    """A reading that is not too much begins it anew."""
    for steps, presses in ((4, False), (5, True)):
        site = Site()
        for amps, count in ((22.0, 3), (21.5, 1), (22.0, steps)):
            site.go(amps, count, wanted_a=19.0, high_v=3.39)
        assert (site.offset_v < 0.0) is presses


def test_while_the_last_step_may_not_be_seen_yet_nothing_presses() -> None:
    """For as long as lag and delay, 4 s, after the limit has moved."""
    for steady_s, presses in ((4.0, False), (4.1, True)):
        site = Site()
        site.steady_s = steady_s
        site.go(22.0, 9, wanted_a=19.0, high_v=3.39)
        assert (site.offset_v < 0.0) is presses


def test_a_current_that_falls_is_not_pressed() -> None:
    """By more than 0.84 A a reading."""
    for fall_a, presses in ((0.8, True), (0.9, False)):
        site = Site()
        for n in range(12):
            site.go(21.0 - fall_a * n, wanted_a=-20.0, high_v=3.39)
        assert (site.offset_v < 0.0) is presses


def dips(site: Site) -> bool:
    """Whether the charger is tested within a while of a level current."""
    for _ in range(12):
        site.charger.remember(56.0, 140.0, Moment(**site.facts | {"current_a": 100.0}))
        site.go(100.0)
    return site.charger.test_a < NEVER_A


def test_the_current_limit_is_tested_once_the_search_is_over() -> None:
    """Not while the voltage comes down, nor once it is known what the charger does."""
    assert dips(verified(2.0))
    assert not dips(Site())
    site = Site()
    site.seek.voltage_ignored = True
    assert dips(site)
    for name in ("obeys", "ignores"):
        site = verified(2.0)
        setattr(site.charger, name, True)
        assert not dips(site)
