"""For the discharge benchmark: the inverter behind its loads, a second kind of cell, the oracle."""

from typing import Final

import numpy as np
import numpy.typing as npt

from tests.bench.fleet import Array, FleetCells

_CHARGE: Final = np.linspace(-0.05, 1.05, 22_001)
_OTHER_V: Final = (
    3.255 + 0.06 * _CHARGE - 0.5 * np.exp(-(_CHARGE - 0.006) / 0.011) - 0.06 * np.exp(-_CHARGE / 0.06)
)


class OtherCells(FleetCells):
    """Cells of another make: three pairs of resistor and capacitor, hysteresis, a far steeper end.

    Below some 3.1 V the resting voltage falls by an e-fold for each 1.1 % of charge: at 2.90 V eight times as
    steeply as in `lfp_open_circuit_v`.
    """

    def __init__(self, charge: Array, capacity_ah: Array, factor: Array, temperature_c: float) -> None:
        super().__init__(charge, capacity_ah, factor, temperature_c, hysteresis_v=0.020)
        self.series_ohm = self.series_ohm * 0.7
        (fast, _, volts), (slow, _, _) = self.branches
        self.branches = [
            (fast * 1.2, 6.0, volts.copy()),
            (slow * 0.5, 60.0, volts.copy()),
            (slow * 0.9, 1200.0, volts.copy()),
        ]
        self._side = -np.ones_like(charge)
        self.emf_v = self.rest_v()

    def rest_v(self) -> Array:
        """The resting voltage of each cell."""
        return np.asarray(np.interp(self.charge, _CHARGE, _OTHER_V)) + self._hysteresis_v * self._side

    def branch_v(self) -> Array:
        """The voltage built up behind the slower resistances, of each cell."""
        total: Array = np.sum([volts for _, _, volts in self.branches], axis=0)
        return total

    def copy(self) -> "OtherCells":
        """An independent copy, as it stands."""
        twin = object.__new__(OtherCells)
        twin.__dict__.update(super().copy().__dict__)
        return twin


def largest_draw_a(cells: FleetCells, floor_v: float, load_a: Array, dt_s: float) -> Array:
    """The oracle: largest current of each pack, up to its load, that leaves every true cell above the floor.

    The lowest voltage at the end of the step falls with the current, nearly in a straight line: regula falsi
    (Illinois), from the side that is above the floor.
    """

    def room_v(drawn_a: Array) -> Array:
        flows = -drawn_a[:, None]
        twin = cells.copy()
        twin.step(np.broadcast_to(flows, cells.charge.shape), dt_s)
        lowest: Array = twin.terminal_v(flows).min(axis=1)
        return lowest - floor_v

    high, high_v = load_a, room_v(load_a)
    bound = high_v < 0.0
    if not bound.any():
        return load_a
    low = np.zeros_like(load_a)
    low_v = room_v(low)
    for _ in range(6):
        middle = low + (high - low) * np.clip(low_v, 0.0, None) / np.maximum(low_v - high_v, 1e-9)
        middle_v = room_v(middle)
        above = middle_v >= 0.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
        low_v = np.where(above, middle_v, 0.5 * low_v)
        high_v = np.where(above, 0.5 * high_v, middle_v)
    return np.where(bound, low, load_a)


class FleetInverter:
    """Loads behind one inverter for each of many packs.

    A load comes at once, up to the limits as the inverter knows them; a lower limit is obeyed with a lag. Its
    voltmeter's loop is quick upwards, for it holds the floor while the load comes, and lags downwards.

    Attributes:
        drawn_a: what flows now, of each pack.
    """

    def __init__(
        self, lag_s: Array, reads_high_v: Array, cable_ohm: Array, *, obeys_current: bool, obeys_floor: bool
    ) -> None:
        """Start without current.

        Args:
            lag_s: time constant of its response.
            reads_high_v: how far its voltmeter reads above the truth.
            cable_ohm: between its terminals and those of the pack.
            obeys_current, obeys_floor: else it behaves as if there were no such limit.
        """
        self.drawn_a = np.zeros_like(lag_s)
        self._known_a = np.zeros_like(lag_s)
        self._lag_s = lag_s
        self._reads_high_v = reads_high_v
        self._cable_ohm = cable_ohm
        self._obeys: tuple[bool, bool] = (obeys_current, obeys_floor)

    def step(self, cells: FleetCells, limit_a: Array, floor_v: Array, load_a: Array, dt_s: float) -> Array:
        """Move towards what loads and limits come to."""
        near = 1.0 - np.exp(-dt_s / self._lag_s)
        self._known_a += (limit_a - self._known_a) * near
        wanted = load_a
        if self._obeys[0]:
            wanted = np.minimum(wanted, np.maximum(self._known_a, 0.0))
        if self._obeys[1]:
            ohm = cells.series_ohm.sum(axis=1) + self._cable_ohm
            by_floor = (cells.emf_v.sum(axis=1) + self._reads_high_v - floor_v) / ohm
            by_floor = np.maximum(by_floor, 0.0)
            lagged = self.drawn_a + (by_floor - self.drawn_a) * near
            wanted = np.minimum(wanted, np.maximum(by_floor, lagged))
        self.drawn_a = wanted
        return wanted


Flags = npt.NDArray[np.bool_]
