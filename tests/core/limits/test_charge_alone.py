"""The current that a held voltage may begin with, where the current limit gives no answer."""

import math

from hypothesis import given
from hypothesis import strategies as st

from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_current import allowed_a, fades
from bridge.core.charging.charge_settings import ChargeSettings

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
GOAL_V = 3.497

volts = st.floats(3.30, 3.495).map(lambda v: round(v, 3))


@given(st.lists(volts, min_size=16, max_size=16), st.floats(0, 140), st.floats(0, 2e-5), st.floats(1, 20))
def test_under_a_held_voltage_no_cell_passes_its_bound(
    pack: list[float], amps: float, slope: float, time_s: float
) -> None:
    """A current that begins as high as allowed and falls by itself: neither at its begin nor at its end."""
    cells = Cells(LFP)
    for _ in range(30):
        cells.update(pack, amps, 1.0, 25.0)
    cells.slopes = [slope] * 16
    fade = fades(LFP, cells, time_s)
    begin_a = allowed_a(LFP, cells, GOAL_V, time_s, fade=fade)

    assert fade >= 0.0
    if begin_a > amps:  # where more flows than allowed, it is taken back
        mean_a = begin_a * (-math.expm1(-fade) / fade if fade else 1.0)
        for volt, ohm, rise in zip(cells.volts, cells.ohms, cells.slopes, strict=True):
            assert volt + ohm * (begin_a - amps) <= GOAL_V + 1e-9
            end_v = volt + ohm * (begin_a * math.exp(-fade) - amps) + rise * mean_a * time_s
            assert end_v <= GOAL_V + 1e-9
        assert begin_a >= allowed_a(LFP, cells, GOAL_V, time_s) - 1e-9
