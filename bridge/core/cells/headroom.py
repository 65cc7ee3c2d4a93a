"""How much more voltage a string bears before its highest cell is at its target.

Derivation. On the plateau a cell's voltage hardly moves with charge; above the knee it rises steeply, the
more steeply the farther up it stands. So when the string takes a little more charge, the highest cell rises
by what is left to its target, h = T - m, and every other cell rises by about the share of its own height
above the knee, w_i = clip((v_i - K) / (m - K), 0, 1). The string as a whole rises by S·h, where the
participation S = sum(w_i) counts the highest cell itself as 1. The charge voltage that takes the highest
cell just to its target is therefore

    V_limit = min(N·T, V + S·(T - m))

with V the sum of the cells. Below the knee the pack says nothing about its balance, and the limit is N·T. The
charge law uses S·h as long as it does not know the charger (see `charge_voltage`). Checked against common
practice of the trade in tests/outside.
"""

from collections.abc import Sequence


def participation(cells_v: Sequence[float], extreme_v: float, knee_v: float) -> float:
    """How many cells, counted by their share, move with the extreme one; at least 1.

    Args:
        cells_v: all cells, the extreme one included.
        extreme_v: the highest cell, beyond `knee_v`.
        knee_v: where the steep part begins.
    """
    reach = extreme_v - knee_v
    total = 0.0
    for cell_v in cells_v:
        share = (cell_v - knee_v) / reach
        if share > 0.0:
            total += share if share < 1.0 else 1.0
    return total if total > 1.0 else 1.0
