"""Faults of the buses: frames that cannot leave, a controller off its bus, an interface that is down."""

from collections.abc import Iterator
from functools import partial
from math import inf
from typing import Final

from bridge.core.plan.plan import SECOND_US, Inverter, Plan, Slot
from bridge.drill.budget import Budget, carries_limit
from bridge.drill.fault import (
    BACK,
    CLOSED,
    DIRECTION,
    NONE_HIGHER,
    RESUMED,
    UNCHANGED,
    Fault,
    View,
    Wanted,
    not_applicable,
)
from bridge.drill.faults_base import shortest_age_s, without_banks
from bridge.drill.faults_service import RELOAD_S
from bridge.drill.stage import Stage
from bridge.simulate.site import Site

BUS_OFF_S: Final = 1.0
"""A controller that is off the bus comes back after so long (own choice; restart-ms of can.rst)."""


class BusFaults:
    """The part of the fault table that is about the buses.

    Args:
        plan: the profile.
        site: a site of it that is only looked at: how often its messages come.
    """

    def __init__(self, plan: Plan, site: Site) -> None:
        self._plan = plan
        self._budget = Budget(plan)
        self._rounds_s = {
            speech.number: speech.period_us * len(speech.pages) / SECOND_US
            for talker in site.talkers
            for speech in talker.speeches
        }

    def table(self) -> list[Fault]:
        """All of them, in order."""
        heard = [source.bus for source in self._plan.sources]
        buses = list(dict.fromkeys(heard + [sent.bus for sent in self._plan.transmissions]))
        return [fault for bus in buses for fault in self._bus(bus, f" on {bus}" if len(buses) > 1 else "")]

    def _bus(self, bus: str, several: str) -> Iterator[Fault]:
        budget, told = self._budget, self._told(bus)
        full_s = min(3 * budget.tell_s, budget.timeout_s / 2)
        if told:
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
        if told:
            yield Fault(
                f"driver hangs{several}",
                f"the driver is at one frame for {full_s:.1f} s, and takes no other",
                RESUMED,
                budget.reaction_s,
                partial(_hang, bus=bus, seconds=full_s),
                acts_after_s=full_s,
                self_heals=True,
                silence=True,
                says="queue full",
            )
            yield Fault(
                f"reload that moves {bus}",
                f"in the profile on the disk {bus} is another channel, and a reload is asked for",
                Wanted(
                    f"zeros on the old one: of {', '.join(sorted(told))}",
                    lambda view: view.name not in told or view.at_zero(*DIRECTION),
                ),
                budget.reaction_s + RELOAD_S,
                partial(_move, bus=bus),
                lasts_s=budget.reaction_s + RELOAD_S + 3.0,
                follows=True,
                silence=True,
                says="currents begin at zero",
            )
        yield self._off(bus, several, told)
        yield self._down(bus, several, told)

    def _off(self, bus: str, several: str, told: frozenset[str]) -> Fault:
        """What is lost in a second is rightly answered by zeros; what is late only is not."""
        required, beats, left = self._required(bus), self._beats(bus), self._left(bus)
        rounds_s = [self._rounds_s[n] for n, one in enumerate(self._plan.sources) if one.bus == bus]
        gap_s = BUS_OFF_S + max(rounds_s, default=0.0) + self._budget.tick_s
        found_s = shortest_age_s(required) + self._budget.hold_s if required else inf
        zero = found_s <= gap_s or (bool(beats) and shortest_age_s(beats) <= gap_s)
        # Only what is lost for certain must be steady again first; a heartbeat that is back is enough else.
        lost = found_s + 2 * self._budget.tick_s <= BUS_OFF_S
        if told:
            wanted = BACK if zero else RESUMED
        else:
            wanted = NONE_HIGHER if zero else UNCHANGED
        return Fault(
            f"bus off{several}",
            f"the controller is off the bus for {BUS_OFF_S:g} s, nothing comes or leaves",
            wanted,
            self._budget.reaction_s,
            partial(_off, bus=bus),
            acts_after_s=BUS_OFF_S,
            self_heals=True,
            lost=lost,
            follows=lost and left != CLOSED,
            silence=True,
            says="bus off",
        )

    def _down(self, bus: str, several: str, told: frozenset[str]) -> Fault:
        """Whom the limits no longer reach must stop by itself; the others are told of what is lost."""
        budget, required, beats, left = self._budget, self._required(bus), self._beats(bus), self._left(bus)
        name, text = f"interface down and up{several}", f"the interface of {bus} is down, then up again"
        allowed_s = 0.0
        others = UNCHANGED
        if required:
            others = left
            allowed_s = budget.lost(shortest_age_s(required))
        if beats:
            others, allowed_s = CLOSED, budget.read(shortest_age_s(beats))
        wanted = others
        if told:
            wanted = Wanted(
                "both currents at zero, or its own time-out"
                if len(told) == len(self._plan.inverters) or others == CLOSED
                else f"its own time-out of {', '.join(sorted(told))}; of the others: {others.text}",
                lambda view: _without_frames(view, told, others),
            )
        return Fault(
            name,
            text,
            wanted,
            allowed_s,
            partial(_take_down, bus=bus),
            lost=bool(required),
            follows=bool(required) and left != CLOSED,
            alone=told,
            silence=bool(told),
            says="down",
        )

    def _told(self, bus: str) -> frozenset[str]:
        """Inverters that are told limits there."""
        sent = [one for one in self._plan.transmissions if one.bus == bus and carries_limit(one)]
        return frozenset(
            inverter.name
            for inverter in self._plan.inverters
            if any(one.inverter in (None, inverter.name) for one in sent)
        )

    def _left(self, bus: str) -> Wanted:
        """What is wanted while the banks that are read there are lost: the others may go on."""
        return without_banks(self._plan, {slot.owner for slot in self._required(bus)})

    def _required(self, bus: str) -> list[Slot]:
        """What must come there, of the banks."""
        return [
            slot
            for source in self._plan.sources
            if source.bus == bus
            for slot in (self._plan.slots[target.slot] for target in source.targets)
            if slot.required
        ]

    def _beats(self, bus: str) -> list[Slot]:
        """Signs of life that come there, without which currents go to zero."""
        return [
            self._plan.slots[target.slot]
            for source in self._plan.sources
            if source.bus == bus
            for target in source.targets
            if target.slot in {one.heartbeat for one in self._plan.inverters if _needed(one)}
        ]


def _needed(inverter: Inverter) -> bool:
    return inverter.zero_when_silent


def _without_frames(view: View, alone: frozenset[str], others: Wanted) -> bool:
    return CLOSED.met(view) if view.name in alone else others.met(view)


def _hang(stage: Stage, bus: str, seconds: float) -> None:
    stage.hang_driver(bus, seconds)


def _move(stage: Stage, bus: str) -> None:
    stage.reload_moved(bus)


def _fill(stage: Stage, bus: str, seconds: float) -> None:
    stage.fill_queue(bus, seconds)


def _off(stage: Stage, bus: str) -> None:
    stage.bus_off(bus, BUS_OFF_S)


def _take_down(stage: Stage, bus: str) -> None:
    stage.take_down(bus)
