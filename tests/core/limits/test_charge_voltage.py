"""The charge voltage limit: what it is led by, and within which band it is held."""

from typing import Any

import pytest

from bridge.core.charging.charge_charger import Charger
from bridge.core.charging.charge_moment import Moment
from bridge.core.charging.charge_seek import Seek, Stage
from bridge.core.charging.charge_settings import NOTHING, ChargeSettings, Learnt
from bridge.core.charging.charge_voltage import VoltageLimit

FINE = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0, wire_v=0.001)
COARSE = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
OHM = 0.005
"""Of the string."""


class Still(Seek):
    """No experiments: what is known of the charger is what the test says."""

    stood_s: object
    tries = False

    def step(self, *told: Moment | Charger | float) -> None:
        """Nothing; but how long the limit has stood is seen."""
        Still.stood_s = told[-1]


def moment(**changes: Any) -> Moment:
    """50 A into a string at 54 V, 60 A are wanted; the practice of the trade leaves 2 V."""
    facts: dict[str, Any] = dict.fromkeys(Moment._fields, 0.0)
    facts |= {"dt_s": 1.0, "elapsed_s": 1.0, "high_v": 3.45, "string_v": 54.0, "string_ohm": OHM}
    facts |= {"room_v": 2.0, "current_a": 50.0, "blur_a": 1.0, "wanted_a": 60.0, "spare_v": 0.02}
    facts |= {"step_v": 0.01, "worst_share": 0.1, "settle_s": 8.0, "unseen_s": 2.0}
    return Moment(**facts | changes)


def limit_of(settings: ChargeSettings = FINE, *, verified_v: float | None = None) -> VoltageLimit:
    """A limit whose charger is as the test says."""
    limit = VoltageLimit(settings, NOTHING)
    limit.seek = Still(settings)
    if verified_v is not None:
        limit.seek.offset.confirm(verified_v, 50.0)
    return limit


def value(limit: VoltageLimit, sent_a: float = 140.0, sent_v: float = 56.0, **changes: Any) -> float:
    """The limit after a step; the widest limits went out if not said otherwise."""
    return limit.follow(moment(**changes), sent_v, sent_a)


@pytest.mark.parametrize(("ceiling_v", "value_v"), [(56.0, 56.0), (55.99, 55.9), (56.09, 56.0)])
def test_up_to_the_knee_it_is_the_ceiling(ceiling_v: float, value_v: float) -> None:
    """On the wire's grid, downward; nothing is remembered there."""
    limit = limit_of(ChargeSettings(16, 280.0, 3.50, 3.40, ceiling_v, 140.0))
    assert limit.value == pytest.approx(value_v)
    for high_v in (3.2, 3.40):
        assert value(limit, high_v=high_v, string_v=50.0) == pytest.approx(value_v)
    assert limit.idle
    assert limit.charger.most_v == 0.0


@pytest.mark.parametrize(("high_v", "share"), [(3.41, 0.15625), (3.42, 0.5), (3.44, 1.0), (3.49, 1.0)])
def test_the_knee_is_entered_smoothly(high_v: float, share: float) -> None:
    """Over 40 mV, and not left when the cell sinks; nothing is asked below zero volts."""
    limit = limit_of()
    expected = 56.0 + share * (54.05 - 56.0) + 0.005
    assert value(limit, high_v=high_v) == pytest.approx(expected, abs=0.0011)
    assert not limit.idle
    assert value(limit, high_v=3.39) == pytest.approx(expected, abs=0.0011)
    assert value(limit, high_v=3.49, string_v=-99.0) == 0.0


GOALS = [
    ({}, 54.05),
    ({"wanted_a": 20.0, "room_v": 0.01}, 54.0 - 0.15),
    ({"room_v": 0.03}, 54.03),
    ({"room_v": -0.1}, 54.0),
    ({"current_a": None, "room_v": 0.3}, 54.0 + 0.3 + 0.05),
    ({"current_a": None, "room_v": -0.3}, 54.0 - 0.3 + 0.05),
    ({"current_a": 1.3, "wanted_a": -40.0, "room_v": -0.05}, 53.95),
    ({"current_a": 1.5, "wanted_a": -40.0, "room_v": -0.05}, 54.0 - 0.2075),
    ({"current_a": 1.3, "wanted_a": 60.0, "room_v": 0.03}, 54.03),
    ({"string_v": 55.99}, 56.0),
]


@pytest.mark.parametrize(("changes", "goal_v"), GOALS)
def test_it_leads_to_the_current_that_is_wanted(changes: dict[str, Any], goal_v: float) -> None:
    """Through the string's resistance; while the charger is not known by no more than the practice of the
    trade allows; at rest, or without a known current, by that alone."""
    assert value(limit_of(), **changes) == pytest.approx(min(goal_v + 0.005, 56.0), abs=0.0011)


@pytest.mark.parametrize(
    ("changes", "goal_v"),
    [
        ({}, 54.25),
        ({"wanted_a": 20.0}, 54.0 - 0.15 + 0.2 - 0.0364),
        ({"room_v": 0.03}, 54.25),
        ({"current_a": 1.3, "wanted_a": -40.0}, 54.0 - 0.2065 + 0.2 - 0.0607),
        ({"current_a": None, "room_v": 0.3}, 54.55),
        ({"high_v": 3.36}, 54.25),
    ],
)
def test_a_charger_that_is_known_is_led_by_its_offset(changes: dict[str, Any], goal_v: float) -> None:
    """0.2 V at 50 A, 1.214 mV less for an ampere less; the practice of the trade no longer counts."""
    assert value(limit_of(verified_v=0.2), **changes) == pytest.approx(goal_v + 0.005, abs=0.0011)


def test_what_is_believed_of_an_unverified_offset_counts_too() -> None:
    """Above what the trade allows, but not at rest."""
    limit = limit_of()
    limit.seek.offset.put(0.1, 0.0)
    assert value(limit, room_v=0.03) == pytest.approx(54.135, abs=0.0011)
    assert value(limit, current_a=0.0, wanted_a=-5.0, room_v=0.03) == pytest.approx(54.035, abs=0.0011)
    assert value(limit, current_a=None, room_v=-0.3) == pytest.approx(53.855, abs=0.0011)


def test_while_the_offset_is_sought_the_limit_does_not_lead_up() -> None:
    """Coming down it goes where the search leads, wherever the string sinks to, or where less current is
    wanted; and no further while the current settles."""
    limit = limit_of()
    limit.seek.offset.put(0.1, 0.0)
    limit.seek.stage = Stage.DOWN
    limit.seek.down_v = 54.1
    assert value(limit) == pytest.approx(54.105, abs=0.0011)
    assert value(limit, string_v=53.99) == pytest.approx(54.105, abs=0.0011)
    assert value(limit, wanted_a=40.0) == pytest.approx(54.055, abs=0.0011)
    limit.seek.stage = Stage.SETTLING
    limit.value = 53.5
    for _ in range(9):
        assert value(limit) == pytest.approx(53.5)


def test_while_the_current_limit_is_tried_the_voltage_stands() -> None:
    """Wherever W is; and that it stands counts."""
    limit, seek = limit_of(COARSE), Still(COARSE)
    limit.seek, seek.tries = seek, True
    seek.offset.put(0.1, 0.0)
    for start_v in (56.0, 53.5):
        assert settled(limit, start_v, 20) == start_v
    assert Still.stood_s == 39.0
    seek.tries = False
    assert settled(limit, 53.5, 1) == 53.6
    seek.tries = seek.voltage_ignored = True
    assert settled(limit, 55.0) == 54.3


def settled(limit: VoltageLimit, start_v: float, steps: int = 40, **changes: Any) -> float:
    """Where it comes to from there, in steps of 0.1 V, around W = 54.05 V."""
    limit.value = start_v
    for _ in range(steps):
        value(limit, **changes)
    return round(limit.value, 3)


def test_alone_it_is_held_within_a_step_below() -> None:
    """From 0.11 V below to 5 mV above; up only with room for a step, and four seconds after it last moved."""
    limit = limit_of(COARSE, verified_v=0.0)
    assert settled(limit, 55.0) == 54.0
    assert settled(limit, 53.5) == 54.0
    assert settled(limit, 53.9) == 54.0
    assert settled(limit, 53.9, string_v=53.97) == 54.0
    assert settled(limit, 53.9, string_v=53.95) == 53.9
    assert settled(limit, 53.5, spare_v=0.01) == 53.5
    assert settled(limit, 53.5, spare_v=0.011) == 54.0
    limit = limit_of(COARSE, verified_v=0.0)
    steps = [settled(limit, 53.5, 1), *[settled(limit, limit.value, 1) for _ in range(8)]]
    assert steps == [53.5, 53.5, 53.5, 53.6, 53.6, 53.6, 53.6, 53.7, 53.7]


def test_without_an_answer_of_the_current_it_is_rounded_up_a_little() -> None:
    """By what takes the worst cell 1.25 mV further: 12.5 mV, if that takes a tenth of all."""
    limit = limit_of(FINE, verified_v=0.0)
    limit.charger.unfelt = True
    assert settled(limit, 55.0, sent_v=54.1) == pytest.approx(54.05 + 0.005 + 0.0125, abs=0.0011)
    assert settled(limit, 55.0, sent_v=54.1, worst_share=0.5) == pytest.approx(
        54.05 + 0.005 + 0.0025, abs=0.0011
    )
    limit = limit_of(COARSE, verified_v=0.0)
    limit.charger.unfelt = True
    assert settled(limit, 53.5, sent_v=54.1) == 54.0
    assert settled(limit, 55.0, sent_v=54.1, string_v=54.034) == 54.1
    assert settled(limit, 55.0, sent_v=54.1, string_v=54.032) == 54.0


def shaded(sent_v: float = 56.0, *, unfelt: bool = True, **changes: Any) -> float:
    """Where a fine limit comes down to, from far above W = 54.05 V, with 50 A of the source's; b is 0.1 V."""
    limit = limit_of(FINE, verified_v=0.1)
    limit.charger.unfelt = unfelt
    limit.value = 55.9
    limit.follow(moment(string_v=53.9, **changes), sent_v, 140.0)
    return limit.value


def test_where_the_source_limits_what_clouds_do_is_not_followed() -> None:
    """Where the string stands 0.2 V lower than the voltage would bring it: by a tenth of the way to W, 0.5 mV
    for 1 A, and what the cells bear beyond the most, up to half of that."""
    w_v = pytest.approx(54.0675, abs=0.0011)
    assert shaded(54.19) == w_v
    assert shaded(54.21) == pytest.approx(54.0675 + 0.005, abs=0.0011)
    assert shaded(54.21, wanted_a=150.0) == pytest.approx(54.0675 + 0.45 + 0.05, abs=0.0011)
    assert shaded(54.21, wanted_a=40.0) == pytest.approx(54.0675 - 0.1 - 0.0121, abs=0.0011)
    assert shaded(54.21, wanted_a=50.0) == pytest.approx(54.017)
    assert shaded(54.21, beyond_a=60.0) == pytest.approx(54.0675 + 0.005 + 0.3, abs=0.0011)
    assert shaded(54.21, beyond_a=99.0) == pytest.approx(54.0675 + 0.005 + 0.35, abs=0.0011)
    assert shaded(56.0, unfelt=False, beyond_a=99.0) == pytest.approx(54.055, abs=0.0011)


def test_before_the_offset_is_known_the_source_is_not() -> None:
    """What seems to stand lower than the voltage would bring it may be led by another offset."""
    limit = limit_of(FINE)
    limit.charger.unfelt = True
    limit.value = 55.9
    limit.follow(moment(wanted_a=40.0, beyond_a=99.0), 56.0, 140.0)
    assert limit.value == pytest.approx(53.95 + 0.005 + 0.0125, abs=0.0011)


def test_where_the_source_limits_nothing_rises() -> None:
    """It would lead to nothing before the sun is back."""
    for sent_v, rises in ((54.19, True), (54.21, False)):
        limit = limit_of(COARSE, verified_v=0.1)
        limit.charger.unfelt = True
        limit.value = 53.8
        for _ in range(9):
            limit.follow(moment(string_v=53.9), sent_v, 140.0)
        assert (limit.value > 53.85) is rises


def test_a_fall_begins_the_four_seconds_anew() -> None:
    """By whatever it falls."""
    limit = limit_of(COARSE, verified_v=0.0)
    settled(limit, 54.0, 9)
    assert settled(limit, 54.0, 1, wanted_a=45.0) == 53.9
    steps = [settled(limit, limit.value, 1) for _ in range(4)]
    assert steps == [53.9, 53.9, 53.9, 54.0]


def test_once_the_current_limit_is_obeyed_it_is_held_above() -> None:
    """From 0.04 to 0.26 V, and rises at once, step by step; unless that was wrong."""
    limit = limit_of(COARSE, verified_v=0.0)
    limit.charger.obeys = True
    assert settled(limit, 55.0, sent_a=50.0) == 54.3
    assert settled(limit, 53.5, sent_a=50.0) == 54.1
    assert settled(limit, 53.5, 2, spare_v=-0.1, sent_a=50.0) == 53.7
    assert settled(limit, 54.0, string_v=53.92, sent_a=50.0) == 54.1
    assert settled(limit, 54.0, string_v=53.90, sent_a=50.0) == 54.0
    limit.charger.ignores = True
    assert settled(limit, 55.0) == 54.0


def test_obeyed_it_is_held_below_until_the_offset_is_known() -> None:
    """The search for it needs a voltage that holds the current."""
    limit = limit_of(COARSE)
    limit.charger.obeys = True
    assert settled(limit, 53.5, 3, sent_a=50.0) == 53.5
    assert settled(limit, 53.5, sent_a=50.0) == 54.0
    assert settled(limit, 55.0, sent_a=50.0) == 54.0


def test_obeyed_it_comes_down_only_where_the_current_limit_is_felt() -> None:
    """By no more than 1.98 A below; and then by no more than what the cells bear beyond the most."""
    limit = limit_of(COARSE, verified_v=0.0)
    limit.charger.obeys = True
    assert settled(limit, 55.0, sent_a=52.0) == 55.0
    assert settled(limit, 55.0, sent_a=51.9) == 54.3
    assert settled(limit, 55.0, sent_a=50.0, beyond_a=40.0) == 54.5
    assert settled(limit, 53.5, sent_a=140.0) == 54.1


def test_a_voltage_limit_that_is_ignored_only_keeps_still() -> None:
    """From 0.14 V below to 0.3 V above; up while there is room at all."""
    limit = limit_of(COARSE, verified_v=0.0)
    limit.seek.voltage_ignored = True
    assert settled(limit, 55.0) == 54.3
    assert settled(limit, 53.5) == 54.0
    assert settled(limit, 53.9, string_v=54.03) == 54.0
    assert settled(limit, 53.9, string_v=53.98) == 53.9
    assert settled(limit, 53.5, 2, spare_v=0.001) == 53.7
    assert settled(limit, 53.5, 2, spare_v=0.0) == 53.5


def test_a_voltage_limit_that_is_ignored_has_no_offset() -> None:
    """What was found of it before, 0.2 V either way, moves the limit no more."""
    for verified_v in (0.2, -0.2):
        limit = limit_of(COARSE, verified_v=verified_v)
        limit.seek.voltage_ignored = True
        assert (settled(limit, 55.0), settled(limit, 53.5)) == (54.3, 54.0)
        limit.seek.voltage_ignored = False
        assert settled(limit, 55.0) == round(54.0 + verified_v, 1)


def test_in_an_experiment_it_goes_where_that_leads() -> None:
    """At once, while there is room; never above the ceiling."""
    limit = limit_of(COARSE, verified_v=0.0)
    limit.seek.held_v = 54.615
    assert settled(limit, 54.0, 2) == 54.2
    assert settled(limit, 54.0) == 54.6
    assert settled(limit, 55.0) == 54.6
    assert settled(limit, 54.6, spare_v=0.0) == 54.0
    limit.seek.held_v = 57.0
    assert settled(limit, 55.5) == 56.0


def test_what_was_sent_is_remembered_and_what_flows_is_judged() -> None:
    """By new readings of a known current."""
    limit = limit_of()
    for sent_a in (140.0, *[40.0] * 10):
        limit.follow(moment(), 55.0, sent_a)
    assert (limit.charger.most_v, limit.charger.most_a, limit.charger.ignores) == (55.0, 40.0, True)
    for unknown in ({"elapsed_s": 0.0}, {"current_a": None}):
        limit = limit_of()
        for _ in range(10):
            limit.follow(moment(**unknown), 55.0, 40.0)
        assert not limit.charger.ignores
    limit = limit_of()
    for n in range(12):
        limit.follow(moment(**({"current_a": None} if n % 2 else {})), 55.0, 40.0)
    assert limit.charger.ignores


def forgotten(limit: VoltageLimit) -> bool:
    """Whether the offset is no longer known."""
    return not limit.seek.offset.verified


def test_far_below_the_knee_for_long_the_charger_is_forgotten() -> None:
    """50 mV and 600 s; what it was like is kept as of before, but for a limit that was ignored."""
    limit = limit_of(verified_v=0.2)
    limit.charger.lag_s, limit.charger.ignores, limit.seek.voltage_ignored = 4.0, True, True
    assert limit.learnt == Learnt((), 0.2, 50.0, 4.0, True)
    value(limit, high_v=3.34, dt_s=599.0)
    value(limit, high_v=3.35)
    value(limit, high_v=3.349, dt_s=600.0)
    assert (forgotten(limit), limit.charger.ignores) == (False, True)
    value(limit, high_v=3.349, dt_s=0.5)
    assert limit.learnt == Learnt((), 0.2, 50.0, 4.0, False)
    assert (forgotten(limit), limit.seek.voltage_ignored, limit.idle) == (True, False, True)


def test_with_room_for_far_more_it_is_forgotten_anywhere_below_the_knee() -> None:
    """A current that was held down for nothing may lift the cells that far."""
    for free, high_v, gone in ((True, 3.399, True), (True, 3.4, False), (False, 3.399, False)):
        limit = limit_of(verified_v=0.2)
        value(limit, high_v=high_v, free=free, dt_s=600.5)
        assert forgotten(limit) is gone


def test_below_the_knee_again_the_limit_rises_to_the_ceiling() -> None:
    """Step by step, after the time that it takes to forget."""
    limit = limit_of(COARSE, verified_v=0.2)
    assert settled(limit, 54.0, 1, high_v=3.34, dt_s=600.0) < 54.5
    assert not forgotten(limit)
    value(limit, high_v=3.34, dt_s=0.5)
    assert forgotten(limit)
    before_v = limit.value
    value(limit, high_v=3.34)
    assert limit.value == pytest.approx(before_v + 0.1)


def test_what_is_said_anew_of_no_new_reading_ends_no_stretch_above_the_limit() -> None:
    """A limit that was wide for a moment between two readings."""
    limit = limit_of()
    limit.follow(moment(), 55.0, 40.0)
    for sent_a in (140.0, *[40.0] * 9):
        limit.follow(moment(elapsed_s=0.0), 55.0, sent_a)
    limit.follow(moment(), 55.0, 40.0)
    assert limit.charger.ignores


def test_a_limit_at_the_top_of_its_band_stands_still() -> None:
    """The wire's grid is no binary number."""
    for held_v in (53.3, 53.8, 54.3, 54.8, 55.3, 56.0):
        limit = limit_of(COARSE, verified_v=0.0)
        limit.seek.held_v = held_v
        assert settled(limit, 56.0, 9) == held_v
        assert Still.stood_s in (7.0, 8.0)


def test_the_search_for_the_offset_begins_in_the_knee() -> None:
    """With what flows."""
    limit = VoltageLimit(FINE, NOTHING)
    stages = []
    for high_v in (3.39, 3.45):
        value(limit, high_v=high_v)
        stages.append(limit.seek.stage)
    assert stages == [Stage.WAITING, Stage.DOWN]


def test_without_a_known_current_the_limit_stands_for_no_trial() -> None:
    """It comes down to what the practice of the trade allows."""
    limit = VoltageLimit(FINE, NOTHING)
    assert value(limit) == pytest.approx(56.0)
    assert limit.seek.tries
    assert value(limit, current_a=None, room_v=0.3) < 54.0 + 0.3 + 0.5


def test_what_was_kept_is_taken_up() -> None:
    """By charger and search."""
    kept = Learnt((), 0.1, 20.0, 4.0, True)
    assert VoltageLimit(FINE, kept).learnt == kept
