"""Runs the packs of one scenario under one law, beside the oracle."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter
from typing import Protocol

import numpy as np
import numpy.typing as npt

from bridge.simulate.fleet import Array, FleetBalancer, FleetCells, largest_current_a
from tests.bench.charge_scenarios import CAPACITY_AH, TARGET_V, TRIP_V, Fleet, Scenario, draw

PIECE_S = 0.5
FULL_C = 0.02
AFTER_S = 1800
LONGEST_S = 12_000
REVERSAL_V = 0.1
REVERSAL_A = 0.02 * CAPACITY_AH


@dataclass
class Seen:
    """What the monitors of all packs say: cells (or lowest and highest), pack, current; and whether anew."""

    cells_v: Array
    pack_v: Array
    current_a: Array | None
    fresh: bool
    temperature_c: float


class Law(Protocol):
    """Takes what is seen and what was sent last; gives charge voltage and current for each pack."""

    def step(self, seen: Seen, sent_v: Array, sent_a: Array, /) -> tuple[Array, Array]:
        """One second further."""
        ...


LawMaker = Callable[[Scenario, int], Law]


@dataclass
class Outcome:
    """What a law came to; one number a pack, but for the time."""

    over_mv: Array
    tripped: npt.NDArray[np.bool_]
    charge: Array
    time: Array
    reversals_per_hour: Array
    step_us: float


class Turns:
    """Counts changes of direction larger than a stated step."""

    def __init__(self, step: float, start: Array) -> None:
        self._step = step - 1e-6
        self._way = np.zeros_like(start)
        self._extreme = start.copy()
        self.count = np.zeros_like(start)

    def take(self, value: Array) -> None:
        """Takes the next value of every pack."""
        moved = value - self._extreme
        turned = (np.abs(moved) >= self._step) & (np.sign(moved) != self._way)
        self.count += turned & (self._way != 0.0)
        onward = (np.sign(moved) == self._way) | turned
        self._way = np.where(turned, np.sign(moved), self._way)
        self._extreme = np.where(onward, value, self._extreme)


def oracle(fleet: Fleet, scenario: Scenario) -> tuple[Array, Array]:
    """The charge taken by each second, of each pack, in Ah; and the second at which each pack is full."""
    cells = fleet.cells.copy()
    balancer = FleetBalancer(fleet.bleed_a)
    packs = len(cells.charge)
    full = np.full(packs, -1)
    taken = [np.zeros(packs)]
    cells_v = cells.emf_v
    seconds = len(fleet.sky)
    for n in range(seconds):
        added = np.zeros(packs)
        for _ in range(round(1.0 / PIECE_S)):
            bleed = balancer.bleed_a(cells_v)
            most = np.full(packs, scenario.most_a) * fleet.sky[n]
            current = largest_current_a(cells, TARGET_V, bleed, most, PIECE_S)
            cells.step(current[:, None] - bleed, PIECE_S)
            cells_v = cells.emf_v + cells.series_ohm * current[:, None]
            added += current * PIECE_S / 3600.0
        taken.append(taken[-1] + added)
        full = np.where((full < 0) & (current < FULL_C * CAPACITY_AH) & (current < 0.5 * most), n, full)
        if full.min() >= 0 and n >= full.max() + AFTER_S:
            break
    return np.array(taken), full


def _seen(fleet: Fleet, scenario: Scenario, cells: FleetCells, current: Array) -> tuple[Array, Array, Array]:
    true_v = cells.emf_v + cells.series_ohm * current[:, None]
    step = scenario.cell_step_v
    cells_v = np.round((true_v + fleet.offset_v) / step) * step
    total = true_v.sum(axis=1) + fleet.pack_offset_v
    pack_v = np.round(total / scenario.pack_step_v) * scenario.pack_step_v
    return np.round(cells_v, 4), np.round(pack_v, 4), np.round(current * 1.003 + 0.1, 1)


def run(
    scenario: Scenario,
    maker: LawMaker,
    packs: int,
    start: float,
    seed: int,
    watch: Callable[..., None] | None = None,
) -> Outcome:
    """One law on all packs of a scenario, compared with the oracle on the same packs under the same sky."""
    fleet = draw(scenario, packs, start, LONGEST_S, seed)
    best, full = oracle(fleet, scenario)
    end = len(best) - 1
    law, cells, charger = maker(scenario, packs), fleet.cells, fleet.charger
    balancer = FleetBalancer(fleet.bleed_a)
    cells_v = cells.emf_v
    taken = np.zeros((end + 1, packs))
    peak = np.full(packs, -9.0)
    sent_v, sent_a = np.full(packs, 53.6), np.zeros(packs)
    volts, amps = Turns(REVERSAL_V, sent_v), Turns(REVERSAL_A, sent_a)
    started = False
    delayed = [_seen(fleet, scenario, cells, charger.current_a)] * 2
    shown = delayed[0]
    spent = 0.0
    for n in range(end):
        delayed = [delayed[1], _seen(fleet, scenario, cells, charger.current_a)]
        fresh = n % scenario.every_s == 0
        shown = delayed[0] if fresh else shown
        cell_v, pack_v, current = shown
        if scenario.totals_only:
            cell_v = np.stack([cell_v.min(axis=1), cell_v.max(axis=1)], axis=1)
        seen = Seen(cell_v, pack_v, None if scenario.no_current else current, fresh, scenario.temperature_c)
        began = perf_counter()
        limit_v, limit_a = law.step(seen, sent_v, sent_a)
        spent += perf_counter() - began
        sent_v = np.floor(limit_v / 0.1 + 1e-6) * 0.1
        sent_a = np.floor(limit_a / 0.1 + 1e-6) * 0.1
        if not started:
            volts, amps = Turns(REVERSAL_V, sent_v), Turns(REVERSAL_A, sent_a)
            started = True
        volts.take(sent_v)
        amps.take(sent_a)
        added = np.zeros(packs)
        for _ in range(round(1.0 / PIECE_S)):
            bleed = balancer.bleed_a(cells_v)
            flows = charger.step(cells, sent_v, sent_a, fleet.sky[n], PIECE_S)
            cells.step(flows[:, None] - bleed, PIECE_S)
            cells_v = cells.emf_v + cells.series_ohm * flows[:, None]
            peak = np.maximum(peak, cells_v.max(axis=1))
            added += flows * PIECE_S / 3600.0
        taken[n + 1] = taken[n] + added
        if watch is not None:
            watch(n, law, sent_v, sent_a, flows, cells_v)
    rows = np.arange(packs)
    late = np.minimum(full + AFTER_S, end)
    goal = best[late, rows]
    charge = taken[late, rows] / goal
    mark = 0.99 * goal
    time = np.array([_when(taken[:, p], mark[p]) / _when(best[:, p], mark[p]) for p in range(packs)])
    hours = end / 3600.0
    return Outcome(
        (peak - TARGET_V) * 1000.0,
        peak > TRIP_V,
        charge * 100.0,
        time,
        (volts.count + amps.count) / hours,
        1e6 * spent / end / packs,
    )


def _when(taken: Array, mark: float) -> float:
    """When a rising charge reaches a mark, between whole seconds; never is infinity."""
    at = int(np.searchsorted(taken, mark))
    if at >= len(taken):
        return math.inf
    if at == 0:
        return 0.0
    return at - 1 + float((mark - taken[at - 1]) / (taken[at] - taken[at - 1]))
