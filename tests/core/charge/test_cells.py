"""The estimator: rest voltages, resistances, slow parts, and what a reading may and may not do to them."""

import pytest

from bridge.core.charge import constants as k
from bridge.core.charge.cells import Cells
from tests.core.charge.plant import settings

OHM = 0.084 / 100.0


def fed(cells: Cells, readings: list[tuple[list[float], float]], unseen_s: float = 1.5) -> None:
    """One reading a second."""
    for volts, amps in readings:
        cells.update(volts, amps, 1.0, unseen_s=unseen_s)


def test_a_cell_at_rest_is_what_is_shown() -> None:
    """Nothing flows."""
    cells = Cells(settings())
    fed(cells, 5 * [([3.31, 3.32, 3.33, 3.40], 0.0)])
    assert cells.rests_v == pytest.approx([3.31, 3.32, 3.33, 3.40], abs=1e-6)
    assert cells.slow_a == 0.0


def test_under_a_current_a_cell_rests_lower_by_its_resistance() -> None:
    """The fast part at once, the slow ones as they build up."""
    cells = Cells(settings())
    fed(cells, [([3.30] * 4, 0.0), *60 * [([3.34] * 4, 20.0)]])
    assert cells.slow_a > 1.0
    expected = 3.34 - cells.ohms[0] * (20.0 + cells.slow_a)
    assert cells.rests_v[0] == pytest.approx(expected, abs=k.NOISE_V)


def test_a_step_of_the_current_only_widens_what_a_reading_may_tell() -> None:
    """The current is told a reading before the cells show it: the rest voltages stay."""
    cells = Cells(settings())
    fed(cells, 5 * [([3.40] * 4, 30.0)], 2.5)
    before = list(cells.rests_v)
    fed(cells, [([3.40] * 4, 0.0)], 2.5)
    assert (cells.low_a, cells.high_a) == (0.0, 30.0)
    assert cells.rests_v == pytest.approx(before, abs=0.002)


def test_above_the_foot_a_cell_rises_with_the_charge_between_its_readings() -> None:
    """s = k (e - foot) / (e_fold 3600 C), within half a step and the noise."""
    cells = Cells(settings())
    fed(cells, [([3.43, 3.33, 3.33, 3.33], 10.0)])
    before = cells.rests_v[0]
    slope = cells.curve * (before - k.FOOT_V)
    cells.update([3.43, 3.33, 3.33, 3.33], 10.0, 1.0, unseen_s=1.5)
    assert Cells(settings()).curve == pytest.approx(1.0 / (0.0097 * 3600.0 * 100.0))
    assert cells.rests_v[0] > before + 0.5 * slope * 10.0


def test_a_resistance_is_learnt_between_two_calm_moments() -> None:
    """Twice the expected in one cell: found to a tenth, and known better than before."""
    cells = Cells(settings())
    ohms = [OHM, OHM, 2.0 * OHM, OHM]
    quiet, loud = [3.3] * 4, [round(3.3 + ohm * 40.0, 3) for ohm in ohms]
    fed(cells, 4 * [(quiet, 0.0)])
    assert cells.doubt == k.UNKNOWN
    fed(cells, [(loud, 40.0), *3 * [(loud, 40.0)]])
    assert cells.doubt < 0.3
    assert cells.factors[2] == pytest.approx(2.0, rel=0.1)
    assert cells.factors[0] == pytest.approx(1.0, rel=0.1)
    assert cells.contact is None
    assert cells.ohms[2] == pytest.approx(cells.factors[2] * OHM)


def test_a_contact_is_a_resistance_far_above_that_of_the_middle_cell() -> None:
    """Told by its index, once something is known."""
    cells = Cells(settings())
    assert cells.contact is None
    loud = [round(3.3 + OHM * 40.0 * size, 3) for size in (1.0, 1.0, 4.0, 1.0)]
    fed(cells, 4 * [([3.3] * 4, 0.0)] + 4 * [(loud, 40.0)])
    assert cells.contact == 2


@pytest.mark.parametrize("loud", [[3.3] * 4, [3.25] * 4, [3.3, 3.3, 4.2, 3.3]])
def test_a_reading_that_no_resistance_explains_teaches_nothing(loud: list[float]) -> None:
    """A current of which the cells know nothing, or one cell that is absurd."""
    cells = Cells(settings())
    fed(cells, 4 * [([3.3] * 4, 0.0)] + 4 * [(loud, 40.0)])
    assert cells.factors == (1.0,) * 4
    assert cells.doubt == k.UNKNOWN


def test_one_cell_that_shows_no_answer_keeps_what_was_known_of_it() -> None:
    """The others learn."""
    cells = Cells(settings())
    fed(cells, 4 * [([3.3] * 4, 0.0)] + 4 * [([3.295, 3.35, 3.35, 3.35], 40.0)])
    assert cells.factors[0] == 1.0
    assert cells.factors[1] > 1.2


def test_a_slow_change_of_the_current_teaches_nothing() -> None:
    """The two calm moments are too far apart, or the current is never calm."""
    cells = Cells(settings())
    for n in range(200):
        amps = 0.3 * n
        cells.update([round(3.3 + 0.0005 * n, 3)] * 4, amps, 1.0, unseen_s=12.0)
    assert cells.doubt == k.UNKNOWN


def test_a_restless_moment_too_long_ago_is_forgotten() -> None:
    """No calm moment for longer than the window: the next begins anew."""
    cells = Cells(settings())
    fed(cells, 4 * [([3.3] * 4, 0.0)])
    for n in range(40):
        fed(cells, [([3.31] * 4, 10.0 if n % 2 else 30.0)])
    fed(cells, 4 * [([3.37] * 4, 40.0)])
    assert cells.doubt == k.UNKNOWN


def test_the_steepness_of_the_knee_is_learnt_from_the_highest_cell_within_its_bounds() -> None:
    """A knee twice as steep is found to be steeper; one that stands still, to be flatter."""
    steep, flat = Cells(settings()), Cells(settings())
    rest = 3.40
    for _ in range(90):
        rest += 2.0 * (rest - k.FOOT_V) / (0.0097 * 3600.0 * 100.0) * 15.0 if rest < 3.5 else 0.0
        volts = rest + OHM * (15.0 + steep.slow_a)
        steep.update([round(volts, 4), 3.3, 3.3, 3.3], 15.0, 1.0, unseen_s=1.5)
        flat.update([3.43, 3.3, 3.3, 3.3], 15.0, 1.0, unseen_s=1.5)
    unit = 1.0 / (0.0097 * 3600.0 * 100.0)
    assert flat.curve == pytest.approx(k.CURVE_LEAST * unit)
    assert k.CURVE_USUAL * unit < steep.curve <= k.CURVE_MOST * unit


def test_resistance_grows_in_the_cold_and_what_was_learnt_is_kept_as_a_multiple() -> None:
    """Arrhenius, by the coldest cell."""
    cells = Cells(settings(), (1.5, 1.0, 1.0, 1.0))
    cells.update([3.3] * 4, 0.0, 1.0, unseen_s=1.5)
    warm = list(cells.ohms)
    cells.update([3.3] * 4, 0.0, 1.0, unseen_s=1.5, coldest_c=2.0)
    assert all(1.9 < cold / ohm < 2.2 for cold, ohm in zip(cells.ohms, warm, strict=True))
    assert cells.factors == (1.5, 1.0, 1.0, 1.0)


def test_the_extremes_alone_are_taken_to_have_the_largest_resistance_known() -> None:
    """They may be any of the cells."""
    cells = Cells(settings(), (1.5, 1.0, 1.0, 1.2))
    cells.update([3.3, 3.4], 0.0, 1.0, unseen_s=1.5)
    assert cells.factors == (1.5, 1.5)


def test_slow_parts_build_up_towards_the_current_and_fade_without_it() -> None:
    """What is left of theirs, and what is built up, add to the whole after any time."""
    cells = Cells(settings())
    fed(cells, 2000 * [([3.33] * 4, 20.0)])
    whole = sum(share for _, share in k.SLOW)
    assert cells.slow_a == pytest.approx(20.0 * whole, rel=0.03)
    grows, left_a = cells.slow_later(30.0)
    assert 20.0 * grows + left_a == pytest.approx(cells.slow_a, rel=0.03)
    grows, left_a = cells.slow_later(0.0)
    assert grows == 0.0
    assert left_a == pytest.approx(cells.slow_a)
