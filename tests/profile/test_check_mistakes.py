"""Mistakes in a profile that loads: lines copied, millivolts for volts, bounds never reached."""

from pathlib import Path

import pytest

from bridge.errors import Severity
from tests.profile.made import CABIN, checked, found, loaded

FAIL, WARN = Severity.FAIL, Severity.WARN
Change = tuple[str, str]


def limit(line: str) -> Change:
    """A line more in [limits]."""
    return "[limits]", f"[limits]\n{line}"


def bank(line: str) -> Change:
    """Another capacity, or a line below it."""
    return "capacity_ah = 280", line


def stage(line: str) -> Change:
    """Stages with one line."""
    return "[failsafe]", f"[stages]\n{line}\n[failsafe]"


def failsafe(line: str) -> Change:
    """A line more in [failsafe]."""
    return "[failsafe]", f"[failsafe]\n{line}"


TWICE = "source[4].signals.cell_voltage"
ROWS: list[tuple[Severity, str, str, Change, Change | None]] = [
    (FAIL, TWICE, "cell_06 of CellsB is read as cell_voltage 5 of shelf already",
     ('"cell_05"', '"cell_06"'), None),
    (FAIL, "source[2].signals.cell_voltage_min", "lowest_cell", ('"highest_cell"', '"lowest_cell"'), None),
    (FAIL, "failsafe.sum_tolerance_v", "480; allowed: 0 to 1.25",
     failsafe("sum_tolerance_v = 480"), failsafe("sum_tolerance_v = 1.25")),
    (WARN, "limits.cell_cutoff_low_release_v", "3.41; allowed: at most 3.4",
     limit("cell_cutoff_low_release_v = 3.41"), limit("cell_cutoff_low_release_v = 3.4")),
    (WARN, "limits.cell_cutoff_high_release_v", "3.04; allowed: at least 3.05",
     limit("cell_cutoff_high_release_v = 3.04"), limit("cell_cutoff_high_release_v = 3.05")),
    (WARN, "limits.request_charge_until_cell_v", "3400; allowed: at most 3.4",
     limit("request_charge_until_cell_v = 3400"), limit("request_charge_until_cell_v = 3.4")),
    (WARN, "limits.voltage_deadband_v", "50; allowed: at most 0.48",
     limit("voltage_deadband_v = 50"), limit("voltage_deadband_v = 0.48")),
    (WARN, "limits.current_deadband_a", "71; allowed: at most 70",
     limit("current_deadband_a = 71"), limit("current_deadband_a = 70")),
    (WARN, "bank[1].charge_by_coldest_cell", "share 0 at 20 °C",
     ("temperature_c = [0, 2, 10, 15]", "temperature_c = [273, 275, 283, 288]"), None),
    (WARN, "bank[1].charge_by_hottest_cell", "share 0 at 20 °C",
     limit("charge_by_hottest_cell = { temperature_c = [10, 20], share = [1, 0] }"),
     limit("charge_by_hottest_cell = { temperature_c = [10, 21], share = [1, 0] }")),
    (WARN, "bank[1].charge_by_highest_cell", "share 0 at 3.225 V",
     limit("charge_by_highest_cell = { cell_v = [0.0034, 0.0035], share = [1, 0] }"), None),
    (WARN, "bank[1].discharge_by_lowest_cell", "share 0 at 3.225 V",
     limit("discharge_by_lowest_cell = { cell_v = [2900, 3000], share = [0, 1] }"),
     limit("discharge_by_lowest_cell = { cell_v = [3.2, 3.25], share = [0, 1] }")),
    (WARN, "bank[1].discharge_by_soc", "share 0 at 50 %",
     limit("discharge_by_soc = { soc_pct = [50, 60], share = [0, 1] }"),
     limit("discharge_by_soc = { soc_pct = [49, 60], share = [0, 1] }")),
    (WARN, "bank[1].capacity_ah", "280000 Ah for at most 200 A, less than 0.01C; allowed: at most 20000",
     bank("capacity_ah = 280_000"), bank("capacity_ah = 20_000")),
    (WARN, "bank[1].resistance_mohm", "0.4 for 16 cells of 280 Ah; allowed: 0.48 to 96",
     bank("capacity_ah = 280\nresistance_mohm = 0.4"), bank("capacity_ah = 280\nresistance_mohm = 0.48")),
    (WARN, "bank[1].resistance_mohm", "97 for 16 cells of 280 Ah",
     bank("capacity_ah = 280\nresistance_mohm = 97"), bank("capacity_ah = 280\nresistance_mohm = 96")),
    (WARN, "source[1].signals.pack_voltage.largest_jump", "0.09, less than one step of pack_volts",
     ("largest_jump = 10", "largest_jump = 0.09"), ("largest_jump = 10", "largest_jump = 0.1")),
    (WARN, "stages.restart_below_lowest_cell_v", "2.9; allowed: above 2.9 V",
     stage("restart_below_lowest_cell_v = 2.9"), stage("restart_below_lowest_cell_v = 2.91")),
    (WARN, "stages.restart_below_mean_cell_v", "2.5; allowed: above 2.9 V",
     stage("restart_below_mean_cell_v = 2.5"), stage("restart_below_mean_cell_v = 2.91")),
]  # fmt: skip


@pytest.mark.parametrize(("severity", "key", "text", "wrong", "right"), ROWS)
def test_it_is_found_and_what_is_just_right_is_not(
    tmp_path: Path, severity: Severity, key: str, text: str, wrong: Change, right: Change | None
) -> None:
    """Under its key, with what was found and what is allowed."""
    assert text in found(checked(tmp_path, CABIN, wrong), severity, key)
    if right is not None:
        assert not found(checked(tmp_path, CABIN, right), severity, key)


def test_a_message_copied_for_other_cells_is_found_cell_by_cell(tmp_path: Path) -> None:
    """Cells 5 to 8 read from the message of cells 1 to 4 would never be seen."""
    copied = CABIN.replace('message = "CellsB"', 'message = "CellsA"')
    report = checked(
        tmp_path,
        copied,
        ('"cell_05", "cell_06", "cell_07", "cell_08"', '"cell_01", "cell_02", "cell_03", "cell_04"'),
    )
    assert found(report, FAIL, TWICE).count("\n") == 3


def test_one_cell_is_its_own_highest_and_lowest(tmp_path: Path) -> None:
    """Where there is no other, one signal may serve as both."""
    one = CABIN.split("\n[[source]]\n", 1)
    head, rest = one[0].replace("cells_in_series = 16", "cells_in_series = 1"), one[1]
    changes = [('"highest_cell"', '"lowest_cell"')]
    kept = [part for part in rest.split("\n[[source]]\n") if 'message = "Cells' not in part]
    report = checked(tmp_path, "\n[[source]]\n".join([head, *kept]), *changes)
    assert not found(report, FAIL, "source[2].signals.cell_voltage_min")


def test_a_cell_far_below_what_it_bears_is_not_believed_unless_said(tmp_path: Path) -> None:
    """LFP: 1.0 V, half of where such a cell is lost: what is lost must be read, to be remembered."""
    said = '"highest_cell", range = [1.5, 4.5]'
    for now, least_v in (('"highest_cell"', 1.0), ('"highest_cell", range = [1.5, 4.5]', 1.5)):
        plan = loaded(tmp_path, CABIN, (said, now)).plan
        least = {plan.slots[t.slot].quantity: t.low for source in plan.sources for t in source.targets}
        assert least["cell_voltage_max"] == least_v
