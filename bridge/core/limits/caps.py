"""What no limit may be looser than because something is lost that may have been what bound it.

What counts is the last word of each bank before the loss, in whatever state the pack was then: also what was
heard while it was not yet trusted. Wishes, and what a ramp had not yet reached, are no word of a bank's: they
go on by themselves.
"""

from collections.abc import Collection, Iterable, Sequence
from math import inf
from typing import Final

from bridge.core.course.remembered import Going, Kept
from bridge.core.failsafe.machine import State
from bridge.core.plan.reasons import Limit, Reason

Four = tuple[float, float, float, float]
"""Charge voltage, V, charge and discharge current, A, and floor, V."""

NO_WORD: Final = frozenset(
    {
        *(Reason.NOT_TRUSTED, Reason.RESTING, Reason.HELD, Reason.RISING, Reason.NOT_WORTH_IT),
        *(Reason.INHIBITED, Reason.INVERTER_SILENT, Reason.APART),
        *(Reason.RESTED, Reason.USUAL_TARGET, Reason.COMMISSIONING),
    }
)
"""Bounds that tell nothing of a bank, and end by themselves."""

_FREE: Final = (inf, inf, inf, -inf)


class Caps:
    """Mutable; owned by the limits of one engine.

    Attributes:
        lost: what is lost.
        values: what no limit is to be looser than until all of it is back; `None`: nothing is lost.
    """

    def __init__(self, kept: Kept) -> None:
        self.lost = kept.lost
        self.values: Four | None = kept.caps
        self._words: dict[str, Four] = {}
        self._heard: Sequence[Limit] = ()

    def go_on(self, going: Going) -> None:
        """What was heard before a restart counts as lost until it is heard again."""
        if going.heard:
            self.lost |= going.heard
            self.values = tightest([going.limits] if self.values is None else [going.limits, self.values])

    def look(self, lost: Collection[str]) -> Four | None:
        """What caps the limits now that this is lost."""
        if not self.lost.issuperset(lost):
            self._tighten()
        elif not lost:
            self.values = None
        self.lost = frozenset(lost)
        return self.values

    def add(self, lost: Collection[str]) -> None:
        """This counts as lost, too."""
        if not self.lost.issuperset(lost):
            self._tighten()
            self.lost |= frozenset(lost)

    def hear(self, state: State, limits: Sequence[Limit], faded: Collection[str]) -> None:
        """Takes the last word of every bank.

        Args:
            state: while limits are followed all banks speak, and the work is left for when it is needed.
            limits: with all that bounds them.
            faded: banks of which something is too old now that was known: what they said still counts.
        """
        if state is State.FOLLOWING:
            self._heard = limits
            return
        before, self._words = self._spoken(), _words(limits)
        self._heard = ()
        for bank, word in before.items():
            if bank in faded or (not bank and faded):
                self._words[bank] = tightest((word, self._words.get(bank, _FREE)))

    def _spoken(self) -> dict[str, Four]:
        return _words(self._heard) if self._heard else self._words

    def _tighten(self) -> None:
        words = list(self._spoken().values())
        if self.values is not None:
            words.append(self.values)
        if words:
            self.values = tightest(words)


def tightest(rows: Iterable[Four]) -> Four:
    """The tightest of each limit."""
    volts, charge, draw, floors = zip(*rows, strict=True)
    return min(volts), min(charge), min(draw), max(floors)


def _words(limits: Sequence[Limit]) -> dict[str, Four]:
    """What each bank's own bounds say; under "" those of the whole pack."""
    found: dict[str, list[float]] = {}
    for i, limit in enumerate(limits):
        for reason, value, bank in limit.contributions:
            if reason not in NO_WORD:
                row = found.setdefault(bank, list(_FREE))
                row[i] = max(row[i], value) if i == 3 else min(row[i], value)
    return {bank: (row[0], row[1], row[2], row[3]) for bank, row in found.items()}
