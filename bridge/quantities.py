"""Every quantity the program knows: name, unit, sign, physical range and the safe way to round it.

Signs: current is positive when it charges the pack. Current limits are magnitudes, never negative
(as in SunSpec models 802-805). A flag is 0 or 1.
"""

from enum import Enum
from typing import Final, NamedTuple


class Rounding(Enum):
    """Which way a number may move when it is put on the grid of a signal."""

    DOWN = "down"
    UP = "up"
    NEAREST = "nearest"


class Kind(Enum):
    """What a quantity is: measured in each bank, measured at the inverter, or decided by the core."""

    BANK = "bank"
    CELL = "cell"
    INVERTER = "inverter"
    LIMIT = "limit"
    OUTPUT = "output"


class Quantity(NamedTuple):
    """One quantity.

    Attributes:
        name: spelled-out snake_case name, as profiles use it.
        unit: V, A, °C, %, or "" for flags and numbers.
        low: smallest believable value.
        high: largest believable value.
        rounding: the side that is safe when it is sent.
        kind: see `Kind`; a `CELL` quantity has one value for each cell (or probe) of a bank.
        meaning: one line for people.
    """

    name: str
    unit: str
    low: float
    high: float
    rounding: Rounding
    kind: Kind
    meaning: str


_NEAR, _DOWN, _UP = Rounding.NEAREST, Rounding.DOWN, Rounding.UP

_CAUSES = (
    ("cell_over_voltage_alarm", "a cell's charge cut-off has tripped"),
    ("cell_over_voltage_warning", "a cell is near its charge cut-off"),
    ("cell_under_voltage_alarm", "a cell's discharge cut-off has tripped"),
    ("cell_under_voltage_warning", "a cell is near its discharge cut-off"),
    ("charge_over_temperature_alarm", "too hot to be charged"),
    ("charge_over_temperature_warning", "nearly too hot to be charged"),
    ("charge_under_temperature_alarm", "too cold to be charged"),
    ("charge_under_temperature_warning", "nearly too cold to be charged"),
    ("discharge_over_temperature_alarm", "too hot to be drawn from"),
    ("discharge_over_temperature_warning", "nearly too hot to be drawn from"),
    ("discharge_under_temperature_alarm", "too cold to be drawn from"),
    ("discharge_under_temperature_warning", "nearly too cold to be drawn from"),
    ("charge_over_current_alarm", "charged with more than configured"),
    ("charge_over_current_warning", "charged with more than told"),
    ("discharge_over_current_alarm", "more is drawn than configured"),
    ("discharge_over_current_warning", "more is drawn than told"),
    ("data_lost_alarm", "data lost or implausible"),
    ("data_lost_warning", "data late, or an optional reading lost"),
    ("cell_imbalance_warning", "cells of a bank are apart, see cell_imbalance_v"),
    ("bank_lost_warning", "a bank is lost"),
    ("inverter_silent_warning", "an inverter is not heard"),
)
_BY_CAUSE = tuple(Quantity(name, "", 0, 1, _NEAR, Kind.OUTPUT, meaning) for name, meaning in _CAUSES)

_ALL = (
    Quantity("pack_voltage", "V", 0.0, 1000.0, _NEAR, Kind.BANK, "voltage across the bank"),
    Quantity("pack_current", "A", -5000.0, 5000.0, _NEAR, Kind.BANK, "current, positive when charging"),
    Quantity("state_of_charge", "%", 0.0, 100.0, _NEAR, Kind.BANK, "charge left, as the pack reports it"),
    Quantity("state_of_health", "%", 0.0, 100.0, _NEAR, Kind.BANK, "capacity left, as reported"),
    Quantity("cell_voltage", "V", 0.5, 5.0, _NEAR, Kind.CELL, "each cell's voltage"),
    Quantity("cell_voltage_min", "V", 0.5, 5.0, _NEAR, Kind.BANK, "lowest cell voltage"),
    Quantity("cell_voltage_max", "V", 0.5, 5.0, _NEAR, Kind.BANK, "highest cell voltage"),
    Quantity("cell_temperature", "°C", -50.0, 120.0, _NEAR, Kind.CELL, "each probe's temperature"),
    Quantity("cell_temperature_min", "°C", -50.0, 120.0, _NEAR, Kind.BANK, "coldest cell"),
    Quantity("cell_temperature_max", "°C", -50.0, 120.0, _NEAR, Kind.BANK, "hottest cell"),
    Quantity("charge_permitted", "", 0, 1, _NEAR, Kind.BANK, "the pack's own permission to charge"),
    Quantity("discharge_permitted", "", 0, 1, _NEAR, Kind.BANK, "the pack's own permission to discharge"),
    Quantity("charge_current_permitted", "A", 0, 5000, _NEAR, Kind.BANK, "the pack's own charge limit"),
    Quantity("discharge_current_permitted", "A", 0, 5000, _NEAR, Kind.BANK, "the pack's own discharge limit"),
    Quantity("balancing", "", 0, 1, _NEAR, Kind.BANK, "a cell is being balanced"),
    Quantity("bank_connected", "", 0, 1, _NEAR, Kind.BANK, "the bank is joined to the common bars"),
    Quantity("inverter_heartbeat", "", 0.0, 2.0**64, _NEAR, Kind.INVERTER, "any sign of life of an inverter"),
    Quantity("inverter_voltage", "V", 0.0, 1000.0, _NEAR, Kind.INVERTER, "voltage at its battery terminals"),
    Quantity("inverter_current", "A", -5000.0, 5000.0, _NEAR, Kind.INVERTER, "positive when it charges"),
    Quantity("inverter_charge_voltage_limit", "V", 0.0, 1000.0, _NEAR, Kind.INVERTER, "as it understood it"),
    Quantity("inverter_charge_current_limit", "A", 0.0, 5000.0, _NEAR, Kind.INVERTER, "as it understood it"),
    Quantity(
        "inverter_discharge_current_limit", "A", 0.0, 5000.0, _NEAR, Kind.INVERTER, "as it understood it"
    ),
    Quantity(
        "inverter_discharge_voltage_floor", "V", 0.0, 1000.0, _NEAR, Kind.INVERTER, "as it understood it"
    ),
    Quantity("inverter_fault", "", 0, 1, _NEAR, Kind.INVERTER, "it reports a fault"),
    Quantity("inverter_warning", "", 0, 1, _NEAR, Kind.INVERTER, "it reports a warning"),
    Quantity("charge_voltage_limit", "V", 0.0, 1000.0, _DOWN, Kind.LIMIT, "charge no higher than this"),
    Quantity("charge_current_limit", "A", 0.0, 5000.0, _DOWN, Kind.LIMIT, "charge with no more than this"),
    Quantity("discharge_current_limit", "A", 0.0, 5000.0, _DOWN, Kind.LIMIT, "draw no more than this"),
    Quantity("discharge_voltage_floor", "V", 0.0, 1000.0, _UP, Kind.LIMIT, "discharge no lower than this"),
    Quantity("charge_allowed", "", 0, 1, _DOWN, Kind.OUTPUT, "charging is allowed now"),
    Quantity("discharge_allowed", "", 0, 1, _DOWN, Kind.OUTPUT, "discharging is allowed now"),
    Quantity("charge_requested", "", 0, 1, _NEAR, Kind.OUTPUT, "the pack asks to be charged"),
    Quantity(
        "charge_stage",
        "",
        0,
        3,
        _NEAR,
        Kind.OUTPUT,
        "0 bulk 1 absorption 2 balancing 3 resting, see [stages]",
    ),
    Quantity("shown_state_of_charge", "%", 0.0, 100.0, _NEAR, Kind.OUTPUT, "state of charge as shown"),
    Quantity("alarm", "", 0, 1, _NEAR, Kind.OUTPUT, "data lost, or a cell past its cut-off"),
    Quantity("warning", "", 0, 1, _NEAR, Kind.OUTPUT, "data late, or something to look at"),
    Quantity(
        "failsafe_state", "", 0, 4, _NEAR, Kind.OUTPUT, "0 starting 1 following 2 holding 3 safe 4 silent"
    ),
    *_BY_CAUSE,
)

QUANTITIES: Final[dict[str, Quantity]] = {quantity.name: quantity for quantity in _ALL}
"""All quantities by name."""

LIMITS: Final = tuple(quantity.name for quantity in _ALL if quantity.kind is Kind.LIMIT)
"""Names of the four limits."""

CAUSES: Final = tuple(quantity.name for quantity in _BY_CAUSE)
"""Names of the flags by cause: an alarm and a warning each, where both make sense."""
