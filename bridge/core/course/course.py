"""The course of a charge: stages and commissioning together, as one value for the limits and the wire."""

from collections.abc import Sequence
from typing import NamedTuple

from bridge.core.course.commission import Commission
from bridge.core.course.remembered import NOTHING, Kept
from bridge.core.course.stage import Seen, Stage, StageMachine
from bridge.core.failsafe.machine import State
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Bank, Plan
from bridge.core.plan.reasons import Contribution


class Now(NamedTuple):
    """What the course asks for at one instant. Immutable.

    Attributes:
        stage: `None` where the profile has no stages.
        cause: why it is in that stage, for people.
        progress: how commissioning stands, for people; "" when there is none.
        volts, charge: contributions to charge voltage and charge current.
        target_v: what the highest cell is charged to; `None`: the target of the limits.
        most_soc: the highest state of charge to be shown, %.
        window: the shown state of charge stays in here, %; `None`: no window.
    """

    stage: Stage | None = None
    cause: str = ""
    progress: str = ""
    volts: tuple[Contribution, ...] = ()
    charge: tuple[Contribution, ...] = ()
    target_v: float | None = None
    most_soc: float = 100.0
    window: tuple[float, float] | None = None

    @property
    def sentence(self) -> str:
        """Stage and cause, for people; "" where there are no stages."""
        return "" if self.stage is None else f"{self.stage.name.lower()}: {self.cause}"


IDLE = Now()
"""Nothing is asked for."""


class Course:
    """Stages and commissioning over time. Mutable; owned by one engine.

    Attributes:
        news: what is to be told and was not yet taken: subject and text.
    """

    def __init__(self, plan: Plan, kept: Kept = NOTHING) -> None:
        self._banks = plan.banks
        self._stages = None if plan.stages is None else StageMachine(plan.stages)
        if self._stages is not None:
            self._stages.go_on(kept.last_full_us, resting=kept.resting, full=kept.full)
        self._commission = None if plan.commissioning is None else Commission(plan.commissioning)
        if self._commission is not None:
            self._commission.active = self._commission.until_us != kept.commissioned_us
        self._window = None if plan.commissioning is None else plan.commissioning.window
        self._apart = [False] * len(plan.banks)
        self._wishes = plan.stages, plan.commissioning
        self.news: list[tuple[str, str]] = []

    def step(
        self,
        t_us: int,
        elapsed_us: int,
        state: State,
        readings: Sequence[Reading],
        active: Sequence[bool],
    ) -> Now:
        """Takes the pack as it is at `t_us`, `elapsed_us` after the last call; returns what is asked for.

        Only a pack that is followed moves anything on; the stated end of commissioning comes all the same.
        """
        stages, commission = self._stages, self._commission
        if stages is None and commission is None:
            return IDLE
        seen = look(self._banks, readings, active) if state is State.FOLLOWING else None
        asked = IDLE
        if commission is not None:
            commission.step(t_us, elapsed_us, seen, _cells_v(readings, active))
            if commission.news:
                self.news.append(("commissioning", commission.news))
            window = self._window if commission.active else None
            asked = asked._replace(progress=commission.progress, charge=commission.charge, window=window)
        if stages is not None:
            before, self._apart = self._apart, [reading.apart for reading in readings]
            if any(was > now for was, now in zip(before, self._apart, strict=True)):
                stages.joined()
            changed = stages.step(t_us, elapsed_us, seen, hold=commission is not None and commission.active)
            asked = asked._replace(
                stage=stages.stage,
                cause=stages.cause,
                volts=stages.volts,
                target_v=stages.target_v,
                most_soc=stages.most_soc,
            )
            if changed:
                self.news.append(("stage", asked.sentence))
        return asked

    def keep(self, kept: Kept) -> Kept:
        """Adds what is worth keeping over a restart."""
        stages, commission = self._stages, self._commission
        if stages is not None:
            resting = stages.stage is Stage.RESTING
            kept = kept._replace(last_full_us=stages.last_full_us, resting=resting, full=stages.full)
        if commission is not None and not commission.active:
            kept = kept._replace(commissioned_us=commission.until_us)
        return kept

    def take_over(self, other: "Course") -> None:
        """Goes on where another one stands, as far as the wishes are the same."""
        if self._wishes[0] == other._wishes[0]:
            self._stages = other._stages
        if self._wishes[1] == other._wishes[1]:
            self._commission = other._commission

    def take_news(self) -> list[tuple[str, str]]:
        """What is to be told since the last call: subject and text."""
        news, self.news = self.news, []
        return news


def _cells_v(readings: Sequence[Reading], active: Sequence[bool]) -> list[float]:
    """All cells of the active banks, V; none unless each is known."""
    rows = [reading.cells_v or [] for reading, on in zip(readings, active, strict=True) if on]
    return [cell_v for row in rows for cell_v in row] if all(rows) else []


def look(banks: Sequence[Bank], readings: Sequence[Reading], active: Sequence[bool]) -> Seen | None:
    """The active banks as the stages see them; `None` unless the voltages of all of them are known."""
    rows = [(bank, reading) for bank, reading, on in zip(banks, readings, active, strict=True) if on]
    if not rows:
        return None
    highs, lows, means, spreads = [], [], [], []
    for bank, r in rows:
        if r.high_v is None or r.low_v is None or r.pack_v is None:
            return None
        highs.append(r.high_v)
        lows.append(r.low_v)
        means.append(r.pack_v / bank.cells)
        spreads.append(r.high_v - r.low_v)
    currents = [abs(r.current_a) for _, r in rows if r.current_a is not None]
    charges = [(bank.capacity_ah, r.soc) for bank, r in rows if r.soc is not None]
    whole = len(charges) == len(rows)
    away = [(bank, r) for bank, r, on in zip(banks, readings, active, strict=True) if not on]
    return Seen(
        max(highs),
        min(lows),
        min(means),
        max(spreads),
        sum(currents) if len(currents) == len(rows) else None,
        sum(ah * soc for ah, soc in charges) / sum(ah for ah, _ in charges) if whole else None,
        min(highs),
        ", ".join(f"bank {bank.name}" for bank, _ in away),
        any(not r.apart for _, r in away),
    )
