"""What a drawn site is like, before its messages are drawn: banks, buses, inverters, times, bounds."""

from dataclasses import dataclass, field
from typing import Any

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.profile.chemistry import CHEMISTRIES, Chemistry
from tests.sites.definitions import Message
from tests.sites.dice import Dice

Table = dict[str, Any]


@dataclass
class Traits:
    """A site in the making.

    Attributes:
        cell, cells: chemistry, and cells in series in each bank.
        tick_ms: as in the profile.
        banks, buses, inverters: their tables in the profile.
        limits: what the profile gives of [limits].
        bounds: the pack's limits as they follow from all this: charge_v, floor_v, rest_v, charge_a, draw_a.
        files: messages of each DBC file.
        sources, transmissions: their tables.
        ages_s: allowed ages of what is required.
    """

    cell: Chemistry
    cells: int
    tick_ms: int
    banks: list[Table]
    buses: list[Table]
    inverters: list[Table]
    limits: Table
    bounds: dict[str, float]
    files: dict[str, list[Message]] = field(default_factory=dict)
    sources: list[Table] = field(default_factory=list)
    transmissions: list[Table] = field(default_factory=list)
    ages_s: list[float] = field(default_factory=list)


def draw_traits(dice: Dice) -> Traits:
    """Draws all that does not depend on messages."""
    cell = CHEMISTRIES[dice.pick(("lfp", "lfp", "lfp", "nmc", "nca", "lto", "sodium"))]
    cells = dice.pick((4, 7, 8, 12, 14, 15, 16, 16, 20, 24, 32))
    banks = [_bank(dice, n, cells) for n in range(dice.pick((1, 1, 1, 1, 2, 2, 2, 3, 3, 4)))]
    buses = [
        {
            "name": f"bus_{n + 1}",
            "channel": f"vcan{n}",
            "bitrate": dice.pick((125_000, 250_000, 250_000, 500_000, 500_000, 1_000_000)),
        }
        for n in range(dice.pick((1, 1, 2, 2, 3)))
    ]
    inverters: list[Table] = [{"name": f"inverter_{n + 1}"} for n in range(dice.pick((1, 1, 1, 1, 2, 2, 3)))]
    for one in inverters:
        if dice.happens(0.4):
            one["response_s"] = dice.between(0.3, 12.0, 1)
    limits = _limits(dice, cell, cells, banks)
    return Traits(
        cell=cell,
        cells=cells,
        tick_ms=dice.pick((20, 50, 100, 100, 100, 200, 250, 500, 1000)),
        banks=banks,
        buses=buses,
        inverters=inverters,
        limits=limits,
        bounds=_bounds(cell, cells, banks, limits),
    )


def _bank(dice: Dice, number: int, cells: int) -> Table:
    ah = dice.pick((20.0, 50.0, 100.0, 105.0, 230.0, 280.0, 304.0, 560.0))
    bank: Table = {
        "name": f"bank_{number + 1}",
        "capacity_ah": ah,
        "charge_current_a": max(round(ah * dice.between(0.1, 1.0), 1), 2.0),
        "discharge_current_a": max(round(ah * dice.between(0.1, 1.2), 1), 2.0),
    }
    if dice.happens(0.3):
        usual_mohm = 1000.0 * RESISTANCE_V * cells / ah
        bank["resistance_mohm"] = round(usual_mohm * dice.between(0.5, 6.0), 3)
    if dice.happens(0.3):
        bank["cell_sensor_error_v"] = dice.pick((0.0, 0.001, 0.003, 0.005, 0.01))
    if dice.happens(0.3):
        bank["current_sensor_error_a"] = dice.pick((0.0, 0.2, 0.5, 2.0, 5.0))
    if dice.happens(0.3):
        bank["telemetry_delay_s"] = dice.pick((0.0, 0.2, 0.5, 2.0, 4.0))
    return bank


def _limits(dice: Dice, cell: Chemistry, cells: int, banks: list[Table]) -> Table:
    limits: Table = {}
    span_v = cell.cell_max_v - cell.cell_min_v
    charge_a = sum(bank["charge_current_a"] for bank in banks)
    draw_a = sum(bank["discharge_current_a"] for bank in banks)

    def perhaps(share: float, name: str, value: float) -> None:
        if dice.happens(share):
            limits[name] = value

    most_v = cell.cell_max_v - 0.01
    perhaps(0.3, "cell_target_v", dice.between(max(cell.knee_v + 0.04, cell.target_v - 0.05), most_v, 2))
    perhaps(0.3, "cell_floor_v", dice.between(cell.cell_min_v + 0.02, cell.low_knee_v - 0.05, 2))
    target_v = limits.get("cell_target_v", cell.target_v)
    floor_v = limits.get("cell_floor_v", cell.floor_v)
    perhaps(0.2, "charge_voltage_v", round(cells * (target_v - dice.between(0.0, 0.01 * span_v, 4)), 2))
    perhaps(0.2, "discharge_floor_v", round(cells * (floor_v + dice.between(0.0, 0.05 * span_v, 4)), 2))
    rest_v = min(cell.resting_v, target_v)
    perhaps(0.2, "resting_voltage_v", round(cells * (rest_v - dice.between(0.0, 0.03 * span_v, 4)), 2))
    perhaps(0.2, "cell_cutoff_high_v", dice.between(target_v + 0.005, cell.cell_max_v, 3))
    perhaps(0.2, "cell_cutoff_low_v", dice.between(cell.cell_min_v, floor_v - 0.005, 3))
    perhaps(0.2, "charge_coldest_c", cell.charge_min_c + dice.between(0.0, 8.0, 1))
    perhaps(0.2, "charge_hottest_c", cell.charge_max_c - dice.between(0.0, 8.0, 1))
    perhaps(0.2, "discharge_coldest_c", cell.discharge_min_c + dice.between(0.0, 15.0, 1))
    perhaps(0.2, "discharge_hottest_c", cell.discharge_max_c - dice.between(0.0, 10.0, 1))
    perhaps(0.2, "temperature_release_c", dice.between(0.5, 5.0, 1))
    perhaps(0.4, "charge_current_a", round(charge_a * dice.between(0.4, 1.0), 1))
    perhaps(0.4, "discharge_current_a", round(draw_a * dice.between(0.4, 1.0), 1))
    perhaps(0.2, "charge_current_rise_a_per_s", round(charge_a / dice.between(3.0, 60.0), 3))
    perhaps(0.2, "discharge_current_rise_a_per_s", round(draw_a / dice.between(3.0, 60.0), 3))
    perhaps(0.2, "charge_voltage_rise_v_per_s", round(cells * dice.between(0.005, 0.05, 4), 3))
    perhaps(0.2, "voltage_deadband_v", dice.between(0.0, 0.03 * cells, 2))
    perhaps(0.2, "current_deadband_a", round(dice.between(0.0, 0.04) * min(charge_a, draw_a), 2))
    _draw_curves(dice, cell, limits)
    return limits


def _draw_curves(dice: Dice, cell: Chemistry, limits: Table) -> None:
    if dice.happens(0.2):
        low_c = max(cell.charge_min_c, limits.get("charge_coldest_c", cell.charge_min_c))
        steps = sorted(dice.between(low_c + 1.0, 20.0, 1) for _ in range(2))
        if low_c + 0.5 < steps[0] < steps[1]:
            places = [low_c, *steps]
            limits["charge_by_coldest_cell"] = {
                "temperature_c": places,
                "share": [0.0, dice.between(0.1, 0.5), 1.0],
            }
    if dice.happens(0.2):
        limits["discharge_by_hottest_cell"] = {
            "temperature_c": [40.0, dice.between(45.0, 55.0, 1), cell.discharge_max_c],
            "share": [1.0, dice.between(0.3, 0.9), 0.0],
        }
    if dice.happens(0.2):
        floor_v = limits.get("cell_floor_v", cell.floor_v)
        limits["discharge_by_lowest_cell"] = {
            "cell_v": [cell.cell_min_v, round((floor_v + cell.low_knee_v) / 2, 3), cell.low_knee_v],
            "share": [0.0, dice.between(0.2, 0.8), 1.0],
        }


def _bounds(cell: Chemistry, cells: int, banks: list[Table], limits: Table) -> dict[str, float]:
    target_v = limits.get("cell_target_v", cell.target_v)
    floor_v = limits.get("cell_floor_v", cell.floor_v)
    charge_a = sum(bank["charge_current_a"] for bank in banks)
    draw_a = sum(bank["discharge_current_a"] for bank in banks)
    return {
        "charge_v": limits.get("charge_voltage_v", cells * target_v),
        "floor_v": limits.get("discharge_floor_v", cells * floor_v),
        "rest_v": limits.get("resting_voltage_v", cells * min(cell.resting_v, target_v)),
        "charge_a": limits.get("charge_current_a", charge_a),
        "draw_a": limits.get("discharge_current_a", draw_a),
    }
