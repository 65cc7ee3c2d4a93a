"""The charge current limit: its equation, and the reasons for which it goes up again."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_current import CurrentLimit, allowed_a, margin_v
from bridge.core.charging.charge_settings import ChargeSettings

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
OHM = RESISTANCE_V / 280.0
GOAL_V = 3.4974
HORIZON_S = 10.0
ABOVE_V = 0.0004
"""How much higher each cell may be than is believed."""


def cells_at(
    volts: Sequence[float], flows_a: float, *, flowed_a: float = 0.0, slopes: Sequence[float] = (0.0, 0.0)
) -> Cells:
    """Two cells, the second of twice the resistance; `flowed_a` until now, for long."""
    cells = Cells(LFP)
    cells.update(volts, flowed_a, 1e12, 25.0)
    cells.volts, cells.ohms, cells.slopes = list(volts), [OHM, 2.0 * OHM], list(slopes)
    cells.highs = [volt + ABOVE_V for volt in volts]
    cells.current_a, cells.noise_v = flows_a, 0.0
    return cells


def test_the_margin_is_the_error_of_the_sensors_their_noise_and_a_doubt() -> None:
    """2 mV, what is found, and 0.45 mV; their step is in the highest that a cell may be."""
    cells = cells_at([3.451, 3.452], 0.0)
    assert margin_v(LFP, cells) == pytest.approx(0.00245)
    cells.step_v, cells.noise_v = 0.010, 0.003
    assert margin_v(LFP, cells) == pytest.approx(0.00545)


def grows_a(flows_a: float, flowed_a: float) -> float:
    """What the slow part of a resistance builds up within the horizon, as a current."""
    return (flows_a - flowed_a) * (
        0.4 * HORIZON_S / (20.0 + HORIZON_S) + 0.8 * HORIZON_S / (200.0 + HORIZON_S)
    )


@pytest.mark.parametrize(
    ("volt", "flows_a", "flowed_a", "slope"),
    [
        (3.480, 0.0, 0.0, 0.0),
        (3.480, 50.0, 50.0, 0.0),
        (3.480, 50.0, 0.0, 0.0),
        (3.480, 10.0, 0.0, 3e-5),
        (3.460, 20.0, 60.0, 0.0),
        (3.495, 60.0, 60.0, 5e-5),
        (3.495, 60.0, 0.0, 0.0),
        (3.510, 20.0, 20.0, 0.0),
        (3.480, 1.0, 120.0, 0.0),
        (3.480, 60.0, 140.0, 1e-4),
    ],
)
def test_the_limit_solves_its_equation(volt: float, flows_a: float, flowed_a: float, slope: float) -> None:
    """It takes the highest that the cell may be to the goal within the horizon: with what its slow part
    builds up, but gives back no more of that than the charge takes; a rise with 1.3 times the resistance, a
    fall with the resistance. Its place on the curve is what is believed."""
    cells = cells_at([3.30, volt], flows_a, flowed_a=flowed_a, slopes=(0.0, slope))
    ohm = 2.0 * OHM
    foot_v = volt - ohm * (flows_a + 1.2 * flowed_a) - (3.40 - 0.065)
    rise = max(slope, 0.7 * foot_v / (0.0097 * 3600.0 * 280.0)) * HORIZON_S
    goal_v = GOAL_V - max(ohm * grows_a(flows_a, flowed_a), -rise * flows_a)
    amps = allowed_a(LFP, cells, GOAL_V, HORIZON_S)
    change_a = amps - flows_a
    reckoned = 1.3 * ohm if change_a > 0.0 else ohm
    assert volt + ABOVE_V + reckoned * change_a + rise * amps == pytest.approx(goal_v)


def test_the_least_of_all_cells_counts() -> None:
    """Whichever it is; without cells there is no bound."""
    one, other = cells_at([3.48, 3.30], 0.0), cells_at([3.48, 3.47], 0.0)
    assert 0.0 < allowed_a(LFP, other, GOAL_V, 10.0) < allowed_a(LFP, one, GOAL_V, 10.0) < 100.0
    both = allowed_a(LFP, cells_at([3.505, 3.515], 20.0, flowed_a=20.0), GOAL_V, 10.0)
    assert both == allowed_a(LFP, cells_at([3.30, 3.515], 20.0, flowed_a=20.0), GOAL_V, 10.0) < 0.0
    assert allowed_a(LFP, Cells(LFP), GOAL_V, 10.0) > 1e6


@pytest.mark.parametrize("fade", [1e-300, 1e-17, 1e-16, 2e-16, 1e-12])
def test_a_current_that_hardly_falls_begins_no_higher(fade: float) -> None:
    """Nor lower: what it falls by is no difference of two numbers that are nearly the same."""
    cells = cells_at([3.30, 3.48], 0.0, slopes=(0.0, 5e-5))
    begins_a = allowed_a(LFP, cells, GOAL_V, HORIZON_S, fade=fade)
    assert begins_a == pytest.approx(allowed_a(LFP, cells, GOAL_V, HORIZON_S), rel=1e-9)


def fallen(amps: float = 50.0) -> CurrentLimit:
    """A limit that has just fallen."""
    limit = CurrentLimit(LFP)
    limit.follow(amps, 0.0, 1.0)
    return limit


@pytest.mark.parametrize(
    ("wanted_a", "value_a"), [(500.0, 140.0), (55.57, 55.5), (0.3, 0.3), (0.09, 0.0), (-7.0, 0.0)]
)
def test_it_falls_at_once_to_the_step_below(wanted_a: float, value_a: float) -> None:
    """Within nothing and the most, where it begins."""
    assert CurrentLimit(LFP).value == 140.0
    assert fallen(wanted_a).value == pytest.approx(value_a)


def test_it_rises_for_a_gap_while_it_is_felt() -> None:
    """A gap of more than 4 % of the most, 5.6 A, and a current no further below; then all the way."""
    assert fallen().follow(55.7, 50.0, 1.0) == 53.0
    assert fallen().follow(90.0, 44.5, 1.0) == 53.0
    assert fallen().follow(90.0, 44.3, 1.0) == 50.0
    assert fallen().follow(90.0, None, 1.0) == 53.0  # not known: it may be felt
    assert fallen().follow(90.0, 50.0, 2.0) == 56.0
    limit = fallen()
    assert limit.follow(56.0, 50.0, 1.0) == 53.0
    assert limit.follow(56.0, 50.0, 1.0) == 56.0
    assert limit.follow(58.0, 0.0, 1.0) == 58.0
    assert limit.follow(58.0, 0.0, 1.0) == 58.0
    assert limit.follow(90.0, 0.0, 1.0) == 58.0
    assert limit.follow(57.0, 0.0, 1.0) == 57.0
    assert limit.follow(90.0, 0.0, 1.0) == 57.0


def test_near_nothing_a_limit_is_felt_by_a_charger_that_gives_nothing() -> None:
    """Less than 0.02C, 5.6 A, may be less than it begins at: it would stay below that for ever."""
    for felt_below_a, most_a in ((5.6, 28.0), (5.6, 140.0), (11.2, 280.0)):
        settings = replace(LFP, most_a=most_a, rise_a_per_s=3.0, wire_a=0.001)
        for at_a, rises in ((felt_below_a - 0.01, True), (felt_below_a + 0.01, False)):
            limit = CurrentLimit(settings)
            limit.follow(at_a, 0.0, 1.0)
            assert (limit.follow(27.0, 0.0, 1.0) > at_a + 1.0) is rises
            limit.follow(at_a, 0.0, 1.0)
            assert limit.follow(27.0, -12.0, 1.0) == pytest.approx(at_a)


def risen(limit: CurrentLimit, to_a: float, steps: int = 60) -> float:
    """How far it comes, felt all the way."""
    for _ in range(steps):
        limit.follow(to_a, limit.value, 1.0, lasting_a=to_a)
    return limit.value


def worth_a(limit: CurrentLimit) -> float:
    """What a rise must be worth now: the least that is worth a longer look."""
    return min(0.1 * n for n in range(400) if limit.may_rise(limit.value + 0.1 * n - 0.05))


@pytest.mark.parametrize(
    ("stands_s", "falls_to_a", "twice"),
    [
        (118, 54.9, True),
        (119, 54.9, False),
        (118, 55.1, False),
        (118, 0.0, True),
    ],
)
def test_a_rise_that_did_not_last_makes_the_next_worth_twice(
    stands_s: int, falls_to_a: float, twice: bool
) -> None:
    """Half of the way from 50 to 60 A is gone again within 120 s."""
    limit = fallen()
    assert worth_a(limit) == pytest.approx(5.7)
    assert risen(limit, 60.0, 4) == 60.0
    for _ in range(stands_s):
        limit.follow(60.0, 60.0, 1.0)
    limit.follow(falls_to_a, 60.0, 1.0)
    assert worth_a(limit) == pytest.approx(11.3 if twice else 5.7)


def test_what_a_rise_must_be_worth_has_an_end() -> None:
    """0.16 of the most; once for each rise, and as at first once the limit has been back at the most."""
    limit = fallen()
    for least_a in (11.3, 22.5, 22.5):
        risen(limit, 80.0)
        limit.follow(60.0, 80.0, 1.0)
        limit.follow(50.0, 60.0, 1.0)
        assert worth_a(limit) == pytest.approx(least_a)
    assert risen(limit, 72.0, 1) < 50.1
    assert risen(limit, 140.0, 29) < 140.0
    limit.follow(110.0, 140.0, 1.0)
    assert worth_a(limit) == pytest.approx(22.5)
    assert risen(limit, 140.0) == 140.0
    limit.follow(130.0, 140.0, 1.0)
    assert worth_a(limit) == pytest.approx(5.7)


def test_with_room_for_twice_the_most_it_rises_unfelt() -> None:
    """A charger that waits for permission would otherwise wait for ever."""
    assert fallen().follow(279.0, -80.0, 1.0) == 50.0
    assert fallen().follow(280.0, -80.0, 1.0) == 53.0


def test_a_limit_that_is_passed_by_keeps_still() -> None:
    """It falls at once; it rises for 0.3 of the most, 42 A, not far above what flows, and does not creep."""
    limit = fallen()
    for _ in range(60):
        assert limit.follow(91.9, 50.0, 1.0, heeded=False) == 50.0
    assert limit.follow(92.1, 44.3, 1.0, heeded=False) == 50.0
    assert limit.follow(92.1, 44.5, 1.0, heeded=False) == 53.0
    assert fallen().follow(92.1, 120.0, 1.0, heeded=False) == 53.0
    assert limit.follow(10.0, 50.0, 1.0, heeded=False) == 10.0


def test_near_nothing_a_gap_is_closed_ten_times_as_slowly() -> None:
    """Below 4 % of the most, 5.6 A: a pack at its target would stop and go on."""
    for begin_a, rises_a in ((0.0005, 0.007), (5.5905, 0.007), (5.6005, 0.07)):
        limit = CurrentLimit(replace(LFP, wire_a=0.001))
        limit.follow(begin_a, 0.0, 1.0)
        assert limit.follow(begin_a + 5.0, begin_a, 1.0) == pytest.approx(begin_a - 0.0005 + rises_a)
        limit.follow(begin_a, 0.0, 1.0)
        assert limit.follow(begin_a + 5.0, begin_a, 5.0) == pytest.approx(begin_a - 0.0005 + 5.0 * rises_a)
    limit.follow(0.04 * 140.0, 0.0, 1.0)
    assert limit.follow(9.0, 5.6, 1.0) == pytest.approx(5.67)


def test_a_smaller_gap_is_closed_slowly_while_it_is_felt() -> None:
    """By 0.07 A a second, but for the last 0.14 A of it."""
    fine = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0, wire_a=0.001)
    limit, unfelt = CurrentLimit(fine), CurrentLimit(fine)
    limit.follow(50.0005, 0.0, 1.0)
    unfelt.follow(50.0005, 0.0, 1.0)
    assert limit.follow(55.0, 44.5, 1.0) == pytest.approx(50.070)
    assert limit.follow(55.0, 44.5, 10.0) == pytest.approx(50.770)
    assert limit.follow(50.9, 45.5, 1.0) == pytest.approx(50.770)
    assert limit.follow(50.92, 45.5, 1.0) == pytest.approx(50.780)
    assert limit.follow(50.96, 45.5, 1.0) == pytest.approx(50.820)
    assert unfelt.follow(55.0, 44.3, 1.0) == pytest.approx(50.0)


def test_what_passes_a_limit_by_is_no_reason_for_a_rise() -> None:
    """What the cells may bear counts less all of it, for the worth (5.6 A) and for twice the most."""
    assert fallen().follow(135.7, 80.0, 1.0, passes_a=80.0) == 53.0
    assert fallen().follow(135.5, 80.0, 1.0, passes_a=80.0) == 50.0
    assert fallen().follow(319.0, -80.0, 1.0, passes_a=40.0) == 50.0
    assert fallen().follow(320.0, -80.0, 1.0, passes_a=40.0) == 53.0
    assert fallen().follow(40.0, 80.0, 1.0, passes_a=80.0) == 40.0
