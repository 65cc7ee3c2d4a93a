"""What never loosens either law's current limit: a worse cell, an older datum, cold, more resistance."""

from collections.abc import Callable
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_current import allowed_a
from bridge.core.charging.charge_settings import ChargeSettings
from bridge.core.draw.draw_cells import DrawCells
from bridge.core.draw.draw_current import allowed
from bridge.core.draw.draw_settings import DrawSettings

CHARGE = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
DRAW = DrawSettings(16, 280.0, 2.90, 3.05, 140.0)


class Side(NamedTuple):
    """One of the laws: its cells, what it allows them within a time, and where a cell of so much room is."""

    cells: Callable[[], Cells | DrawCells]
    amps: Callable[[Any, float], float]
    volt: Callable[[float], float]

    def stood(self, rooms_v: list[float], amps: float, coldest_c: float = 25.0) -> Cells | DrawCells:
        """Cells that have stood like this for a while; one far off shows the sensors to be fine."""
        cells, shown = self.cells(), [round(self.volt(room_v), 3) for room_v in (*rooms_v, 0.301)]
        for _ in range(30):
            cells.update(shown, amps, 1.0, coldest_c)
        return cells

    def wanted(self, cells: Cells | DrawCells, horizon_s: float = 8.0) -> float:
        """The current limit that follows, A."""
        return max(self.amps(cells, horizon_s), 0.0)


SIDES = [
    Side(lambda: Cells(CHARGE), lambda c, s: allowed_a(CHARGE, c, 3.497, s), lambda room_v: 3.50 - room_v),
    Side(
        lambda: DrawCells(DRAW), lambda c, s: allowed(DRAW, c, 2.9032, s).amps, lambda room_v: 2.90 + room_v
    ),
]
both = pytest.mark.parametrize("side", SIDES, ids=["charge", "draw"])
packs = st.lists(st.floats(-0.1, 0.3), min_size=16, max_size=16)
currents = st.floats(-60.0, 140.0)


@both
@given(pack=packs, at=st.integers(0, 15), less_v=st.floats(0.0, 0.05), amps=currents)
def test_a_worse_cell(side: Side, pack: list[float], at: int, less_v: float, amps: float) -> None:
    """Whichever cell moves towards its bound, at whatever current."""
    before = side.wanted(side.stood(pack, amps))
    pack[at] -= less_v
    assert side.wanted(side.stood(pack, amps)) <= before + 1e-6


@both
@given(pack=packs, amps=currents, horizon_s=st.floats(1, 20), later_s=st.floats(0, 20))
def test_an_older_datum(side: Side, pack: list[float], amps: float, horizon_s: float, later_s: float) -> None:
    """The longer until the law can act again, the less."""
    cells = side.stood(pack, amps)
    assert side.wanted(cells, horizon_s + later_s) <= side.wanted(cells, horizon_s) + 1e-6


@both
@given(pack=packs, warm_c=st.floats(-10, 25), colder_c=st.floats(0, 20))
def test_cold(side: Side, pack: list[float], warm_c: float, colder_c: float) -> None:
    """From rest. Exception: once more flows than is allowed, resistance helps to take it back."""
    warm, cold = side.stood(pack, 0.0, warm_c), side.stood(pack, 0.0, warm_c - colder_c)
    assert side.wanted(cold) <= side.wanted(warm) + 1e-6


@both
@given(pack=packs, factor=st.floats(1.0, 4.0), amps=st.floats(0, 140))
def test_more_resistance_while_there_is_room(
    side: Side, pack: list[float], factor: float, amps: float
) -> None:
    """Same exception."""
    cells = side.stood(pack, amps)
    cells.slopes = [0.0] * len(cells.slopes)
    before = side.wanted(cells)
    cells.ohms = [ohm * factor for ohm in cells.ohms]
    if before > amps:
        assert side.wanted(cells) <= before + 1e-6
