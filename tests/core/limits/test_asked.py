"""The benchmarks tell what the laws miss of what is asked of them, and nothing else."""

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.asked import charge_misses, draw_misses
from tests.bench.charge_run import Outcome
from tests.bench.charge_scenarios import SCENARIOS
from tests.bench.draw_run import DrawOutcome
from tests.bench.draw_scenarios import DRAW_SCENARIOS

NEVER = np.zeros(4, bool)


def ones(value: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The same of four packs."""
    return np.full(4, value)


def charge(name: str, **differs: object) -> list[str]:
    """What is missed where all is reached but this."""
    reached = Outcome(ones(0.0), NEVER, ones(99.85), ones(1.008), ones(6.0), 70.0)
    scenario = next(s for s in SCENARIOS if s.name == name)
    return charge_misses(scenario, replace(reached, **differs), 5.0)  # type: ignore[arg-type]


def draw(name: str, **differs: object) -> list[str]:
    """Likewise."""
    reached = DrawOutcome(ones(0.0), NEVER, ones(99.3), ones(6.0), 70.0)
    scenario = next(s for s in DRAW_SCENARIOS if s.name == name)
    return draw_misses(scenario, replace(reached, **differs), 5.0)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "most_mv"),
    [
        ("balanced", 0.0),
        ("clouds", 0.0),
        ("telemetry 5 s", 0.0),
        ("current ignored", 2.0),
        ("voltage ignored", 2.0),
        ("current ignored, clouds", 5.0),
        ("bad contact", 5.0),
        ("10 mV steps", 5.0),
        ("telemetry 10 s", 5.0),
    ],
)
def test_the_highest_cell_may_pass_its_target_where_sensors_or_charger_are_to_blame(
    name: str, most_mv: float
) -> None:
    """In mV, of the worst pack."""
    assert charge(name, over_mv=ones(most_mv)) == []
    worst = np.array([-1.0, -1.0, most_mv + 0.1, -1.0])
    assert charge(name, over_mv=worst) == [f"over {most_mv + 0.1:g} (at most {most_mv:g})"]


@pytest.mark.parametrize(
    ("differs", "missed"),
    [
        ({"tripped": ~NEVER}, ["trips 4 (at most 0)"]),
        (
            {"charge": ones(99.7)},
            ["charge, median 99.7 (at least 99.85)", "charge, p1 99.7 (at least 99.75)"],
        ),
        ({"charge": np.array([99.0, 100.0, 100.0, 100.0])}, ["charge, p1 99.03 (at least 99.75)"]),
        ({"time": ones(1.0088)}, ["time, median 1.0088 (at most 1.008)"]),
        ({"time": np.array([1.0, 1.03, 1.03, np.inf])}, ["time, median 1.03 (at most 1.008)"]),
        ({"reversals_per_hour": ones(6.5)}, ["turns, mean 6.5 (at most 6)"]),
        ({"reversals_per_hour": np.array([0.0, 0.0, 0.0, 20.0])}, ["turns, p99 19.4 (at most 12)"]),
        ({"step_us": 80.0}, ["decodes a step 16 (at most 15)"]),
        ({"charge": ones(float("nan"))}, ["charge, median nan (at least 99.85)"]),
    ],
)
def test_what_a_charge_misses_is_told(differs: dict[str, object], missed: list[str]) -> None:
    """With what was asked; a figure that is none is missed."""
    assert charge("balanced", **differs)[: len(missed)] == missed


@pytest.mark.parametrize("name", ["10 mV steps", "telemetry 10 s"])
def test_coarse_sensors_may_cost_time(name: str) -> None:
    """But no charge."""
    assert charge(name, time=ones(1.1)) == []
    assert len(charge(name, charge=ones(99.7))) == 2


@pytest.mark.parametrize("name", ["no current known", "begun in the knee", "little sun"])
def test_beyond_what_is_asked_no_harm_is_enough(name: str) -> None:
    """No trip, and no cell far over its target."""
    assert charge(name, time=ones(1.1), charge=ones(98.0), over_mv=ones(5.0)) == []
    assert charge(name, over_mv=ones(5.1), tripped=~NEVER) == ["trips 4 (at most 0)", "over 5.1 (at most 5)"]


def test_a_step_may_cost_more_where_a_decode_does_too() -> None:
    """Either is enough."""
    assert charge("balanced", step_us=75.0) == []
    assert charge("balanced", step_us=59.0) == []


def test_what_a_discharge_misses_is_told() -> None:
    """Where both limits are obeyed; of an ignored one nothing but a quiet wire is asked."""
    assert draw("balanced") == draw("current ignored", under_mv=ones(9.0), energy=ones(90.0)) == []
    assert draw("balanced", under_mv=ones(0.1)) == ["under 0.1 (at most 0)"]
    assert draw("balanced", energy=ones(99.2)) == ["energy, p1 99.2 (at least 99.3)"]
    assert draw("balanced", tripped=~NEVER) == ["trips 4 (at most 0)"]
    assert draw("floor ignored", reversals_per_hour=ones(7.0)) == ["turns, mean 7 (at most 6)"]
