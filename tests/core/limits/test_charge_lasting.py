"""The charge current limit: what lasts, what falls by itself, and what doubt about a resistance costs."""

import math
from dataclasses import replace

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_current import CurrentLimit, allowed_a, fades, lasting_a, margin_v
from bridge.core.charging.charge_law import ChargeLaw, ChargeLimits
from bridge.core.charging.charge_settings import ChargeSettings, Learnt

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
FOUR = replace(LFP, cells=4, ceiling_v=14.0)
OHM = RESISTANCE_V / 280.0
CURVE = 0.7 / (0.0097 * 3600.0 * 280.0)
"""Of the slope that is expected of the curve, a volt, what is reckoned with at least."""
GOAL_V = 3.5 - 0.00245
ABOVE_V = 0.0004
"""How much higher each cell may be than is believed."""


def cells_at(volt: float, flows_a: float, *, flowed_a: float = 0.0, slope: float = 0.0) -> Cells:
    """Two cells, the second at `volt` and of twice the resistance; `flowed_a` until now, for long."""
    cells = Cells(LFP)
    cells.update([3.30, volt], flowed_a, 1e12, 25.0)
    cells.volts, cells.ohms, cells.slopes = [3.30, volt], [OHM, 2.0 * OHM], [0.0, slope]
    cells.highs = [3.30 + ABOVE_V, volt + ABOVE_V]
    cells.current_a = flows_a
    return cells


def slow(horizon_s: float) -> float:
    """What the slow parts build up within a time, as a share of the fast one."""
    return 0.4 * horizon_s / (20.0 + horizon_s) + 0.8 * horizon_s / (200.0 + horizon_s)


def rest_v(volt: float, flows_a: float, flowed_a: float) -> float:
    """How far the second cell would rest above the foot of the curve."""
    return volt - 2.0 * OHM * (flows_a + 1.2 * flowed_a) - (3.40 - 0.065)


@pytest.mark.parametrize("horizon_s", [8.0, 38.0])
@pytest.mark.parametrize(
    ("volt", "flows_a", "flowed_a", "slope"),
    [
        (3.460, 0.0, 0.0, 0.0),
        (3.480, 60.0, 60.0, 0.0),
        (3.460, 20.0, 80.0, 0.0),
        (3.440, 80.0, 20.0, 3e-5),
        (3.520, 80.0, 20.0, 3e-5),
    ],
)
def test_what_lasts_ends_at_the_goal_with_all_that_the_slow_parts_build_up(
    volt: float, flows_a: float, flowed_a: float, slope: float, horizon_s: float
) -> None:
    """They go, from what they have built up, by so much of the way to the new current."""
    cells = cells_at(volt, flows_a, flowed_a=flowed_a, slope=slope)
    amps = lasting_a(LFP, cells, GOAL_V, horizon_s)
    ohm, rise = 2.0 * OHM, max(slope, CURVE * rest_v(volt, flows_a, flowed_a)) * horizon_s
    built_a = (amps - flowed_a) * slow(horizon_s)
    assert volt + ABOVE_V + ohm * (amps - flows_a + built_a) + rise * amps == pytest.approx(GOAL_V)


def test_what_lasts_is_for_the_first_cell_to_come_to_its_goal() -> None:
    """Whichever it is; without cells there is no bound."""
    cells = cells_at(3.48, 0.0)
    expected = lasting_a(LFP, cells, GOAL_V, 30.0)
    for each in (cells.volts, cells.highs, cells.ohms, cells.slopes):
        each.reverse()
    assert lasting_a(LFP, cells, GOAL_V, 30.0) == expected
    assert lasting_a(LFP, Cells(LFP), GOAL_V, 30.0) > 1e6


@pytest.mark.parametrize(
    ("volt", "doubt", "reckoned"),
    [
        (3.46, 0.5, 2.6),
        (3.46, 0.7, 2.7),
        (3.46, 7.0, 9.0),
        (3.50, 0.7, 1.3),
        (3.50, 1.7, 0.4),
        (3.50, 7.0, 0.4),
    ],
)
def test_a_resistance_is_as_large_or_as_small_as_it_may_be(
    volt: float, doubt: float, reckoned: float
) -> None:
    """For a rise the larger by the doubt, or 1.3 times, the more of both; for a fall the smaller by the
    doubt, but no less than the least that is believed of any."""
    amps = allowed_a(LFP, cells_at(volt, 20.0, flowed_a=20.0), GOAL_V, 8.0, doubt_ohm=doubt * OHM)
    rise = CURVE * rest_v(volt, 20.0, 20.0) * 8.0
    assert volt + ABOVE_V + reckoned * OHM * (amps - 20.0) + rise * amps == pytest.approx(GOAL_V)


@pytest.mark.parametrize(
    ("volt", "slope", "reckoned"),
    [(3.494, 1e-5, 2.6), (3.485, 0.0, 2.6), (3.494, 1e-3, 2.0), (3.457, 1e-4, 2.0), (3.430, 1e-4, 2.6)],
)
def test_a_current_that_falls_by_itself_may_begin_higher(volt: float, slope: float, reckoned: float) -> None:
    """At the goal at its end, with the mean of an exponential, or at its begin if that is nearer. A rise
    is reckoned with 1.3 times the resistance, as any, but where that would be the more with the resistance
    itself: what the current falls by is then worth more than what it rises by."""
    fade = 0.4
    cells = cells_at(volt, 60.0, flowed_a=60.0, slope=slope)
    amps = allowed_a(LFP, cells, GOAL_V, 8.0, fade=fade)
    rise = max(slope, CURVE * rest_v(volt, 60.0, 60.0)) * 8.0
    mean_a = amps * (1.0 - math.exp(-fade)) / fade
    begin_v = volt + ABOVE_V + reckoned * OHM * (amps - 60.0)
    end_v = volt + ABOVE_V + reckoned * OHM * (amps * math.exp(-fade) - 60.0) + rise * mean_a
    assert max(begin_v, end_v) == pytest.approx(GOAL_V)
    assert (end_v > begin_v) is (slope >= 1e-4)


@pytest.mark.parametrize("doubt", [0.1, 0.7, 7.0])
@pytest.mark.parametrize("fade", [0.0, 0.4, 2.0])
@pytest.mark.parametrize("slope", [0.0, 1e-4])
@pytest.mark.parametrize("volt", [3.40, 3.43, 3.457, 3.48, 3.50, 3.52])
def test_a_doubt_never_allows_more(volt: float, slope: float, fade: float, doubt: float) -> None:
    """Whether it leads up or down."""
    cells = cells_at(volt, 60.0, flowed_a=60.0, slope=slope)
    in_doubt_a = allowed_a(LFP, cells, GOAL_V, 8.0, fade=fade, doubt_ohm=doubt * OHM)
    assert in_doubt_a <= allowed_a(LFP, cells, GOAL_V, 8.0, fade=fade)


def test_by_how_much_a_current_falls_under_a_held_voltage() -> None:
    """The rise of all cells over their resistance; of each the lesser of what was seen and 0.7 of the
    curve's, and none of those below its foot."""
    cells = cells_at(3.46, 50.0, flowed_a=50.0, slope=1e-3)
    model = CURVE * rest_v(3.46, 50.0, 50.0)
    assert fades(LFP, cells, 10.0) == pytest.approx(model * 10.0 / (3.0 * OHM))
    cells.slopes = [1e-3, 0.5 * model]
    assert fades(LFP, cells, 10.0) == pytest.approx(0.5 * model * 10.0 / (3.0 * OHM))
    cells.volts[1] = 3.34
    assert fades(LFP, cells, 10.0) == 0.0


def test_a_limit_rises_and_creeps_to_what_lasts() -> None:
    """And only if that is a gap above; what lasts less than what flows takes nothing back."""
    limit = CurrentLimit(replace(LFP, wire_a=0.001))
    limit.follow(50.0005, 0.0, 1.0)
    assert limit.may_rise(55.7)
    assert not limit.may_rise(55.6)
    assert limit.follow(140.0, 50.0, 1.0, lasting_a=40.0) == pytest.approx(50.0)
    assert limit.follow(140.0, 50.0, 1.0, lasting_a=50.17) == pytest.approx(50.030)
    assert limit.follow(140.0, 50.0, 1.0, lasting_a=55.6) == pytest.approx(50.100)
    assert limit.follow(140.0, 50.0, 1.0, lasting_a=55.8) == pytest.approx(53.100)
    assert limit.follow(140.0, 0.0, 1.0, lasting_a=54.0) == pytest.approx(54.0)
    assert limit.follow(140.0, 0.0, 1.0, lasting_a=51.0) == pytest.approx(54.0)
    assert limit.follow(140.0, 0.0, 1.0, lasting_a=54.5) == pytest.approx(54.5)


def test_the_most_is_no_reason_to_rise() -> None:
    """Nor is more than that, where it stands there already."""
    limit = CurrentLimit(LFP)
    assert not limit.may_rise(900.0)
    limit.follow(100.0, 0.0, 1.0)
    assert limit.may_rise(900.0)


def step(
    law: ChargeLaw, high_v: float, current_a: float | None, *, dt_s: float = 1.0, count: int = 4
) -> ChargeLimits:
    """New readings after some time, one cell ahead; the widest limits went out."""
    cells_v = [high_v, *[3.402] * (count - 1)]
    return law.step(dt_s, cells_v, 13.7, current_a, sent_v=14.0, sent_a=140.0)


def test_the_doubt_about_resistances_bounds_the_first_current() -> None:
    """Until a step of the current has told them to half of what is expected; then it is gone at once."""
    law = ChargeLaw(FOUR)
    first_a = step(law, 3.421, 0.0).current_a
    expected = allowed_a(FOUR, law.cells, GOAL_V, 8.0, doubt_ohm=7.0 * OHM)
    assert first_a == law.first.value == pytest.approx(expected, abs=0.1)
    assert first_a < 0.5 * law.wanted_a
    law.cells.doubt = 0.5001
    step(law, 3.421, 0.0)
    assert law.first.value < 140.0
    law.cells.doubt = 0.5
    step(law, 3.421, 0.0)
    assert law.first.value == 140.0


def test_without_a_known_current_the_taper_needs_no_doubt() -> None:
    """No step of it could ever tell the resistances."""
    law = ChargeLaw(FOUR)
    assert step(law, 3.461, None).current_a == law.current.value > 0.0
    assert law.first.value == 140.0


def test_it_rises_to_what_lasts_thirty_seconds_past_the_horizon() -> None:
    """Where there is a gap above; else what lasts is no bound."""
    fast = replace(FOUR, rise_a_per_s=99.0, wire_a=0.001)
    law = ChargeLaw(fast, Learnt((1.0,) * 4))
    before_a = step(law, 3.493, 84.0, dt_s=1e4).current_a
    after_a = step(law, 3.465, 84.0).current_a
    lasts_a = lasting_a(fast, law.cells, 3.5 - margin_v(fast, law.cells), 8.0 + 30.0)
    assert after_a == pytest.approx(lasts_a, abs=0.001)
    assert before_a + 10.0 < after_a < law.wanted_a - 20.0


def test_what_did_not_last_before_is_no_bound_of_a_small_rise() -> None:
    """With a gap above there is nothing that lasts; without one the limit creeps, by 0.07 A a second."""
    fine = replace(FOUR, wire_a=0.001)
    law = ChargeLaw(fine, Learnt((1.0,) * 4))
    before_a = step(law, 3.493, 84.0, dt_s=1e4).current_a
    assert step(law, 3.482, 84.0).current_a == before_a < law.wanted_a - 5.6
    assert lasting_a(fine, law.cells, GOAL_V, 38.0) < before_a
    assert step(law, 3.489, 84.0).current_a == pytest.approx(before_a + 0.07, abs=0.0011)
    assert before_a + 0.14 < law.wanted_a < before_a + 5.6


def test_a_rise_for_two_cells_keeps_the_margin_of_not_knowing_which() -> None:
    """1.2 mV less of room, in what lasts and what is sure as well."""
    law = ChargeLaw(FOUR)
    step(law, 3.461, 0.0, count=2)
    goal_v = GOAL_V - 0.0012
    assert law.wanted_a == pytest.approx(allowed_a(FOUR, law.cells, goal_v, 8.0))
    expected = allowed_a(FOUR, law.cells, goal_v, 8.0, doubt_ohm=7.0 * OHM)
    assert law.first.value == pytest.approx(expected, abs=0.1)
