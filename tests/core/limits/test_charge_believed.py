"""What is believed of each cell while the pack is charged, number by number."""

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_settings import ChargeSettings, Learnt

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
OHM = RESISTANCE_V / 280.0
CURVE = 1.0 / (0.0097 * 3600.0 * 280.0)
OTHER_V = 3.301
"""A second cell, by which the step of the sensors is seen to be 1 mV."""


def steady(volt: float, amps: float, slope: float = 0.0, settings: ChargeSettings = LFP) -> Cells:
    """Two cells of the expected resistance under a current that has flowed for long."""
    cells = Cells(settings)
    cells.update([volt, OTHER_V], amps, 1e12, 25.0)
    cells.volts, cells.slopes = [volt, OTHER_V], [slope, 0.0]
    return cells


def slow_a(amps: float, seconds: float) -> float:
    """What the slow parts of a resistance build up of a new current within one step."""
    return amps * (0.4 * seconds / (20.0 + seconds) + 0.8 * seconds / (200.0 + seconds))


def tells(change_a: float, scale: float = 1.0, blur_v: float = 0.003) -> float:
    """How far off a resistance may be that a step of the current shows, squared: by sensors, and 15 %."""
    return (blur_v / (OHM * scale * change_a)) ** 2 + 0.15**2


def weight_of(doubt: float, tells: float) -> float:
    """What such a step counts beside what was known to within `doubt`."""
    return doubt**2 / (doubt**2 + tells)


def test_before_the_first_reading_nothing_is_known() -> None:
    """But what the settings say."""
    cells = Cells(LFP)
    assert (cells.volts, cells.ohms, cells.slopes, cells.learnt, cells.contact) == ([], [], [], (), None)
    assert (cells.slow_a, cells.noise_v, cells.current_a, cells.step_v) == (0.0, 0.0, 0.0, 0.001)
    assert cells.curve == pytest.approx(CURVE)
    assert (cells.scale, cells.doubt) == (1.0, 7.0)
    assert cells.doubt_ohm == pytest.approx(7.0 * OHM)
    assert Cells(LFP, Learnt((2.0, 9.0, 0.1))).learnt == (2.0, 8.0, 0.4)


@pytest.mark.parametrize("coldest_c", [-60.0, -40.0, -20.0, 0.0, 25.0, 60.0, 70.0])
def test_in_the_cold_resistance_is_larger(coldest_c: float) -> None:
    """By Arrhenius, with 2500 K, from -40 to 60 °C; from what was kept, if it fits."""
    base = OHM * math.exp(2500.0 * (1.0 / (273.15 + min(max(coldest_c, -40.0), 60.0)) - 1.0 / 298.15))
    for kept, factors in (((), (1.0, 1.0)), ((1.5, 2.0), (1.5, 2.0)), ((1.5, 2.0, 3.0), (1.0, 1.0))):
        cells = Cells(LFP, Learnt(kept))
        cells.update([3.30, OTHER_V], 0.0, 1.0, coldest_c)
        assert cells.ohms == pytest.approx([factor * base for factor in factors])
        assert cells.learnt == factors
        doubt = 0.15 if len(kept) == 2 else 7.0
        assert cells.doubt_ohm == pytest.approx(doubt * base)


def test_a_pack_that_cools_at_rest_has_the_resistances_of_the_cold() -> None:
    """At once, without a step of the current; and the warm ones again when it is warm."""
    cells = steady(3.40, 0.0)
    for coldest_c in (0.0, 25.0, -10.0):
        cells.update([3.40, OTHER_V], 0.0, 1.0, coldest_c)
        scale = math.exp(2500.0 * (1.0 / (273.15 + coldest_c) - 1.0 / 298.15))
        assert cells.ohms == pytest.approx([OHM * scale] * 2)
        assert cells.learnt == (1.0, 1.0)


def test_other_cells_begin_anew() -> None:
    """As they show themselves."""
    cells = steady(3.40, 0.0, 1e-5)
    cells.update([3.25], 0.0, 1.0, 25.0)
    assert (cells.volts, cells.slopes, cells.ohms) == ([3.25], [0.0], [OHM])


@pytest.mark.parametrize("seconds", [1.0, 2.0, 20.0])
@pytest.mark.parametrize("step_v", [0.0005, 0.001, 0.005])
@pytest.mark.parametrize("off_v", [0.0003, -0.0003, 0.002, -0.002, 0.009, -0.009])
def test_what_is_expected_counts_within_half_a_step_and_is_drawn_to_the_reading(
    off_v: float, step_v: float, seconds: float
) -> None:
    """10 A more through the resistance and what its slow part builds up, and the charge at 10 uV/As. After
    readings that were long awaited it is the reading, and never beyond."""
    cells = steady(3.400, 0.0, 1e-5, ChargeSettings(16, 280.0, 3.5, 3.4, 56.0, 140.0, sensor_step_v=step_v))
    expected = 3.400 + OHM * (10.0 + slow_a(10.0, seconds)) + 1e-5 * 10.0 * seconds
    shown = expected + off_v
    cells.update([shown, OTHER_V], 10.0, seconds, 25.0)
    cut = shown + min(max(expected - shown, -0.5 * step_v), 0.5 * step_v)
    pull = min(1.0, 0.1 * seconds * min(1.0, 0.001 / step_v))
    assert cells.volts[0] == pytest.approx(cut + pull * (shown - cut), abs=1e-9)
    assert cells.slow_a == pytest.approx(slow_a(10.0, seconds))
    assert cells.current_a == 10.0


@pytest.mark.parametrize(
    ("changes_a", "seconds", "off_v", "noise_v"),
    [
        (0.0, 1.0, 0.005, 6.0 * 0.0022 / 120.0),
        (0.0, 1.0, -0.005, 6.0 * 0.0022 / 120.0),
        (0.0, 2.0, 0.005, 6.0 * 0.0022 / 60.0),
        (0.0, 1.0, 0.0005, 0.0),
        (0.5, 1.0, 0.0061, 6.0 * (0.0055 - 0.5 * OHM * 1.023029) / 2.0 / 120.0),
        (0.6, 1.0, 0.005, 0.0),
        (-0.6, 1.0, 0.005, 0.0),
        (0.0, 120.0, 0.0022, 6.0 * 0.0008),
        (0.0, 240.0, 0.0022, 6.0 * 0.0008),
        (0.0, 240.0, 0.0200, 0.005),
    ],
)
def test_what_readings_pass_by_their_step_is_noise(
    changes_a: float, seconds: float, off_v: float, noise_v: float
) -> None:
    """And a tenth of a millivolt; on the mean of the cells, over 120 s, six times, at most 5 mV; not while
    the current moves by more than 0.002C."""
    cells = steady(3.400, 0.0)
    cells.update([3.400 + off_v, OTHER_V], changes_a, seconds, 25.0)
    assert cells.noise_v == pytest.approx(noise_v, rel=1e-4, abs=1e-9)


def test_noise_widens_what_is_believed_and_fades() -> None:
    """Over 120 s."""
    cells = steady(3.400, 0.0)
    cells.update([3.4022, OTHER_V], 0.0, 120.0, 25.0)
    assert cells.noise_v == pytest.approx(0.0048)
    cells.volts[0] = 3.400
    cells.update([3.4035, OTHER_V], 0.0, 1.0, 25.0)
    assert cells.volts[0] == pytest.approx(3.400 + 0.1 * 0.0035)
    assert cells.noise_v == pytest.approx(6.0 * (0.0008 + (0.00145 - 0.0008) / 120.0))
    cells.volts[0] = 3.400
    cells.update([3.4058, OTHER_V], 0.0, 1.0, 25.0)
    assert cells.volts[0] > 3.400 + 0.1 * 0.0058


SLOPES = [
    (3.455, 0.001, 0.0, 1.0, 0.15 * (0.0044 + 0.1 * 0.0005) / 50.0),
    (3.455, 0.001, 0.0, 2.0, 0.30 * (0.0044 + 0.2 * 0.0005) / 100.0),
    (3.455, 0.001, 0.0, 10.0, (0.0044 + 0.0005) / 500.0),
    (3.455, 0.001, 0.0, 20.0, (0.0044 + 0.0005) / 1000.0),
    (3.456, 0.002, 0.0, 1.0, 0.15 * (0.0049 + 0.05 * 0.0010) / 50.0),
    (3.4503, 0.001, 0.0, 1.0, 0.15 * 0.1 * 0.0003 / 50.0),
    (3.450, 0.001, 2e-5, 1.0, 2e-5 - 0.15 * (0.0004 + 0.1 * 0.0005) / 50.0),
    (3.400, 0.001, 1e-5, 1.0, 0.0),
    (3.900, 0.001, 1e-5, 1.0, 4.0 * 0.1 * CURVE),
]


@pytest.mark.parametrize(("shown", "step_v", "slope", "seconds", "becomes"), SLOPES)
def test_a_slope_is_what_the_expected_voltage_missed_by_charge(
    shown: float, step_v: float, slope: float, seconds: float, becomes: float
) -> None:
    """0.15 of it a second; never below 0, nor above four times the curve's."""
    settings = ChargeSettings(16, 280.0, 3.5, 3.4, 56.0, 140.0, sensor_step_v=step_v)
    cells = steady(3.450, 50.0, slope, settings)
    cells.update([shown, OTHER_V], 50.0, seconds, 25.0)
    assert cells.slopes[0] == pytest.approx(becomes, rel=1e-4)


COARSE = replace(LFP, sensor_step_v=0.005)
JUST_WENT_ON = ((3.450, 50.0), (3.455, 50.0))


def went_on(
    cells: Cells, shown: float, amps: float = 50.0, *, at_v: float = 3.455, slope: float = 0.0
) -> tuple[float, float]:
    """The slope, V/As, once cells expected at `at_v` show this, a second later; and how far it is trusted."""
    cells.volts, cells.slopes = [at_v, OTHER_V], [slope, 0.0]
    before_a, built_a = cells.current_a, cells.slow_a
    cells.update([shown, OTHER_V], amps, 1.0, 25.0)
    signal = (CURVE * (at_v - OHM * (before_a + cells.slow_a) - 3.335) * amps) ** 2
    blur = OHM**2 * ((0.15 * (amps - before_a)) ** 2 + (0.7 * (cells.slow_a - built_a)) ** 2)
    return cells.slopes[0], signal / (signal + blur)


def coarse(rows: Sequence[tuple[float, float]]) -> Cells:
    """Cells seen in steps of 5 mV, after such readings and currents."""
    cells = steady(3.450, 50.0, settings=COARSE)
    for row_v, row_a in rows:
        cells.update([row_v, OTHER_V], row_a, 1.0, 25.0)
    return cells


@pytest.mark.parametrize(
    ("rows", "shown", "slope", "becomes"),
    [
        (JUST_WENT_ON, 3.460, 0.0, 0.5 * 0.0024 / 50.0),
        ([*JUST_WENT_ON, *[(3.455, 50.0)] * 9], 3.460, 0.0, 0.5 * 0.0024 / 500.0),
        ([*JUST_WENT_ON, (3.460, 50.0), (3.455, 50.0)], 3.460, 0.0, 0.5 * 0.0024 / 50.0),
        ([*JUST_WENT_ON, *[(3.455, 50.0)] * 9], 3.445, 2e-5, 2e-5 - 0.5 * (0.0074 - 2e-5 * -50.0) / 500.0),
        ([*JUST_WENT_ON, *[(3.455, 50.0)] * 9], 3.445, 1e-6, 0.0),
        ([*JUST_WENT_ON, *[(3.455, 50.0)] * 9], 3.600, 0.0, 4.0 * 0.1 * CURVE),
        ([*JUST_WENT_ON, *[(3.455, 50.0)] * 9], 3.455, 1e-5, 1e-5),
    ],
)
def test_coarse_sensors_tell_a_slope_where_they_go_on(
    rows: Sequence[tuple[float, float]], shown: float, slope: float, becomes: float
) -> None:
    """Half of what was missed over the charge since the last step; nothing between the steps, however the
    reading draws what is believed; within the same bounds."""
    assert went_on(coarse(rows), shown, slope=slope)[0] == pytest.approx(becomes, rel=1e-4, abs=1e-12)


def test_coarse_sensors_begin_to_count_with_the_first_readings() -> None:
    """They came a second after nothing."""
    cells = Cells(COARSE)
    cells.update([3.450, OTHER_V], 50.0, 1.0, 25.0)
    slope, trust = went_on(cells, 3.455, at_v=3.450)
    expected_v = 3.450 + OHM * (cells.slow_a - slow_a(50.0, 1.0))
    assert slope == pytest.approx(0.5 * trust * (3.455 - expected_v - 0.0026) / 100.0, rel=1e-6)


def test_charge_that_went_out_again_is_none_since_the_last_step() -> None:
    """Never less than none; a small current tells no slope, but its charge counts. Where the current moves
    less is believed here, too."""
    for went_a, since_as in (((50.0, -20.0), 110.0), ((50.0, -60.0), 80.0), ((-60.0, 10.0), 90.0)):
        cells = coarse([*JUST_WENT_ON, *[(3.455, amps) for amps in went_a]])
        before_a, built_a = cells.current_a, cells.slow_a
        slope, trust = went_on(cells, 3.470, 80.0, at_v=3.430)
        missed = 0.040 - cells.ohms[0] * (80.0 - before_a + cells.slow_a - built_a) - 0.0026
        assert trust < 0.9
        assert slope == pytest.approx(0.5 * trust * missed / since_as)


def test_charge_that_goes_out_tells_no_slope() -> None:
    """Of coarse sensors, where they go on; nor does a small current."""
    for amps in (-50.0, 11.1):
        assert went_on(coarse([*JUST_WENT_ON, (3.455, amps)]), 3.445, amps, slope=1e-5)[0] == 1e-5


@pytest.mark.parametrize(("volt", "foot_v"), [(3.450, 3.450 - 0.110 * 0.3 - 3.335), (3.34, 0.010)])
@pytest.mark.parametrize("change_a", [13.0, -5.0])
@pytest.mark.parametrize("coldest_c", [25.0, 5.0])
def test_the_more_the_current_moves_the_less_is_learnt_of_a_slope(
    volt: float, foot_v: float, change_a: float, coldest_c: float
) -> None:
    """An error of 15 % of the resistance, or of 70 % of its slow part, would be taken for one: beside what
    the curve is expected to do."""
    cells = steady(volt, 50.0)
    amps, scale = 50.0 + change_a, math.exp(2500.0 * (1.0 / (273.15 + coldest_c) - 1.0 / 298.15))
    change = change_a + slow_a(change_a, 1.0)
    if foot_v > 0.010:
        foot_v = volt - OHM * scale * (50.0 + 60.0 + slow_a(change_a, 1.0)) - 3.335
    blur_a2 = (0.15 * change_a) ** 2 + (0.7 * slow_a(change_a, 1.0)) ** 2
    signal, blur = (CURVE * foot_v * amps) ** 2, (OHM * scale) ** 2 * blur_a2
    cells.update([volt + 0.010, OTHER_V], amps, 1.0, coldest_c)
    missed = 0.010 - OHM * scale * change - 0.0006 + 0.1 * 0.0005
    assert cells.slopes[0] == pytest.approx(0.15 * signal / (signal + blur) * missed / amps)


def test_no_slope_is_seen_under_a_small_current() -> None:
    """0.04C: 11.2 A of 280 Ah."""
    for amps, seen in ((11.1, False), (11.3, True), (-50.0, False)):
        cells = steady(3.450, amps, 1e-5)
        cells.update([3.455, OTHER_V], amps, 1.0, 25.0)
        assert (cells.slopes[0] != 1e-5) is seen


@pytest.mark.parametrize(
    ("shown", "amps", "far"),
    [
        ([3.499, OTHER_V], 50.0, False),
        ([3.501, OTHER_V], 50.0, True),
        ([3.401, OTHER_V], 50.0, False),
        ([3.399, OTHER_V], 50.0, True),
        ([3.45, OTHER_V + 0.051], 50.0, True),
        ([3.511, OTHER_V], 70.1, False),
        ([3.513, OTHER_V], 70.1, True),
        ([3.511, OTHER_V], 29.9, False),
        ([3.9], 50.0, False),
    ],
)
def test_readings_are_far_that_cannot_have_come_from_the_last(
    shown: list[float], amps: float, far: bool
) -> None:
    """50 mV, and twice what the change of the current does to the worst cell; other cells are not far."""
    assert steady(3.450, 50.0).far(shown, amps) is far


def test_the_worst_contact_counts_where_the_current_changes() -> None:
    """Of three times the expected resistance here: 20 A are 36 mV, doubled."""
    cells = Cells(LFP, Learnt((1.0, 3.0)))
    cells.update([3.450, OTHER_V], 50.0, 1e12, 25.0)
    cells.volts = [3.450, OTHER_V]
    assert [cells.far([v, OTHER_V], 70.0) for v in (3.535, 3.537)] == [False, True]


def test_the_step_of_the_sensors_is_found_and_at_first_there_is_no_noise() -> None:
    """The coarsest grid that all readings lie on."""
    for shown, step_v in ((3.41, 0.010), (3.415, 0.005), (3.413, 0.001)):
        cells = Cells(LFP)
        for _ in range(2):
            cells.update([shown, 3.30], 0.0, 1.0, 25.0)
        assert (cells.step_v, cells.noise_v) == (step_v, 0.0)


def test_what_the_slow_parts_will_build_up_follows_from_what_flows() -> None:
    """40 % over 20 s, 80 % over 200 s."""
    cells = steady(3.40, 20.0)
    grows, fades_a = cells.slow_part(8.0)
    assert 50.0 * grows - fades_a == pytest.approx(slow_a(30.0, 8.0))
    assert cells.slow_a == pytest.approx(1.2 * 20.0)


def factor_of(
    rises_v: Sequence[float],
    currents_a: Sequence[float],
    seconds: float = 1.0,
    slope: float = 0.0,
    coldest_c: float = 25.0,
) -> float:
    """The resistance of the first cell, as a multiple, after so many readings above 3.40 V from 10 A."""
    cells = steady(3.400, 10.0)
    for rise_v, amps in zip(rises_v, currents_a, strict=True):
        cells.slopes = [slope, 0.0]
        cells.update([3.400 + rise_v, OTHER_V], amps, seconds, coldest_c)
    return cells.learnt[0]


@pytest.mark.parametrize(
    ("rise_v", "ohms"),
    [(0.03045, 1.4), (0.0004, None), (-0.01, None), (0.003, 0.4), (0.30, 8.0), (0.40, None)],
)
@pytest.mark.parametrize("seconds", [1.0, 4.0])
def test_a_resistance_is_the_rise_at_a_step_less_what_the_charge_took(
    rise_v: float, ohms: float | None, seconds: float
) -> None:
    """70 A more, half of it on the mean, at 10 uV/As; beside what the slow parts build up. The first time it
    is believed but for what the sensors blur; within 0.4 to 8 times what is expected, and not beyond 16."""
    stands = (70.0 + slow_a(70.0, seconds)) * OHM
    taken_v = 1e-5 * 45.0 * seconds
    if ohms == 1.4:
        rise_v = 1.4 * stands + taken_v
    expected = 1.0 if ohms is None else 1.0 + weight_of(7.0, tells(70.0)) * (ohms - 1.0)
    assert factor_of([rise_v], [80.0], seconds, 1e-5) == pytest.approx(expected)


def test_a_resistance_is_seen_beside_what_is_expected_in_the_cold() -> None:
    """The same rise is less of a resistance there, and blurred less."""
    scale = math.exp(2500.0 * (1.0 / 278.15 - 1.0 / 298.15))
    stands = (70.0 + slow_a(70.0, 1.0)) * OHM * scale
    weight = weight_of(7.0, tells(70.0, scale))
    assert factor_of([1.4 * stands], [80.0], coldest_c=5.0) == pytest.approx(1.0 + weight * 0.4)


def test_steps_count_by_how_well_resistances_are_known() -> None:
    """What was kept to 15 %, nothing to 7 times what is expected. Each step once; it leaves what two such
    measurements leave together, and 10 % for what may change."""
    for kept, doubt in (((1.0, 1.0), 0.15), ((), 7.0)):
        cells = Cells(LFP, Learnt(kept))
        cells.update([3.400, OTHER_V], 10.0, 1e12, 25.0)
        factor, before_v, built_a = 1.0, 3.400, cells.slow_a
        for shown, amps, change_a in ((3.420, 80.0, 70.0), (3.405, 10.0, -70.0), (3.411, 30.0, 20.0)):
            cells.slopes, cells.noise_v = [0.0, 0.0], 0.0
            cells.update([shown, OTHER_V], amps, 1.0, 25.0)
            seen = (shown - before_v) / ((change_a + cells.slow_a - built_a) * OHM)
            told = tells(change_a)
            weight = weight_of(doubt, told)
            factor, doubt = factor + weight * (seen - factor), math.sqrt(weight * told + 0.01)
            before_v, built_a = shown, cells.slow_a
            for _ in range(3):
                assert cells.learnt[0] == pytest.approx(factor)
                assert cells.ohms[0] == pytest.approx(factor * OHM)
                assert cells.doubt == pytest.approx(doubt)
                cells.update([shown, OTHER_V], amps, 1.0, 25.0)


def test_noise_blurs_what_a_step_tells() -> None:
    """Twice."""
    cells = steady(3.400, 10.0)
    cells.noise_v = 0.004
    cells.update([3.420, OTHER_V], 80.0, 1.0, 25.0)
    told = tells(70.0, blur_v=0.003 + 0.008)
    assert cells.doubt == pytest.approx(math.sqrt(weight_of(7.0, told) * told + 0.01))


def test_one_absurd_reading_leaves_the_doubt() -> None:
    """What the other cells show is taken, but a bad contact may be behind that one; a reading that does not
    move with the current is no reason to doubt the rest."""
    known = math.sqrt(weight_of(7.0, tells(70.0)) * tells(70.0) + 0.01)
    for rise_v, doubt in ((0.40, 7.0), (-0.01, known)):
        cells = steady(3.400, 10.0)
        cells.update([3.400 + rise_v, OTHER_V + 0.030], 80.0, 1.0, 25.0)
        assert cells.learnt[0] == 1.0 < cells.learnt[1]
        assert cells.doubt == pytest.approx(doubt)


@pytest.mark.parametrize(("others_v", "known"), [([3.42, 3.42], True), ([3.42, 3.39], False)])
def test_a_step_that_most_cells_do_not_show_leaves_the_doubt(others_v: list[float], known: bool) -> None:
    """It is the current that is wrong."""
    cells = steady(3.40, 10.0)
    cells.update([3.40, 3.40, 3.40, 3.40], 10.0, 1.0, 25.0)
    cells.update([3.40, 3.40, *others_v], 80.0, 1.0, 25.0)
    assert (cells.doubt < 1.0) is known


def seen(currents_a: Sequence[float], seconds: float = 1.0) -> bool:
    """Whether these currents, from 10 A on, show a resistance."""
    return factor_of([0.0005 * (amps - 10.0) for amps in currents_a], currents_a, seconds) != 1.0


def test_a_step_is_a_twentieth_of_the_capacity_either_way() -> None:
    """14 A of 280 Ah."""
    assert [seen([amps]) for amps in (23.9, 24.0, -3.9, -4.0)] == [False, True, False, True]


def test_a_step_must_come_within_eight_seconds_or_one_and_a_half_readings() -> None:
    """Of the last reading that was no part of it, one more may have passed."""
    assert seen([10.0 + 1.56 * n for n in range(1, 10)])
    assert not seen([10.0 + 1.5 * n for n in range(1, 40)])
    assert seen([20.0, 30.0], 10.0)
    assert not seen([16.0, 22.0, 28.0], 10.0)


def test_other_cells_teach_nothing_of_the_old_ones() -> None:
    """From all to the extremes within a step of the current."""
    cells = steady(3.400, 10.0)
    cells.update([3.42, 3.41, OTHER_V], 80.0, 1.0, 25.0)
    assert cells.learnt == (1.0, 1.0, 1.0)


@pytest.mark.parametrize(
    ("factors", "contact"),
    [
        ((1.0, 1.0, 2.19), None),
        ((1.0, 1.0, 2.21), 2),
        ((2.21, 1.0, 1.0), 0),
        ((0.5, 0.5, 1.53), None),
        ((0.5, 0.5, 1.55), 2),
        ((1.0, 8.0), None),
        ((1.0, 1.0, 2.0, 4.3), None),
        ((1.0, 1.0, 2.0, 4.5), 3),
        ((2.0, 2.0, 5.0, 1.0, 1.0), 2),
        ((1.0, 2.0, 2.3, 2.5, 4.5), None),
    ],
)
def test_a_bad_contact_stands_out_from_the_middle_cell(
    factors: tuple[float, ...], contact: int | None
) -> None:
    """More than 2.2 times it, or 2.2 times 0.7 of what is expected; of two cells there is no middle."""
    cells = Cells(LFP, Learnt(factors))
    cells.update([3.301] * len(factors), 0.0, 1.0, 25.0)
    assert cells.contact == contact
