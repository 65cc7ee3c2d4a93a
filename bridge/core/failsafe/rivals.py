"""Somebody else who sends what only this program may send: then an inverter is told limits by two.

A socket is not handed its own frames, so a frame that comes in with an identifier of ours was sent by another
program or another device. Whichever frame came last is what the inverter does, so ours no longer decide. What
this program then does is the profile's choice; by default its own frames say zero, which is as tight as they
can be, and asks whoever sends the others to stop.
"""

from typing import Final

from bridge.core.failsafe.machine import FailSafe, State
from bridge.core.pack.state import Doubt
from bridge.core.plan.plan import OtherSender, Plan
from bridge.frames import Frame

QUIET_US: Final = 2_000_000
"""Nobody else counts as sending once nothing came for so long (own choice)."""

GAPS: Final = 2
LONGEST_US: Final = 60_000_000
"""Or for so many of the gaps between the last two, but no longer than this (own choice)."""

GRACE_US: Final = 1_000_000
"""After a start, or a change of buses, a frame of our own may still come out of a queue, as if another's."""


class Rivals:
    """Watches for others who send what is ours to send. Mutable; owned by one engine.

    Args:
        plan: what is ours to send, and what is to be done.
        start_us: engine time of the start.
    """

    def __init__(self, plan: Plan, start_us: int) -> None:
        self._ours = {(sent.bus, sent.layout.key): sent.name for sent in plan.transmissions}
        self._policy = plan.times.other_sender
        self._from_us = start_us + GRACE_US
        self._heard: dict[tuple[str, int], tuple[int, int]] = {}

    def began(self, t_us: int) -> None:
        """This engine, or its buses, are new from now on."""
        self._from_us = t_us + GRACE_US

    def hear(self, t_us: int, frame: Frame) -> None:
        """Takes a frame that no source asks for."""
        which = frame.bus, frame.key
        if which in self._ours and t_us >= self._from_us:
            last_us, _ = self._heard.get(which, (t_us, 0))
            quiet_us = min(max(QUIET_US, GAPS * (t_us - last_us)), LONGEST_US)
            self._heard[which] = t_us, t_us + quiet_us

    def step(self, t_us: int, failsafe: FailSafe, doubt: Doubt | None) -> tuple[State, str, str]:
        """A step of the fail-safe machine under them: state, its cause, and what is to be told of them.

        A pack that is silent already is not woken. Once they are gone, a steady stretch comes first.
        """
        state, cause = failsafe.step(t_us, doubt)
        says = self.says(t_us)
        if not says or self._policy is OtherSender.WARN or state is State.SILENT:
            return state, cause, says
        failsafe.restart(says)
        return (State.SAFE if self._policy is OtherSender.ZERO else State.SILENT), says, says

    def says(self, t_us: int) -> str:
        """What is to be told of them now; "" where there are none."""
        if not self._heard:
            return ""
        now = [which for which, (_, until_us) in self._heard.items() if t_us < until_us]
        if not now and all(t_us >= last_us + LONGEST_US for last_us, _ in self._heard.values()):
            self._heard.clear()
        names = sorted(f"{_id(key)}, {self._ours[bus, key]}" for bus, key in now)
        return f"somebody else sends what is ours to send: {'; '.join(names)}" if names else ""


def _id(key: int) -> str:
    return str(Frame("", key, b"")).rstrip("#")
