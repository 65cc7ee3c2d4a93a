"""Faults of buses, of the inverter, and of the program itself."""

from collections.abc import Iterator
from functools import partial
from typing import Final

from bridge.core.plan import SECOND_US, Inverter, Plan
from bridge.drill.budget import Budget, carries_limit
from bridge.drill.fault import (
    CLOSED,
    CLOSED_AT_ONCE,
    RESUMED,
    UNCHANGED,
    Fault,
    not_applicable,
)
from bridge.drill.stage import Stage

BUS_OFF_S: Final = 1.0
"""A controller that is off the bus comes back after so long (own choice; restart-ms of can.rst)."""

DEAD_S: Final = 2.0
"""A service manager starts a killed program again after so long (own choice)."""

CLOCK_STEP_S: Final = 3600.0


class ServiceFaults:
    """The part of the fault table that is not about the pack's data."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._budget = Budget(plan)

    def table(self) -> list[Fault]:
        """All of them, in order."""
        found = [fault for inverter in self._plan.inverters for fault in self._inverter(inverter)]
        for bus in self._buses():
            found += self._bus(bus)
        return [*found, *self._program()]

    def _buses(self) -> list[str]:
        heard = [source.bus for source in self._plan.sources]
        return list(dict.fromkeys(heard + [sent.bus for sent in self._plan.transmissions]))

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

    def _bus(self, bus: str) -> Iterator[Fault]:
        plan, budget = self._plan, self._budget
        limits = any(one.bus == bus and carries_limit(one) for one in plan.transmissions)
        data = any(
            one.bus == bus and any(plan.slots[t.slot].required for t in one.targets) for one in plan.sources
        )
        several = f" on {bus}" if len(self._buses()) > 1 else ""
        full_s = min(3 * budget.tell_s, budget.timeout_s / 2)
        if limits:
            yield Fault(
                f"transmit queue full{several}",
                f"for {full_s:.1f} s no frame can leave",
                RESUMED,
                budget.reaction_s,
                partial(_fill, bus=bus, seconds=full_s),
                acts_after_s=full_s,
                self_heals=True,
                silence=True,
                says="queue full",
            )
        else:
            yield not_applicable(f"transmit queue full{several}", "no limit is sent there")
        yield Fault(
            f"bus off{several}",
            f"the controller is off the bus for {BUS_OFF_S:g} s, nothing comes or leaves",
            RESUMED if limits else UNCHANGED,
            budget.reaction_s,
            partial(_off, bus=bus),
            acts_after_s=BUS_OFF_S,
            self_heals=True,
            silence=True,
            says="bus off",
        )
        yield self._interface_down(bus, several, limits=limits, data=data)

    def _interface_down(self, bus: str, several: str, *, limits: bool, data: bool) -> Fault:
        plan, budget = self._plan, self._budget
        name, text = f"interface down and up{several}", f"the interface of {bus} is down, then up again"
        inject = partial(_down, bus=bus)
        if limits:  # what reaches the inverter is nothing at all, and its own time-out must act
            allowed_s = budget.timeout_s + 0.1
            return Fault(name, text, CLOSED, allowed_s, inject, lost=data, silence=True, says="down")
        if not data:
            return Fault(name, text, UNCHANGED, 0.0, inject, silence=True, says="down")
        ages_us = [s.max_age_us for s in plan.slots if s.required and self._comes_on(bus, s.owner)]
        return Fault(
            name, text, CLOSED, budget.lost(min(ages_us) / SECOND_US), inject, lost=True, says="down"
        )

    def _comes_on(self, bus: str, owner: str) -> bool:
        return any(source.bus == bus and source.owner == owner for source in self._plan.sources)

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
        short_s = min(0.5 * budget.stall_s, 0.5 * budget.hold_s, 0.5 * budget.timeout_s)
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


def _fill(stage: Stage, bus: str, seconds: float) -> None:
    stage.fill_queue(bus, seconds)


def _off(stage: Stage, bus: str) -> None:
    stage.bus_off(bus, BUS_OFF_S)


def _down(stage: Stage, bus: str) -> None:
    stage.take_down(bus)


def _stall(stage: Stage, seconds: float) -> None:
    stage.stall(seconds)


def _kill(stage: Stage) -> None:
    stage.kill(DEAD_S)


def _step_clock(stage: Stage) -> None:
    stage.step_wall_clock(CLOCK_STEP_S)


def _reload(stage: Stage) -> None:
    stage.reload_bad()
