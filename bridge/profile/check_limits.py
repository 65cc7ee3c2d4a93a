"""Are the limits of a profile consistent with the chemistry of its cells, and with each other?"""

from collections.abc import Callable, Iterator
from typing import NamedTuple

from bridge.core.plan import Bank, CurrentSide
from bridge.profile.chemistry import CHEMISTRIES, Chemistry
from bridge.profile.findings import Findings, Key
from bridge.profile.load import LoadedProfile

COLD_C = 10.0
COLD_RATE = 0.2
"""LFP cells below 10 °C are charged with at most 0.2C (cell makers' sheets)."""

SLACK = 1e-6
"""Differences this small come from adding up decimals."""


class _Bound(NamedTuple):
    """`value` must not be above `most` (or below `least`)."""

    key: str
    value: float
    least: float
    most: float
    why: str


def check_limits(loaded: LoadedProfile, findings: Findings) -> None:
    """Notes every limit beyond the cells' own (FAIL) or beside the profile's other limits (WARN)."""
    cell = CHEMISTRIES[loaded.profile.pack.chemistry]
    for row in _never(loaded, cell):
        _judge(row, findings.fail)
    for row in _better_not(loaded, cell):
        _judge(row, findings.warn)
    for number, bank in enumerate(loaded.plan.banks):
        _check_bank(("bank", number), bank, cell, findings)


def _judge(row: _Bound, note: Callable[[Key, str, str], None]) -> None:
    if row.value > row.most + SLACK:
        note(("limits", row.key), f"{row.value:.10g}", f"at most {row.most:.6g} ({row.why})")
    elif row.value < row.least - SLACK:
        note(("limits", row.key), f"{row.value:.10g}", f"at least {row.least:.6g} ({row.why})")


def _never(loaded: LoadedProfile, cell: Chemistry) -> Iterator[_Bound]:
    limits, count = loaded.plan.limits, loaded.profile.pack.cells_in_series
    charge, draw = loaded.plan.banks[0].charge, loaded.plan.banks[0].discharge
    low, high = cell.cell_min_v, cell.cell_max_v
    bears = f"what {cell.name} cells bear"
    yield _Bound("cell_target_v", limits.cell_target_v, low, high, bears)
    yield _Bound("cell_floor_v", limits.cell_floor_v, low, high, bears)
    yield _Bound("cell_cutoff_high_v", charge.cell_trip_v, low, high, bears)
    yield _Bound("cell_cutoff_low_v", draw.cell_trip_v, low, high, bears)
    yield _Bound("charge_voltage_v", limits.charge_voltage_v, count * low, count * high, f"{count} cells")
    yield _Bound("discharge_floor_v", limits.discharge_floor_v, count * low, count * high, f"{count} cells")
    top_v = limits.charge_voltage_v
    yield _Bound("discharge_floor_v", limits.discharge_floor_v, 0.0, top_v, "charge_voltage_v")
    floor_v = limits.discharge_floor_v
    yield _Bound(
        "resting_voltage_v", limits.resting_v, floor_v, top_v, "from discharge_floor_v to charge_voltage_v"
    )
    for way, side, least, most in (
        ("charge", charge, cell.charge_min_c, cell.charge_max_c),
        ("discharge", draw, cell.discharge_min_c, cell.discharge_max_c),
    ):
        yield _Bound(f"{way}_coldest_c", side.coldest_c, least, most, f"{bears} when {way}d")
        yield _Bound(f"{way}_hottest_c", side.hottest_c, least, most, f"{bears} when {way}d")


def _better_not(loaded: LoadedProfile, cell: Chemistry) -> Iterator[_Bound]:
    limits, plan, count = loaded.plan.limits, loaded.plan, loaded.profile.pack.cells_in_series
    charge, draw = plan.banks[0].charge, plan.banks[0].discharge
    no_end = float("inf")
    full_v, empty_v = count * limits.cell_target_v, count * limits.cell_floor_v
    yield _Bound("charge_voltage_v", limits.charge_voltage_v, 0.0, full_v, f"{count} times cell_target_v")
    yield _Bound(
        "discharge_floor_v", limits.discharge_floor_v, empty_v, no_end, f"{count} times cell_floor_v"
    )
    rest_v = count * cell.resting_v
    yield _Bound("resting_voltage_v", limits.resting_v, 0.0, rest_v, f"what {cell.name} cells can rest at")
    yield _Bound("cell_cutoff_high_v", charge.cell_trip_v, limits.cell_target_v, no_end, "cell_target_v")
    yield _Bound("cell_cutoff_low_v", draw.cell_trip_v, 0.0, limits.cell_floor_v, "cell_floor_v")
    banks = "what the banks bear together"
    charge_a = sum(bank.charge.max_a for bank in plan.banks)
    draw_a = sum(bank.discharge.max_a for bank in plan.banks)
    yield _Bound("charge_current_a", limits.charge_a, 0.0, charge_a, banks)
    yield _Bound("discharge_current_a", limits.discharge_a, 0.0, draw_a, banks)


def _check_bank(key: Key, bank: Bank, cell: Chemistry, findings: Findings) -> None:
    _check_ends(key, bank, cell, findings)
    for name, side in (("charge_current_a", bank.charge), ("discharge_current_a", bank.discharge)):
        if side.max_a > bank.capacity_ah:
            found = f"{side.max_a:g} A for {bank.capacity_ah:g} Ah, more than 1C"
            findings.warn((*key, name), found, f"at most {bank.capacity_ah:g}, unless the cell maker says so")
    cold_a = bank.charge.max_a * bank.charge.by_coldest.at(COLD_C)
    most_a = COLD_RATE * bank.capacity_ah
    if cell.name == "lfp" and cold_a > most_a + SLACK:
        found = f"{cold_a:.1f} A at {COLD_C:g} °C"
        findings.warn((*key, "charge_by_coldest_cell"), found, f"at most 0.2C, {most_a:.1f} A, below 10 °C")


def _check_ends(key: Key, bank: Bank, cell: Chemistry, findings: Findings) -> None:
    """Where the cells bear nothing any more, the curves must have come down to 0."""
    charge: CurrentSide = bank.charge
    draw: CurrentSide = bank.discharge
    for name, curve, end, unit in (
        ("charge_by_highest_cell", charge.by_cell, cell.cell_max_v, "V"),
        ("charge_by_coldest_cell", charge.by_coldest, cell.charge_min_c, "°C"),
        ("charge_by_hottest_cell", charge.by_hottest, cell.charge_max_c, "°C"),
        ("discharge_by_lowest_cell", draw.by_cell, cell.cell_min_v, "V"),
        ("discharge_by_coldest_cell", draw.by_coldest, cell.discharge_min_c, "°C"),
        ("discharge_by_hottest_cell", draw.by_hottest, cell.discharge_max_c, "°C"),
    ):
        share = curve.at(end)
        if share > 0.0:
            findings.fail(
                (*key, name), f"share {share:g} at {end:g} {unit}", f"0 there, for {cell.name} cells"
            )
