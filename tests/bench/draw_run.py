"""Discharges the packs of one scenario under one law, beside the oracle."""

from collections.abc import Callable
from dataclasses import dataclass
from time import process_time
from typing import Protocol

import numpy as np

from tests.bench.charge_run import Turns
from tests.bench.draw_plant import Flags, largest_draw_a
from tests.bench.draw_scenarios import FLOOR_V, TRIP_V, DrawFleet, DrawScenario, draw_fleet
from tests.bench.fleet import Array, FleetCells

PIECE_S = 1.0
EMPTY_C = 0.02
AFTER_S = 1800
LONGEST_S = 20_000
REVERSAL_V = 0.1
REVERSAL_C = 0.02


@dataclass
class DrawSeen:
    """What the monitors of all packs say: cells (or the lowest), pack, current drawn; and whether anew."""

    cells_v: Array
    pack_v: Array
    drawn_a: Array | None
    fresh: bool
    temperature_c: float


class DrawBenchLaw(Protocol):
    """Takes what is seen and the current limit sent last; gives floor and current for each pack."""

    def step(self, seen: DrawSeen, sent_a: Array, /) -> tuple[Array, Array]:
        """One second further."""
        ...


DrawLawMaker = Callable[[DrawScenario, int], DrawBenchLaw]


@dataclass
class DrawOutcome:
    """What a law came to; one number a pack, but for the time."""

    under_mv: Array
    tripped: Flags
    energy: Array
    reversals_per_hour: Array
    step_us: float


class _Run:
    """Cells from which current is drawn, with the energy delivered by each second."""

    def __init__(self, cells: FleetCells) -> None:
        self.cells = cells
        self.cells_v = cells.emf_v
        self.taken = [np.zeros(len(cells.charge))]
        self._added = np.zeros(len(cells.charge))

    def flow(self, drawn_a: Array) -> None:
        """For one piece of time."""
        flows = np.broadcast_to(-drawn_a[:, None], self.cells.charge.shape)
        self.cells.step(flows, PIECE_S)
        self.cells_v = self.cells.terminal_v(flows)
        self._added = self._added + self.cells_v.sum(axis=1) * drawn_a * PIECE_S

    def second(self) -> None:
        """A second is over."""
        self.taken.append(self._added)


Reference = tuple[Array, Array]


def oracle(fleet: DrawFleet, scenario: DrawScenario) -> Reference:
    """The energy delivered by each second, of each pack; and the second at which each pack is empty."""
    run = _Run(fleet.cells.copy())
    empty = np.full(len(fleet.cells.charge), -1)
    for n, load in enumerate(fleet.load_a):
        for _ in range(round(1.0 / PIECE_S)):
            drawn = largest_draw_a(run.cells, FLOOR_V, load, PIECE_S)
            run.flow(drawn)
        run.second()
        done = (empty < 0) & (drawn < EMPTY_C * scenario.capacity_ah) & (drawn < 0.5 * load)
        empty = np.where(done, n, empty)
        if empty.min() >= 0 and n >= empty.max() + AFTER_S:
            break
    return np.array(run.taken), empty


def _seen(
    fleet: DrawFleet, scenario: DrawScenario, cells: FleetCells, drawn: Array
) -> tuple[Array, Array, Array]:
    true_v = cells.terminal_v(-drawn[:, None])
    step = scenario.cell_step_v
    cells_v = np.round((true_v + fleet.offset_v) / step) * step
    pack_v = np.round((true_v.sum(axis=1) + fleet.pack_offset_v) / 0.01) * 0.01
    return np.round(cells_v, 4), np.round(pack_v, 4), np.round(drawn * 1.003 - 0.1, 1)


def run_draw(
    scenario: DrawScenario,
    maker: DrawLawMaker,
    packs: int,
    start: float,
    seed: int,
    watch: Callable[..., None] | None = None,
    reference: Reference | None = None,
) -> DrawOutcome:
    """One law on all packs of a scenario, compared with the oracle on the same packs under the same loads."""
    fleet = draw_fleet(scenario, packs, start, LONGEST_S, seed)
    best, empty = reference or oracle(fleet, scenario)
    end = len(best) - 1
    law, run, inverter = maker(scenario, packs), _Run(fleet.cells), fleet.inverter
    lowest = np.full(packs, 9.0)
    sent_v, sent_a = np.zeros(packs), np.zeros(packs)
    volts, amps = Turns(REVERSAL_V, sent_v), Turns(REVERSAL_C * scenario.capacity_ah, sent_a)
    delayed = [_seen(fleet, scenario, run.cells, inverter.drawn_a)] * 2
    shown = delayed[0]
    spent = 0.0
    for n in range(end):
        delayed = [delayed[1], _seen(fleet, scenario, run.cells, inverter.drawn_a)]
        fresh = n % scenario.every_s == 0
        shown = delayed[0] if fresh else shown
        cell_v, pack_v, drawn = shown
        if scenario.lowest_only:
            cell_v = cell_v.min(axis=1, keepdims=True)
        seen = DrawSeen(cell_v, pack_v, None if scenario.no_current else drawn, fresh, scenario.temperature_c)
        began = process_time()
        floor_v, limit_a = law.step(seen, sent_a)
        spent += process_time() - began
        sent_v = np.ceil(floor_v / 0.1 - 1e-6) * 0.1
        sent_a = np.floor(limit_a / 0.1 + 1e-6) * 0.1
        if n == 0:
            volts, amps = (
                Turns(REVERSAL_V, sent_v),
                Turns(REVERSAL_C * scenario.capacity_ah, sent_a),
            )
        volts.take(sent_v)
        amps.take(sent_a)
        for _ in range(round(1.0 / PIECE_S)):
            run.flow(inverter.step(run.cells, sent_a, sent_v, fleet.load_a[n], PIECE_S))
            lowest = np.minimum(lowest, run.cells_v.min(axis=1))
        run.second()
        if watch is not None:
            watch(n, law, sent_v, sent_a, inverter.drawn_a, run.cells_v, fleet.load_a[n])
    rows = np.arange(packs)
    late = np.minimum(np.where(empty < 0, end, empty + AFTER_S), end)
    hours = end / 3600.0
    return DrawOutcome(
        (FLOOR_V - lowest) * 1000.0,
        lowest < TRIP_V,
        100.0 * np.array(run.taken)[late, rows] / best[late, rows],
        (volts.count + amps.count) / hours,
        1e6 * spent / end / packs,
    )
