"""Banks merged into one pack, for the wire and for people: the worst cell of all, the sum of currents."""

from collections.abc import Callable, Sequence

from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Bank

_Pick = Callable[[Reading], float | None]
_Join = Callable[[list[float]], float]

_OF_ANY: tuple[tuple[str, _Pick, _Join], ...] = (
    ("pack_voltage", lambda r: r.pack_v, lambda known: sum(known) / len(known)),
    ("cell_voltage_min", lambda r: r.low_v, min),
    ("cell_voltage_max", lambda r: r.high_v, max),
    ("cell_temperature_min", lambda r: r.coldest_c, min),
    ("cell_temperature_max", lambda r: r.hottest_c, max),
    ("balancing", lambda r: r.balancing, max),
)
"""What makes sense of the banks that are known."""

_OF_ALL: tuple[tuple[str, _Pick, _Join], ...] = (
    ("pack_current", lambda r: r.current_a, sum),
    ("charge_permitted", lambda r: r.charge_permitted, min),
    ("discharge_permitted", lambda r: r.discharge_permitted, min),
    ("charge_current_permitted", lambda r: r.charge_permitted_a, sum),
    ("discharge_current_permitted", lambda r: r.discharge_permitted_a, sum),
    ("state_of_health", lambda r: r.health, min),
)
"""What would be a wrong number if one bank were missing."""

PERMISSIONS = tuple(name for name, _, _ in _OF_ALL if "permitted" in name)
"""Never shown once they are too old: a receiver may act on them."""


def merge(banks: Sequence[Bank], readings: Sequence[Reading], active: Sequence[bool]) -> dict[str, float]:
    """What the active banks, taken together, know now; quantities that are not known are left out."""
    rows = [(bank, reading) for bank, reading, on in zip(banks, readings, active, strict=True) if on]
    if not rows:  # no bank is connected: no current flows, and nothing else is known of the whole
        return {"pack_current": 0.0}
    if len(rows) == 1:
        return _alone(rows[0][1])
    merged: dict[str, float] = {}
    for table, least in ((_OF_ANY, 1), (_OF_ALL, len(rows))):
        for name, pick, join in table:
            known = [value for _, reading in rows if (value := pick(reading)) is not None]
            if len(known) >= least:
                merged[name] = join(known)
    charges = [(bank.capacity_ah, reading.soc) for bank, reading in rows if reading.soc is not None]
    if len(charges) == len(rows):
        merged["state_of_charge"] = sum(ah * soc for ah, soc in charges) / sum(ah for ah, _ in charges)
    return merged


def _alone(reading: Reading) -> dict[str, float]:
    """What one bank knows: the same, without any arithmetic."""
    known = {name: value for name, pick, _ in (*_OF_ANY, *_OF_ALL) if (value := pick(reading)) is not None}
    if reading.soc is not None:
        known["state_of_charge"] = reading.soc
    return known
