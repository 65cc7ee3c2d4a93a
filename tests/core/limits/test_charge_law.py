"""The charge law: what is learnt within bounds, and packs charged under it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.cells.resistance import LEAST, MOST, RESISTANCE_V
from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_current import CurrentLimit, allowed_a, lasting_a
from bridge.core.charging.charge_law import ChargeLaw, ChargeLimits, ChargeSettings, Learnt
from bridge.core.charging.charge_offset import LEAST_V, MOST_V, Offset
from tests.bench.charge_laws import LAWS
from tests.bench.charge_run import Trial
from tests.bench.charge_scenarios import SCENARIOS

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
GOAL_V = 3.497


def cells_at(volts: list[float], current_a: float, coldest_c: float = 25.0) -> Cells:
    """Cells that have stood like this for a while."""
    cells = Cells(LFP)
    for _ in range(30):
        cells.update(volts, current_a, 1.0, coldest_c)
    return cells


@given(
    st.lists(st.tuples(st.lists(st.floats(0, 5), min_size=4, max_size=4), st.floats(-300, 300)), max_size=40)
)
def test_what_is_learnt_of_cells_is_bounded(rows: list[tuple[list[float], float]]) -> None:
    """Whatever the readings."""
    cells = Cells(replace(LFP, cells=4))
    for pack, amps in rows:
        cells.update(pack, amps, 1.0, 25.0)
        base = RESISTANCE_V / 280.0
        assert all(LEAST * base * 0.999 <= ohm <= MOST * base * 1.001 for ohm in cells.ohms)
        assert all(0.0 <= slope < 1e-3 for slope in cells.slopes)


@given(st.lists(st.tuples(st.sampled_from("pbck"), st.floats(-60, 60), st.floats(-300, 300)), max_size=40))
def test_what_is_learnt_of_the_charger_is_bounded(rows: list[tuple[str, float, float]]) -> None:
    """Whatever is seen."""
    offset = Offset(280.0)
    for what, seen_v, amps in rows:
        if what == "p":
            offset.put(seen_v, amps)
        elif what == "b":
            offset.bound(seen_v, amps)
        elif what == "c":
            offset.confirm(seen_v, amps)
        else:
            offset.creep(seen_v, amps, 0.1)
        assert LEAST_V - 1.0 <= offset.at(amps) <= MOST_V


@given(st.lists(st.tuples(st.floats(-50, 200), st.floats(0, 140)), max_size=50))
def test_the_current_limit_falls_at_once_and_never_passes_what_is_wanted(
    rows: list[tuple[float, float]],
) -> None:
    """Up by its ramp, and never above."""
    limit = CurrentLimit(LFP)
    for goal_a, amps in rows:
        before = limit.value
        now = limit.follow(goal_a, amps, 1.0)
        assert now <= max(min(goal_a, LFP.most_a), 0.0) + 1e-6
        assert now <= before + LFP.rise_a_per_s + 0.1


def test_a_rise_leads_no_further_than_to_what_lasts() -> None:
    """And what could not last at all is no reason to rise."""
    limit = CurrentLimit(LFP)
    limit.follow(50.0, 50.0, 1.0)
    assert limit.follow(100.0, 50.0, 1.0, lasting_a=50.0) == pytest.approx(50.0, abs=0.11)
    for _ in range(60):
        limit.follow(100.0, 80.0, 1.0, lasting_a=80.0)
    assert limit.value == pytest.approx(80.0, abs=2.1)


def test_what_lasts_counts_what_the_slow_parts_build_up() -> None:
    """After a cloud the cells stand lower for a while, and would bear more at once than for long."""
    cells = cells_at([3.46] * 16, 100.0)
    under_cloud = [3.46 - 80.0 * ohm for ohm in cells.ohms]
    for _ in range(40):
        cells.update(under_cloud, 20.0, 1.0, 25.0)
    assert lasting_a(LFP, cells, GOAL_V, 38.0) < allowed_a(LFP, cells, GOAL_V, 8.0) - 10.0


def test_a_slope_is_not_learnt_from_a_slow_part_that_fades_under_a_cloud() -> None:
    """The cells sink less than expected: with little current left, that looks like a steep rise."""
    cells = cells_at([3.40] * 16, 140.0)
    for n in range(60):
        cells.update([3.40 - 125.0 * 0.0003 - 0.00005 * n] * 16, 15.0, 1.0, 25.0)
    assert max(cells.slopes) < 3.0 * 0.07 * cells.curve


def test_coarse_sensors_tell_the_slope_where_they_go_on() -> None:
    """Steps of 10 mV while the cells rise by 1 mV a second: known within a third after a few steps."""
    cells = Cells(LFP)
    for n in range(400):
        cells.update([round(3.30 + 0.01 * (n // 100), 2)] * 16, 100.0, 1.0, 25.0)
    for n in range(60):
        cells.update([round(3.35 + 0.001 * n, 2)] * 16, 100.0, 1.0, 25.0)
    assert cells.step_v == 0.010
    assert all(slope * 100.0 == pytest.approx(0.001, rel=0.34) for slope in cells.slopes)


def surge_v(law: ChargeLaw, charger: float = 1.0) -> float:
    """Highest voltage of a cell of four times the resistance while the current sets in, from rest at 3.40 V.

    `charger` is the share of the way to its limit that a charger goes in a second.
    """
    ohms = [RESISTANCE_V / 280.0] * 15 + [4.0 * RESISTANCE_V / 280.0]
    amps, sent_a, high_v = 0.0, 0.0, 0.0
    for _ in range(30):
        cells_v = [3.40 + ohm * amps for ohm in ohms]
        high_v = max(high_v, *cells_v)
        shown = [round(v, 3) for v in cells_v]
        sent_a = law.step(1.0, shown, None, round(amps, 1), sent_v=56.0, sent_a=sent_a).current_a
        amps += charger * (sent_a - amps)
    return high_v


@pytest.mark.parametrize("charger", [0.3, 1.0])
def test_a_bad_contact_is_not_surprised_by_the_first_current(charger: float) -> None:
    """Nothing is known of it: the law itself sets in gently, and needs no ramp."""
    assert surge_v(ChargeLaw(LFP), charger) <= 3.50


def test_what_was_kept_of_the_resistances_is_believed() -> None:
    """Even if it is wrong by then: the first current is what it allows."""
    assert surge_v(ChargeLaw(LFP, Learnt((1.0,) * 16))) > 3.51


def test_far_below_the_target_the_first_current_is_full_or_soon_is() -> None:
    """Where even the largest resistance leaves room, at once; else as soon as a step has been seen."""
    low = replace(LFP, target_v=3.70)
    assert ChargeLaw(low).step(1.0, [3.30] * 16, None, 0.0, sent_v=56.0, sent_a=0.0).current_a == 140.0
    law = ChargeLaw(LFP)
    first = law.step(1.0, [3.30] * 16, None, 0.0, sent_v=56.0, sent_a=0.0)
    assert 70.0 < first.current_a < 100.0
    seen = [round(3.30 + 40.0 * RESISTANCE_V / 280.0, 3)] * 16
    assert law.step(1.0, seen, None, 40.0, sent_v=56.0, sent_a=first.current_a).current_a == 140.0


def test_small_steps_leave_more_doubt_about_the_resistance_than_large_ones() -> None:
    """By how far the sensors blur them; repeated ones leave less and less, an absurd one tells nothing."""
    base, doubts = RESISTANCE_V / 280.0, []
    for amps in (15.0, 140.0):
        cells = cells_at([3.30] * 16, 0.0)
        cells.update([3.30 + base * amps] * 16, amps, 1.0, 25.0)
        doubts.append(cells.doubt)
    assert doubts[0] > 3.0 * doubts[1]
    cells = cells_at([3.30] * 16, 0.0)
    for n in range(6):
        amps = 15.0 * (1 - n % 2)
        before = cells.doubt
        cells.update([3.30 + base * amps] * 16, amps, 1.0, 25.0)
        assert cells.doubt < before
    cells = cells_at([3.30] * 16, 0.0)
    before = cells.doubt
    cells.update([3.90] * 16, 15.0, 1.0, 25.0)
    assert cells.doubt == before


def test_between_readings_the_limit_only_falls_once_the_next_is_late() -> None:
    """Readings every 10 s: their age within that time is foreseen, and makes no saw-tooth on the wire."""
    law = ChargeLaw(LFP, Learnt((1.0,) * 16))
    wanted = []
    for n in range(81):
        fresh = n % 10 == 0 and n < 70
        law.step(1.0, [3.47] * 16, None, 60.0, fresh=fresh, sent_v=56.0, sent_a=60.0)
        wanted.append(law.wanted_a)
    assert wanted[60:70] == [wanted[60]] * 10
    assert wanted[80] < wanted[72] < wanted[69]


def test_a_closed_limit_opens_again_while_the_pack_is_drawn_from() -> None:
    """With plenty of room it rises though no charge flows: a charger may be waiting for the permission."""
    limit = CurrentLimit(LFP)
    assert limit.follow(0.0, 0.0, 1.0) == 0.0
    for _ in range(60):
        limit.follow(3.0 * LFP.most_a, -80.0, 1.0)
    assert limit.value == pytest.approx(LFP.most_a, abs=LFP.wire_a)


def step(law: ChargeLaw, cells_v: list[float], amps: float | None, seconds: int = 1) -> ChargeLimits:
    """Some seconds of the same readings, the law's own limits being sent."""
    out = ChargeLimits(LFP.ceiling_v, LFP.most_a)
    for _ in range(seconds):
        out = law.step(1.0, cells_v, sum(cells_v), amps, sent_v=out.voltage_v, sent_a=out.current_a)
    return out


def test_at_rest_it_follows_the_practice_of_the_trade() -> None:
    """[practice] one cell ahead, two, all: strictly in order; 56.0 V for a balanced pack."""
    alone = step(ChargeLaw(LFP), [3.45, *[3.40] * 15], 0.0, 60).voltage_v
    pair = step(ChargeLaw(LFP), [3.45, 3.45, *[3.40] * 14], 0.0, 60).voltage_v
    full = step(ChargeLaw(LFP), [3.40] * 16, 0.0, 60).voltage_v
    reached = step(ChargeLaw(LFP), [3.50, *[3.40] * 15], 0.0, 60).voltage_v
    assert alone == pytest.approx(54.5, abs=0.1)
    assert alone < pair < full == pytest.approx(56.0)
    assert reached == pytest.approx(54.5, abs=0.11)


@pytest.mark.parametrize("told_a", [150.0, 500.0, 5000.0])
@pytest.mark.parametrize("high_v", [3.45, 3.473, 3.493])
def test_a_current_told_that_cannot_be_loosens_nothing(high_v: float, told_a: float) -> None:
    """No cell answers to it: neither their resistance nor what they bear is known better."""
    law = ChargeLaw(LFP)
    pack = [*[high_v - 0.003] * 15, high_v]
    before = step(law, pack, 20.0, 120)
    doubt = law.cells.doubt
    for _ in range(60):
        after = step(law, pack, told_a)
        assert after.current_a <= before.current_a
    assert after.voltage_v <= before.voltage_v
    assert after.current_ignored
    assert law.cells.doubt == doubt


def test_a_current_limit_that_is_ignored_is_seen() -> None:
    """More flows for some seconds than was allowed; said, and never before."""
    law = ChargeLaw(LFP)
    pack = [3.49, *[3.45] * 15]
    assert not step(law, pack, 20.0, 3).current_ignored
    assert step(law, pack, 140.0, 30).current_ignored


def test_a_bad_contact_is_told_from_the_others() -> None:
    """Four times the resistance: seen at a step of the current."""
    law = ChargeLaw(LFP)
    for amps in (0.0, 140.0) * 4:
        seen = step(law, [3.30 + 0.0003 * amps * (4 if n == 5 else 1) for n in range(16)], amps, 12)
    assert seen.contact == 5


def test_the_same_calls_give_the_same_answers() -> None:
    """No clock, no chance."""
    rows = [([3.40 + 0.005 * k + 0.001 * n for n in range(16)], 140.0 - 5 * k) for k in range(20)]
    one, two = ChargeLaw(LFP), ChargeLaw(LFP)
    assert [step(one, *row) for row in rows] == [step(two, *row) for row in rows]


BOUNDS = (
    ("usual", "random spread", 0.0),
    ("usual", "clouds", 0.0),
    ("usual", "current ignored", 2.0),
    ("usual", "voltage ignored", 2.0),
    ("usual", "bad contact", 5.0),
    ("usual", "10 mV steps", 5.0),
    ("usual", "no current known", 0.0),
    ("other", "random spread", 0.0),
    ("other", "clouds", 0.0),
    ("other", "one weak cell", 0.0),
)


@pytest.mark.slow
@pytest.mark.slow
@pytest.mark.parametrize(("plant", "name", "over_mv"), BOUNDS)
def test_packs_charged_under_it(plant: str, name: str, over_mv: float) -> None:
    """No cell passes its target by more than is stated, the pack gets full, and the wire is quiet.

    Where none passes it, no more is charged than by a law that knows all but the 2 mV of the sensors.
    """
    scenario = next(s for s in SCENARIOS if s.name == name)
    trial = Trial(scenario, 4, 0.92, 11, plant)
    outcome = trial.charge(LAWS["ours"])
    assert over_mv or (outcome.charge < trial.bound(0.002)[0]).all()
    assert outcome.over_mv.max() <= over_mv
    assert not outcome.tripped.any()
    assert float(np.min(outcome.charge)) > 97.0
    assert outcome.reversals_per_hour.max() <= 20.0
    assert math.isfinite(outcome.step_us)


@pytest.mark.parametrize("wrong_v", [-0.4, -0.1, 0.1, 0.4])
def test_a_false_reading_is_forgotten_when_the_next_contradicts_it(wrong_v: float) -> None:
    """The limits fall at once; after the next reading the law is where it was, and has learnt nothing."""
    law, never = ChargeLaw(LFP), ChargeLaw(LFP)
    pack = [3.36 + 0.001 * n for n in range(16)]
    before = step(law, pack, 120.0, 60)
    step(never, pack, 120.0, 60)
    wrong = step(law, [*pack[:5], pack[5] + wrong_v, *pack[6:]], 120.0)
    assert wrong.current_a <= before.current_a
    assert (wrong.current_a < before.current_a) == (wrong_v > 0.0)
    assert step(law, pack, 120.0).voltage_v == pytest.approx(before.voltage_v)
    assert law.cells.slopes == pytest.approx(never.cells.slopes, rel=0.05, abs=1e-9)
    assert law.cells.ohms == never.cells.ohms


def test_without_a_known_current_the_offset_is_raised_by_trial_and_within_bounds() -> None:
    """A string that stands lower than what is sent, with room: step by step, never to more than 0.4 V."""
    law = ChargeLaw(LFP)
    step(law, [3.47, *[3.45] * 15], None, 40)
    first_v = law.voltage.seek.offset.at(0.0)
    step(law, [3.47, *[3.45] * 15], None, 400)
    assert 0.0 < first_v < law.voltage.seek.offset.at(0.0) <= 0.4


@given(st.lists(st.tuples(st.floats(3.2, 3.6), st.floats(-30.0, 60.0)), min_size=1, max_size=8))
def test_without_a_known_current_no_limit_stays_down(life: list[tuple[float, float]]) -> None:
    """Cells that were high, or told to be cold, hold nothing back once there is room and they are warm."""
    law = ChargeLaw(LFP)
    sent_v, sent_a = LFP.ceiling_v, LFP.most_a
    for high_v, cold_c in [*life, *[(3.395, 25.0)] * 60]:
        for _ in range(5):
            found = law.step(
                1.0, [high_v, *[3.33] * 15], None, None, coldest_c=cold_c, sent_v=sent_v, sent_a=sent_a
            )
            sent_v, sent_a = found.voltage_v, found.current_a
    assert sent_a > 0.98 * LFP.most_a


def test_a_reading_that_is_confirmed_stays() -> None:
    """A cell that really stands there holds both limits down."""
    law = ChargeLaw(LFP)
    pack = [3.36 + 0.001 * n for n in range(16)]
    step(law, pack, 120.0, 60)
    out = step(law, [3.55, *pack[1:]], 120.0, 3)
    assert out.current_a == 0.0
    assert out.voltage_v < sum(pack)
