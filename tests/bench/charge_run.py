"""Runs the packs of one scenario under any law, beside the oracle."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from time import process_time
from typing import Protocol

import numpy as np
import numpy.typing as npt

from tests.bench.charge_fleet import Fleet, draw
from tests.bench.charge_scenarios import TARGET_V, TRIP_V, Scenario
from tests.bench.fleet import Array, FleetBalancer, largest_current_a

PIECE_S = 0.5
FULL_C = 0.02
AFTER_S = 1800
LONGEST_S = 12_000
SAMPLE = 49
"""One step in so many is timed: the clock is slow, too."""

REVERSAL_V = 0.1
REVERSAL_C = 0.02


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


LawMaker = Callable[[Scenario, Fleet], Law]


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

    def __init__(self, step: float | Array, start: Array) -> None:
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


class Strings:
    """The cells of all packs, and the resistors that balance them, from one piece of time to the next.

    Attributes:
        cells_v: true voltage of each cell.
        bleed_a: what the resistor across each takes next, which does not pass through the cell.
    """

    def __init__(self, fleet: Fleet) -> None:
        self.cells = fleet.cells
        self._balancer = FleetBalancer(fleet.bleed_a)
        self.cells_v = fleet.cells.emf_v
        self.bleed_a = self._balancer.bleed_a(self.cells_v)

    def flow(self, current_a: Array) -> None:
        """Lets a current flow into each pack, for one piece of time."""
        through_a = current_a[:, None] - self.bleed_a
        self.cells.step(through_a, PIECE_S)
        self.cells_v = self.cells.terminal_v(through_a)
        self.bleed_a = self._balancer.bleed_a(self.cells_v)


class Trial:
    """The packs of a scenario, and what the oracle makes of them; every law is tried on the same.

    Attributes:
        best: charge taken under the oracle by each second, of each pack, Ah.
        full: second at which each pack is full.
    """

    def __init__(self, scenario: Scenario, packs: int, start: float, seed: int, plant: str = "usual") -> None:
        self._scenario = scenario
        self._drawn = packs, start, LONGEST_S, seed, plant
        self.best, self.full = oracle(self.draw())

    def draw(self) -> Fleet:
        """The packs, always the same."""
        return draw(self._scenario, *self._drawn)

    def charge(self, maker: LawMaker, watch: Callable[..., None] | None = None) -> Outcome:
        """One law on all packs."""
        scenario, fleet = self._scenario, self.draw()
        end = len(self.best) - 1
        law, charger, sensors = maker(scenario, fleet), fleet.charger, Sensors(fleet, scenario)
        strings = Strings(fleet)
        packs = len(fleet.most_a)
        flows = charger.current_a
        taken = np.zeros((end + 1, packs))
        peak = np.full(packs, -9.0)
        tripped = np.zeros(packs, bool)
        sent_v, sent_a = np.full(packs, 53.6), np.zeros(packs)
        turns: list[Turns] = []
        spent = 0.0
        for n in range(end):
            sensors.take(strings.cells_v, flows)
            seen = sensors.seen(n)
            began = process_time() if n % SAMPLE == 0 else 0.0
            limit_v, limit_a = law.step(seen, sent_v, sent_a)
            if n % SAMPLE == 0:
                spent += process_time() - began
            sent_v = np.floor(limit_v / 0.1 + 1e-6) * 0.1
            sent_a = np.floor(limit_a / 0.1 + 1e-6) * 0.1
            turns = turns or [Turns(REVERSAL_V, sent_v), Turns(REVERSAL_C * fleet.capacity_ah, sent_a)]
            turns[0].take(sent_v)
            turns[1].take(sent_a)
            added = np.zeros(packs)
            for piece in range(round(1.0 / PIECE_S)):
                if piece:
                    sensors.take(strings.cells_v, flows)
                given = charger.step(strings.cells, sent_v, sent_a, fleet.sky[n], PIECE_S)
                flows = np.where(tripped, 0.0, given)
                strings.flow(flows)
                high_v = strings.cells_v.max(axis=1)
                peak = np.maximum(peak, high_v)
                tripped |= high_v > TRIP_V
                added += flows * PIECE_S / 3600.0
            taken[n + 1] = taken[n] + added
            if watch is not None:
                watch(n, law, sent_v, sent_a, flows, strings.cells_v)
        charge, time = self._compare(taken)
        over_mv = (peak - TARGET_V) * 1000.0
        reversals = (turns[0].count + turns[1].count) * 3600.0 / end
        return Outcome(
            over_mv, tripped, charge, time, reversals, 1e6 * spent / len(range(0, end, SAMPLE)) / packs
        )

    def bound(self, margin_v: float) -> tuple[Array, Array]:
        """Charge, %, and time that no law can better which leaves readings so far below the target.

        It knows all else. Its charger rises once, at the beginning, with its lag, and then follows at once.
        """
        fleet = self.draw()
        middle_s = np.arange(len(fleet.sky))[:, None] + 0.5
        fleet.sky *= -np.expm1(-middle_s / fleet.charger.lag_s)
        taken, _ = oracle(fleet, TARGET_V - margin_v - fleet.offset_v, len(self.best) - 1)
        return self._compare(taken)

    def _compare(self, taken: Array) -> tuple[Array, Array]:
        """Charge in %, and time, of the oracle's."""
        best, rows = self.best, np.arange(taken.shape[1])
        late = np.minimum(self.full + AFTER_S, len(best) - 1)
        goal = best[late, rows]
        mark = 0.99 * goal
        time = np.array([_when(taken[:, p], mark[p]) / _when(best[:, p], mark[p]) for p in rows])
        return 100.0 * taken[late, rows] / goal, time


def oracle(
    fleet: Fleet, target_v: float | Array = TARGET_V, seconds: int | None = None
) -> tuple[Array, Array]:
    """The charge taken by each second, of each pack, in Ah; and the second at which each pack is full.

    For so many seconds, or for half an hour after the last is full; `target_v` may be one for each cell.
    """
    strings, cells = Strings(fleet), fleet.cells
    packs = len(fleet.most_a)
    full = np.full(packs, -1)
    taken = [np.zeros(packs)]
    for n in range(len(fleet.sky) if seconds is None else seconds):
        added = np.zeros(packs)
        most = fleet.most_a * fleet.sky[n]
        for _ in range(round(1.0 / PIECE_S)):
            current = most
            if (cells.after(most[:, None] - strings.bleed_a, PIECE_S)[0] > target_v).any():
                current = largest_current_a(cells, target_v, strings.bleed_a, most, PIECE_S)
            strings.flow(current)
            added += current * PIECE_S / 3600.0
        taken.append(taken[-1] + added)
        done = (full < 0) & (current < FULL_C * fleet.capacity_ah) & (current < 0.5 * most)
        full = np.where(done, n, full)
        if seconds is None and full.min() >= 0 and n >= full.max() + AFTER_S:
            break
    return np.array(taken), full


class Sensors:
    """What the monitors of all packs say of the past: each pack's readings have an age of their own."""

    def __init__(self, fleet: Fleet, scenario: Scenario) -> None:
        self._fleet = fleet
        self._scenario = scenario
        self._past: list[tuple[Array, Array]] = []
        self._shown: Seen | None = None

    def take(self, cells_v: Array, current_a: Array) -> None:
        """The truth, every half second."""
        self._past = [*self._past[1 - 5 :], (cells_v, current_a)]

    def seen(self, n: int) -> Seen:
        """What is shown in second `n`."""
        scenario, fleet = self._scenario, self._fleet
        if self._shown is not None and n % scenario.every_s:
            amps = self._current() if scenario.fast_current else self._shown.current_a
            return replace(self._shown, current_a=amps, fresh=False)
        back = np.maximum(len(self._past) - 1 - fleet.age, 0)
        true_v = np.stack([volts for volts, _ in self._past])[back, np.arange(len(back))]
        error = fleet.offset_v
        if fleet.noise_v:
            error = error + fleet.random.uniform(-fleet.noise_v, fleet.noise_v, error.shape)
        step = scenario.cell_step_v
        cells_v = np.round(np.round((true_v + error) / step) * step, 4)
        total = true_v.sum(axis=1) + fleet.pack_offset_v
        pack_v = np.round(np.round(total / scenario.pack_step_v) * scenario.pack_step_v, 4)
        if scenario.totals_only:
            cells_v = np.stack([cells_v.min(axis=1), cells_v.max(axis=1)], axis=1)
        amps = None if scenario.no_current else self._current()
        self._shown = Seen(cells_v, pack_v, amps, True, scenario.temperature_c)
        return self._shown

    def _current(self) -> Array:
        """What is shown of the current, as old as the rest was."""
        fleet = self._fleet
        back = np.maximum(len(self._past) - 1 - fleet.age, 0)
        amps = np.stack([amps for _, amps in self._past])[back, np.arange(len(back))]
        return np.round(amps * fleet.gain + fleet.zero_a, 1)


def _when(taken: Array, mark: float) -> float:
    """When a rising charge reaches a mark, between whole seconds; never is infinity."""
    at = int(np.searchsorted(taken, mark))
    if at >= len(taken):
        return math.inf
    if at == 0:
        return 0.0
    return at - 1 + float((mark - taken[at - 1]) / (taken[at] - taken[at - 1]))
