"""The drill passes on the shipped profiles, and says what it did."""

import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from bridge.core.plan.plan import SECOND_US, Slot
from bridge.drill.budget import Budget
from bridge.drill.report import as_json, print_report
from bridge.drill.result import DrillReport, Outcome, Result
from bridge.drill.table import fault_table, run_drill
from bridge.profile.load import LoadedProfile, load_profile
from bridge.simulate.coder import Library

PROFILES = Path(__file__).parents[2] / "profiles"
START_US = 1_900_000_000 * SECOND_US


@pytest.fixture
def cabin() -> LoadedProfile:
    """The profile with one bank and one bus."""
    return load_profile(PROFILES / "cabin.toml")


@pytest.fixture
def boathouse() -> LoadedProfile:
    """The profile with two banks, two buses, counters, checksums and pages."""
    return load_profile(PROFILES / "boathouse.toml")


def failures(report: DrillReport) -> list[Result]:
    """The rows that failed."""
    return [result for result in report.results if result.outcome is Outcome.FAIL]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["cabin", "boathouse"])
def test_every_fault_passes_on_the_shipped_profiles(name: str) -> None:
    """The whole table, against the daemon itself."""
    report = run_drill(load_profile(PROFILES / f"{name}.toml"), start_us=START_US)

    assert failures(report) == []
    assert report.ok
    assert sum(result.outcome is Outcome.PASS for result in report.results) > 25


def test_every_required_reading_is_silenced_alone(boathouse: LoadedProfile) -> None:
    """Each message, and each page of a multiplexed one, has a fault of its own."""
    names = [fault.name for fault in fault_table(boathouse, Library())]

    for message in ("BankOneOverview", "BankOneExtremes", "BankTwoCellPages"):
        assert f"{message} silent" in names
    for page in range(1, 5):
        assert f"BankTwoCellPages, page {page} silent" in names
    assert len(set(names)) == len(names)


def test_the_table_covers_every_fault_the_design_names(
    cabin: LoadedProfile, boathouse: LoadedProfile
) -> None:
    """Whatever the profile, each kind of fault is in the table, applicable or not."""
    kinds = (
        "pack silent|counter frozen|checksum wrong|out of range|every second|not a number|jump|lost",
        "sum of cells",
        "one cell over|one cell under|forbids|too cold|too hot|inverter|queue full|bus off|interface down",
        "stalled|late|killed|wall clock|reload",
    )
    for loaded in (cabin, boathouse):
        names = [fault.name for fault in fault_table(loaded, Library())]
        assert [kind for kind in "|".join(kinds).split("|") if not any(kind in name for name in names)] == []


def test_what_does_not_apply_is_listed_with_the_reason(cabin: LoadedProfile) -> None:
    """A fault is never left out silently."""
    report = run_drill(cabin, only=("checksum", "bank lost"), start_us=START_US)

    assert [(one.name, one.outcome, one.remarks) for one in report.results] == [
        ("checksum wrong", Outcome.NOT_APPLICABLE, ("no checksum in the profile",)),
        ("bank lost", Outcome.NOT_APPLICABLE, ("there is one bank",)),
    ]
    assert not report.ok, "a drill that tried nothing proves nothing"


def test_a_row_says_what_was_seen_and_how_long_it_took(cabin: LoadedProfile) -> None:
    """Pack silent: ages of 2 s, 3 s of holding, then zero currents and the resting voltage."""
    (result,) = run_drill(cabin, only=("pack silent",), start_us=START_US).results

    assert result.saw == "charge 0.0 A, draw 0.0 A, up to 53.60 V"
    assert result.took_s is not None
    assert 4.5 <= result.took_s <= 5.8
    assert result.allowed_s == pytest.approx(2.0 + 3.0 + 0.3 + 0.5)


def test_a_lost_bank_leaves_what_the_other_bears(boathouse: LoadedProfile) -> None:
    """With the policy `reduce`, the current falls to the remaining bank's own limit, and not to zero."""
    (result,) = run_drill(boathouse, only=("bank north lost",), start_us=START_US).results

    assert result.outcome is Outcome.PASS
    assert result.saw.startswith("charge 90.0 A, draw 130.0 A")


def test_with_the_policy_safe_a_lost_bank_stops_both(boathouse: LoadedProfile) -> None:
    """The same fault, the other policy."""
    options = boathouse.plan.options._replace(reduce_on_lost_bank=False)
    loaded = replace(boathouse, plan=boathouse.plan._replace(options=options))
    (result,) = run_drill(loaded, only=("bank north lost",), start_us=START_US).results

    assert result.outcome is Outcome.PASS
    assert result.saw.startswith("charge 0.0 A, draw 0.0 A")


def test_a_hold_longer_than_the_inverters_patience_fails(cabin: LoadedProfile) -> None:
    """Detection and reaction must be over before the inverter would act by itself."""
    times = cabin.plan.times._replace(hold_us=12 * SECOND_US)
    loaded = replace(cabin, plan=cabin.plan._replace(times=times))
    (result,) = run_drill(loaded, only=("pack silent",), start_us=START_US).results

    assert result.outcome is Outcome.FAIL
    assert result.allowed_s == 10.0
    assert any("not seen" in remark or "took" in remark for remark in result.remarks)


def test_a_pack_that_never_gets_going_fails_every_fault(cabin: LoadedProfile) -> None:
    """No fault passes from a start in which there was nothing to lose."""
    slots = tuple(
        Slot(slot.quantity, slot.owner, slot.index, 1000, slot.required) for slot in cabin.plan.slots
    )
    plan = cabin.plan._replace(slots=slots)
    plan = plan._replace(
        banks=tuple(b._replace(required=tuple((n, 1000) for n, _ in b.required)) for b in plan.banks)
    )
    (result,) = run_drill(replace(cabin, plan=plan), only=("pack silent",), start_us=START_US).results

    assert result.outcome is Outcome.FAIL
    assert result.remarks[0].startswith("no healthy start: starting")


def test_the_budget_adds_up(cabin: LoadedProfile) -> None:
    """Age, hold, ticks and one round of the frames."""
    budget = Budget(cabin.plan)

    assert budget.lost(2.0) == pytest.approx(5.8)
    assert budget.contradicted(2.0) == pytest.approx(8.8)
    assert budget.read(2.0) == pytest.approx(2.8)
    assert budget.lost(60.0) == pytest.approx(63.8)


@pytest.mark.parametrize("width", [80, 120])
def test_the_table_fits_the_screen(width: int) -> None:
    """No line is cut off or wider than the terminal, and a failure says what was wanted."""
    rows = (
        Result("pack silent", "no monitor says anything", "zero", "charge 0.0 A", 5.2, 5.8, Outcome.PASS, ()),
        Result("jump", "it jumps", "both at zero", "charge 140.0 A", None, 5.8, Outcome.FAIL, ("not seen",)),
        Result("checksum wrong", "", "", "", None, None, Outcome.NOT_APPLICABLE, ("no checksum",)),
    )
    screen = io.StringIO()
    print_report(DrillReport("hut", "virtual clock", rows), Console(file=screen, width=width))
    text = screen.getvalue()

    assert max(len(line) for line in text.splitlines()) <= width
    for told in ("pack silent", "5.20 s", "5.80 s", "wanted: both at zero", "checksum wrong: not applicable"):
        assert told in text
    assert "1 pass, 1 fail, 1 not applicable" in text


def test_json_has_every_row() -> None:
    """What a program reads is the same, with outcomes by name."""
    row = Result("jump", "it jumps", "zero", "charge 1.0 A", None, 5.8, Outcome.FAIL, ("not seen",))
    told = json.loads(as_json(DrillReport("hut", "vcan0", (row,))))

    assert told["ok"] is False
    assert told["faults"][0]["outcome"] == "fail"
    assert told["faults"][0]["allowed_s"] == 5.8


def test_losing_what_is_not_required_changes_nothing(tmp_path: Path) -> None:
    """A message of optional readings may fall silent: no current falls to zero, and none rises."""
    text = (PROFILES / "cabin.toml").read_text().replace("../dbc_own", str(PROFILES.parent / "dbc_own"))
    for name in ("may_charge", "may_draw", "bleeding"):
        text = text.replace(f'= "{name}"', f'= {{ signal = "{name}", optional = true }}')
    path = tmp_path / "lenient.toml"
    path.write_text(text)
    (result,) = run_drill(load_profile(path), only=("PackSwitches silent",), start_us=START_US).results

    assert result.outcome is Outcome.PASS, result.remarks
    assert "none of them required" in result.injected


def test_a_quick_recovery_is_not_taken_for_a_failure(cabin: LoadedProfile) -> None:
    """With a short steady time, limits that rise again after a stall or a restart are as they should be."""
    times = cabin.plan.times._replace(steady_us=SECOND_US)
    loaded = replace(cabin, plan=cabin.plan._replace(times=times))
    report = run_drill(loaded, only=("stalled", "killed"), start_us=START_US)

    assert failures(report) == []
    assert report.ok


def test_a_second_monitor_with_the_same_identifiers_is_rehearsed(cabin: LoadedProfile) -> None:
    """It measures a cold that forbids all charging, between the frames of the first."""
    report = run_drill(cabin, only=("second sender",), start_us=START_US)

    assert failures(report) == []
    assert [result.name for result in report.results] == ["second sender of CellExtremes"]
