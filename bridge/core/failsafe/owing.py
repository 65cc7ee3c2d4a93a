"""Zero currents that have not left yet when silence begins.

Silence leaves each inverter to its own time-out, which is safe because it was told zero before. While a bus
is down nothing is told on it. So what says zero goes on until it has left once, however silent the rest is:
an inverter that still goes by an old limit is told zero at the bus's return, not at its time-out.
"""

from collections.abc import Iterable

from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Plan
from bridge.frames import Frame


class Owing:
    """Watches the messages that carry limits. Mutable; owned by one engine."""

    def __init__(self, plan: Plan) -> None:
        self._pages = {i: len(one.pages) for i, one in enumerate(plan.transmissions) if one.carries_limits}
        self._places = {(one.bus, one.layout.key): i for i, one in enumerate(plan.transmissions)}
        self._left = dict(self._pages)
        self._state = State.STARTING

    def look(self, state: State) -> None:
        """Takes the state of each tick: once data is lost, nothing of the zeros has left."""
        if state is State.SAFE and self._state is not State.SAFE:
            self._left = dict.fromkeys(self._pages, 0)
        self._state = state

    def made(self, i: int) -> None:
        """A frame of the `i`th transmission was made, to be sent."""
        if i in self._left:
            self._left[i] += 1

    def unsent(self, frame: Frame) -> None:
        """It did not leave."""
        i = self._places.get((frame.bus, frame.key))
        if i in self._left:
            self._left[i] = 0

    def owed(self, due: Iterable[int]) -> list[int]:
        """Those of the transmissions `due` of which not every page has left."""
        return [i for i in due if self._left.get(i, 0) < self._pages.get(i, 0)]

    @property
    def messages(self) -> frozenset[tuple[str, int]]:
        """What is owed while nothing else is sent: buses and keys."""
        owed = self.owed(self._pages) if self._state is State.SILENT else ()
        return frozenset(which for which, i in self._places.items() if i in owed)
