"""What the unit text of a DBC signal says about the number that must be multiplied in."""

from typing import Final

_PER_UNIT: Final[dict[str, dict[str, float]]] = {
    "V": {"v": 1, "volt": 1, "volts": 1, "mv": 1000, "cv": 100, "dv": 10, "kv": 0.001},
    "A": {"a": 1, "amp": 1, "amps": 1, "ampere": 1, "ma": 1000, "ca": 100, "da": 10, "ka": 0.001},
    "°C": {"°c": 1, "degc": 1, "deg c": 1, "c": 1, "celsius": 1},
    "%": {"%": 1, "pct": 1, "percent": 1, "‰": 10, "permille": 10},
}
"""By unit of a quantity: how many of another unit make one of it. SI prefixes; upper and lower case alike."""

_CONVERTED: Final = ("k", "kelvin", "°f", "degf", "deg f", "f", "fahrenheit")
"""Temperatures that need a scale or a shift."""


def unit_problem(
    quantity_unit: str, signal_unit: str, per_unit: float, shift: float
) -> tuple[str, str, bool] | None:
    """What is wrong with how a signal is scaled, judged by its unit text.

    Args:
        quantity_unit: V, A, °C, % or "".
        signal_unit: as the DBC has it; nothing is said about an empty one.
        per_unit: how many of the signal's units the profile takes for one of the quantity; its sign is free.
        shift: what the profile adds.

    Returns:
        What was found, what is allowed, and whether it is certain; `None` if nothing is wrong.
    """
    unit = signal_unit.strip().lower()
    if not unit or not quantity_unit:
        return None
    found = f"unit {signal_unit} for a quantity in {quantity_unit}, {per_unit:g} to one"
    if quantity_unit == "°C" and unit in _CONVERTED:
        return (found, "scale and shift to °C", True) if per_unit == 1 and shift == 0 else None
    wanted = _PER_UNIT[quantity_unit].get(unit)
    if wanted is None:
        return found, f"a signal in {quantity_unit}", False
    if abs(abs(per_unit) / wanted - 1) > 1e-6:
        return found, f"{wanted:g} to one", True
    return None
