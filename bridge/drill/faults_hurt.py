"""Faults of what stands around the program, and of what it is asked: none of them may hurt."""

from collections.abc import Iterator
from functools import partial
from typing import Final

from bridge.core.plan.plan import SECOND_US, Bank, OtherSender, Plan
from bridge.core.wire.outgoing import Transmission
from bridge.drill.budget import Budget, carries_limit
from bridge.drill.fault import (
    CELLS_S,
    CLOSED,
    CLOSED_AT_ONCE,
    MOVED,
    NO_CHARGE,
    UNCHANGED,
    Fault,
    not_applicable,
)
from bridge.drill.faults_base import shortest_age_s
from bridge.drill.faults_service import DEAD_S
from bridge.drill.stage import Stage
from bridge.frames import Frame
from bridge.simulate.site import Site

ZEROS_S: Final = 0.05
"""Zeros leave so soon after a fault inside (own choice)."""

CHARGE: Final = "charge_current_limit"


class HurtFaults:
    """The part of the fault table about the program's surroundings.

    Args:
        plan: the profile.
        site: a site of it that is only looked at.
    """

    def __init__(self, plan: Plan, site: Site) -> None:
        self._plan = plan
        self._site = site
        self._budget = Budget(plan)

    def table(self) -> list[Fault]:
        """All of them, in order."""
        return [
            Fault(
                "fault inside",
                f"something in the program fails; it is started again {DEAD_S:g} s later",
                CLOSED_AT_ONCE,
                ZEROS_S,
                partial(_crash, seconds=DEAD_S),
                self_heals=True,
                lost=True,
                back=MOVED,
            ),
            Fault(
                "lines cannot be told",
                "whoever takes what the program says has a full disk, or has gone",
                UNCHANGED._replace(text="every frame as without it, bit for bit"),
                0.0,
                _deafen,
                lasts_s=5.0,
                twin=True,
            ),
            Fault(
                "lines nobody takes",
                "the pipe for what the program says is full, and nobody reads it",
                UNCHANGED._replace(text="every frame as without it, bit for bit"),
                0.0,
                _clog,
                lasts_s=5.0,
                twin=True,
            ),
            *self._other_sender(),
            *self._tripped(),
        ]

    def _other_sender(self) -> Iterator[Fault]:
        """Somebody else tells the inverter limits: what ours say then is the profile's choice."""
        sent = [one for one in self._plan.transmissions if carries_limit(one)]
        if not sent:
            yield not_applicable("another sender", "no limit is sent")
            return
        one = min(sent, key=lambda each: each.period_us)
        policy, budget = self._plan.times.other_sender, self._budget
        wanted = {
            OtherSender.WARN: UNCHANGED._replace(text="limits as before, and a warning in the journal"),
            OtherSender.ZERO: CLOSED,
            OtherSender.SILENT: CLOSED._replace(text="its own time-out"),
        }[policy]
        silent, noticed_s = policy is OtherSender.SILENT, budget.reaction_s + one.period_us / SECOND_US
        yield Fault(
            "another sender",
            f"somebody else sends {one.layout.name}, too",
            wanted,
            noticed_s,
            partial(_speak, transmission=one),
            lasts_s=5.0,
            lost=policy is not OtherSender.WARN,
            alone=frozenset(each.name for each in self._plan.inverters) if silent else frozenset(),
            alone_after_s=noticed_s,
            silence=silent,
            says="somebody else sends",
        )

    def _tripped(self) -> Iterator[Fault]:
        """What has tripped is not forgotten, however the program ends."""
        for bank in self._plan.banks:
            several = f" in {bank.name}" if len(self._plan.banks) > 1 else ""
            name = f"killed after a cut-off{several}"
            slots = [self._plan.slots[n] for n in bank.cell_slots]
            slots += [self._plan.slots[n] for key, n in bank.slots.items() if key.startswith("cell_voltage")]
            jumps = any(target.jump for one in self._plan.sources for target in one.targets)
            if not slots or jumps:
                yield not_applicable(name, "cells cannot be moved at once: largest_jump")
                continue
            seen_s = self._budget.read(shortest_age_s(slots)) + 1.0
            yield Fault(
                name,
                f"a cell passes the cut-off, the program is killed, and the cell is back {DEAD_S:g} s later, "
                "but not far enough",
                NO_CHARGE._replace(never=lambda view: not view.at_zero(*view.came.intersection((CHARGE,)))),
                self._budget.reaction_s,
                partial(_trip_and_kill, bank=bank, after_s=seen_s),
                acts_after_s=seen_s + DEAD_S,
                lasts_s=self._budget.steady_s + 5.0 + self._budget.reaction_s,
                follows=True,
                remembers_s=CELLS_S,
                back=MOVED,
                silence=True,
            )


def _crash(stage: Stage, seconds: float) -> None:
    stage.crash(seconds)


def _deafen(stage: Stage) -> None:
    stage.deafen()


def _clog(stage: Stage) -> None:
    stage.clog()


def _speak(stage: Stage, transmission: Transmission) -> None:
    """Once a period, until it is healed."""
    over: list[bool] = []
    stage.slides.on_heal(lambda: over.append(True))
    data = bytes(transmission.layout.length)

    def speak() -> None:
        if not over:
            stage.speak_as_bridge(Frame(transmission.bus, transmission.layout.key, data))
            stage.later(transmission.period_us / SECOND_US, speak)

    speak()


def _trip_and_kill(stage: Stage, bank: Bank, after_s: float) -> None:
    view = stage.view(bank.name)
    cells_v = view.cells_v(0)
    at = cells_v.index(max(cells_v))
    over_v = bank.charge.cell_trip_v + 0.02
    back_v = bank.charge.cell_release_v + 0.2 * (bank.charge.cell_trip_v - bank.charge.cell_release_v)
    view.cell_v[at] = lambda _: over_v
    stage.slides.on_heal(view.cell_v.clear)

    def kill() -> None:
        view.cell_v[at] = lambda _: back_v
        stage.kill(DEAD_S)

    stage.later(after_s, kill)
