"""The discharge law: what is learnt within bounds, no pumping, false readings, and packs emptied under it."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.cells.resistance import LEAST, MOST, RESISTANCE_V
from bridge.core.draw.draw_law import DrawLaw, DrawLearnt, DrawLimits, DrawSettings
from tests.bench.draw_laws import DRAW_LAWS
from tests.bench.draw_run import DrawOutcome, run_draw
from tests.bench.draw_scenarios import DRAW_SCENARIOS

LFP = DrawSettings(16, 280.0, 2.90, 3.05, 140.0)
OHM = RESISTANCE_V / 280.0


@given(
    st.lists(st.tuples(st.lists(st.floats(0, 5), min_size=4, max_size=4), st.floats(-300, 300)), max_size=40)
)
def test_what_is_learnt_is_bounded(rows: list[tuple[list[float], float]]) -> None:
    """Whatever the readings; and what is kept can be taken up again as it is."""
    law = DrawLaw(replace(LFP, cells=4))
    for pack, amps in rows:
        limits = law.step(1.0, pack, None, amps, sent_a=140.0)
        assert 0.0 <= limits.current_a <= 140.0
        assert limits.floor_v is None or 11.6 <= limits.floor_v < 40.0
    assert all(LEAST * 0.999 <= factor <= MOST * 1.001 for factor in law.learnt.resistance)
    assert all(0.0 <= slope < 1e-3 for slope in law.cells.slopes)
    assert DrawLaw(LFP, law.learnt).learnt == law.learnt


@given(st.lists(st.floats(-1e6, 1e6), max_size=16))
def test_what_was_kept_is_taken_within_its_bounds(kept: list[float]) -> None:
    """A file from elsewhere cannot open a limit; of another number of cells it says nothing."""
    law = DrawLaw(LFP, DrawLearnt(tuple(kept)))
    assert all(LEAST <= factor <= MOST for factor in law.learnt.resistance)
    law.step(1.0, [3.2] * 16, 51.2, 0.0, sent_a=140.0)
    assert len(law.learnt.resistance) == 16


def run(law: DrawLaw, cell_v: float, amps: float | None, seconds: int, rest_v: float = 0.06) -> DrawLimits:
    """Some seconds of the same readings: one low cell, the rest above; the law's limit is sent."""
    out = DrawLimits(None, 140.0)
    for _ in range(seconds):
        pack = [cell_v, *[round(cell_v + rest_v, 3)] * 15]
        out = law.step(1.0, pack, sum(pack), amps, sent_a=out.current_a)
    return out


def test_at_the_floor_nothing_is_drawn_and_above_it_ever_more() -> None:
    """To the margin for the sensors; a cell at its floor puts the floor above the string."""
    limits = [run(DrawLaw(LFP), cell_v, 0.0, 60) for cell_v in (2.89, 2.90, 2.903, 2.92, 2.95, 3.10)]
    amps = [one.current_a for one in limits]
    assert amps[:3] == [0.0, 0.0, 0.0]
    assert 0.0 < amps[3] < amps[4] < amps[5] == 140.0
    floor_v = limits[1].floor_v
    assert floor_v is not None
    assert floor_v >= 16 * 2.90 + 15 * 0.06 + 0.2
    assert (limits[3].floor_v or 0.0) < 16 * 2.92 + 15 * 0.06
    assert limits[5].floor_v is None


def test_a_coarse_reading_at_the_floor_is_no_cell_at_its_floor() -> None:
    """In steps of 10 mV a cell of 2.905 V begins to read 2.90 V; only at 2.90 V it closes the floor."""
    law = DrawLaw(LFP)
    run(law, 2.91, 1.0, 30, 0.06)
    held_v = run(law, 2.90, 1.0, 1, 0.06).floor_v
    assert held_v is not None
    assert held_v < 16 * 2.90 + 15 * 0.06
    fine = DrawLaw(LFP)
    run(fine, 2.903, 0.0, 1)
    open_v = fine.floor.value
    run(fine, 2.899, 0.0, 1)
    assert fine.floor.value > open_v + 0.2


def test_a_closed_floor_opens_once_the_cell_is_charged_or_was_never_there() -> None:
    """Not while it only recovers."""
    for law, after_v, seconds, opens in (
        (DrawLaw(LFP), 2.92, 600, False),
        (DrawLaw(LFP), 3.06, 600, True),
        (DrawLaw(LFP), 3.03, 60, True),
    ):
        closed_v = run(law, 2.89, -60.0 if seconds == 600 else 0.0, 1 if opens else 30).floor_v
        later_v = run(law, after_v, 0.0, seconds).floor_v
        assert closed_v is not None
        assert later_v is not None
        assert (later_v < 16 * after_v + 15 * 0.06) is opens


def test_a_recovering_cell_does_not_bring_the_load_back() -> None:
    """After 100 A it comes up by what 100 A had built up; the limit stays for twenty minutes."""
    law = DrawLaw(LFP)
    run(law, 3.00, -100.0, 30)
    low = run(law, 2.93, -100.0, 60).current_a
    most = 0.0
    for second in range(1150):
        slow_v = 0.6 * OHM * 100.0 * (1.0 - math.exp(-second / 300.0))
        most = max(most, run(law, round(2.93 + OHM * 100.0 + slow_v, 3), 0.0, 1).current_a)
    assert most <= low
    assert run(law, 2.975, 0.0, 120).current_a > low


def test_a_cell_that_recovers_for_long_is_not_taken_for_a_false_reading() -> None:
    """By half of what diffusion could give, with the root of time: what took it does not fade meanwhile."""
    law = DrawLaw(LFP)
    run(law, 3.00, -100.0, 30)
    low = run(law, 2.93, -100.0, 60).current_a
    for second in range(1150):
        slow_v = 0.5 * OHM * 100.0 * math.sqrt(second / 120.0)
        out = run(law, round(2.93 + OHM * 100.0 + slow_v, 3), 0.0, 1)
    assert not law.current.contradicted
    assert out.current_a <= low


def test_a_contradiction_lets_the_floor_down_once() -> None:
    """It stays found while the limit need not fall; a string that swings by 0.5 V moves no floor."""
    law = DrawLaw(LFP)
    run(law, 2.994, 0.0, 3, 0.10)
    fell_v = law.floor.value
    run(law, 3.012, 0.0, 20, 0.06)
    assert law.current.contradicted
    assert law.floor.value < fell_v
    floors = [run(law, 3.012, 0.0, 1, 0.06 + 0.04 * (n % 2)).floor_v for n in range(290)]
    assert law.current.contradicted
    assert sum(now != then for then, now in pairwise(floors)) == 1  # up, at once


def test_without_a_known_current_a_load_that_goes_is_not_taken_for_a_false_reading() -> None:
    """Nor does it open a closed floor; 0.4 V are more than any load takes."""
    law = DrawLaw(LFP)
    run(law, 2.951, None, 30)
    run(law, 2.899, None, 1)
    gone = run(law, 2.951, None, 600)
    assert gone.current_a == 0.0
    assert (gone.floor_v or 0.0) > (run(DrawLaw(LFP), 2.951, None, 600).floor_v or 99.0) + 0.35
    opened = DrawLaw(LFP)
    run(opened, 2.951, None, 30)
    run(opened, 2.551, None, 1)
    assert run(opened, 2.951, None, 60).current_a > 0.0


def test_charge_brings_the_load_back() -> None:
    """Half a percent of it is enough."""
    law = DrawLaw(LFP)
    run(law, 3.00, -100.0, 30)
    low = run(law, 2.93, -100.0, 60).current_a
    assert run(law, 2.99, 0.0, 120).current_a <= low
    assert run(law, 3.02, 60.0, 80).current_a <= low
    assert run(law, 3.02, 60.0, 70).current_a > low


def test_one_false_reading_costs_less_than_a_minute() -> None:
    """The next ones contradict it; a cell that stays low keeps the limit closed."""
    law = DrawLaw(LFP)
    run(law, 3.10, -4.0, 60)
    assert run(law, 2.50, -4.0, 1, 0.66).current_a == 0.0
    assert run(law, 3.10, -4.0, 45).current_a == 140.0
    assert run(law, 2.50, -4.0, 300, 0.66).current_a == 0.0


def test_late_readings_contradict_nothing() -> None:
    """Only a new one can."""
    law = DrawLaw(LFP)
    run(law, 3.10, -4.0, 60)
    run(law, 2.50, -4.0, 1, 0.66)
    pack = [3.10] * 16
    law.step(1.0, pack, 49.6, -4.0, sent_a=0.0)
    assert [law.step(1.0, pack, 49.6, -4.0, fresh=False, sent_a=0.0).current_a for _ in range(9)] == [0.0] * 9


def test_a_floor_that_rose_for_a_false_reading_comes_down_again() -> None:
    """With the current limit, and not five minutes later."""
    law = DrawLaw(LFP)
    before = run(law, 2.95, -4.0, 60).floor_v
    high = run(law, 2.60, -4.0, 1, 0.41).floor_v
    after = run(law, 2.95, -4.0, 5).floor_v
    assert before is not None
    assert high is not None
    assert after is not None
    assert high > before + 0.3
    assert after <= before + 0.1


def test_cells_that_are_gone_contradict_nothing() -> None:
    """From all cells to the lowest alone: the limit stays."""
    law = DrawLaw(LFP)
    pack = [3.0] * 15 + [2.92]
    for _ in range(30):
        low = law.step(1.0, pack, sum(pack), 0.0, sent_a=140.0).current_a
    for _ in range(30):
        after = law.step(1.0, [2.99], 47.0, 0.0, sent_a=140.0).current_a
    assert after == low


def test_with_the_lowest_cell_alone_there_is_a_current_but_no_floor() -> None:
    """The string's voltage gives the floor; a current that is not known gives a smaller limit."""
    law, blind = DrawLaw(LFP), DrawLaw(LFP)
    for _ in range(60):
        known = law.step(1.0, [2.94], 50.0, -30.0, sent_a=140.0)
        unknown = blind.step(1.0, [2.94], None, None, sent_a=140.0)
    assert known.floor_v is not None
    assert unknown.floor_v is None
    assert 0.0 < unknown.current_a < known.current_a


def test_an_inverter_that_ignores_the_current_limit_is_held_by_the_floor() -> None:
    """Before, the floor stood behind by voltmeter, cable and band; now before, by the voltmeter."""
    law = DrawLaw(LFP)
    behind_v = run(law, 2.95, -4.0, 60).floor_v
    seen = law.step(1.0, [2.95, *[3.01] * 15], 48.1, -4.0, sent_a=140.0)
    assert not seen.current_ignored
    law.inverter.ignores = True
    alone_v = run(law, 2.95, -4.0, 10).floor_v
    law.inverter.ignores = False
    again_v = run(law, 2.95, -4.0, 10).floor_v
    assert behind_v is not None
    assert alone_v == pytest.approx(behind_v + 0.4 + 0.15 + 0.003 * 73.0, abs=0.1)
    assert again_v == behind_v
    low = DrawLaw(LFP)
    behind_v = run(low, 2.905, 0.0, 60).floor_v
    low.inverter.ignores = True
    alone_v = run(low, 2.905, 0.0, 10).floor_v
    assert behind_v is not None
    assert alone_v == pytest.approx(behind_v + 0.4 + 0.15, abs=0.1)  # by 2 A a cable takes next to nothing


def test_late_readings_take_the_limit_down() -> None:
    """And it does not come back when they come: readings 10 s apart are as bad as a reading 10 s old."""
    law, late = DrawLaw(LFP), DrawLaw(LFP)
    pack = [2.93] * 16

    def step(law: DrawLaw, dt_s: float = 1.0, *, fresh: bool = True) -> float:
        return law.step(dt_s, pack, sum(pack), -4.0, fresh=fresh, sent_a=140.0).current_a

    first = {step(each) for _ in range(20) for each in (law, late)}
    assert step(late, 10.0, fresh=False) < step(law, 9.0, fresh=False) < min(first)
    assert [step(law) for _ in range(5)] == [late.current.value] * 5


def test_far_from_the_floor_the_law_is_idle_again() -> None:
    """Ten minutes after the pack has been charged; what the inverter is like is kept for half a day."""
    law = DrawLaw(LFP)
    run(law, 2.95, -20.0, 30)
    near = law.idle
    run(law, 3.30, -20.0, 10)
    run(law, 3.30, 60.0, 700)
    assert (near, law.idle) == (False, True)
    assert law.learnt.resistance == (1.6,) * 16
    inverter = law.inverter
    for _ in range(440):
        law.step(100.0, [3.30] * 16, 52.8, 0.0, sent_a=140.0)
    assert law.inverter is not inverter


def emptied(name: str) -> DrawOutcome:
    """Two packs of a scenario, from 14 %."""
    scenario = next(s for s in DRAW_SCENARIOS if s.name == name)
    return run_draw(scenario, DRAW_LAWS["ours"], 2, 0.14, 11)


@pytest.mark.slow
@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "under_mv", "least_pct"), [("random spread", 0.0, 97.0), ("other, current ignored", 35.0, 98.0)]
)
def test_packs_emptied_under_it(name: str, under_mv: float, least_pct: float) -> None:
    """No cell falls below its floor, nearly all of the charge is drawn, and the wire is quiet.

    Where the current limit is ignored by loads too light to tell it from what an inverter takes for itself,
    the floor ends it, voltmeter and band at their worst: twice 0.2 V and 0.15 V, a sixteenth of it a cell.
    """
    outcome = emptied(name)
    assert outcome.under_mv.max() <= under_mv
    assert not outcome.tripped.any()
    assert float(outcome.energy.min()) > least_pct
    assert outcome.reversals_per_hour.max() <= 12.0
