"""The cell and the fleet of cells against PyBaMM's Thevenin model, and against each other.

`thevenin.json` is what PyBaMM 26.10.1.1 (BSD-3) answered; `make_thevenin.py` asked it. The first case is the
closed form of an RC pair's step response: 3.178462, 3.133483, 3.116670 and 3.075000 V after 10, 60, 300 and
1800 s of 50 A.
"""

import json
import math
import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.simulate.cell import LFP_HYSTERESIS_V, Branch, CellModel, CellParameters, at_temperature
from bridge.simulate.heat import CellHeat, Surroundings, Warmth
from tests.bench.fleet import TABLE_CHARGE, TABLE_V, FleetCells

ANSWERS: dict[str, Any] = json.loads(Path(__file__).with_name("thevenin.json").read_text())


def _line_v(charge: float) -> float:
    return 3.2 + 0.2 * charge


def _knee_v(charge: float) -> float:
    plateau_v = 3.25 + 0.1 * charge
    return plateau_v + 0.25 * math.exp((charge - 1.0) / 0.02) - 0.4 * math.exp(-charge / 0.03)


CURVES = {"line": _line_v, "knee": _knee_v}


def _cell(case: dict[str, Any]) -> CellModel:
    pairs = tuple(Branch(*pair) for pair in case["pairs"])
    curve = CURVES[case["open_circuit"]]
    usual = CellParameters(case["capacity_ah"], case["series_ohm"], pairs, curve)
    return CellModel(
        usual._replace(series_k=case["series_k"], branch_k=case["branch_k"]),
        case["charge"],
    )


def test_the_kept_answers_hold_the_closed_form() -> None:
    """PyBaMM's answers to the step are those of the closed form, computed here: the file is sound."""
    case = ANSWERS["step"]
    t_s = 0.0
    for (current_a, seconds), (voltage_v, charge, _) in zip(case["pieces"], case["ends"], strict=True):
        t_s += seconds
        left = 0.5 + current_a * t_s / 360_000.0
        expected_v = _line_v(left) + current_a * (0.002 + 0.0015 * (1.0 - math.exp(-t_s / 30.0)))
        assert charge == pytest.approx(left, abs=1e-8)
        assert voltage_v == pytest.approx(expected_v, abs=1e-6)
    published_v = [3.178462, 3.133483, 3.116670, 3.075000]
    assert [end[0] for end in case["ends"]] == pytest.approx(published_v, abs=1e-6)


@pytest.mark.parametrize("name", ["step", "restless"])
@pytest.mark.parametrize("dt_s", [1.0, 1000.0])
def test_a_cell_does_what_pybamm_says(name: str, dt_s: float) -> None:
    """Two RC pairs and a current that changes at random: within 2 µV, however long the steps."""
    case, cell = ANSWERS[name], _cell(ANSWERS[name])
    for (current_a, seconds), (voltage_v, charge, _) in zip(case["pieces"], case["ends"], strict=True):
        left_s = float(seconds)
        while left_s > 0.0:
            cell.step(current_a, min(dt_s, left_s))
            left_s -= dt_s
        assert cell.charge == pytest.approx(charge, abs=1e-8)
        assert cell.voltage_v(current_a) == pytest.approx(voltage_v, abs=2e-6)


def test_a_cell_warms_up_as_pybamm_says() -> None:
    """Losses into a heat capacity, resistances falling with the temperature: within 50 mK and 0.2 mV.

    PyBaMM solves temperature and resistances together; here temperatures move on every 10 s.
    """
    case, cell = ANSWERS["warm"], _cell(ANSWERS["warm"])
    heat = CellHeat(case["heat_capacity_j_k"], case["loss_w_k"])
    warmth = Warmth([cell], heat, Surroundings(case["start_c"]), case["start_c"])
    for (current_a, seconds), (voltage_v, _, cell_c) in zip(case["pieces"], case["ends"], strict=True):
        for _ in range(seconds):
            cell.step(current_a, 1.0)
            warmth.step([current_a], 1.0)
        assert cell.voltage_v(current_a) == pytest.approx(voltage_v, abs=2e-4)
        assert warmth.temperatures_c[0] == pytest.approx(cell_c, abs=0.05)


@pytest.mark.parametrize("hysteresis_v", [0.0, LFP_HYSTERESIS_V])
@pytest.mark.parametrize("temperature_c", [25.0, 2.0, 40.0])
def test_the_fleet_is_the_cell_many_times(hysteresis_v: float, temperature_c: float) -> None:
    """The same physics twice, on arrays and cell by cell: within 1 nV over a restless current.

    The fleet reads the open-circuit curve from a table of 10 ppm of charge; the cell reads the same here.
    """
    draw = random.Random(11)
    charges = np.array([[0.15, 0.5, 0.93], [0.3, 0.8, 0.97]])
    capacities = np.array([[270.0, 280.0, 290.0], [280.0, 250.0, 285.0]])
    factors = np.array([[0.9, 1.0, 1.15], [1.0, 1.5, 0.85]])
    fleet = FleetCells(charges, capacities, factors, temperature_c, hysteresis_v)
    usual = at_temperature(CellParameters(), temperature_c)
    cells = [
        CellModel(
            usual._replace(
                capacity_ah=capacity_ah,
                series_ohm=usual.series_ohm * factor,
                branches=tuple(
                    Branch(b.resistance_ohm * factor, b.capacitance_f / factor) for b in usual.branches
                ),
                open_circuit_v=lambda charge: float(np.interp(charge, TABLE_CHARGE, TABLE_V)),
                hysteresis_v=hysteresis_v,
            ),
            charge,
        )
        for charge, capacity_ah, factor in zip(charges.flat, capacities.flat, factors.flat, strict=True)
    ]
    for _ in range(400):
        current_a, dt_s = draw.uniform(-140.0, 140.0), draw.choice((1.0, 1.0, 7.0))
        foreseen_v, _ = fleet.after(np.full((2, 3), current_a), dt_s)
        fleet.step(np.full((2, 3), current_a), dt_s)
        for cell in cells:
            cell.step(current_a, dt_s)
        here_v = fleet.terminal_v(np.full((2, 3), current_a)).ravel()
        assert foreseen_v.ravel() == pytest.approx(here_v, abs=1e-9)
        assert here_v == pytest.approx([cell.voltage_v(current_a) for cell in cells], abs=1e-9)
