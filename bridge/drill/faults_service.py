"""Faults of the inverter, and of the program itself."""

from collections.abc import Iterator
from functools import partial
from typing import Final

from bridge.core.plan.plan import SECOND_US, Inverter, Plan
from bridge.drill.budget import Budget
from bridge.drill.fault import (
    CLOSED,
    CLOSED_AT_ONCE,
    MOVED,
    NO_CHARGE,
    TINY,
    UNCHANGED,
    Fault,
    not_applicable,
)
from bridge.drill.stage import Stage

DEAD_S: Final = 2.0
"""A service manager starts a killed program again after so long (own choice)."""

RELOAD_S: Final = 2.0
"""A profile may take so long to load on a small computer (own choice)."""

_DRAW: Final = "discharge_current_limit"

ONLY_NO_CHARGE: Final = NO_CHARGE._replace(
    text="charge current at zero, and never less to draw",
    never=lambda view: _DRAW in view.came and view.values[_DRAW] < 0.98 * view.before.get(_DRAW, 0.0) - TINY,
)

NO_CHARGE_SOME_DRAW: Final = NO_CHARGE._replace(
    text="charge current at zero, and never nothing to draw",
    never=lambda view: _DRAW in view.came and view.before.get(_DRAW, 0.0) > TINY and view.at_zero(_DRAW),
)
"""Of several banks: their shares of a current are seen while it flows; where none does, they are reckoned."""

CLOCK_STEP_S: Final = 3600.0


class ServiceFaults:
    """The part of the fault table that is about inverters and the program."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._budget = Budget(plan)

    def table(self) -> list[Fault]:
        """All of them, in order."""
        return self._program()

    def inverters(self) -> list[Fault]:
        """Those of the inverters."""
        return [fault for inverter in self._plan.inverters for fault in self._inverter(inverter)]

    def _inverter(self, inverter: Inverter) -> Iterator[Fault]:
        name = f"inverter {inverter.name} silent"
        if inverter.heartbeat is None:
            yield not_applicable(name, "no inverter_heartbeat in the profile")
            return
        age_s = self._plan.slots[inverter.heartbeat].max_age_us / SECOND_US
        zero = inverter.zero_when_silent
        yield Fault(
            name,
            f"{inverter.name} says nothing any more, and goes on listening",
            CLOSED if zero else UNCHANGED._replace(text="limits as before, and a warning in the journal"),
            self._budget.read(age_s),
            partial(_mute, owner=inverter.name),
            says=f"inverter {inverter.name} is not heard",
        )

    def _program(self) -> list[Fault]:
        return [
            *self._stalls(),
            Fault(
                "killed and restarted",
                f"the program is killed, and started again {DEAD_S:g} s later",
                CLOSED_AT_ONCE,
                self._budget.reaction_s,
                _kill,
                acts_after_s=DEAD_S,
                self_heals=True,
                lost=True,
                back=MOVED,
            ),
            Fault(
                "wall clock stepped",
                "the time of day jumps forward by an hour, then back",
                UNCHANGED._replace(text="every frame as without it, bit for bit"),
                0.0,
                _step_clock,
                lasts_s=5.0,
                twin=True,
            ),
            Fault(
                "reload with a bad profile",
                "the profile on the disk gets a section nobody knows, and a reload is asked for",
                UNCHANGED._replace(text="limits as before, and the reason in the journal"),
                0.0,
                _reload,
                lasts_s=3.0,
                twin=True,
                says="nothing changed",
            ),
            Fault(
                "reload that forbids charging",
                "the profile on the disk forbids charging, and a reload is asked for",
                NO_CHARGE_SOME_DRAW if len(self._plan.banks) > 1 else ONLY_NO_CHARGE,
                self._budget.reaction_s + RELOAD_S,
                _tighten,
                lasts_s=self._budget.steady_s + 3.0,
                follows=True,
                says="profile taken",
            ),
        ]

    def _stalls(self) -> Iterator[Fault]:
        budget = self._budget
        long_s = 1.5 * budget.stall_s
        yield Fault(
            "event loop stalled",
            f"the program stands still for {long_s:g} s",
            CLOSED_AT_ONCE,
            budget.reaction_s,
            partial(_stall, seconds=long_s),
            acts_after_s=long_s,
            self_heals=True,
            lost=True,
            says="stood still",
        )
        beats_s = [
            self._plan.slots[one.heartbeat].max_age_us / SECOND_US
            for one in self._plan.inverters
            if one.heartbeat is not None and one.zero_when_silent
        ]
        short_s = 0.5 * min(budget.stall_s, budget.hold_s, budget.timeout_s, *beats_s)
        if short_s <= budget.tick_s:
            yield not_applicable("event loop late", "stall_s or hold_s is hardly longer than a tick")
            return
        yield Fault(
            "event loop late",
            f"the program stands still for {short_s:g} s, less than stall_s",
            UNCHANGED,
            0.0,
            partial(_stall, seconds=short_s),
            acts_after_s=short_s,
            self_heals=True,
        )


def _mute(stage: Stage, owner: str) -> None:
    for speech in stage.speeches(owner):
        speech.muted = True


def _stall(stage: Stage, seconds: float) -> None:
    stage.stall(seconds)


def _kill(stage: Stage) -> None:
    stage.kill(DEAD_S)


def _step_clock(stage: Stage) -> None:
    stage.step_wall_clock(CLOCK_STEP_S)


def _tighten(stage: Stage) -> None:
    stage.reload_tighter()


def _reload(stage: Stage) -> None:
    stage.reload_bad()
