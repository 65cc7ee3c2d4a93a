"""Are the limits of a profile consistent with the chemistry of its cells, and with each other?"""

from collections.abc import Callable, Iterator
from typing import NamedTuple

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.plan.plan import Bank, CurrentSide
from bridge.profile.chemistry import CHEMISTRIES, Chemistry
from bridge.profile.findings import Findings, Key
from bridge.profile.load import LoadedProfile

COLD_C = 10.0
COLD_RATE = 0.2
"""LFP cells below 10 °C are charged with at most 0.2C (cell makers' sheets)."""

USUAL_C, USUAL_SOC = 20.0, 50.0
"""Where every pack should bear some current (own choice)."""

LEAST_RATE = 0.01
"""A bank that bears less than this many C either way is rather one of another capacity (own choice)."""

LEAST_RESISTANCE, MOST_RESISTANCE = 0.1, 20.0
"""How far a string with its cables may be from what both laws expect of its cells (own choice)."""

DEADBAND_V = 0.03
"""A voltage that rises only for more than this a cell does not follow its limit (own choice)."""

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
    deep = charge.deep
    assert deep is not None
    yield _Bound("cell_deep_v", deep.by_lowest.xs[0], low, high, bears)
    yield _Bound("cell_lost_v", deep.lost_v, cell.lost_v, high, f"where {cell.name} cells are lost")
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
    back = "to be reached again in use"
    low_v, high_v = limits.low_knee_v, limits.knee_v
    yield _Bound(
        "cell_cutoff_high_release_v", charge.cell_release_v, low_v, no_end, f"cell_low_knee_v, {back}"
    )
    yield _Bound("cell_cutoff_low_release_v", draw.cell_release_v, 0.0, high_v, f"cell_knee_v, {back}")
    if charge.deep is not None:
        release_v, full_v = charge.deep.release_v, charge.deep.by_lowest.xs[-1]
        yield _Bound("cell_lost_release_v", release_v, 0.0, high_v, f"cell_knee_v, {back}")
        yield _Bound("cell_deep_end_v", full_v, 0.0, low_v, "cell_low_knee_v, else usual charging is slow")
    yield _Bound("request_charge_until_cell_v", limits.request_until_v, 0.0, high_v, f"cell_knee_v, {back}")
    rises = "else the limit hardly ever rises"
    yield _Bound("voltage_deadband_v", limits.voltage_deadband_v, 0.0, DEADBAND_V * count, rises)
    half_a = 0.5 * min(limits.charge_a, limits.discharge_a)
    yield _Bound("current_deadband_a", limits.current_deadband_a, 0.0, half_a, rises)
    banks = "what the banks bear together"
    charge_a = sum(bank.charge.max_a for bank in plan.banks)
    draw_a = sum(bank.discharge.max_a for bank in plan.banks)
    yield _Bound("charge_current_a", limits.charge_a, 0.0, charge_a, banks)
    yield _Bound("discharge_current_a", limits.discharge_a, 0.0, draw_a, banks)


def _check_bank(key: Key, bank: Bank, cell: Chemistry, findings: Findings) -> None:
    _check_ends(key, bank, cell, findings)
    _check_usual(key, bank, cell, findings)
    _check_size(key, bank, findings)
    for name, side in (("charge_current_a", bank.charge), ("discharge_current_a", bank.discharge)):
        if side.max_a > bank.capacity_ah:
            found = f"{side.max_a:g} A for {bank.capacity_ah:g} Ah, more than 1C"
            findings.warn((*key, name), found, f"at most {bank.capacity_ah:g}, unless the cell maker says so")
    cold_a = bank.charge.max_a * bank.charge.by_coldest.at(COLD_C)
    most_a = COLD_RATE * bank.capacity_ah
    if cell.name == "lfp" and cold_a > most_a + SLACK:
        found = f"{cold_a:.1f} A at {COLD_C:g} °C"
        findings.warn((*key, "charge_by_coldest_cell"), found, f"at most 0.2C, {most_a:.1f} A, below 10 °C")


def _check_usual(key: Key, bank: Bank, cell: Chemistry, findings: Findings) -> None:
    """Where a pack is most of the time, no curve should forbid all current: its unit may be another."""
    middle_v = round((cell.low_knee_v + cell.knee_v) / 2, 3)
    for way, side, by_cell in (
        ("charge", bank.charge, "highest"),
        ("discharge", bank.discharge, "lowest"),
    ):
        for name, curve, place, unit in (
            (f"{way}_by_{by_cell}_cell", side.by_cell, middle_v, "V"),
            (f"{way}_by_coldest_cell", side.by_coldest, USUAL_C, "°C"),
            (f"{way}_by_hottest_cell", side.by_hottest, USUAL_C, "°C"),
            (f"{way}_by_soc", side.by_soc, USUAL_SOC, "%"),
        ):
            if curve is not None and curve.at(place) <= 0.0:
                findings.warn(
                    (*key, name), f"share 0 at {place:g} {unit}", "above 0 there, else nothing flows"
                )


def _check_size(key: Key, bank: Bank, findings: Findings) -> None:
    """Capacity and resistance of another order than cells have: both laws reckon with them."""
    ah, most_a = bank.capacity_ah, max(bank.charge.max_a, bank.discharge.max_a)
    if most_a < LEAST_RATE * ah:
        found = f"{ah:g} Ah for at most {most_a:g} A, less than {LEAST_RATE:g}C"
        findings.warn((*key, "capacity_ah"), found, f"at most {most_a / LEAST_RATE:g}")
    usual_mohm = 1000.0 * RESISTANCE_V * bank.cells / ah
    least, most = LEAST_RESISTANCE * usual_mohm, MOST_RESISTANCE * usual_mohm
    if bank.resistance_ohm is not None and not least <= 1000.0 * bank.resistance_ohm <= most:
        found = f"{1000.0 * bank.resistance_ohm:g} for {bank.cells} cells of {ah:g} Ah"
        findings.warn((*key, "resistance_mohm"), found, f"{least:.3g} to {most:.3g}")


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
