"""One simulated cell: its resting curve and what a current does to it."""

import itertools
import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.simulate.cell import LFP_HYSTERESIS_V, CellModel, CellParameters, at_temperature
from bridge.simulate.open_circuit import lfp_open_circuit_v, nca_open_circuit_v, nmc_open_circuit_v

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


WITH_HYSTERESIS = CellParameters(hysteresis_v=LFP_HYSTERESIS_V)


def _rested(cell: CellModel) -> CellModel:
    """The cell after its branches have died away, with a current too small to matter."""
    for _ in range(10):
        cell.step(0.0, 3600.0)
    return cell


def test_a_cell_that_was_charged_rests_above_one_that_was_discharged() -> None:
    """At half charge the two curves are twice the half gap apart, and the resting curve lies between them."""
    charged, drained = CellModel(WITH_HYSTERESIS, 0.3), CellModel(WITH_HYSTERESIS, 0.7)
    charged.step(56.0, 3600.0)
    drained.step(-56.0, 3600.0)
    up_v, down_v = _rested(charged).emf_v, _rested(drained).emf_v

    assert up_v - down_v == pytest.approx(2 * LFP_HYSTERESIS_V, abs=1e-4)
    assert (up_v + down_v) / 2 == pytest.approx(lfp_open_circuit_v(0.5), abs=1e-4)


def test_rest_does_not_change_the_side() -> None:
    """Hysteresis is no relaxation: without charge that flows, it stays for ever."""
    cell = CellModel(WITH_HYSTERESIS, 0.4)
    cell.step(28.0, 3600.0)
    once_v = _rested(cell).emf_v

    assert _rested(cell).emf_v == pytest.approx(once_v, abs=1e-12)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_voltage_moves_with_charge_all_along_either_curve(side: float) -> None:
    """The closing gap at the ends never makes a cell fall while it charges, or rise while it is drained."""
    cell = CellModel(WITH_HYSTERESIS, 0.5 - 0.5 * side)
    cell.step(side * 28.0, 1800.0)
    while 0.0 <= cell.charge <= 1.0:
        before_v = cell.emf_v
        cell.step(side * 28.0, 30.0)
        assert side * (cell.emf_v - before_v) > -1e-9, cell.charge


@given(CURRENTS_A, st.floats(0.1, 600.0), CURRENTS_A, st.floats(0.0, 1.0))
def test_what_is_foreseen_happens(first_a: float, dt_s: float, then_a: float, charge: float) -> None:
    """The voltage foreseen for a step is the one after it, and looking changes nothing."""
    cell = CellModel(WITH_HYSTERESIS, charge)
    cell.step(first_a, 60.0)
    before = cell.charge, cell.emf_v
    foreseen_v = cell.foreseen_v(then_a, dt_s)

    assert (cell.charge, cell.emf_v) == before
    cell.step(then_a, dt_s)
    assert cell.voltage_v(then_a) == pytest.approx(foreseen_v, abs=1e-9)


@given(st.lists(st.tuples(CURRENTS_A, STEPS_S), max_size=20))
def test_hysteresis_takes_no_charge(steps: list[tuple[float, float]]) -> None:
    """Only the voltage depends on the way; charge is that of a cell without it."""
    plain, other = CellModel(CellParameters(), 0.5), CellModel(WITH_HYSTERESIS, 0.5)
    for current_a, dt_s in steps:
        plain.step(current_a, dt_s)
        other.step(current_a, dt_s)

    assert other.charge == plain.charge
    assert abs(other.emf_v - plain.emf_v) <= LFP_HYSTERESIS_V + 1e-9


def test_cold_raises_every_resistance_and_nothing_else() -> None:
    """At 2 °C the cell resists more, each part by its own; at 25 °C it is the cell it was."""
    usual = CellParameters(series_k=1500.0, branch_k=4200.0)
    cold = at_temperature(usual, 2.0)

    assert at_temperature(usual, 25.0) == usual
    assert cold.capacity_ah == usual.capacity_ah
    assert cold.series_ohm / usual.series_ohm == pytest.approx(math.exp(1500.0 * (1 / 275.15 - 1 / 298.15)))
    for one, other in zip(cold.branches, usual.branches, strict=True):
        ratio = one.resistance_ohm / other.resistance_ohm
        assert ratio == pytest.approx(math.exp(4200.0 * (1 / 275.15 - 1 / 298.15)))
        assert one.capacitance_f == other.capacitance_f
    assert at_temperature(usual, 45.0).series_ohm < usual.series_ohm


@pytest.mark.parametrize("curve", [nmc_open_circuit_v, nca_open_circuit_v])
def test_other_chemistries_rise_everywhere(curve: Callable[[float], float]) -> None:
    """More charge is always more voltage, from below empty to above full."""
    points = [curve(n / 1000) for n in range(-50, 1051)]

    assert min(after - before for before, after in itertools.pairwise(points)) > 0.0
