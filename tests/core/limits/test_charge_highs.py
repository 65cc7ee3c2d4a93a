"""The highest that each cell may be while the pack is charged: in fine steps, and within coarse ones."""

import math
from dataclasses import replace

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_current import DOUBT_V
from bridge.core.charging.charge_settings import ChargeSettings, Learnt

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0, sensor_step_v=0.010)
HALF_V = 0.005
OHM = RESISTANCE_V / 280.0
CURVE = 1.0 / (0.0097 * 3600.0 * 280.0)
"""Slope of the curve a volt above its foot at 3.335 V."""
OTHER_V = 3.301
"""A second cell, of 1.2 times the resistance."""


def steady(
    amps: float,
    *,
    volt: float = 3.450,
    above_v: float = 0.0,
    slope: float = 0.0,
    settings: ChargeSettings = LFP,
    coldest_c: float = 25.0,
) -> Cells:
    """Two cells under a current that has flowed for long, each so far above what is believed at most."""
    cells = Cells(settings, Learnt((1.0, 1.2)))
    cells.update([volt, OTHER_V], amps, 1e12, coldest_c)
    cells.volts, cells.slopes = [volt, OTHER_V], [slope, 0.0]
    cells.highs = [volt + above_v, OTHER_V + above_v]
    return cells


def flowed_a(before_a: float, amps: float, seconds: float) -> float:
    """What flows and what the slow parts have built up of it, as a current."""
    to_a = amps - before_a
    return (
        amps + 1.2 * before_a + to_a * (0.4 * seconds / (20.0 + seconds) + 0.8 * seconds / (200.0 + seconds))
    )


def faded(high_v: float, shown: float, seconds: float) -> float:
    """Towards half a step above what is shown, within 60 s."""
    return high_v + min(seconds / 60.0, 1.0) * (shown + HALF_V - high_v)


def test_at_first_it_is_half_a_step_above_what_is_shown() -> None:
    """For each cell, whatever flows: the first reading is of that current."""
    for amps in (10.0, -10.0, -100.0):
        cells = Cells(LFP)
        cells.update([3.450, OTHER_V], amps, 1.0, 25.0)
        assert cells.highs == pytest.approx([3.455, OTHER_V + HALF_V])
    cells.update([3.460], 0.0, 1.0, 25.0)
    assert cells.highs == pytest.approx([3.465])


def test_it_begins_with_the_step_that_the_sensor_is_found_to_have() -> None:
    """10 mV here, though 1 mV is what was said of it."""
    cells = Cells(replace(LFP, sensor_step_v=0.001))
    cells.update([3.450, 3.460], -10.0, 1.0, 25.0)
    assert cells.highs == pytest.approx([3.455, 3.465])


@pytest.mark.parametrize(
    ("step_v", "above_v"), [(0.0005, 0.0), (0.001, 0.0), (0.0014, 0.0002), (0.002, 0.0005)]
)
@pytest.mark.parametrize(("amps", "shown"), [(50.0, 3.450), (40.0, 3.452), (58.0, 3.444)])
def test_in_fine_steps_without_noise_it_is_what_is_believed(
    amps: float, shown: float, step_v: float, above_v: float
) -> None:
    """Whatever was higher before, and whatever flows; the margin covers half a step of 1 mV, and no more."""
    cells = steady(50.0, above_v=0.1, slope=5e-6, settings=replace(LFP, sensor_step_v=step_v))
    cells.update([shown, OTHER_V], amps, 1.0, 25.0)
    highs = [
        min(volt + above_v, seen + 0.5 * step_v)
        for volt, seen in zip(cells.volts, (shown, OTHER_V), strict=True)
    ]
    assert cells.highs == pytest.approx(highs, abs=1e-9)


@pytest.mark.parametrize(
    ("step_v", "noise_v", "above_v"),
    [
        (0.001, 0.0001, 0.00025),
        (0.001, 0.0003, 0.0005),
        (0.002, 0.0001, 0.0005),
        (0.002, 0.0003, 0.00075),
        (0.002, 0.005, 0.001),
        (0.0005, 0.0001, 0.00025),
    ],
)
def test_in_fine_steps_noise_hides_some_times_itself_and_half_a_step_at_most(
    step_v: float, noise_v: float, above_v: float
) -> None:
    """Of cells that are believed to stand low within what is shown: 10 A less take more from each."""
    cells = steady(50.0, settings=replace(LFP, sensor_step_v=step_v))
    cells.noise_v = noise_v
    cells.update([3.456, 3.308], 40.0, 1.0, 25.0)
    for volt, high, shown in zip(cells.volts, cells.highs, (3.456, 3.308), strict=True):
        assert volt < shown - 0.5 * step_v
        assert high == pytest.approx(volt + above_v, abs=1e-9)


@pytest.mark.parametrize(
    ("step_v", "noise_v", "above_v"),
    [
        (0.001, 0.0, 0.00045),
        (0.001, 0.00001, 0.000484),
        (0.001, 0.0001, 0.0006),
        (0.001, 0.0003, 0.0008),
        (0.002, 0.0005, 0.0015),
    ],
)
def test_in_fine_steps_it_is_not_above_what_the_reading_leaves(
    step_v: float, noise_v: float, above_v: float
) -> None:
    """Half a step and the noise. A cell of which more is expected stands there, drawn back by a tenth, or by
    half of that in steps of 2 mV."""
    cells = steady(50.0, settings=replace(LFP, sensor_step_v=step_v))
    cells.noise_v = noise_v
    cells.update([3.444, OTHER_V], 58.0, 1.0, 25.0)
    assert cells.highs[0] == pytest.approx(3.444 + above_v, abs=1e-9)


@pytest.mark.parametrize("start_v", [3.4000, 3.4002, 3.4004, 3.4006, 3.4008])
def test_what_a_fine_step_hides_shows_when_the_sensor_goes_on(start_v: float) -> None:
    """Of one that rises along the curve under 20 A, seen in steps of 1 mV without noise: then it is never
    below by more than the margin has for that, nor above by more than 0.2 mV."""
    cells, e_v, fast_a, slow_a = Cells(replace(LFP, sensor_step_v=0.001)), start_v - 3.335, 0.0, 0.0
    for second in range(400):
        e_v += CURVE * e_v * 20.0
        fast_a += (0.4 * 20.0 - fast_a) / 21.0
        slow_a += (0.8 * 20.0 - slow_a) / 201.0
        true_v = 3.335 + e_v + OHM * (20.0 + fast_a + slow_a)
        cells.update([round(true_v, 3), OTHER_V], 20.0, 1.0, 25.0)
        assert second < 10 or -DOUBT_V < cells.highs[0] - true_v < 0.0002


def test_steps_of_more_than_two_millivolts_are_coarse() -> None:
    """There it is not what is believed that counts, and what a step hides, but how high it was before."""
    for step_v, high_v in ((0.002, 3.4505), (0.0021, 3.4495)):
        cells = steady(0.0, above_v=-0.0005, settings=replace(LFP, sensor_step_v=step_v, current_zero_a=0.0))
        cells.update([3.450, OTHER_V], 0.0, 0.0, 25.0)
        assert cells.highs[0] == pytest.approx(high_v)


ROWS = [
    (0.0, 0.0, 1.0, 0.0),
    (0.0, 0.0, 5.0, 0.0),
    (10.0, 16.0, 1.0, 0.0),
    (20.0, 14.0, 1.0, 0.0),
    (20.0, 19.5, 1.0, 0.0),
    (20.0, 14.0, 3.0, 2e-5),
    (50.0, 50.0, 2.0, 2e-5),
    (50.0, 50.0, 2.0, 5e-6),
    (50.0, 50.0, 2.0, 0.0),
    (-0.5, -0.5, 2.0, 0.0),
    (-9.0, -9.0, 2.0, 2e-5),
    (0.0, -5.0, 1.0, 2e-5),
]
"""Current before and now, the time between, and the slope that was seen."""


@pytest.mark.parametrize("coldest_c", [25.0, 5.0])
@pytest.mark.parametrize(("before_a", "amps", "seconds", "slope"), ROWS)
def test_between_the_readings_it_goes_as_high_as_a_cell_may(
    before_a: float, amps: float, seconds: float, slope: float, coldest_c: float
) -> None:
    """It rises with the current by its resistance, falls by 0.4 of that, and rises with the charge by 1.3 of
    the slope seen or by all of the curve's; as if 1 A more flowed than is told. No charge lowers it."""
    cells = steady(before_a, slope=slope, coldest_c=coldest_c)
    cells.update([3.450, OTHER_V], amps, seconds, coldest_c)
    base = OHM * math.exp(2500.0 * (1.0 / (coldest_c + 273.15) - 1.0 / 298.15))
    now_a = flowed_a(before_a, amps, seconds)
    change_a = now_a - 2.2 * before_a
    for i, (volt, factor, seen) in enumerate(((3.450, 1.0, slope), (OTHER_V, 1.2, 0.0))):
        ohm = factor * base
        expected_v = volt + ohm * change_a + seen * amps * seconds
        believed_v = expected_v + 0.01 * seconds * (volt - expected_v)
        steep = max(1.3 * seen, CURVE * (believed_v - ohm * now_a - 3.335))
        moved_v = ohm * change_a * (0.4 if change_a < 0.0 else 1.0)
        assert abs(moved_v) < HALF_V
        highest_v = volt + moved_v + steep * max(amps + 1.0, 0.0) * seconds
        assert cells.highs[i] == pytest.approx(faded(highest_v, volt, seconds), abs=1e-9)


def test_at_rest_it_grows_by_what_the_sensor_of_the_current_may_be_wrong() -> None:
    """For 100 s at 3.45 V: by 1 A along the curve, or by 3 A."""
    for zero_a in (0.0, 1.0, 3.0):
        cells = steady(0.0, settings=replace(LFP, current_zero_a=zero_a))
        for _ in range(100):
            cells.volts[0] = 3.450
            cells.update([3.450, OTHER_V], 0.0, 1.0, 25.0)
        expected = 3.450
        for _ in range(100):
            expected = min(faded(expected + CURVE * 0.115 * zero_a, 3.450, 1.0), 3.455)
        assert cells.highs[0] == pytest.approx(expected, abs=1e-9)


def test_the_place_on_the_curve_is_what_is_believed_within_the_reading() -> None:
    """Not beyond half a step of it, either way, and drawn to it by a tenth in 10 s."""
    for believed_v, at_v in ((3.440, 3.4455), (3.460, 3.4545), (3.452, 3.4518)):
        cells = steady(0.0)
        cells.volts[0] = believed_v
        cells.update([3.450, OTHER_V], 0.0, 10.0, 25.0)
        expected = faded(3.450 + CURVE * (at_v - 3.335) * 10.0, 3.450, 10.0)
        assert cells.highs[0] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("above_v", "shown", "becomes_v"),
    [
        (0.004, 3.450, 3.454),
        (0.006, 3.450, 3.455),
        (-0.006, 3.450, 3.445),
        (0.003, 3.460, 3.455),
        (0.008, 3.460, 3.458),
        (0.003, 3.440, 3.445),
        (-0.008, 3.440, 3.442),
    ],
)
def test_a_reading_says_no_more_than_half_a_step_either_way(
    above_v: float, shown: float, becomes_v: float
) -> None:
    """Once it has gone up by a step, the highest is at the edge between both: that tells most."""
    cells = steady(0.0, above_v=above_v, settings=replace(LFP, current_zero_a=0.0))
    cells.update([shown, OTHER_V], 0.0, 0.0, 25.0)
    assert cells.highs[0] == pytest.approx(becomes_v, abs=1e-9)


def test_noise_moves_neither_edge() -> None:
    """It is in the margin."""
    for above_v, becomes_v in ((0.009, 3.455), (-0.009, 3.445)):
        cells = steady(0.0, above_v=above_v)
        cells.noise_v = 0.003
        cells.update([3.450, OTHER_V], 0.0, 0.0, 25.0)
        assert cells.highs[0] == pytest.approx(becomes_v, abs=1e-9)


def test_where_it_is_fades_within_a_minute() -> None:
    """A third of what is left after 66 s; nothing after a reading that comes so late."""
    cells = steady(0.0, settings=replace(LFP, current_zero_a=0.0))
    for _ in range(66):
        cells.update([3.450, OTHER_V], 0.0, 1.0, 25.0)
    assert cells.highs[0] == pytest.approx(3.455 - 0.005 / 3.0, abs=2e-5)
    for shown in (3.450, 3.440):
        cells.update([shown, OTHER_V], 0.0, 90.0, 25.0)
        assert cells.highs[0] == pytest.approx(shown + HALF_V, abs=1e-9)


def test_after_a_step_it_is_close_to_the_true_cell() -> None:
    """One that rises along the curve under a current that flows, seen in steps of 10 mV: with the first of
    them it comes within 1 mV; never below by more than 0.1 mV, of 0.6 mV of doubt in the margin."""
    cells, e_v, fast_a, slow_a, above_v = Cells(LFP), 3.440 - 3.335, 0.0, 0.0, list[float]()
    shown: list[float] = []
    for _ in range(60):
        e_v += CURVE * e_v * 50.0
        fast_a += (0.4 * 50.0 - fast_a) / 21.0
        slow_a += (0.8 * 50.0 - slow_a) / 201.0
        true_v = 3.335 + e_v + OHM * (50.0 + fast_a + slow_a)
        shown.append(round(true_v, 2))
        cells.update([shown[-1], OTHER_V], 50.0, 1.0, 25.0)
        above_v.append(cells.highs[0] - true_v)
    steps = [n for n in range(1, 60) if shown[n] > shown[n - 1]]
    assert len(steps) >= 2
    assert all(above_v[n] < 0.001 for n in steps)
    assert max(above_v) == above_v[0] > 0.009
    assert min(above_v) > -0.0001


def test_the_least_that_is_believed_of_a_resistance() -> None:
    """0.4 of what is expected; in the cold, too."""
    for coldest_c in (25.0, 0.0):
        cells = Cells(LFP)
        cells.update([3.450, OTHER_V], 0.0, 1.0, coldest_c)
        scale = math.exp(2500.0 * (1.0 / (coldest_c + 273.15) - 1.0 / 298.15))
        assert cells.least_ohm == pytest.approx(0.4 * OHM * scale)
