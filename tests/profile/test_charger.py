"""What the charge law is told of sensors, charger and wires: keys, defaults, bounds, the grids of the DBC."""

from dataclasses import replace
from pathlib import Path

import pytest

from bridge.core.plan.plan import PackFacts
from bridge.profile.load import load_profile
from tests.profile.made import BOATHOUSE, CABIN, ROOT, loaded, refused

SHELF = 'name = "shelf"'
LOFT = 'name = "loft"'


def facts(folder: Path, text: str, *changes: tuple[str, str]) -> PackFacts:
    """Of charging the first bank."""
    return loaded(folder, text, *changes).plan.banks[0].charge.facts


def test_defaults_and_the_grid_of_the_message_definitions() -> None:
    """Steps are those of the signals: 0.1 V and 0.05 A, 0.025 V in the boathouse; cells in whole mV."""
    cabin, boathouse = (load_profile(ROOT / "profiles" / f"{n}.toml") for n in ("cabin", "boathouse"))

    bank = cabin.plan.banks[0]
    for side in (bank.charge, bank.discharge):
        assert side.facts == replace(PackFacts(), wire_a=0.05)
    assert (cabin.plan.limits.plateau_v, cabin.plan.limits.e_fold) == (3.335, 0.0097)
    assert [bank.charge.facts.wire_v for bank in boathouse.plan.banks] == [0.025, 0.025]


def test_the_profile_says_what_it_knows_better(tmp_path: Path) -> None:
    """A bad sensor, slow telemetry, a slow charger."""
    told = facts(
        tmp_path,
        CABIN,
        (SHELF, SHELF + "\ncell_sensor_error_v = 0.005\ncurrent_sensor_error_a = 3\ntelemetry_delay_s = 4"),
        (LOFT, LOFT + "\nresponse_s = 8"),
    )

    assert (told.sensor_offset_v, told.current_zero_a) == (0.005, 3.0)
    assert (told.delay_s, told.lag_s) == (4.0, 8.0)


def test_a_scaled_signal_has_scaled_steps(tmp_path: Path) -> None:
    """Sent at a tenth of the number a step is ten times as coarse; read with a scale of 10, too."""
    told = facts(
        tmp_path,
        CABIN,
        (
            'charge_volts_ceiling = "charge_voltage_limit"',
            'charge_volts_ceiling = { quantity = "charge_voltage_limit", scale = 0.1 }',
        ),
        ("first = 13, range", "first = 13, scale = 10, range"),
    )

    assert (told.wire_v, told.sensor_step_v) == (1.0, 0.005)


def test_each_direction_has_the_steps_of_its_own_signals(tmp_path: Path) -> None:
    """The floor and the discharge current sent coarser, all else as it was."""
    changes = [
        (f'{signal} = "{name}"', f'{signal} = {{ quantity = "{name}", scale = 0.1 }}')
        for signal, name in (
            ("draw_volts_floor", "discharge_voltage_floor"),
            ("draw_amps_most", "discharge_current_limit"),
        )
    ]
    bank = loaded(tmp_path, CABIN, *changes).plan.banks[0]

    assert bank.charge.facts == replace(PackFacts(), wire_a=0.05)
    assert bank.discharge.facts == replace(PackFacts(), wire_v=1.0, wire_a=0.5)


def test_without_every_cell_the_extremes_count(tmp_path: Path) -> None:
    """The coarser of what the highest and lowest cell are told in."""
    low = 'cell_voltage_min = { signal = "lowest_cell",'
    coarse = (low, low + " scale = 10,")
    told = facts(tmp_path, CABIN, ("first = 13, range", "first = 13, optional = true, range"), coarse)
    some = facts(tmp_path, CABIN, (', "cell_16"]', "]"), coarse)

    assert (told.sensor_step_v, some.sensor_step_v) == (0.001, 0.005)


def test_a_limit_that_is_not_sent_has_the_usual_step(tmp_path: Path) -> None:
    """Nobody follows it; the law goes on as if somebody did."""
    told = facts(
        tmp_path,
        BOATHOUSE,
        ('charge_volts_ceiling = "charge_voltage_limit"\n', "charge_volts_ceiling = { constant = 50 }\n"),
    )

    assert (told.wire_v, told.wire_a) == (0.1, 0.05)


@pytest.mark.parametrize(
    ("at", "line", "key", "found", "allowed"),
    [
        (SHELF, "cell_sensor_error_v = 0.06", "bank[1].cell_sensor_error_v", "0.06", "0.05"),
        (SHELF, "cell_sensor_error_v = -0.001", "bank[1].cell_sensor_error_v", "-0.001", "0"),
        (SHELF, "current_sensor_error_a = 21", "bank[1].current_sensor_error_a", "21", "20"),
        (SHELF, "telemetry_delay_s = 31", "bank[1].telemetry_delay_s", "31", "30"),
        (SHELF, "telemetry_delay_s = nan", "bank[1].telemetry_delay_s", "nan", "finite"),
        (LOFT, "response_s = 0", "inverter[1].response_s", "0", "0.1"),
        (LOFT, "response_s = 61", "inverter[1].response_s", "61", "60"),
    ],
)
def test_what_cannot_be_is_refused_with_one_error(
    tmp_path: Path, at: str, line: str, key: str, found: str, allowed: str
) -> None:
    """File, key, found, allowed."""
    problems = refused(tmp_path, CABIN, (at, f"{at}\n{line}"))

    assert list(problems) == [key]
    problem = problems[key]
    assert problem.file.endswith("profile.toml")
    assert (problem.found, allowed in problem.allowed) == (found, True)


def test_sensors_that_leave_nothing_of_the_knee_are_refused(tmp_path: Path) -> None:
    """From knee to target 0.03 V, and sensors that may be 0.03 V wrong."""
    problems = refused(
        tmp_path,
        CABIN,
        (SHELF, SHELF + "\ncell_sensor_error_v = 0.03"),
        ("[limits]", "[limits]\ncell_knee_v = 3.47"),
    )

    assert str(problems["bank[1].cell_sensor_error_v"]).endswith(
        "0.03, with steps of 0.0005 V; allowed: together less than from cell_knee_v to cell_target_v, 0.03"
    )
