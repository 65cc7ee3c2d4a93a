"""One charger for each of many packs: lag, calibration error, cable, and the ways it misbehaves."""

import numpy as np

from tests.bench.fleet import Array, FleetCells


class FleetCharger:
    """Follows the tighter of the limits it obeys, as far as its source goes.

    Attributes:
        lag_s: time constant of each.
        current_a: what flows now, of each pack.
    """

    def __init__(
        self,
        lag_s: Array,
        reads_low_v: Array,
        cable_ohm: Array,
        most_a: float,
        *,
        obeys_voltage: bool = True,
        obeys_current: bool = True,
    ) -> None:
        """Start without current.

        Args:
            lag_s: time constant of the response of each.
            reads_low_v: what it gives too much: the terminals stand this far above the limit.
            cable_ohm: between its terminals and those of the pack.
            most_a: what it can give at all.
            obeys_voltage, obeys_current: else it behaves as if there were no such limit.
        """
        self.current_a = np.zeros_like(lag_s)
        self.lag_s = lag_s
        self._reads_low_v = reads_low_v
        self._cable_ohm = cable_ohm
        self._most_a = most_a
        self._obeys_voltage = obeys_voltage
        self._obeys_current = obeys_current

    def step(self, cells: FleetCells, limit_v: Array, limit_a: Array, source: Array, dt_s: float) -> Array:
        """Move towards what the limits allow; `source` is the share of its power that is there."""
        wanted = self._most_a * source
        if self._obeys_current:
            wanted = np.minimum(wanted, limit_a)
        if self._obeys_voltage:
            ohm = cells.series_ohm.sum(axis=1) + self._cable_ohm
            wanted = np.minimum(wanted, (limit_v + self._reads_low_v - cells.emf_v.sum(axis=1)) / ohm)
        wanted = np.maximum(wanted, 0.0)
        self.current_a = self.current_a + (wanted - self.current_a) * (1.0 - np.exp(-dt_s / self.lag_s))
        return self.current_a
