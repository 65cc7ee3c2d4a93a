"""Cells that have a temperature of their own: warmed by their losses, cooled by what is around them.

Each cell is one lump: C dT/dt = P - k (T - Ta). P is what goes in at its terminals and is not stored: current
times the voltage across its resistances, RC pairs and hysteresis (no reversible heat). Its resistances follow
its temperature by Arrhenius' law. No heat flows from cell to cell.
"""

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

from bridge.simulate.cell import CellModel, at_temperature

EVERY_S: Final = 10.0
"""Temperatures move on in steps of this length; exact for the mean loss within one."""

JOULE_A_KELVIN_AH: Final = 19.3
"""Heat capacity of a cell by its size: 5.4 kg at 1000 J/(kg K) for 280 Ah, typical of LFP, no source."""

SETTLING_S: Final = 5 * 3600.0
"""Time constant of a cell in a closed box that nobody ventilates (own choice)."""

WARMEST_H: Final = 15.0
"""Hour of the day at which the surroundings are warmest; coldest twelve hours later."""


class Surroundings(NamedTuple):
    """The air around the cells, over the day.

    Attributes:
        mean_c: its mean in °C.
        swing_k: how far it goes above and below that.
        start_s: time of day at the start, in seconds.
    """

    mean_c: float
    swing_k: float = 0.0
    start_s: float = 0.0

    def at(self, t_s: float) -> float:
        """Temperature in °C so many seconds after the start: a cosine over the day."""
        hour = (self.start_s + t_s) / 3600.0
        return self.mean_c + self.swing_k * math.cos((hour - WARMEST_H) * math.pi / 12.0)


class CellHeat(NamedTuple):
    """What warms and cools one cell. `capacity_j_k`: J/K; `loss_w_k`: W a K above the surroundings."""

    capacity_j_k: float
    loss_w_k: float


def usual_heat(capacity_ah: float) -> CellHeat:
    """Heat capacity and loss of a cell of some size."""
    capacity_j_k = JOULE_A_KELVIN_AH * capacity_ah
    return CellHeat(capacity_j_k, capacity_j_k / SETTLING_S)


class Warmth:
    """The temperatures of the cells of a bank.

    Attributes:
        temperatures_c: of each cell.

    Args:
        cells: the cells, with the resistances they have at 25 °C; they get those of their temperature.
        heat: of each of them.
        around: what is around them.
        start_c: temperature of all at the start.
    """

    def __init__(
        self, cells: Sequence[CellModel], heat: CellHeat, around: Surroundings, start_c: float
    ) -> None:
        self.temperatures_c = [start_c] * len(cells)
        self._cells = tuple(cells)
        self._usual = [cell.parameters for cell in cells]
        self._heat = heat
        self._around = around
        self._joules = [0.0] * len(cells)
        self._since_s = 0.0
        self._t_s = 0.0
        self._resist()

    def step(self, currents_a: Sequence[float], dt_s: float) -> bool:
        """The current of each cell has flowed for some time. Whether resistances have changed."""
        joules = self._joules
        for n, (cell, current_a) in enumerate(zip(self._cells, currents_a, strict=True)):
            joules[n] += cell.loss_w(current_a) * dt_s
        self._since_s += dt_s
        self._t_s += dt_s
        if self._since_s < EVERY_S:
            return False
        capacity_j_k, loss_w_k = self._heat
        gone = -math.expm1(-self._since_s * loss_w_k / capacity_j_k)
        around_c = self._around.at(self._t_s)
        for n, heat_j in enumerate(joules):
            final_c = around_c + heat_j / self._since_s / loss_w_k
            self.temperatures_c[n] += (final_c - self.temperatures_c[n]) * gone
        self._joules = [0.0] * len(joules)
        self._since_s = 0.0
        self._resist()
        return True

    def _resist(self) -> None:
        rows = zip(self._cells, self._usual, self.temperatures_c, strict=True)
        for cell, usual, temperature_c in rows:
            cell.become(at_temperature(usual, temperature_c))
