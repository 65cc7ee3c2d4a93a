"""The cell model against closed forms and a published open-circuit curve."""

import pytest

from bridge.simulate.cell import Branch, CellModel, CellParameters, lfp_open_circuit_v

# PyBaMM 26.10, parameter set Prada2013 (BSD-3): open-circuit voltage by charge; doubtful below 20 %.
PRADA_2013 = (
    (0.0, 2.0),
    (0.05, 2.7853),
    (0.1, 2.9781),
    (0.2, 3.1685),
    (0.3, 3.2058),
    (0.4, 3.2525),
    (0.5, 3.266),
    (0.6, 3.2688),
    (0.7, 3.274),
    (0.8, 3.3097),
    (0.9, 3.3142),
    (0.95, 3.3164),
    (1.0, 3.6),
)

# Closed form of the RC step response; PyBaMM Thevenin and the `thevenin` package agree to 3e-6 V.
STEP_RESPONSE = ((10.0, 3.178462), (60.0, 3.133483), (300.0, 3.116670), (1800.0, 3.075000))


def _line_v(charge: float) -> float:
    return 3.2 + 0.2 * charge


def _test_cell() -> CellModel:
    """Return the cell of the step response: 100 Ah, 2 mOhm at once, 1.5 mOhm behind 20 kF, half full."""
    return CellModel(CellParameters(100.0, 0.002, (Branch(0.0015, 20_000.0),), _line_v), 0.5)


@pytest.mark.parametrize(("charge", "voltage_v"), PRADA_2013)
def test_open_circuit_curve_meets_the_published_points(charge: float, voltage_v: float) -> None:
    """At every point of the published table the curve gives the published voltage."""
    assert lfp_open_circuit_v(charge) == pytest.approx(voltage_v, abs=1e-6)


@pytest.mark.parametrize("dt_s", [0.1, 1.0, 10.0])
@pytest.mark.parametrize(("after_s", "voltage_v"), STEP_RESPONSE)
def test_step_response_follows_the_closed_form(after_s: float, voltage_v: float, dt_s: float) -> None:
    """A 50 A discharge gives the published voltages, however the time is cut into steps."""
    cell = _test_cell()
    for _ in range(round(after_s / dt_s)):
        cell.step(-50.0, dt_s)

    assert cell.voltage_v(-50.0) == pytest.approx(voltage_v, abs=1e-6)


@pytest.mark.parametrize(("after_s", "voltage_v"), STEP_RESPONSE)
def test_one_long_step_is_exact(after_s: float, voltage_v: float) -> None:
    """One single step of any length ends at the same published voltage."""
    cell = _test_cell()
    cell.step(-50.0, after_s)

    assert cell.voltage_v(-50.0) == pytest.approx(voltage_v, abs=1e-6)


def test_fifty_amperes_for_half_an_hour_are_25_ah() -> None:
    """50 A for 30 min move 25.000 Ah (PyBaMM and NREL-PySAM counters agree)."""
    cell = _test_cell()
    for _ in range(1800):
        cell.step(50.0, 1.0)

    assert (cell.charge - 0.5) * 100.0 == pytest.approx(25.0, abs=1e-3)


def test_a_small_offset_drifts_by_0_857_percent_a_day() -> None:
    """0.1 A on 280 Ah for a day is 0.857 % of charge (arithmetic: 2.4 / 280)."""
    cell = CellModel(CellParameters(), 0.5)
    for _ in range(1440):
        cell.step(0.1, 60.0)

    assert 100.0 * (cell.charge - 0.5) == pytest.approx(0.857, abs=5e-4)
