"""Faults of who talks: somebody else who sends what is ours, and a second monitor with one of its names."""

from collections.abc import Callable, Iterator
from functools import partial
from typing import Final

from bridge.core.outgoing import Transmission
from bridge.core.plan import SECOND_US, OtherSender
from bridge.drill.budget import carries_limit
from bridge.drill.fault import CLOSED, UNCHANGED, Fault, Wanted
from bridge.drill.faults_base import PackFaults, or_not
from bridge.drill.stage import Stage
from bridge.frames import Frame
from bridge.simulate.node import Speech

EVERY_S: Final = 0.3
"""Somebody else sends this often (own choice)."""

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
        return [
            *(self._other(one) for one in self._plan.transmissions if carries_limit(one)),
            *or_not("second monitor", "no temperature in the profile", self._twins()),
        ]

    def _other(self, sent: Transmission) -> Fault:
        frame = Frame(sent.bus, sent.layout.key, bytes(sent.layout.length))
        wanted: Wanted = CLOSED
        policy, allowed_s = self._plan.times.other_sender, self._budget.reaction_s
        if policy is OtherSender.WARN:
            wanted = UNCHANGED._replace(text="limits as before, and a warning in the journal")
        elif policy is OtherSender.SILENT:
            allowed_s = max(one.timeout_us for one in self._plan.inverters) / SECOND_US + allowed_s
        return Fault(
            f"another sender of {sent.name}",
            f"somebody else sends {str(frame).partition('#')[0]}, which is ours to send",
            wanted,
            allowed_s,
            partial(_send_too, frame=frame),
            lasts_s=3.0,
            lost=policy is not OtherSender.WARN,
            silence=policy is OtherSender.SILENT,
            says="somebody else sends what is ours to send",
        )

    def _twins(self) -> Iterator[Fault]:
        for speech in self._guarded():
            origins = [one for one in speech.origins if one.quantity.startswith("cell_temperature")]
            if not origins or len(speech.pages) > 1:
                continue
            yield Fault(
                f"second sender of {self._name(speech)}",
                f"a second monitor with the same identifier says it, at {COLD_C:g} °C",
                self._wanted(self._owner(speech)),
                FRAMES / 2 * speech.period_us / SECOND_US + self._budget.lost(0.0),
                partial(_speak_too, number=speech.number),
                lost=True,
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


def _send_too(stage: Stage, frame: Frame) -> None:
    _again(stage, EVERY_S, lambda: stage.say(frame))


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
            stage.say(frame)

    stage.later((next_us - stage.now_us()) / SECOND_US, lambda: _again(stage, period_s, speak))
