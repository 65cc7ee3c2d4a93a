"""Is the sign of a bank's current right? More current into a pack raises its voltage, within seconds.

The open-circuit voltage of a string cannot move much in a few seconds; what moves then is R·I, and R is
positive. So a step of the current and the step of the voltage beside it must have the same sign. One step
proves nothing, because the two are not measured at one instant; a run of them does.
"""

from collections.abc import Sequence
from typing import NamedTuple

from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Bank

LOOK_US = 1_000_000
"""Readings are compared once a second, over a few seconds."""

STEADY = 3
"""A step counts between so many looks at a steady current and as many more, with the voltage steady in the
last two of each. Else one that is told up to a second before or after the current, or beside the mean of a
second, would make a load that cycles look like a wrong sign. (One that cycles within 2 s still may.)"""

STEP_C = 0.05
"""A step of the current counts from this many C on (own choice: well above a sensor's noise)."""

STEP_CELL_V = 0.002
"""A step of the voltage counts from this much a cell on (own choice: two steps of a usual sensor)."""

RUN = 6
"""So many steps more the wrong way than the right way make the sign wrong, and the reverse clears it."""


class _Look(NamedTuple):
    t_us: int
    current_a: float
    pack_v: float


class SignWatch:
    """Watches one bank. Mutable.

    Attributes:
        wrong: the sign is taken to be wrong.
        votes: steps that agreed less those that did not, within +-`RUN`.
    """

    def __init__(self, bank: Bank) -> None:
        self._step_a = STEP_C * bank.capacity_ah
        self._step_v = STEP_CELL_V * bank.cells
        self._looks: list[_Look] = []
        self.votes = 0
        self.wrong = False

    def look(self, t_us: int, reading: Reading) -> bool:
        """Takes the bank as it is at `t_us`, once every `LOOK_US`; returns whether its sign is wrong."""
        looks = self._looks
        if reading.current_a is None or reading.pack_v is None or reading.doubt is not None:
            looks.clear()
            return self.wrong
        if looks and t_us - looks[-1].t_us > 2 * LOOK_US:
            looks.clear()
        looks.append(_Look(t_us, reading.current_a, reading.pack_v))
        if len(looks) == 2 * STEADY:
            self._compare(looks[:STEADY], looks[STEADY:])
        return self.wrong

    def _compare(self, before: list[_Look], after: list[_Look]) -> None:
        step_a = after[-1].current_a - before[-1].current_a
        step_v = after[-1].pack_v - before[-1].pack_v
        unsteady_a = max(abs(one.current_a - row[-1].current_a) for row in (before, after) for one in row)
        unsteady_v = max(abs(row[-2].pack_v - row[-1].pack_v) for row in (before, after))
        small = abs(step_a) < self._step_a or abs(step_v) < self._step_v
        if small or unsteady_a > 0.5 * self._step_a or unsteady_v > 0.5 * abs(step_v):
            del self._looks[0]
            return
        # Each step is counted once: what comes after is compared with what is now.
        del self._looks[:-1]
        vote = 1 if (step_a > 0.0) == (step_v > 0.0) else -1
        self.votes = min(max(self.votes + vote, -RUN), RUN)
        if abs(self.votes) == RUN:
            self.wrong = self.votes < 0


class Signs:
    """All banks. Mutable; owned by one engine.

    Attributes:
        watches: one for each bank.
    """

    def __init__(self, banks: Sequence[Bank]) -> None:
        self._names = [bank.name for bank in banks]
        self._looked_us: int | None = None
        self._wrong: tuple[bool, ...] = ()
        self.watches = tuple(SignWatch(bank) for bank in banks)

    def wrong(self, t_us: int, readings: Sequence[Reading]) -> tuple[bool, ...]:
        """Takes the banks as they are at `t_us`; returns whose sign is wrong."""
        if self._looked_us is None or t_us - self._looked_us >= LOOK_US:
            self._looked_us = t_us
            rows = zip(self.watches, readings, strict=True)
            self._wrong = tuple([watch.look(t_us, reading) for watch, reading in rows])
        return self._wrong

    def warnings(self, wrong: Sequence[bool]) -> list[str]:
        """What a person should look at, a sentence for each bank whose sign is wrong."""
        return [
            f"bank {name}: its voltage falls when the current it reports rises: the sign of pack_current "
            "looks wrong (a negative scale in the profile turns it round)"
            for name, bad in zip(self._names, wrong, strict=True)
            if bad
        ]


def without(readings: Sequence[Reading], wrong: Sequence[bool]) -> Sequence[Reading]:
    """The readings, for the limits: a current whose sign is wrong counts as not known."""
    if True not in wrong:
        return readings
    return [
        reading._replace(current_a=None) if bad else reading
        for reading, bad in zip(readings, wrong, strict=True)
    ]
