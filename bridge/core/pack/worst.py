"""The worst of what several say of one bank, as a reading's fields."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

_LOW, _HIGH = min, max

FIELDS: Final[Mapping[str, tuple[tuple[str, Callable[[float, float], float]], ...]]] = {
    "cell_voltage": (("low_v", _LOW), ("high_v", _HIGH)),
    "cell_voltage_min": (("low_v", _LOW),),
    "cell_voltage_max": (("high_v", _HIGH),),
    "cell_temperature": (("coldest_c", _LOW), ("hottest_c", _HIGH)),
    "cell_temperature_min": (("coldest_c", _LOW),),
    "cell_temperature_max": (("hottest_c", _HIGH),),
    "charge_permitted": (("charge_permitted", _LOW),),
    "discharge_permitted": (("discharge_permitted", _LOW),),
    "charge_current_permitted": (("charge_permitted_a", _LOW),),
    "discharge_current_permitted": (("discharge_permitted_a", _LOW),),
    "balancing": (("balancing", _HIGH),),
    "bank_connected": (("connected", _HIGH),),
}
"""Of each quantity: the fields it bears on, and which of two is the worse there. Others have no such side."""


def worst(known: Mapping[str, Any], said: Iterable[tuple[str, float]]) -> dict[str, Any]:
    """The fields that change, where more was said than is known.

    Args:
        known: fields of the reading, by name.
        said: quantities with what was said of them.
    """
    changed: dict[str, Any] = {}
    for quantity, value in said:
        for field, worse in FIELDS.get(quantity, ()):
            now = changed.get(field, known[field])
            if now is not None and worse(now, value) != now:
                changed[field] = value
    if "low_v" in changed or "high_v" in changed:
        changed["cells_v"] = None  # no list of cells is one bank's
    return changed
