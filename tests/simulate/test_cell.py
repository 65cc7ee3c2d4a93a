"""One simulated cell: its resting curve and what a current does to it."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.simulate.cell import CellModel, CellParameters, lfp_open_circuit_v

CURRENTS_A = st.floats(-300.0, 300.0)
STEPS_S = st.floats(0.0, 600.0)


def test_resting_curve_rises_everywhere() -> None:
    """More charge is always more voltage, from below empty to above full, without a jump."""
    points = [lfp_open_circuit_v(n / 10_000) for n in range(-500, 10_501)]
    rises = [after - before for before, after in itertools.pairwise(points)]

    assert min(rises) > 0.0
    assert max(rises) < 0.01


@pytest.mark.parametrize("charge", [0.0, 0.05, 0.2, 0.5, 0.9, 0.95, 1.0])
def test_resting_curve_has_no_kink(charge: float) -> None:
    """The slope is the same just below and just above each place where the pieces meet."""
    tiny = 1e-6
    below = lfp_open_circuit_v(charge) - lfp_open_circuit_v(charge - tiny)
    above = lfp_open_circuit_v(charge + tiny) - lfp_open_circuit_v(charge)

    assert above == pytest.approx(below, rel=2e-3)


def test_the_knee_grows_by_e_for_each_0_97_percent() -> None:
    """Above 95 % the slope grows by a factor of e for each 0.97 % of charge."""

    def slope_v(charge: float) -> float:
        return (lfp_open_circuit_v(charge + 1e-6) - lfp_open_circuit_v(charge - 1e-6)) / 2e-6

    assert slope_v(0.98 + 0.0097) / slope_v(0.98) == pytest.approx(math.e, rel=1e-4)


def test_a_current_acts_at_once_through_the_series_resistance() -> None:
    """100 A lift a resting 0.2 mOhm cell by 20 mV at once, and a discharge lowers it as much."""
    cell = CellModel(CellParameters(), 0.5)

    assert cell.voltage_v(100.0) - cell.emf_v == pytest.approx(0.020)
    assert cell.voltage_v(-100.0) - cell.emf_v == pytest.approx(-0.020)


def test_branches_decay_at_rest() -> None:
    """An hour after a charge the cell is back on its resting curve."""
    cell = CellModel(CellParameters(), 0.5)
    cell.step(100.0, 600.0)
    lifted_v = cell.emf_v - lfp_open_circuit_v(cell.charge)
    cell.step(0.0, 3600.0)

    assert lifted_v > 0.03
    assert cell.emf_v == pytest.approx(lfp_open_circuit_v(cell.charge), abs=1e-6)


@given(st.lists(st.tuples(CURRENTS_A, STEPS_S), max_size=20))
def test_charge_is_conserved(steps: list[tuple[float, float]]) -> None:
    """Charge moves by exactly what flowed, whatever the order and length of the steps."""
    cell = CellModel(CellParameters(), 0.5)
    for current_a, dt_s in steps:
        cell.step(current_a, dt_s)

    flowed_ah = math.fsum(current_a * dt_s for current_a, dt_s in steps) / 3600.0
    assert 280.0 * (cell.charge - 0.5) == pytest.approx(flowed_ah, abs=1e-9)
    assert math.isfinite(cell.emf_v)


@given(CURRENTS_A, st.floats(0.1, 300.0), st.floats(0.1, 300.0))
def test_cutting_a_step_in_two_changes_nothing(current_a: float, first_s: float, second_s: float) -> None:
    """Two steps under one current end where a single step of their sum ends."""
    whole, cut = CellModel(CellParameters(), 0.5), CellModel(CellParameters(), 0.5)
    whole.step(current_a, first_s + second_s)
    cut.step(current_a, first_s)
    cut.step(current_a, second_s)

    assert cut.charge == pytest.approx(whole.charge, abs=1e-12)
    assert cut.emf_v == pytest.approx(whole.emf_v, abs=1e-9)
