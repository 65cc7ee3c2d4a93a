"""Readings of one bank that cannot be true at once, in words."""

from bridge.core.plan.plan import Bank

ALIKE = 1e-6
"""Two readings of one number, in two units, may differ so much."""


def crossed(what: str, said: tuple[float | None, float | None], unit: str) -> str | None:
    """A lowest above the highest, in words; `None`: they stand as they should."""
    low, high = said
    if low is None or high is None or low <= high + ALIKE:
        return None
    return f"lowest {what} {low:g} {unit} above highest {high:g} {unit}"


def contradiction(
    bank: Bank,
    pack_v: float | None,
    low_v: float | None,
    high_v: float | None,
    cells_v: list[float] | None,
    tolerance_v: float,
) -> str | None:
    """What cannot be true at once, within the tolerance for the whole string, V."""
    if pack_v is None:
        return None
    if cells_v is not None:
        total_v = sum(cells_v)
        if abs(total_v - pack_v) > tolerance_v:
            return f"sum of cells {total_v:.2f} V against pack {pack_v:.2f} V"
    if high_v is not None and pack_v > bank.cells * high_v + tolerance_v:
        return f"mean cell {pack_v / bank.cells:.3f} V above highest {high_v:g} V"
    if low_v is not None and pack_v < bank.cells * low_v - tolerance_v:
        return f"mean cell {pack_v / bank.cells:.3f} V below lowest {low_v:g} V"
    return None
