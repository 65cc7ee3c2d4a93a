"""Checking: each rule fires on what it is for, and on neither shipped profile."""

import json
import tomllib
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path

import cantools
import pytest
from rich.console import Console

from bridge.errors import EXIT_FAIL, EXIT_OK, EXIT_WARN, Severity
from bridge.profile.check import check_profile
from bridge.profile.load import load_profile
from bridge.profile.report import as_json, print_report
from bridge.profile.units import unit_problem
from tests.profile.made import BOATHOUSE, CABIN, JETTY, ROOT, checked, found, loaded

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
FAIL, WARN, NOTE = Severity.FAIL, Severity.WARN, Severity.NOTE


@pytest.mark.parametrize("name", ["cabin", "boathouse", "jetty"])
def test_the_shipped_profiles_pass(name: str) -> None:
    """No rule fires on either; notes at most."""
    report = check_profile(load_profile(ROOT / "profiles" / f"{name}.toml"), NOW)

    assert report.of(FAIL) == report.of(WARN) == ()
    assert (report.verdict, report.exit_code) == ("pass", EXIT_OK)


def test_the_commissioning_that_is_shown_passes(tmp_path: Path) -> None:
    """Its marks taken away, and with the end it has."""
    shown = [line for line in JETTY.splitlines() if line.startswith("# ") and " = " in line]
    changes = [(line, line[2:]) for line in ("# [commissioning]", *shown)]
    profile = loaded(tmp_path, JETTY, *changes)
    assert len(shown) == 5
    assert profile.plan.commissioning is not None
    assert profile.plan.commissioning.window == (20.0, 90.0)
    report = check_profile(profile, NOW)
    assert report.of(FAIL) == report.of(WARN) == ()


LIMITS = [
    (FAIL, "limits.cell_target_v", ("cell_target_v = 3.50", "cell_target_v = 4.2")),
    (FAIL, "limits.cell_floor_v", ("cell_floor_v = 2.90", "cell_floor_v = 2.4")),
    (FAIL, "limits.charge_voltage_v", ("[limits]", "[limits]\ncharge_voltage_v = 58.5")),
    (WARN, "limits.charge_voltage_v", ("[limits]", "[limits]\ncharge_voltage_v = 57.0")),
    (FAIL, "limits.discharge_floor_v", ("[limits]", "[limits]\ndischarge_floor_v = 39.9")),
    (WARN, "limits.discharge_floor_v", ("[limits]", "[limits]\ndischarge_floor_v = 44")),
    (FAIL, "limits.discharge_floor_v", ("[limits]", "[limits]\ndischarge_floor_v = 56.5")),
    (FAIL, "limits.resting_voltage_v", ("[limits]", "[limits]\nresting_voltage_v = 56.5")),
    (WARN, "limits.resting_voltage_v", ("[limits]", "[limits]\nresting_voltage_v = 55")),
    (FAIL, "limits.cell_cutoff_high_v", ("[limits]", "[limits]\ncell_cutoff_high_v = 3.7")),
    (WARN, "limits.cell_cutoff_high_v", ("[limits]", "[limits]\ncell_cutoff_high_v = 3.45")),
    (FAIL, "limits.cell_cutoff_low_v", ("[limits]", "[limits]\ncell_cutoff_low_v = 2.4")),
    (WARN, "limits.cell_cutoff_low_v", ("[limits]", "[limits]\ncell_cutoff_low_v = 2.95")),
    (FAIL, "limits.cell_deep_v", ("[limits]", "[limits]\ncell_deep_v = 2.4")),
    (FAIL, "limits.cell_lost_v", ("[limits]", "[limits]\ncell_lost_v = 1.9")),
    (WARN, "limits.cell_lost_release_v", ("[limits]", "[limits]\ncell_lost_release_v = 3.5")),
    (WARN, "limits.cell_deep_end_v", ("[limits]", "[limits]\ncell_deep_end_v = 3.2")),
    (NOTE, "bank[1]", ('"lowest_cell", range = [1.5,', '"lowest_cell", range = [2.0,')),
    (FAIL, "limits.charge_coldest_c", ("[limits]", "[limits]\ncharge_coldest_c = -5")),
    (FAIL, "limits.charge_hottest_c", ("[limits]", "[limits]\ncharge_hottest_c = 50")),
    (FAIL, "limits.discharge_coldest_c", ("[limits]", "[limits]\ndischarge_coldest_c = -25")),
    (WARN, "limits.charge_current_a", ("[limits]", "[limits]\ncharge_current_a = 150")),
    (FAIL, "bank[1].charge_by_coldest_cell", ("temperature_c = [0, 2,", "temperature_c = [-5, 2,")),
    (WARN, "bank[1].charge_by_coldest_cell", ("0.1, 0.35,", "0.1, 0.5,")),
    (FAIL, "bank[1].charge_by_highest_cell",
     ("[limits]", "[limits]\ncharge_by_highest_cell = { cell_v = [3.4, 3.7], share = [1, 0] }")),
    (WARN, "bank[1].charge_current_a", ("charge_current_a = 140", "charge_current_a = 281")),
    (WARN, "bank[1].discharge_current_a", ("discharge_current_a = 200", "discharge_current_a = 281")),
]  # fmt: skip

SOURCES = [
    (FAIL, "bank[1].discharge_by_soc",
     ("[limits]", "[limits]\ndischarge_by_soc = { soc_pct = [10, 20], share = [0, 1] }")),
    (FAIL, "options.hold_charge_while_balancing",
     ('balancing = "bleeding"', ""),
     ("[failsafe]", "[options]\nhold_charge_while_balancing = true\n[failsafe]")),
    (WARN, "limits.request_charge_below_soc_pct", ("state_of_charge = {", "# ")),
    (WARN, "bank[1]", ('"cell_01", "cell_02", "cell_03", "cell_04"', '"cell_01"')),
    (NOTE, "bank[1]", ("pack_current = {", "# ")),
    (WARN, "bank[1]",
     ('"bleeding"', '"bleeding"\nbank_connected = { signal = "bleeding", optional = true }')),
    (WARN, "source[2].signals.cell_temperature_min.range",
     ('"coldest_probe", range = [-40,', '"coldest_probe", range = [1,')),
    (WARN, "source[2].signals.cell_voltage_max.range",
     ('"highest_cell", range = [1.5, 4.5]', '"highest_cell", range = [1.5, 3.5]')),
    (FAIL, "source[7].signals.charge_permitted.true",
     ('charge_permitted = "may_charge"', 'charge_permitted = { signal = "may_charge", true = [2] }')),
    (NOTE, "source[8].signals", ("tick_ms = 100", "tick_ms = 100")),
    (FAIL, "source[1].signals.pack_voltage", ('"pack_volts", range', '"pack_volts", scale = 0.001, range')),
]  # fmt: skip

TIMES = [
    (FAIL, "tick_ms", ("tick_ms = 100", "tick_ms = 10")),
    (FAIL, "tick_ms", ("tick_ms = 100", "tick_ms = 1100")),
    (FAIL, "failsafe.hold_s", ("hold_s = 3.0", "hold_s = 31")),
    (FAIL, "failsafe.mismatch_s", ("mismatch_s = 3.0", "mismatch_s = 31")),
    (WARN, "failsafe.mismatch_s", ("mismatch_s = 3.0", "mismatch_s = 0"), ("hold_s = 3.0", "hold_s = 0")),
    (FAIL, "failsafe.steady_s", ("steady_s = 5.0", "steady_s = 0")),
    (FAIL, "failsafe.stall_s", ("steady_s = 5.0", "steady_s = 5.0\nstall_s = 0.2")),
    (FAIL, "source[7].max_age_s", ("max_age_s = 2.0\ncounter", "max_age_s = 0.1\ncounter")),
    (FAIL, "source[7].max_age_s", ("max_age_s = 2.0\ncounter", "max_age_s = 61\ncounter")),
    (FAIL, "source[1].signals.pack_voltage.max_age_s",
     ('"pack_volts", range', '"pack_volts", max_age_s = 0.1, range')),
    (WARN, "transmission[1].period_ms", ("period_ms = 500", "period_ms = 50")),
    (FAIL, "inverter[1].timeout_s", ("timeout_s = 10.0", "timeout_s = 7.0")),
    (FAIL, "inverter[1].timeout_s", ("hold_s = 3.0", "hold_s = 6.0")),
    (FAIL, "inverter[1].timeout_s", ("mismatch_s = 3.0", "mismatch_s = 6.0")),
    (WARN, "bus[1]", ("bitrate = 250_000", "bitrate = 5_000"), ("period_ms = 500", "period_ms = 100")),
    (FAIL, "transmission[1]", ("bitrate = 250_000", "bitrate = 5_000"),
     ("period_ms = 500", "period_ms = 50")),
    (FAIL, "bus[1]", ("bitrate = 250_000", "bitrate = 5_000"), ("period_ms = 500", "period_ms = 20")),
]  # fmt: skip

SENT = [
    (FAIL, "inverter[1]", ('charge_amps_most = "charge_current_limit"', "")),
    (WARN, "inverter[1]", ('draw_volts_floor = "discharge_voltage_floor"', "")),
    (NOTE, "transmission[1].signals", ('draw_volts_floor = "discharge_voltage_floor"', "")),
    (NOTE, "inverter[1]",
     ('balancing = "bleeding"', ""), ('inverter = "loft"\ndbc', 'bank = "shelf"\ndbc'),
     ("inverter_heartbeat", "balancing")),
    (FAIL, "transmission[3].signals.pack_amps", ("pack_current = {", "# ")),
    (WARN, "transmission[3].signals.pack_amps",
     ("pack_current = {", "# "),
     ('pack_amps = "pack_current"', 'pack_amps = { quantity = "pack_current", absent = 0 }')),
    (FAIL, "transmission[1].signals.charge_amps_most",
     ("charge_current_a = 140", "charge_current_a = 600"), ("capacity_ah = 280", "capacity_ah = 900")),
    (FAIL, "transmission[1].signals.charge_amps_most",
     ('= "charge_current_limit"', '= { quantity = "charge_current_limit", scale = 10 }')),
    (FAIL, "transmission[1].signals.charge_amps_most",
     ('= "charge_current_limit"', '= { quantity = "charge_current_limit", shift = 0.02 }')),
    (FAIL, "transmission[1].signals.draw_volts_floor",
     ('= "discharge_voltage_floor"', '= { quantity = "discharge_voltage_floor", shift = 40 }')),
]  # fmt: skip


@pytest.mark.parametrize("row", [*LIMITS, *SOURCES, *TIMES, *SENT])
def test_a_rule_fires(tmp_path: Path, row: tuple[Severity, str, *tuple[tuple[str, str], ...]]) -> None:
    """Each change of the cabin brings its finding, with its severity, under its key."""
    severity, key, *changes = row
    report = checked(tmp_path, CABIN, *changes)

    assert found(report, severity, key), "\n".join(map(str, report.problems))
    if severity is FAIL:
        assert (report.verdict, report.exit_code) == ("fail", EXIT_FAIL)


def test_voltages_of_several_messages_need_patience_which_holding_gives_too(tmp_path: Path) -> None:
    """A load that switches between two messages looks like doubt until the slower has come again."""
    key, at_once = "failsafe.mismatch_s", ("mismatch_s = 3.0", "mismatch_s = 0")
    none = checked(tmp_path, CABIN, at_once, ("hold_s = 3.0", "hold_s = 0"))
    assert "0, and voltages of shelf come in several messages; allowed: at least 1:" in found(none, WARN, key)
    held = checked(tmp_path, CABIN, at_once, ("hold_s = 3.0", "hold_s = 1"))
    assert not found(held, WARN, key)


def test_4_2_volts_on_lfp_is_refused_in_words(tmp_path: Path) -> None:
    """The message says what was found and what an LFP cell bears."""
    report = checked(tmp_path, CABIN, ("cell_target_v = 3.50", "cell_target_v = 4.2"))

    assert "4.2; allowed: at most 3.65 (what lfp cells bear)" in found(report, FAIL, "limits.cell_target_v")
    assert report.exit_code == EXIT_FAIL


def test_every_finding_comes_at_once_the_worst_first(tmp_path: Path) -> None:
    """Three mistakes of three kinds are all in the report, failures first."""
    report = checked(
        tmp_path,
        CABIN,
        ("cell_target_v = 3.50", "cell_target_v = 4.2"),
        ("hold_s = 3.0", "hold_s = 31"),
        ("discharge_current_a = 200", "discharge_current_a = 281"),
    )
    severities = [problem.severity for problem in report.problems]

    assert {
        "limits.cell_target_v",
        "failsafe.hold_s",
        "inverter[1].timeout_s",
        "bank[1].discharge_current_a",
    } <= {problem.key for problem in report.problems}
    assert severities == sorted(severities, key=list(Severity).index)


def test_a_warning_alone_warns(tmp_path: Path) -> None:
    """Neither pass nor fail, with an exit code of its own."""
    report = checked(tmp_path, CABIN, ("[limits]", "[limits]\ncharge_voltage_v = 57.0"))

    assert (report.verdict, report.exit_code) == ("warn", EXIT_WARN)


@pytest.mark.parametrize(("days", "severity"), [(-1, WARN), (0, WARN), (1, None), (31, None), (32, WARN)])
def test_wishes_that_ended_or_last_too_long(tmp_path: Path, days: int, severity: Severity | None) -> None:
    """An end in the past, or more than 31 days away, is for the person to judge."""
    until = (NOW + timedelta(days=days)).isoformat()
    text = f"[shown_soc]\nfixed_pct = 8\nuntil = {until}\n[failsafe]"
    profile = loaded(tmp_path, CABIN, ("[failsafe]", text))

    problems = [p.severity for p in check_profile(profile, NOW).problems if p.key == "shown_soc.until"]
    assert problems == ([severity] if severity else [])
    assert not [p for p in check_profile(profile).problems if p.key == "shown_soc.until"]


def test_a_measured_quantity_beside_limits_needs_a_number_for_absent(tmp_path: Path) -> None:
    """Else one of them would have to be withheld, or shown, while the reading is not known."""
    change = ('{ quantity = "pack_voltage", absent = 0 }', '"pack_voltage"')

    assert "absent" in found(
        checked(tmp_path, BOATHOUSE, change), FAIL, "transmission[2].signals.string_volts"
    )


def test_a_bank_of_several_should_be_read_for_its_current(tmp_path: Path) -> None:
    """The share of each bank is not known without it."""
    report = checked(
        tmp_path, BOATHOUSE, ('pack_current = { signal = "bank_amps", range = [-400, 400] }', "")
    )

    assert found(report, WARN, "bank[1]")
    assert found(report, WARN, "bank[2]")


def test_zero_when_silent_needs_a_heartbeat(tmp_path: Path) -> None:
    """What is never heard cannot fall silent."""
    start, end = BOATHOUSE.index("# ── the inverter"), BOATHOUSE.index("# ── how far")
    report = checked(tmp_path, BOATHOUSE[:start] + BOATHOUSE[end:])

    assert found(report, FAIL, "inverter[1].when_silent")


DBC = """VERSION ""
NS_ :
BS_:
BU_: A B
BO_ 1990 Cold: 8 A
 SG_ coldest : 0|8@1+ (1,{offset}) [0|0] "degC" B
 SG_ highest : 8|{bits}@1+ (0.001,2) [0|0] "{unit}" B
BO_ 1991 Limits: 8 B
 SG_ volts : 0|{width}@1+ ({step},0) [0|0] "V" A
 SG_ amps : 16|16@1+ ({coarse},0) [0|0] "A" A
"""


@pytest.mark.parametrize(
    ("change", "severity", "key"),
    [
        ({}, None, ""),
        ({"offset": "1"}, FAIL, "source[8].signals.cell_temperature_min"),
        ({"bits": "10"}, FAIL, "source[8].signals.cell_voltage_max"),
        ({"unit": "mV"}, FAIL, "source[8].signals.cell_voltage_max"),
        ({"unit": "A"}, WARN, "source[8].signals.cell_voltage_max"),
        ({"width": "8"}, FAIL, "transmission[5].signals.volts"),
        ({"step": "0.25"}, WARN, "transmission[5].signals.volts"),
        ({"coarse": "8"}, WARN, "transmission[5].signals.amps"),
    ],
)
def test_a_definition_must_reach_and_resolve(
    tmp_path: Path, change: dict[str, str], severity: Severity | None, key: str
) -> None:
    """Frost must be readable, the cut-off too; limits need their width and a step that wastes little."""
    usual = {"offset": "-40", "bits": "12", "unit": "V", "width": "16", "step": "0.1", "coarse": "0.1"}
    text = CABIN.replace("cell_temperature_min = {", "# ").replace("cell_voltage_max = {", "# ")
    text = text.replace(
        "# ── what the inverter says",
        '[[source]]\ndbc = "own.dbc"\nmessage = "Cold"\nmax_age_s = 2.0\n[source.signals]\n'
        'cell_temperature_min = "coldest"\ncell_voltage_max = "highest"\n# ── what the inverter says',
    )
    text += (
        '\n[[transmission]]\ndbc = "own.dbc"\nmessage = "Limits"\nperiod_ms = 500\n[transmission.signals]\n'
        'volts = "charge_voltage_limit"\namps = "charge_current_limit"\n'
    )
    report = checked(tmp_path, text, dbc=DBC.format(**usual | change))

    if severity is None:
        assert report.of(FAIL) == report.of(WARN) == ()
    else:
        assert found(report, severity, key), "\n".join(map(str, report.problems))


@pytest.mark.parametrize(
    ("quantity", "signal", "per_unit", "shift", "certain"),
    [
        ("V", "V", 1, 0, None),
        ("V", "", 1, 0, None),
        ("V", "mV", 1000, 0, None),
        ("V", "mV", 1, 0, True),
        ("V", "V", 1000, 0, True),
        ("A", "A", -1, 0, None),
        ("A", "V", 1, 0, False),
        ("°C", "degC", 1, 0, None),
        ("°C", "K", 1, 0, True),
        ("°C", "K", 1, -273.15, None),
        ("", "A", 1, 0, None),
    ],
)
def test_units_and_scales_must_agree(
    quantity: str, signal: str, per_unit: float, shift: float, certain: bool | None
) -> None:
    """SI prefixes are known for certain; a unit of another kind is suspicious; the sign is free."""
    problem = unit_problem(quantity, signal, per_unit, shift)

    assert (None if problem is None else problem[2]) == certain


def test_the_budget_is_the_sum_of_its_parts() -> None:
    """Age of the slowest reading, a tick, the hold time, the slowest page with permissions, the bus."""
    (budget,) = check_profile(load_profile(ROOT / "profiles" / "boathouse.toml")).budgets
    parts = dict(budget.parts)

    assert [parts[name] for name in ("noticed", "next tick", "held", "next frame")] == [3.0, 0.1, 2.0, 0.75]
    assert budget.worst_s == pytest.approx(sum(parts.values()))
    assert budget.worst_s < budget.timeout_s == 8.0


def test_the_sample_frame_says_what_the_table_says() -> None:
    """An independent decoder reads the sample of the cabin's limits as the configured limits."""
    row = check_profile(load_profile(ROOT / "profiles" / "cabin.toml")).sent[0]
    definitions = cantools.database.load_file(ROOT / "dbc_own" / "cabin_inverter.dbc")
    assert isinstance(definitions, cantools.database.Database)
    seen = definitions.decode_message(row.message, bytes.fromhex(row.samples[0]))

    assert isinstance(seen, dict)
    assert seen == pytest.approx(
        {
            "charge_volts_ceiling": 56.0,
            "charge_amps_most": 140.0,
            "draw_amps_most": 200.0,
            "draw_volts_floor": 46.4,
        }
    )


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("name", ["cabin", "boathouse"])
def test_the_report_fits_its_terminal(name: str, width: int) -> None:
    """Verdict first, whole identifiers and whole sample frames, no line wider than the terminal."""
    report = check_profile(load_profile(ROOT / "profiles" / f"{name}.toml"))
    page = StringIO()
    print_report(report, Console(file=page, width=width))
    lines = page.getvalue().splitlines()

    assert "PASS" in lines[0]
    assert max(map(len, lines)) <= width
    for row in report.sent:
        assert any(line.lstrip().startswith(row.identifier) for line in lines)
        assert all(f"{row.identifier}  {sample}" in page.getvalue() for sample in row.samples)


def test_the_report_names_every_finding(tmp_path: Path) -> None:
    """What was found and what is allowed, with its key, under a title for each severity."""
    report = checked(tmp_path, CABIN, ("cell_target_v = 3.50", "cell_target_v = 4.2"))
    page = StringIO()
    print_report(report, Console(file=page, width=100))

    assert "FAIL" in page.getvalue().splitlines()[0]
    for problem in report.problems:
        assert problem.key in page.getvalue()


def test_json_says_the_same() -> None:
    """The same verdict, problems and frames, for programs."""
    report = check_profile(load_profile(ROOT / "profiles" / "boathouse.toml"))
    tree = json.loads(as_json(report))

    assert tree["verdict"] == "pass"
    assert [problem["key"] for problem in tree["problems"]] == [problem.key for problem in report.problems]
    assert [row["identifier"] for row in tree["sent"]] == ["13FF2A4A", "14D189BA"]


def test_the_shipped_profiles_say_how_they_are_checked() -> None:
    """Both start with what they are for and the command that checks them."""
    for text, name in ((CABIN, "cabin"), (BOATHOUSE, "boathouse")):
        assert f"ampweir check profiles/{name}.toml" in text
        assert tomllib.loads(text)["profile_version"] == 1


def test_which_cells_are_missing_is_said(tmp_path: Path) -> None:
    """By their numbers."""
    report = checked(tmp_path, CABIN, ('"cell_02", "cell_03"', '"cell_02"'), (', "cell_16"', ""))
    assert "14 of 16 cells of shelf are read; missing: cell 4, 16" in found(report, Severity.WARN, "bank[1]")
