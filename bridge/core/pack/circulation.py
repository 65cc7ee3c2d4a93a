"""What would flow between two banks if they were joined now, foreseen before somebody does it.

Banks that are joined stand at one voltage, but for what their currents cause: |V_a - V_b| <= R_a |I_a| +
R_b |I_b| (from the sensors to the common bar). A larger difference, seen for longer than readings may
contradict each other, means that they are not joined; joining them drives (E_a - E_b) / (R_a + R_b), with
E = V - R·I, until their charges have evened. Of a bank that says itself that it is not connected, E is what
counts.
"""

from collections.abc import Sequence
from itertools import combinations

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Bank, Plan

SENSOR_CELL_V = 0.010
"""Two sensors of a bank's voltage may differ by this much a cell (own choice)."""

NEWS = 0.3
"""Change of the difference, as a share of what was told, that is worth telling (own choice)."""

REST_C = 0.02
"""Where no resistance is stated, banks count as at rest up to this many C (own choice)."""

DROP_V = 4 * RESISTANCE_V
"""And beyond it, a cell with its cable stands off by at most this much for each C (own choice)."""


class Circulation:
    """Watches every pair of banks. Mutable; owned by one engine."""

    def __init__(self, plan: Plan) -> None:
        self._pairs = tuple(combinations(range(len(plan.banks)), 2))
        self._banks = plan.banks
        self._patience_us = plan.times.mismatch_us
        self._since: dict[tuple[int, int], int] = {}
        self._told: dict[tuple[int, int], tuple[float, float | None]] = {}

    def warnings(self, t_us: int, readings: Sequence[Reading]) -> tuple[str, ...]:
        """A sentence for each pair of banks that differ by more than their currents explain."""
        if not self._pairs:
            return ()
        found = []
        for pair in self._pairs:
            one, other = (self._banks[i] for i in pair)
            apart = _apart(one, other, readings[pair[0]], readings[pair[1]])
            if apart is None:
                self._since.pop(pair, None)
                self._told.pop(pair, None)
                continue
            if t_us - self._since.setdefault(pair, t_us) < self._patience_us:
                continue
            told = self._told.get(pair)
            if told is None or abs(told[0] - apart[0]) >= max(SENSOR_CELL_V * one.cells, NEWS * told[0]):
                self._told[pair] = told = apart
            found.append(_sentence(one, other, *told))
        return tuple(found)


def _apart(one: Bank, other: Bank, a: Reading, b: Reading) -> tuple[float, float | None] | None:
    """By how much two banks differ, V, and what joining them would drive, A (`None`: not known).

    `None` where they do not, or nothing can be said.
    """
    if a.doubt is not None or b.doubt is not None:
        return None
    if a.pack_v is None or b.pack_v is None or a.current_a is None or b.current_a is None:
        return None
    blur_v = SENSOR_CELL_V * one.cells
    apart_v = abs(a.pack_v - b.pack_v) - blur_v
    if one.resistance_ohm is None or other.resistance_ohm is None:
        c_rates = [abs(a.current_a) / one.capacity_ah, abs(b.current_a) / other.capacity_ah]
        explained_v = 0.0 if max(c_rates) <= REST_C else DROP_V * one.cells * sum(c_rates)
        return (abs(a.pack_v - b.pack_v), None) if apart_v > explained_v else None
    drop_v = one.resistance_ohm * abs(a.current_a) + other.resistance_ohm * abs(b.current_a)
    emf_v = (a.pack_v - one.resistance_ohm * a.current_a) - (b.pack_v - other.resistance_ohm * b.current_a)
    driven_a = abs(emf_v) / (one.resistance_ohm + other.resistance_ohm)
    if a.apart or b.apart:
        return (abs(emf_v), driven_a) if abs(emf_v) > blur_v else None
    if apart_v <= drop_v:
        return None
    return abs(a.pack_v - b.pack_v), driven_a


def _sentence(one: Bank, other: Bank, apart_v: float, driven_a: float | None) -> str:
    banks = f"banks {one.name} and {other.name} differ by {apart_v:.1f} V"
    if driven_a is None:
        return f"{banks}: joining them would drive a current that only cells and cables limit"
    return f"{banks}: joining them would drive about {float(f'{driven_a:.2g}'):.0f} A"
