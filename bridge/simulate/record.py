"""What is kept of a simulated day: rows for tables and plots, extremes, energy, what bound and how long."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Plan
from bridge.core.plan.reasons import Reason
from bridge.core.told.decision import Decision
from bridge.quantities import LIMITS
from bridge.replay.replay import Mark, Sample
from bridge.replay.timeline import Stats, stats
from bridge.simulate.day import Setup
from bridge.simulate.site import Site
from bridge.simulate.turns import NEAR_V, Look, Turns, cause_of, looked
from bridge.words import why


class Row(NamedTuple):
    """One moment.

    Attributes:
        look: the pack.
        told: the four limits as the first inverter understood them, in the order of `LIMITS`; `None`: never.
        shown_pct: the state of charge it was shown; `None`: never.
        reasons: what bound each of them.
        causes: the same, but in place of a rise that was withheld what would have bound without that.
        state: fail-safe state.
    """

    look: Look
    told: tuple[float | None, ...]
    shown_pct: float | None
    reasons: tuple[str, ...]
    causes: tuple[str, ...]
    state: State


class Extreme(NamedTuple):
    """A cell at its highest or lowest. `cell`: its number from 1."""

    voltage_v: float
    t_us: int
    bank: str
    cell: int


_NOT_YET_HIGH: Final = Extreme(float("-inf"), 0, "", 0)
_NOT_YET_LOW: Final = Extreme(float("inf"), 0, "", 0)


@dataclass(slots=True)
class Excess:
    """How far, and for how long, cells were on the wrong side of a voltage; 0 if they never were."""

    most_v: float = 0.0
    lasted_us: int = 0

    def add(self, by_v: float, step_us: int) -> None:
        """One step; by how much."""
        if by_v > 0.0:
            self.most_v = max(self.most_v, by_v)
            self.lasted_us += step_us


@dataclass(slots=True)
class Flow:
    """What flowed one way at the terminals. `missed_ah`: what sun or loads wanted besides."""

    ah: float = 0.0
    kwh: float = 0.0
    missed_ah: float = 0.0


@dataclass(slots=True)
class Record:
    """One simulated day.

    Attributes:
        plan: what was simulated.
        setup: with which pack, sky and charger.
        rows: one for each `row_us`.
        samples: the limits, their reasons and the state; one for each change.
        turns: the turning points.
        highest, lowest: the true extremes of the day.
        over_target, under_floor: true cells beyond what the profile wants.
        charged, drawn: what flowed.
        coldest_c, hottest_c: true extremes of the cells' temperatures.
        near_us: for how long the highest cell was within `NEAR_V` of its target.
        circulated: most that flowed from bank to bank, A, and when.
    """

    plan: Plan
    setup: Setup
    turns: Turns
    rows: list[Row] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    highest: Extreme = _NOT_YET_HIGH
    lowest: Extreme = _NOT_YET_LOW
    over_target: Excess = field(default_factory=Excess)
    under_floor: Excess = field(default_factory=Excess)
    charged: Flow = field(default_factory=Flow)
    drawn: Flow = field(default_factory=Flow)
    coldest_c: float = float("inf")
    hottest_c: float = float("-inf")
    near_us: int = 0
    circulated: tuple[float, int] = (0.0, 0)

    def look(self, t_us: int, site: Site, decision: Decision, news: Sequence[str] = ()) -> None:
        """One step is over. `news`: of the course of the charge."""
        now = looked(t_us, site, decision)
        self.turns.look(now, decision, news, silent=self.setup.silent(t_us))
        self._sample(t_us, decision)
        self._flow(now)
        self._extremes(now, site)
        self.circulated = max(self.circulated, (now.circulating_a, t_us), key=lambda most: most[0])
        if (t_us - self.setup.start_us) % self.setup.row_us == 0:
            latest = site.listeners[0].latest
            told = tuple(latest.get(name) for name in LIMITS)
            limits = decision.limits
            reasons = tuple(why(limit.binding) for limit in limits.values())
            causes = tuple(why(cause_of(name, limit)) for name, limit in limits.items())
            self.rows.append(
                Row(now, told, latest.get("shown_state_of_charge"), reasons, causes, decision.state)
            )

    def stats(self) -> tuple[dict[str, Stats], dict[State, int]]:
        """Each limit over time with its reasons, and the time in each state."""
        return stats(self.samples, self.setup.end_us)

    def spans(self) -> dict[str, dict[tuple[Reason, str], tuple[float, float]]]:
        """Lowest and highest value of each limit while a reason bound it, V or A."""
        found: dict[str, dict[tuple[Reason, str], tuple[float, float]]] = {name: {} for name in LIMITS}
        for sample in self.samples:
            for name, mark in zip(LIMITS, sample.marks, strict=True):
                if mark.reason is None or mark.value is None:
                    continue
                low, high = found[name].get((mark.reason, mark.bank), (mark.value, mark.value))
                found[name][mark.reason, mark.bank] = min(low, mark.value), max(high, mark.value)
        return found

    def _sample(self, t_us: int, decision: Decision) -> None:
        marks = tuple(
            Mark(limit.value, limit.binding.reason, limit.binding.bank) for limit in decision.limits.values()
        )
        if not self.samples or self.samples[-1][1:] != (decision.state, decision.cause, marks):
            self.samples.append(Sample(t_us, decision.state, decision.cause, marks))

    def _flow(self, now: Look) -> None:
        hours = self.setup.step_us / 3.6e9
        flow = self.charged if now.pack_a > 0.0 else self.drawn
        flow.ah += abs(now.pack_a) * hours
        flow.kwh += abs(now.pack_a) * now.pack_v * hours / 1000.0
        if now.wanted_a > 0.0:
            self.charged.missed_ah += max(now.wanted_a - now.pack_a, 0.0) * hours
        else:
            self.drawn.missed_ah += max(now.pack_a - now.wanted_a, 0.0) * hours

    def _extremes(self, now: Look, site: Site) -> None:
        limits, step_us = self.plan.limits, self.setup.step_us
        self.coldest_c = min(self.coldest_c, now.coldest_c)
        self.hottest_c = max(self.hottest_c, now.hottest_c)
        if now.high_v >= limits.cell_target_v - NEAR_V:
            self.near_us += step_us
        self.over_target.add(now.high_v - limits.cell_target_v, step_us)
        self.under_floor.add(limits.cell_floor_v - now.low_v, step_us)
        if now.high_v > self.highest.voltage_v:
            self.highest = _where(now.high_v, now.t_us, site)
        if now.low_v < self.lowest.voltage_v:
            self.lowest = _where(now.low_v, now.t_us, site)


def _where(voltage_v: float, t_us: int, site: Site) -> Extreme:
    for name, view in site.views.items():
        cells_v = view.bank.true_cell_voltages_v
        if voltage_v in cells_v:
            return Extreme(voltage_v, t_us, name, cells_v.index(voltage_v) + 1)
    raise ValueError(f"no cell at {voltage_v} V")
