"""The discharge law step by step: its horizon, its floor, and what it makes of the inverter."""

import math
from dataclasses import replace

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.draw.draw_law import DrawLaw, DrawLimits, DrawSettings

FINE = DrawSettings(16, 280.0, 2.90, 3.05, 140.0, wire_v=0.001, wire_a=0.001)
GOAL_V = 2.9031
OHM = 1.6 * RESISTANCE_V / 280.0
"""Of a cell whose resistance has not been seen."""


def fall_per_as(rest_v: float) -> float:
    """How fast a cell may fall with the charge drawn, V/As."""
    return max(3.20 - rest_v, 0.0) / (0.03 * 3600.0 * 280.0)


def limit_a(rest_v: float, horizon_s: float, ohm: float = OHM) -> float:
    """The current limit, A, that a cell leaves which would rest at this voltage."""
    grows = 1.0 + math.sqrt(horizon_s / 120.0)
    return (rest_v - GOAL_V) / (ohm * grows + fall_per_as(rest_v) * horizon_s)


def goal_v(rest_v: float, others_v: float = 0.0) -> float:
    """W without the voltmeter: 16 cells, one of which would rest at this voltage, 15 so much higher."""
    at_once_a = (rest_v - GOAL_V - fall_per_as(rest_v) * 8.0 * min(limit_a(rest_v, 8.0), 140.0)) / OHM
    return 16.0 * rest_v + 15.0 * others_v - 16.0 * OHM * at_once_a


def behind_v(rest_v: float) -> float:
    """How far the floor stands below W while the current limit is obeyed: voltmeter, band and cable."""
    return 0.2 + 0.15 + 0.003 * min(limit_a(rest_v, 8.0), 140.0)


def step(
    law: DrawLaw, low_v: float, current_a: float | None = 0.0, *, others_v: float = 0.0, sent_a: float = 140.0
) -> DrawLimits:
    """A second later: new readings of all cells."""
    return law.step(1.0, [low_v, *[low_v + others_v] * 15], None, current_a, sent_a=sent_a)


def test_the_horizon_is_period_or_age_a_second_and_twice_the_lag() -> None:
    """Age is that of what is late. The time before the first readings is no period; a longer one is forgotten
    by 2 % a reading."""
    law = DrawLaw(FINE)
    rows = [
        (5.0, True, 2.951, 8.0),
        (1.0, False, 2.951, 8.0),
        (1.5, False, 2.951, 9.5),
        (0.5, True, 2.947, 10.0),
        (1.0, True, 2.939, 7.0 + 3.0 * 0.98),
        (4.0, True, 2.937, 11.0),
        (3.95, True, 2.929, 10.95),
    ]
    for dt_s, fresh, low_v, horizon_s in rows:
        limits = law.step(dt_s, [low_v] * 16, None, 0.0, fresh=fresh, sent_a=140.0)
        assert law.current.exact == pytest.approx(limit_a(law.cells.volts[0], horizon_s))
        assert limits.current_a == pytest.approx(law.current.exact, abs=0.001)


def test_cold_is_told_or_taken_for_25_degrees() -> None:
    """By the resistance."""
    plain, cold = DrawLaw(FINE), DrawLaw(FINE)
    plain.step(1.0, [2.951], None, 0.0, sent_a=140.0)
    cold.step(1.0, [2.951], None, 0.0, coldest_c=0.0, sent_a=140.0)
    assert plain.cells.ohms == pytest.approx([OHM])
    assert cold.cells.ohms == pytest.approx([OHM * math.exp(2500.0 * (1 / 273.15 - 1 / 298.15))])


@pytest.mark.parametrize("rest_v", [2.951, 3.011])
@pytest.mark.parametrize("current_a", [0.0, -20.0, 20.0])
def test_the_floor_is_where_the_string_stands_when_its_first_cell_does(
    rest_v: float, current_a: float
) -> None:
    """Whatever is drawn; it stands behind by what voltmeter and cable may be wrong, and its band."""
    floor_v = step(DrawLaw(FINE), rest_v + OHM * current_a, current_a, others_v=0.302).floor_v
    assert floor_v == pytest.approx(goal_v(rest_v, 0.302) - behind_v(rest_v), abs=0.0011)


def test_a_cable_takes_nothing_where_nothing_is_borne() -> None:
    """A cell 2.2 mV below its goal, as yet above its floor."""
    floor_v = step(DrawLaw(FINE), 2.901, others_v=0.102).floor_v
    assert floor_v == pytest.approx(16.0 * GOAL_V + 1.53 - 0.35, abs=0.0011)


def test_a_coarse_wire_puts_it_behind_by_a_step() -> None:
    """Where that is more than it is held for: it may be rounded up as far as that."""
    assert goal_v(2.951, 0.315) - behind_v(2.951) > 50.5
    assert step(DrawLaw(replace(FINE, wire_v=0.5)), 2.951, others_v=0.315).floor_v == 50.5


def test_a_string_that_is_measured_needs_no_cells() -> None:
    """The lowest stands for all resistances; with all cells their sum counts, and without either nothing."""
    for pack_v in (16.0 * 2.951 + 1.53, None):
        law = DrawLaw(FINE)
        floor_v = law.step(1.0, [2.951], pack_v, 0.0, sent_a=140.0).floor_v
        behind = pytest.approx(goal_v(2.951, 0.102) - behind_v(2.951), abs=0.0011)
        expected = None if pack_v is None else behind
        assert floor_v == expected
    floor_v = DrawLaw(FINE).step(1.0, [2.951, *[3.053] * 15], 40.0, 0.0, sent_a=140.0).floor_v
    assert floor_v == pytest.approx(goal_v(2.951, 0.102) - behind_v(2.951), abs=0.0011)


def test_an_unknown_current_is_taken_for_none() -> None:
    """And the limit for obeyed, as with one that is known."""
    law = DrawLaw(FINE)
    limits = step(law, 2.951, None, others_v=0.102)
    assert law.cells.drawn_a == 0.0
    assert limits.floor_v == pytest.approx(goal_v(2.951, 0.102) - behind_v(2.951), abs=0.0011)
    assert limits.current_a == pytest.approx(limit_a(2.951, 8.0), abs=0.001)


def test_the_floor_is_never_far_above_what_the_string_shows_at_rest() -> None:
    """By more than the voltmeter's error and a step."""
    floor_v = step(DrawLaw(FINE), 2.86, others_v=0.102).floor_v
    assert floor_v == pytest.approx(16.0 * 2.86 + 1.53 + 0.2 + 0.001, abs=0.0011)


def ignoring(law: DrawLaw, seconds: int = 30) -> DrawLimits:
    """So many seconds of 60 A where 40 A are allowed."""
    for _ in range(seconds):
        limits = step(law, 2.951, -60.0, others_v=0.102, sent_a=40.0)
    return limits


def test_one_that_draws_more_than_was_sent_is_said_to_ignore() -> None:
    """From then on the floor stands before W; what is not known is not said, but not forgotten either."""
    law = DrawLaw(FINE)
    assert not ignoring(law, 17).current_ignored
    before_v = law.floor.value
    assert ignoring(law, 1).current_ignored
    assert law.floor.value == pytest.approx(before_v + behind_v(2.951 + OHM * 60.0) + 0.2, abs=0.02)
    assert not step(law, 2.951, None, others_v=0.102).current_ignored
    assert step(law, 2.951, -60.0, others_v=0.102).current_ignored


def test_only_new_readings_show_what_is_drawn() -> None:
    """A step without them adds nothing to the time, and takes nothing."""
    law = DrawLaw(FINE)
    ignoring(law, 17)
    pack = [2.951, *[3.053] * 15]
    for _ in range(5):
        assert not law.step(1.0, pack, None, -60.0, fresh=False, sent_a=40.0).current_ignored
    assert ignoring(law, 1).current_ignored
    law = DrawLaw(FINE)
    for n in range(40):
        limits = law.step(0.5, pack, None, -60.0, fresh=n % 2 == 0, sent_a=40.0)
    assert limits.current_ignored


def test_it_is_looked_at_near_the_floor_only_and_while_the_current_is_known() -> None:
    """Otherwise what was sent is forgotten, and the whole time begins anew."""
    law = DrawLaw(FINE)
    for _ in range(60):
        assert not step(law, 3.30, -60.0, sent_a=40.0).current_ignored
    law = DrawLaw(FINE)
    ignoring(law, 17)
    step(law, 2.951, None, others_v=0.102, sent_a=40.0)
    assert not ignoring(law, 17).current_ignored
    assert ignoring(law, 1).current_ignored


def closed(*lows_v: float) -> bool:
    """Whether the floor stands before W after these lowest cells, one a second."""
    law = DrawLaw(FINE)
    for low_v in lows_v:
        floor_v = step(law, low_v, others_v=0.102).floor_v
    assert floor_v is not None
    return floor_v > 47.9


def test_a_cell_at_its_floor_ends_it_whatever_is_obeyed() -> None:
    """The lowest of them, at the floor itself; until it is above the knee, or was never there."""
    assert closed(2.90)
    assert not closed(2.903)
    assert closed(2.90, 2.92, 3.05)
    assert not closed(2.90, 2.92, 3.051)
    assert not closed(2.90, 3.04, 3.04, 3.04)
    assert closed(2.90, 3.04, 3.04, 3.04, 2.89)


def test_the_floor_comes_down_at_once_when_it_need_not_carry_the_pack_alone() -> None:
    """Here the cell that closed it is charged again; without such a reason it stays."""
    law = DrawLaw(FINE)
    high_v = step(law, 2.90, others_v=0.202).floor_v
    assert high_v == pytest.approx(16.0 * 2.90 + 3.03 + 0.2, abs=0.0011)
    low_v = step(law, 3.051, others_v=0.052).floor_v
    string_v = goal_v(3.051, 0.052) - 16.0 * 0.0005  # half a step of the sensors each
    assert low_v == pytest.approx(string_v - behind_v(3.051), abs=0.0011)
    assert step(law, 3.051, others_v=0.002).floor_v == low_v


def test_the_floor_comes_down_at_once_when_a_reading_was_wrong() -> None:
    """The third of those that contradict it says so."""
    law = DrawLaw(FINE)
    high_v = step(law, 2.905, others_v=0.202).floor_v
    assert [step(law, 3.107).floor_v for _ in range(2)] == [high_v, high_v]
    assert step(law, 3.107).floor_v == 46.4


def stand(law: DrawLaw, low_v: float, others_v: float, seconds: float) -> DrawLimits:
    """So many seconds without current, with readings after the first of them."""
    pack = [low_v, *[low_v + others_v] * 15]
    law.step(1.0, pack, None, 0.0, sent_a=140.0)
    return law.step(seconds - 1.0, pack, None, 0.0, fresh=False, sent_a=140.0)


def test_ten_minutes_far_from_it_the_law_leaves_the_floor() -> None:
    """Far is where half as much again as the most is allowed; near again, the floor begins anew."""
    law = DrawLaw(FINE)
    stand(law, 2.951, 0.3, 2.0)
    for _ in range(100):
        assert (stand(law, 3.061, 0.3, 6.0).floor_v or 0.0) > 50.0
    assert law.step(0.5, [3.061, *[3.361] * 15], None, 0.0, sent_a=140.0).floor_v is None
    assert stand(law, 2.951, 0.0, 2.0).floor_v == 46.4


def test_it_is_idle_when_nothing_is_limited_and_the_floor_is_far() -> None:
    """Both: a limit that still stands low is not, nor is a floor that is near."""
    law = DrawLaw(FINE)
    assert law.idle
    assert (stand(law, 3.011, 0.3, 2.0).current_a, law.idle) == (140.0, False)
    law = DrawLaw(FINE)
    assert stand(law, 2.951, 0.3, 2.0).current_a < 140.0
    law.step(1.0, [3.301, *[3.4] * 15], None, 0.0, sent_a=140.0)
    for _ in range(70):
        law.step(10.0, [3.301, *[3.4] * 15], None, 0.0, fresh=False, sent_a=140.0)
    assert (law.floor.value, law.current.value < 140.0, law.idle) == (46.4, True, False)


def test_what_was_seen_of_the_inverter_is_forgotten_after_half_a_day_far_from_the_floor() -> None:
    """43,200 s."""
    law = DrawLaw(FINE)
    assert ignoring(law).current_ignored
    for _ in range(108):
        assert law.step(400.0, [3.401] * 16, None, 0.0, sent_a=140.0).current_ignored
    assert not law.step(0.5, [3.401] * 16, None, 0.0, sent_a=140.0).current_ignored
