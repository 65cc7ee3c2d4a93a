"""The laws of discharging that are compared: three plain ones on arrays, and ours, one instance a pack."""

import numpy as np

from bridge.core.draw.draw_law import DrawLaw, DrawSettings
from tests.bench.draw_run import DrawLawMaker, DrawSeen
from tests.bench.draw_scenarios import CELLS, FLOOR_V, DrawScenario
from tests.bench.fleet import Array

KNEE_V = 3.05


class FixedFloor:
    """46.4 V and the full current."""

    def __init__(self, scenario: DrawScenario, packs: int) -> None:
        self._v, self._a = np.full(packs, CELLS * FLOOR_V), np.full(packs, scenario.most_a)

    def step(self, seen: DrawSeen, _sent_a: Array) -> tuple[Array, Array]:
        """Always the same."""
        del seen
        return self._v, self._a


class OnOff(FixedFloor):
    """Stops when the lowest cell is at its floor, goes on 100 mV above."""

    def __init__(self, scenario: DrawScenario, packs: int) -> None:
        super().__init__(scenario, packs)
        self._on = np.ones(packs, bool)

    def step(self, seen: DrawSeen, _sent_a: Array) -> tuple[Array, Array]:
        """On or off."""
        low = seen.cells_v.min(axis=1)
        self._on = np.where(self._on, low > FLOOR_V, low > FLOOR_V + 0.1)
        return self._v, np.where(self._on, self._a, 0.0)


class Taper(FixedFloor):
    """The current falls in a straight line while the lowest cell goes from the knee to its floor."""

    def step(self, seen: DrawSeen, _sent_a: Array) -> tuple[Array, Array]:
        """By the lowest cell alone."""
        share = np.clip((seen.cells_v.min(axis=1) - FLOOR_V) / (KNEE_V - FLOOR_V), 0.0, 1.0)
        return self._v, self._a * share


class Ours:
    """The project's law."""

    def __init__(self, scenario: DrawScenario, packs: int) -> None:
        settings = DrawSettings(
            cells=CELLS,
            capacity_ah=scenario.capacity_ah,
            floor_v=FLOOR_V,
            knee_v=KNEE_V,
            most_a=scenario.most_a,
            rise_a_per_s=0.03 * scenario.most_a,
        )
        self.laws = [DrawLaw(settings) for _ in range(packs)]

    def step(self, seen: DrawSeen, sent_a: Array) -> tuple[Array, Array]:
        """Each pack by itself."""
        cells = seen.cells_v.tolist()
        packs = seen.pack_v.tolist()
        drawn = [None] * len(packs) if seen.drawn_a is None else (-seen.drawn_a).tolist()
        out = [
            law.step(
                1.0,
                cells[i],
                packs[i],
                drawn[i],
                fresh=seen.fresh,
                coldest_c=seen.temperature_c,
                sent_a=float(sent),
            )
            for i, (law, sent) in enumerate(zip(self.laws, sent_a, strict=True))
        ]
        floors = [CELLS * FLOOR_V if o.floor_v is None else o.floor_v for o in out]
        return np.array(floors), np.array([o.current_a for o in out])


DRAW_LAWS: dict[str, DrawLawMaker] = {"fixed": FixedFloor, "on/off": OnOff, "taper": Taper, "ours": Ours}
