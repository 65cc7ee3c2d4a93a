"""What is seen of the charger: whether it obeys the current limit, and how fast."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from bridge.core.charging.charge_charger import NEVER_A, Charger
from bridge.core.charging.charge_moment import Moment
from bridge.core.charging.charge_settings import ChargeSettings, Learnt

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
SETTLE_S, UNSEEN_S = 8.0, 2.0
FREE: list[float] = [1000.0]
"""Limits far above what flows."""


def moment(
    amps: float | None, dt_s: float = 1.0, *, fresh: bool = True, blur_a: float = 1.0, wanted_a: float = 0.0
) -> Moment:
    """So much flows and is wanted; what else a moment holds says nothing of the charger."""
    facts: dict[str, Any] = dict.fromkeys(Moment._fields, 0.0)
    facts |= {"dt_s": dt_s, "elapsed_s": dt_s if fresh else 0.0, "current_a": amps, "blur_a": blur_a}
    facts["wanted_a"] = wanted_a
    return Moment(**facts | {"settle_s": SETTLE_S, "unseen_s": UNSEEN_S})


def test_a_current_that_is_not_known_is_none() -> None:
    """For those who reckon with it."""
    assert (moment(None).amps, moment(7.0).amps) == (0.0, 7.0)


@pytest.mark.parametrize("lag_s", [0.3, 3.0])
def test_at_first_twice_the_lag_to_be_expected_counts(lag_s: float) -> None:
    """However fast the charger is said to be."""
    assert Charger(replace(LFP, lag_s=lag_s)).answer_s == 2.0 * lag_s


def test_at_first_nothing_is_seen() -> None:
    """And there is no bound but the limits."""
    charger = Charger(LFP)
    assert (charger.obeys, charger.ignores, charger.unfelt) == (False, False, False)
    assert (charger.lag_s, charger.known_lag_s, charger.test_a) == (None, None, NEVER_A)
    assert (charger.least_a, charger.most_a, charger.most_v) == (0.0, 0.0, 0.0)
    assert NEVER_A > 1e6


@pytest.mark.parametrize(
    ("kept_s", "known_s", "answer_s"),
    [(None, None, 6.0), (0.1, 1.5, 6.0), (5.0, 5.0, 7.5), (99.0, 8.0, 12.0)],
)
def test_a_lag_of_before_can_only_lengthen_the_answer(
    kept_s: float | None, known_s: float | None, answer_s: float
) -> None:
    """Twice the slowest to be expected, or one and a half times the one of before, within its bounds."""
    charger = Charger(LFP, Learnt(lag_s=kept_s))
    assert (charger.known_lag_s, charger.answer_s) == (known_s, answer_s)


def test_one_that_ignored_before_is_taken_to_do_so() -> None:
    """Until it is forgotten."""
    charger = Charger(LFP, Learnt(ignores=True))
    assert (charger.ignores, charger.unfelt) == (True, True)


@pytest.mark.parametrize(("dt_s", "keep"), [(1.0, 8), (3.0, 3), (5.0, 2), (60.0, 2)])
def test_what_was_sent_counts_for_the_time_a_charger_may_take(dt_s: float, keep: int) -> None:
    """8 s here; never less than two."""
    charger = Charger(LFP)
    for sent in (5.0, 99.0, *[50.0] * (keep - 1)):
        charger.remember(sent, sent, moment(0.0, dt_s))
    assert (charger.most_v, charger.most_a) == (99.0, 99.0)
    charger.remember(50.0, 50.0, moment(0.0, dt_s))
    assert (charger.most_v, charger.least_a, charger.most_a) == (50.0, 50.0, 50.0)
    charger.remember(40.0, 30.0, moment(0.0, dt_s))
    assert (charger.most_v, charger.least_a, charger.most_a) == (50.0, 30.0, 50.0)


@pytest.mark.parametrize(("seen_s", "before_s", "keep"), [(5.0, None, 12), (None, 5.0, 12), (2.0, 5.0, 8)])
def test_a_charger_slower_than_expected_may_take_longer(
    seen_s: float | None, before_s: float | None, keep: int
) -> None:
    """By twice of what its lag is longer, 5 s instead of 3: what it still gives passes by no limit."""
    charger = Charger(LFP, Learnt(lag_s=before_s))
    charger.lag_s = seen_s
    for sent in (99.0, *[50.0] * (keep - 1)):
        charger.remember(sent, sent, moment(0.0))
    assert (charger.most_v, charger.most_a) == (99.0, 99.0)
    charger.remember(50.0, 50.0, moment(0.0))
    assert (charger.most_v, charger.most_a) == (50.0, 50.0)


def test_the_limit_is_felt_close_to_what_was_sent() -> None:
    """By 0.0035C and the error of the current, 1.98 A; close to the most, if it gave no answer."""
    charger = Charger(LFP)
    charger.remember(56.0, 100.0, moment(0.0, 1.0))
    for unfelt, least_a in ((False, 98.02), (True, 138.02)):
        charger.unfelt = unfelt
        assert not charger.felt(moment(least_a - 0.01, 1.0))
        assert charger.felt(moment(least_a + 0.01, 1.0))


def test_what_passes_a_limit_by_is_more_than_errors_explain() -> None:
    """All of it counts then: 0.003C, and the error of the current twice."""
    charger = Charger(LFP)
    assert charger.passes_a(moment(52.8), 50.0) == 0.0
    assert charger.passes_a(moment(52.9), 50.0) == 52.9
    assert charger.passes_a(moment(52.9, blur_a=1.1), 50.0) == 0.0
    assert charger.passes_a(moment(None), 50.0) == 0.0


def judged(*rows: tuple[float, int], dt_s: float = 1.0, blur_a: float = 1.0) -> Charger:
    """So many readings of each current under a limit of 100 A."""
    charger = Charger(LFP)
    charger.test_a = 90.0
    for amps, count in rows:
        for _ in range(count):
            charger.remember(56.0, 100.0, moment(amps, dt_s))
            charger.judge(moment(amps, dt_s, blur_a=blur_a))
    return charger


def test_more_than_allowed_for_two_seconds_ignores() -> None:
    """By 0.003C and twice the error of the current: 100 + 0.84 + 2 A; an unbroken time, in two readings."""
    assert not judged((102.8, 9)).ignores
    assert not judged((102.9, 1)).ignores
    assert judged((102.9, 2)).ignores
    assert not judged((102.9, 1), dt_s=10.0).ignores  # the moment at which a load went
    assert judged((102.9, 2), dt_s=10.0).ignores
    assert not judged((102.9, 1), (102.8, 1), (102.9, 1)).ignores
    assert judged((102.9, 1), (102.8, 1), (102.9, 2)).ignores
    assert not judged((104.8, 9), blur_a=2.0).ignores


@pytest.mark.parametrize(
    ("overs_a", "dt_s", "ignores"),
    [
        ((10.0, 8.99, 8.08, 7.27), 1.0, False),
        ((10.0, 9.01), 1.0, True),
        ((1.0, 0.79, 0.63), 1.9, False),
        ((1.0, 0.82), 1.9, True),
        ((10.0, 8.99, 8.99), 1.0, False),
        ((10.0, 8.99, 8.99, 8.99), 1.0, True),
        ((-10.0, 10.0, 8.99, 9.1, 8.0), 1.0, False),
        ((-0.9, -0.5, -0.1, -0.01), 1.0, False),
    ],
)
def test_too_much_that_falls_is_on_its_way(overs_a: Sequence[float], dt_s: float, ignores: bool) -> None:
    """By a tenth a second, of what is too much; with each reading that is so the two seconds begin anew."""
    assert judged(*((102.84 + over_a, 1) for over_a in overs_a), dt_s=dt_s).ignores is ignores


def stopped(
    *rows: tuple[float, float, float, int], dt_s: float = 1.0, fresh: bool = True
) -> tuple[bool, bool, bool]:
    """What is thought of a limit that was ignored: obeyed, ignored, unfelt.

    After so many readings of each current, limit and current that is wanted, in that order.
    """
    charger = Charger(LFP, Learnt(ignores=True))
    for amps, sent_a, wanted_a, count in rows:
        for _ in range(count):
            now = moment(amps, dt_s, fresh=fresh, wanted_a=wanted_a)
            charger.remember(56.0, sent_a, now)
            charger.judge(now)
    return charger.obeys, charger.ignores, charger.unfelt


STILL, OPEN = (False, True, True), (False, False, False)


def test_where_nothing_is_allowed_and_nothing_flows_no_limit_is_passed_by() -> None:
    """For half an hour without a break; then it may be tested again."""
    assert stopped((0.0, 0.0, 9.0, 1799)) == STILL
    assert stopped((0.0, 0.0, 9.0, 1800)) == OPEN
    assert stopped((0.0, 0.0, 9.0, 900), dt_s=2.0) == OPEN
    assert stopped((0.0, 0.0, 9.0, 900), (1.1, 0.0, 9.0, 1), (0.0, 0.0, 9.0, 1799)) == STILL
    assert stopped((0.0, 0.0, 9.0, 900), (1.1, 0.0, 9.0, 1), (0.0, 0.0, 9.0, 1800)) == OPEN
    assert stopped((0.0, 0.0, 9.0, 9999), fresh=False) == STILL


@pytest.mark.parametrize(
    ("amps", "sent_a", "wanted_a", "tells"),
    [
        (1.0, 1.0, 1.01, True),
        (1.01, 1.0, 9.0, False),
        (1.0, 1.01, 9.0, False),
        (1.0, 1.0, 1.0, False),
        (-50.0, 0.0, 9.0, True),
    ],
)
def test_nothing_is_no_more_than_the_error_of_the_current(
    amps: float, sent_a: float, wanted_a: float, tells: bool
) -> None:
    """What flows and what is allowed; and only where more is wanted does nothing tell something."""
    assert stopped((amps, sent_a, wanted_a, 1800)) == (OPEN if tells else STILL)


def test_one_that_ignores_is_tested_no_more() -> None:
    """Nor kept near."""
    charger = judged((102.9, 1))
    assert (charger.unfelt, charger.test_a) == (False, 90.0)
    charger = judged((102.9, 2))
    assert (charger.unfelt, charger.test_a) == (True, NEVER_A)


def test_one_that_obeyed_and_ignores_now_does_not_obey() -> None:
    """Whatever was seen before."""
    charger = judged((102.8, 1))
    charger.obeys = True
    for _ in range(2):
        charger.judge(moment(102.9, 1.0, blur_a=1.0))
    assert (charger.ignores, charger.obeys) == (True, False)


def dipped(
    currents_a: Sequence[float],
    charger: Charger | None = None,
    dt_s: float = 1.0,
    blur_a: float = 1.0,
    limit_a: float = 140.0,
) -> Charger:
    """A charger after so many readings of what it gives."""
    charger = charger or Charger(LFP)
    for amps in currents_a:
        now = moment(amps, dt_s, blur_a=blur_a)
        charger.remember(56.0, limit_a, now)
        charger.dip(now)
    return charger


def on_trial(charger: Charger) -> bool:
    """Whether a test is on."""
    return charger.test_a < 1e6


def test_a_test_begins_once_the_current_stands_level() -> None:
    """For four seconds, within a tenth of the dip (3.08 A of 280 Ah)."""
    assert not on_trial(dipped([*[100.0] * 4]))
    charger = dipped([*[100.0] * 5])
    assert charger.test_a == pytest.approx(100.0 - 3.08 - 1.0)
    assert dipped([*[100.0] * 5], blur_a=2.0).test_a == pytest.approx(100.0 - 3.08 - 2.0)
    assert on_trial(dipped([*[100.0, 100.3] * 3]))
    assert not on_trial(dipped([*[100.0, 100.31] * 30]))
    assert on_trial(dipped([*[100.0] * 3], dt_s=2.0))
    assert not on_trial(dipped([*[100.0] * 2], dt_s=2.0))


def test_a_small_current_is_not_tested() -> None:
    """Three times the dip and the error of the current: 12.24 A."""
    assert not on_trial(dipped([*[12.2] * 5]))
    assert on_trial(dipped([*[12.3] * 5]))


def test_there_is_a_pause_between_tests() -> None:
    """None before the first; more than 10 s of steps after one that told nothing, and more than 600 s after
    one without an answer, of which the first ten are taken to be over."""
    assert on_trial(dipped(BEGUN))
    charger = dipped([*BEGUN, 80.0])
    assert not on_trial(dipped([80.0] * 10, charger))
    assert on_trial(dipped([80.0], charger))
    charger = Charger(LFP)
    charger.unfelt = True
    assert not on_trial(dipped([140.0] * 590, charger))
    assert on_trial(dipped([140.0], charger))


@pytest.mark.parametrize(
    ("limit_a", "blur_a", "test_a"),
    [(100.0, 1.0, 95.92), (100.0, 2.4, 94.6), (102.3, 1.0, 96.9), (102.4, 1.0, 95.92)],
)
def test_the_limit_is_put_lower_by_no_more_than_the_wire_takes_for_still(
    limit_a: float, blur_a: float, test_a: float
) -> None:
    """5.46 A, to the step of the wire above, of which 3.08 A are below what flows at least; a limit further
    above is tested all the same."""
    charger = dipped(BEGUN, blur_a=blur_a, limit_a=limit_a)
    assert charger.test_a == pytest.approx(test_a)


@pytest.mark.parametrize(
    ("wire_a", "limit_a", "test_a"),
    [(0.5, 100.0, 95.0), (0.5, 100.46, 95.0), (0.5, 100.47, 95.5), (0.1, 100.26, 94.8), (0.1, 100.76, 95.3)],
)
def test_a_test_stands_on_the_grid_of_the_wire(wire_a: float, limit_a: float, test_a: float) -> None:
    """Rounded down, it would move by more; what is a step but for the rounding of numbers stays there."""
    charger = dipped(BEGUN, Charger(replace(LFP, wire_a=wire_a)), blur_a=2.4, limit_a=limit_a)
    assert charger.test_a == pytest.approx(test_a)


def test_without_an_answer_a_limit_far_above_is_not_tested_again() -> None:
    """It would have to move, for nothing."""
    for limit_a, again in ((102.3, True), (102.4, False)):
        charger = Charger(LFP)
        charger.unfelt = True
        assert on_trial(dipped([100.0] * 610, charger, limit_a=limit_a)) is again


BEGUN = [100.0] * 5
"""The last of these begins the test."""
FALLS = [100.0, 100.0, 98.0, *[96.0] * 6]
"""An answer: by 4 A, and at rest with the last of these."""


def near_s(from_s: float, to_s: float, left: float, then_left: float) -> float:
    """When 30 % were left of a fall that was exponential between two readings, with so much left at each."""
    return from_s + (to_s - from_s) * math.log(left / 0.3) / math.log(left / then_left)


NEAR_S = near_s(2.0, 3.0, 0.5, 0.05)
"""Of `FALLS`: between the third and the fourth reading, which are a second old."""


def test_a_fall_that_comes_back_obeys_and_tells_its_lag() -> None:
    """30 % are left after 1.2 time constants; it stands by then for three times as long, and 2 s unseen."""
    charger = dipped([*BEGUN, *FALLS[:-1]])
    assert on_trial(charger)
    dipped(FALLS[-1:], charger)
    assert NEVER_A > charger.test_a > 1e6
    dipped([98.0], charger)
    assert (charger.obeys, charger.lag_s) == (False, None)
    dipped([98.1], charger)
    assert charger.obeys
    assert (charger.unfelt, charger.ignores, charger.test_a) == (False, False, NEVER_A)
    assert charger.lag_s == charger.known_lag_s == pytest.approx(NEAR_S / 1.2)
    assert charger.answer_s == pytest.approx(1.5 * NEAR_S / 1.2)


@pytest.mark.parametrize(
    ("falls_a", "dt_s", "lag_s"),
    [
        ([*FALLS, 96.0], 2.0, near_s(5.0, 7.0, 0.5, 0.05) / 1.2),
        ([100.0, 100.0, 97.3, *[96.0] * 6], 1.0, near_s(2.0, 3.0, 0.325, 0.05) / 1.2),
        ([100.0, 100.0, 100.0, 97.1, *[96.0] * 7], 1.0, near_s(2.0, 3.0, 1.0, 0.275) / 1.2),
        ([96.8, 96.0, 96.0], 5.0, near_s(0.0, 4.0, 1.0, 0.2) / 1.2),
        ([97.1, *[96.0] * 4], 1.0, 1.5),
        ([*[100.0] * 12, *[96.0] * 12], 1.0, 8.0),
    ],
    ids=["slow readings", "more than 30 %", "less than 30 %", "at the first", "quick", "slow"],
)
def test_a_lag_is_told_within_its_bounds(falls_a: list[float], dt_s: float, lag_s: float) -> None:
    """1.5 to 8 s; what never comes to rest is taken as it is after three times what a change may take."""
    charger = dipped(falls_a[:-1], dipped(BEGUN), dt_s)
    assert on_trial(charger)
    dipped([falls_a[-1], 100.0], charger, dt_s)
    assert charger.lag_s == pytest.approx(lag_s)


def test_a_fall_must_be_half_the_dip_and_stand_level_for_three_seconds() -> None:
    """1.54 A."""
    assert on_trial(dipped([*BEGUN, 98.5, *[98.5] * 4]))
    assert not on_trial(dipped([*BEGUN, 98.4, *[98.4] * 3]))
    assert on_trial(dipped([*BEGUN, 98.4, *[98.4] * 2]))


def test_a_fall_that_is_too_large_is_a_cloud() -> None:
    """Twice the dip and three times the error: 9.16 A; there is a pause, and it is tried again."""
    assert on_trial(dipped([*BEGUN, 90.9]))
    charger = dipped([*BEGUN, 90.8])
    assert (charger.test_a, charger.unfelt, charger.obeys) == (NEVER_A, False, False)
    assert not on_trial(dipped([90.8] * 10, charger))
    assert on_trial(dipped([90.8], charger))
    assert on_trial(dipped([*BEGUN, 88.0], blur_a=2.0))
    assert not on_trial(dipped([*BEGUN, 87.8], blur_a=2.0))


def test_a_current_that_does_not_answer_is_unfelt_and_tried_again_later() -> None:
    """After three times the time a change may take: 24 s; the next test 600 s later."""
    charger = dipped([*BEGUN, *[100.0] * 24])
    assert (on_trial(charger), charger.unfelt) == (True, False)
    dipped([100.0], charger)
    assert (charger.test_a, charger.unfelt, charger.ignores) == (NEVER_A, True, False)
    dipped([100.0] * 600, charger, limit_a=102.0)
    assert not on_trial(charger)
    dipped([100.0], charger, limit_a=102.0)
    assert on_trial(charger)
    dipped(FALLS, charger)
    dipped([100.0], charger)
    assert (charger.obeys, charger.unfelt) == (True, False)
    assert charger.lag_s == pytest.approx(NEAR_S / 1.2)


def test_a_fall_that_stays_was_a_cloud() -> None:
    """After twice the time a change may take, 16 s, it proves nothing; the next test is 40 s later."""
    charger = dipped([*BEGUN, *FALLS, *[96.0] * 16])
    assert (NEVER_A > charger.test_a > 1e6, charger.obeys) == (True, False)
    dipped([96.0], charger)
    assert (charger.test_a, charger.obeys, charger.unfelt, charger.lag_s) == (NEVER_A, False, False, None)
    dipped([96.0] * 40, charger)
    assert not on_trial(charger)
    dipped([96.0], charger)
    assert charger.test_a == pytest.approx(96.0 - 4.08)
    dipped([*[a - 4.0 for a in FALLS], 96.0], charger)
    assert charger.obeys
    assert charger.lag_s == pytest.approx(NEAR_S / 1.2)


@pytest.mark.parametrize(
    ("sent_v", "obeys"),
    [([56.1], False), ([56.0], True), ([55.9], True), ([55.9, 56.0], False), ([56.0 + 1e-9], True)],
)
def test_what_comes_back_with_a_higher_voltage_proves_nothing(sent_v: list[float], obeys: bool) -> None:
    """The current had met the voltage limit, and went up with it; a lower one takes nothing up.

    Higher than the last that was sent, by more than numbers are rounded.
    """
    charger = dipped([*BEGUN, *FALLS])
    for volts in sent_v:
        charger.remember(volts, 140.0, moment(96.0))
    charger.dip(moment(100.0))
    assert (charger.obeys, charger.unfelt, charger.test_a) == (obeys, False, NEVER_A)


def test_falls_that_stay_are_tested_for_ever_later() -> None:
    """10 s, 40, 160, and 600 at most: each pause ends in a test, with a fall that does not come back."""
    charger = dipped([*BEGUN])
    for pause_s in (40, 160, 600, 600):
        dipped([*FALLS, *[96.0] * 17], charger)
        dipped([100.0] * pause_s, charger)
        assert not on_trial(charger)
        dipped([100.0], charger)
        assert on_trial(charger)
    dipped(
        [80.0], charger
    )  # a cloud that is seen at once says nothing of how the cells take their current back
    dipped([100.0] * 600, charger)
    assert not on_trial(charger)


def test_a_cloud_during_a_test_leaves_what_was_known() -> None:
    """A limit that was not felt stays so, whether the current fell too far or did not come back."""
    for falls_a in ([80.0], [*FALLS, *[96.0] * 17]):
        charger = Charger(LFP)
        charger.unfelt = True
        dipped([100.0] * 591, charger, limit_a=102.0)
        assert on_trial(charger)
        dipped(falls_a, charger)
        assert (charger.test_a, charger.unfelt, charger.obeys) == (NEVER_A, True, False)


def test_a_return_that_was_cut_short_is_no_part_of_the_next_test() -> None:
    """More flowed than was allowed while the current was to come back; half an hour later the same charger,
    at a current that does not move, has not obeyed."""
    charger = dipped([*BEGUN, *FALLS])
    for amps, sent_a, count in ((97.0, 50.0, 9), (0.0, 0.0, 1809)):
        for _ in range(count):
            now = moment(amps, wanted_a=9.0)
            charger.remember(56.0, sent_a, now)
            charger.judge(now)
        assert charger.ignores is (amps > 0.0)
    assert on_trial(dipped([100.0] * 12, charger))
    assert (charger.obeys, charger.lag_s) == (False, None)


def test_steps_without_new_readings_are_no_time_of_the_test() -> None:
    """But of the pause before it."""
    charger = dipped([*BEGUN, 80.0, *[80.0] * 5])
    for _ in range(6):
        charger.remember(56.0, 140.0, moment(80.0, fresh=False))
    assert on_trial(dipped([80.0], charger))


@pytest.mark.parametrize("period_s", [1.0, 2.0, 3.0])
@pytest.mark.parametrize(("lag_s", "delay_s"), [(2.0, 1.0), (3.0, 1.0), (3.0, 0.5), (4.0, 0.0)])
def test_the_lag_of_an_exponential_fall_is_told(lag_s: float, delay_s: float, period_s: float) -> None:
    """Within a tenth, however far apart the readings are."""
    charger = dipped(BEGUN, Charger(replace(LFP, delay_s=delay_s)))
    dip_a, after_s = 100.0 - charger.test_a, 0.0
    while on_trial(charger) and after_s < 60.0:
        after_s += period_s
        fallen = 1.0 - math.exp(-max(after_s - delay_s, 0.0) / lag_s)
        dipped([100.0 - dip_a * fallen], charger, period_s)
    dipped([100.0], charger)
    assert charger.lag_s == pytest.approx(lag_s, rel=0.1)


def test_a_test_is_silent_without_the_begin_of_a_fall() -> None:
    """Of a quarter of the dip, 0.77 A, within the 8 s that a charger may take; and only while it is on."""
    assert not dipped([100.0] * 4).silent(moment(100.0))
    assert not dipped([*BEGUN, *[100.0] * 7]).silent(moment(100.0))
    charger = dipped([*BEGUN, *[100.0] * 8])
    assert charger.silent(moment(99.24))
    assert not charger.silent(moment(99.22))
    charger = dipped([*BEGUN, 99.5, *[100.0] * 7])
    assert charger.silent(moment(99.24))
    assert not charger.silent(moment(99.22))
    charger = dipped([*BEGUN, *FALLS, *[96.0] * 8])
    assert NEVER_A > charger.test_a > 1e6
    assert not charger.silent(moment(100.0))


@pytest.mark.parametrize("currents_a", [[*BEGUN, 100.0], [*BEGUN, *FALLS]])
@pytest.mark.parametrize("unfelt", [False, True])
def test_a_test_can_be_left(currents_a: list[float], unfelt: bool) -> None:
    """At any time: it tells nothing, and there is a pause before the next."""
    charger = dipped(currents_a)
    charger.unfelt = unfelt
    charger.leave()
    assert (charger.test_a, charger.obeys, charger.unfelt, charger.lag_s) == (NEVER_A, False, unfelt, None)
    charger.unfelt = False
    assert not on_trial(dipped([100.0] * 10, charger))
    assert on_trial(dipped([100.0], charger))


def test_where_there_is_no_test_nothing_is_left() -> None:
    """And no pause begins."""
    charger = dipped([100.0] * 4)
    charger.leave()
    assert on_trial(dipped([100.0], charger))
