"""The record of a simulated day as a CSV file."""

import csv
from pathlib import Path
from typing import Final

from bridge.errors import InputError, Problem, Severity
from bridge.quantities import LIMITS
from bridge.simulate.day import time_of_day
from bridge.simulate.record import Record, Row

COLUMNS: Final[dict[str, str]] = {
    "time": "time of day, HH:MM:SS; goes on after 24:00:00",
    "seconds": "s since the start",
    "highest_cell_v": "V, true voltage of the highest cell",
    "lowest_cell_v": "V, true voltage of the lowest cell",
    "pack_v": "V, true voltage at the terminals",
    "pack_a": "A, true current, positive when it charges",
    "wanted_a": "A, what sun less loads asked for",
    "charge_pct": "%, as the monitors count it",
    "shown_pct": "%, as the first inverter is shown it; empty: never",
    "coldest_cell_c": "°C, true temperature of the coldest cell",
    "hottest_cell_c": "°C, of the hottest",
    "charge_voltage_limit_v": "V, as the first inverter understood it; empty: never told",
    "charge_current_limit_a": "A, likewise",
    "discharge_current_limit_a": "A, likewise",
    "discharge_voltage_floor_v": "V, likewise",
    "charge_voltage_reason": "what bound the charge voltage limit",
    "charge_current_reason": "what bound the charge current limit",
    "discharge_current_reason": "what bound the discharge current limit",
    "discharge_floor_reason": "what bound the discharge voltage floor",
    "state": "fail-safe state",
    "governor": "what held the current where it was",
}
"""Every column, and what stands in it."""


def write_table(path: Path, record: Record) -> None:
    """Writes one line for each row. Raises InputError if the file cannot be written."""
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(COLUMNS)
            writer.writerows(_line(row, record.setup.start_us) for row in record.rows)
    except OSError as error:
        raise InputError(
            [
                Problem(
                    Severity.FAIL,
                    str(path),
                    "file",
                    f"cannot be written ({error.strerror or error})",
                    "a path that can be written",
                )
            ]
        ) from None


def _line(row: Row, start_us: int) -> list[str]:
    look = row.look
    digits = dict(zip(LIMITS, (3, 2, 2, 3), strict=True))
    told = ["" if v is None else f"{v:.{digits[n]}f}" for n, v in zip(LIMITS, row.told, strict=True)]
    return [
        time_of_day(look.t_us),
        f"{(look.t_us - start_us) / 1e6:.0f}",
        f"{look.high_v:.5f}",
        f"{look.low_v:.5f}",
        f"{look.pack_v:.4f}",
        f"{_zero(look.pack_a):.3f}",
        f"{_zero(look.wanted_a):.3f}",
        f"{look.soc_pct:.3f}",
        "" if row.shown_pct is None else f"{row.shown_pct:.1f}",
        f"{look.coldest_c:.2f}",
        f"{look.hottest_c:.2f}",
        *told,
        *row.reasons,
        row.state.name.lower(),
        look.governor,
    ]


def _zero(value: float) -> float:
    """No minus before a zero."""
    return value if abs(value) >= 0.0005 else 0.0
