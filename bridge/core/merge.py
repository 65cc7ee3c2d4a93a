"""Banks merged into one pack, for the wire and for people: the worst cell of all, the sum of currents."""

from collections.abc import Callable, Sequence

from bridge.core.pack import Reading
from bridge.core.plan import Bank

_SIMPLE: tuple[tuple[str, Callable[[Reading], float | None], Callable[[list[float]], float]], ...] = (
    ("pack_voltage", lambda r: r.pack_v, lambda known: sum(known) / len(known)),
    ("cell_voltage_min", lambda r: r.low_v, min),
    ("cell_voltage_max", lambda r: r.high_v, max),
    ("cell_temperature_min", lambda r: r.coldest_c, min),
    ("cell_temperature_max", lambda r: r.hottest_c, max),
    ("charge_permitted", lambda r: r.charge_permitted, min),
    ("discharge_permitted", lambda r: r.discharge_permitted, min),
    ("charge_current_permitted", lambda r: r.charge_permitted_a, sum),
    ("discharge_current_permitted", lambda r: r.discharge_permitted_a, sum),
    ("balancing", lambda r: r.balancing, max),
)


def merge(
    banks: Sequence[Bank], readings: Sequence[Reading], active: Sequence[bool], shown: dict[str, float | None]
) -> None:
    """Updates `shown`, quantity by quantity, with what the active banks know now; keeps what none knows."""
    rows = [(bank, reading) for bank, reading, on in zip(banks, readings, active, strict=True) if on]
    if len(rows) == 1:
        reading = rows[0][1]
        for name, pick, _ in _SIMPLE:
            value = pick(reading)
            if value is not None:
                shown[name] = value
    else:
        for name, pick, join in _SIMPLE:
            known = [value for _, reading in rows if (value := pick(reading)) is not None]
            if known:
                shown[name] = join(known)
    currents = [reading.current_a for _, reading in rows]
    if currents and None not in currents:  # a sum that misses a bank would be a wrong number
        shown["pack_current"] = sum(current for current in currents if current is not None)
    charges = [(bank.capacity_ah, reading.soc) for bank, reading in rows if reading.soc is not None]
    if charges and len(charges) == len(rows):
        shown["state_of_charge"] = sum(ah * soc for ah, soc in charges) / sum(ah for ah, _ in charges)
