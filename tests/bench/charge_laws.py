"""The laws that are compared: three plain ones on arrays, and ours, one instance a pack."""

import numpy as np

from bridge.core.charging.charge_law import ChargeLaw, ChargeSettings
from tests.bench.charge_fleet import Fleet
from tests.bench.charge_run import LawMaker, Seen
from tests.bench.charge_scenarios import CELLS, TARGET_V, Scenario
from tests.bench.fleet import Array


class Fixed:
    """56.0 V and the full current."""

    def __init__(self, _scenario: Scenario, fleet: Fleet) -> None:
        self._v, self._a = np.full(len(fleet.most_a), CELLS * TARGET_V), fleet.most_a

    def step(self, seen: Seen, _sent_v: Array, _sent_a: Array) -> tuple[Array, Array]:
        """Always the same."""
        del seen
        return self._v, self._a


class OnOff(Fixed):
    """Stops at the target, goes on 50 mV below."""

    def __init__(self, scenario: Scenario, fleet: Fleet) -> None:
        super().__init__(scenario, fleet)
        self._on = np.ones(len(fleet.most_a), bool)

    def step(self, seen: Seen, _sent_v: Array, _sent_a: Array) -> tuple[Array, Array]:
        """On or off."""
        high = seen.cells_v.max(axis=1)
        self._on = np.where(self._on, high < TARGET_V, high < TARGET_V - 0.05)
        return self._v, np.where(self._on, self._a, 0.0)


class Taper(Fixed):
    """The current falls in a straight line while the highest cell goes from 3.45 V to the target."""

    def step(self, seen: Seen, _sent_v: Array, _sent_a: Array) -> tuple[Array, Array]:
        """By the highest cell alone."""
        share = np.clip((TARGET_V - 0.002 - seen.cells_v.max(axis=1)) / 0.048, 0.0, 1.0)
        return self._v, self._a * share


class Ours:
    """The project's law."""

    def __init__(self, scenario: Scenario, fleet: Fleet) -> None:
        del scenario
        self.laws = [
            ChargeLaw(
                ChargeSettings(
                    cells=CELLS,
                    capacity_ah=capacity_ah,
                    target_v=TARGET_V,
                    knee_v=3.40,
                    ceiling_v=CELLS * TARGET_V,
                    most_a=most_a,
                    rise_a_per_s=0.02 * most_a,
                )
            )
            for capacity_ah, most_a in zip(fleet.capacity_ah.tolist(), fleet.most_a.tolist(), strict=True)
        ]

    def step(self, seen: Seen, sent_v: Array, sent_a: Array) -> tuple[Array, Array]:
        """Each pack by itself."""
        cells = seen.cells_v.tolist()
        packs = seen.pack_v.tolist()
        currents = [None] * len(packs) if seen.current_a is None else seen.current_a.tolist()
        out = [
            law.step(
                1.0,
                cells[i],
                packs[i],
                currents[i],
                fresh=seen.fresh,
                coldest_c=seen.temperature_c,
                sent_v=float(v),
                sent_a=float(a),
            )
            for i, (law, v, a) in enumerate(zip(self.laws, sent_v, sent_a, strict=True))
        ]
        return np.array([o.voltage_v for o in out]), np.array([o.current_a for o in out])


LAWS: dict[str, LawMaker] = {"fixed": Fixed, "on/off": OnOff, "taper": Taper, "ours": Ours}
