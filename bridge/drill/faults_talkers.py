"""Faults of who talks: a second cell monitor with the same identifiers."""

from collections.abc import Callable, Iterator
from functools import partial
from typing import Final

from bridge.core.plan.plan import SECOND_US
from bridge.drill.fault import CELLS_S, Fault
from bridge.drill.faults_base import PackFaults, or_not
from bridge.drill.stage import Stage
from bridge.simulate.node import Speech

PHASE: Final = 0.3
"""Where the second monitor's frames stand between the first one's (own choice)."""

FRAMES: Final = 24
"""After so many frames of both together it must have been noticed (own choice)."""

COLD_C: Final = -15.0
"""What the second monitor measures: far enough from the first, and where no cell is charged."""


class TalkerFaults(PackFaults):
    """The part of the fault table that is about two who say the same."""

    def table(self) -> list[Fault]:
        """All of them, in order."""
        return or_not("second sender", "no temperature in the profile", self._twins())

    def _twins(self) -> Iterator[Fault]:
        # Where both count alike every second frame is refused; what is trusted in between puts the end off.
        stops_s = min(self._budget.hold_s, self._budget.steady_s)
        for speech in self._guarded():
            origins = [one for one in speech.origins if one.quantity.startswith("cell_temperature")]
            if not origins or len(speech.pages) > 1:
                continue
            yield Fault(
                f"second sender of {self._name(speech)}",
                f"a second monitor with the same identifier says it, at {COLD_C:g} °C",
                self._wanted(self._owner(speech)),
                (FRAMES / 2 + 1) * speech.period_us / SECOND_US + stops_s + self._budget.lost(0.0),
                partial(_speak_too, number=speech.number),
                lost=True,
                early_s=speech.period_us / SECOND_US,
                follows=self._reduces,
                remembers_s=CELLS_S,
            )


def _again(stage: Stage, every_s: float, action: Callable[[], None]) -> None:
    """Does something again and again until the fault is healed."""
    over: list[bool] = []
    stage.slides.on_heal(lambda: over.append(True))

    def act() -> None:
        if not over:
            action()
            stage.later(every_s, act)

    act()


def _speak_too(stage: Stage, number: int) -> None:
    first = stage.speech(number)
    period_s = first.period_us / SECOND_US
    next_us = first.next_us + round(PHASE * first.period_us)
    other = Speech(first.number, first.section, first.bus, first.coder, next_us)
    view = stage.view(stage.loaded.plan.sources[number].owner)

    def value_of(quantity: str, cell: int, t_us: int) -> float:
        return COLD_C if quantity.startswith("cell_temperature") else view.value(quantity, cell, t_us)

    def speak() -> None:
        frame = other.say(value_of)
        if frame is not None:
            stage.speak_as_bridge(frame)

    stage.later((next_us - stage.now_us()) / SECOND_US, lambda: _again(stage, period_s, speak))
