"""The cells' voltages that a law goes by, chosen from what is known of a bank.

All cells where each is known. A highest or lowest that is told beside them, within its age, may be newer than
they are: if it lies beyond all of them, the cell next to it is taken to stand there. Else the extremes.
"""

from bridge.core.pack.state import Reading


def cells_for_charge(reading: Reading) -> list[float] | None:
    """All cells, the highest as high as anything says; else the lowest and the highest.

    `None` if no law can go by what is left: without all cells it needs the string's voltage as well.
    """
    low_v, high_v, cells_v = reading.low_v, reading.high_v, reading.cells_v
    if high_v is None:
        return None
    if cells_v is None:
        return None if low_v is None or reading.pack_v is None else [low_v, high_v]
    most_v = max(cells_v)
    return _moved(cells_v, most_v, max(most_v, high_v))


def cells_for_draw(reading: Reading) -> list[float] | None:
    """All cells, the lowest as low as anything says; else the lowest alone; `None` if not even that."""
    low_v, cells_v = reading.low_v, reading.cells_v
    if low_v is None:
        return None
    if cells_v is None:
        return [low_v]
    least_v = min(cells_v)
    return _moved(cells_v, least_v, min(least_v, low_v))


def _moved(cells_v: list[float], from_v: float, to_v: float) -> list[float]:
    at = cells_v.index(from_v)
    return [*cells_v[:at], to_v, *cells_v[at + 1 :]]
