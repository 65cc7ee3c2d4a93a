"""Makes `thevenin.json`: what the Thevenin model of PyBaMM makes of three currents over time.

PyBaMM is far too large to be installed for the tests (some 900 MB), so its answers are kept. To make them
again, in an environment of its own:

    pip install pybamm==26.10.1.1
    python tests/outside/make_thevenin.py

The cases: the closed form's step of a discharge; a current that changes at random, at a constant temperature;
and the same in a cell that warms up, its resistances falling by Arrhenius' law. Each was solved with relative
and absolute tolerances of 1e-10. PyBaMM counts a discharge as positive; this file, like the
project, a charge.
"""

import json
import random
from pathlib import Path
from typing import Any

import pybamm  # type: ignore[import-not-found, unused-ignore]

FILE = Path(__file__).with_name("thevenin.json")
HUGE = 1e12
"""A heat capacity of the surroundings that nothing warms."""


def line_v(charge: Any) -> Any:
    """The open-circuit voltage of the closed form."""
    return 3.2 + 0.2 * charge


def knee_v(charge: Any) -> Any:
    """A plateau with a steep end at either side."""
    exp = pybamm.exp
    return 3.25 + 0.1 * charge + 0.25 * exp((charge - 1.0) / 0.02) - 0.4 * exp(-charge / 0.03)


def solved(case: dict[str, Any], open_circuit: Any) -> dict[str, Any]:
    """The case with the model's answers: voltage, charge and temperature at the end of each piece."""
    pairs, start_c = case["pairs"], case["start_c"]
    model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": len(pairs)})
    values = pybamm.ParameterValues("ECM_Example")

    def constant(value: float) -> Any:
        return lambda *_: pybamm.Scalar(value)

    def arrhenius(ohm: float, kelvin: float) -> Any:
        return lambda temperature_c, *_: (
            ohm * pybamm.exp(kelvin * (1.0 / (temperature_c + 273.15) - 1.0 / 298.15))
        )

    changed: dict[str, Any] = {
        "Cell capacity [A.h]": case["capacity_ah"],
        "Nominal cell capacity [A.h]": case["capacity_ah"],
        "Initial SoC": case["charge"],
        "Initial temperature [K]": start_c + 273.15,
        "Ambient temperature [K]": start_c + 273.15,
        "Cell thermal mass [J/K]": case["heat_capacity_j_k"] or HUGE,
        "Cell-jig heat transfer coefficient [W/K]": case["loss_w_k"],
        "Jig thermal mass [J/K]": HUGE,
        "Jig-air heat transfer coefficient [W/K]": 0.0,
        "Open-circuit voltage [V]": open_circuit,
        "Entropic change [V/K]": constant(0.0),
        "R0 [Ohm]": arrhenius(case["series_ohm"], case["series_k"]),
        "Upper voltage cut-off [V]": 10.0,
        "Lower voltage cut-off [V]": 0.0,
        "RCR lookup limit [A]": 1e6,
        "Current function [A]": pybamm.InputParameter("discharge_a"),
    }
    for n, (ohm, farad) in enumerate(pairs, start=1):
        changed[f"R{n} [Ohm]"] = arrhenius(ohm, case["branch_k"])
        changed[f"C{n} [F]"] = constant(farad)
        changed[f"Element-{n} initial overpotential [V]"] = 0.0
    values.update(changed, check_already_exists=False)
    solver = pybamm.IDAKLUSolver(rtol=1e-10, atol=1e-10)
    simulation = pybamm.Simulation(model, parameter_values=values, solver=solver)
    ends = []
    for current_a, seconds in case["pieces"]:
        solution = simulation.step(seconds, inputs={"discharge_a": -current_a}, save=True)
        names = ("Voltage [V]", "SoC", "Cell temperature [degC]")
        ends.append([round(float(solution[name].entries[-1]), 9) for name in names])
    return case | {"ends": ends}


def main() -> None:
    """Solves every case and writes the file."""
    draw = random.Random(5)
    step = {
        "open_circuit": "line",
        "capacity_ah": 100.0,
        "charge": 0.5,
        "series_ohm": 0.002,
        "pairs": [[0.0015, 20_000.0]],
        "series_k": 0.0,
        "branch_k": 0.0,
        "start_c": 25.0,
        "heat_capacity_j_k": 0.0,
        "loss_w_k": 0.0,
        "pieces": [[-50.0, 10.0], [-50.0, 50.0], [-50.0, 240.0], [-50.0, 1500.0]],
    }
    pieces = [[draw.choice((0.0, 1.0)) * draw.randint(-200, 280), draw.randint(5, 300)] for _ in range(40)]
    restless = step | {
        "open_circuit": "knee",
        "capacity_ah": 280.0,
        "charge": 0.7,
        "series_ohm": 0.0002,
        "pairs": [[0.0001, 150_000.0], [0.00025, 1_200_000.0]],
        "pieces": pieces,
    }
    warm = restless | {
        "series_k": 1500.0,
        "branch_k": 4200.0,
        "start_c": 10.0,
        "heat_capacity_j_k": 5400.0,
        "loss_w_k": 0.5,
    }
    cases = {"step": (step, line_v), "restless": (restless, knee_v), "warm": (warm, knee_v)}
    result: dict[str, Any] = {"made_by": f"PyBaMM {pybamm.__version__}, equivalent_circuit.Thevenin"}
    result |= {name: solved(case, curve) for name, (case, curve) in cases.items()}
    FILE.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
