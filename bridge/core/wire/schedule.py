"""Absolute deadlines: transmission k of a message is due at start + phase + k * period, for ever.

A deadline never depends on when the last one was met, so nothing drifts. A slot that was missed is skipped;
it is never made up for in a burst.
"""

from collections.abc import Sequence

from bridge.core.wire.outgoing import Transmission

NEVER_US = 2**62
"""Later than any engine time."""


class Schedule:
    """Deadlines of all transmissions, counted from `start_us`."""

    def __init__(self, transmissions: Sequence[Transmission], start_us: int) -> None:
        self._periods = [transmission.period_us for transmission in transmissions]
        self._next = [start_us + transmission.phase_us for transmission in transmissions]
        self.next_us = min(self._next, default=NEVER_US)

    def go_on(self, last_us: Sequence[int | None], t_us: int) -> None:
        """Goes on from another schedule at `t_us`: each message a period after its last slot, none twice.

        Args:
            last_us: the last slot of each transmission; `None`: it is a new one.
            t_us: now; a slot that would lie before is now.
        """
        for i, last in enumerate(last_us):
            if last is not None:
                self._next[i] = max(last + self._periods[i], t_us)
        self.next_us = min(self._next, default=NEVER_US)

    def last_us(self, i: int) -> int:
        """The slot of the `i`th transmission before its next one."""
        return self._next[i] - self._periods[i]

    def pop(self) -> list[int]:
        """Indices of the transmissions due at `next_us`, in the order of the plan; moves on."""
        now_us, deadlines = self.next_us, self._next
        due = []
        for i, deadline in enumerate(deadlines):
            if deadline == now_us:
                due.append(i)
                deadlines[i] = now_us + self._periods[i]
        self.next_us = min(deadlines, default=NEVER_US)
        return due

    def skip_to(self, t_us: int) -> list[int]:
        """Passes over all slots up to and including `t_us`; returns the transmissions that missed any."""
        missed = [i for i, deadline in enumerate(self._next) if deadline <= t_us]
        for i in missed:
            period, deadline = self._periods[i], self._next[i]
            self._next[i] = deadline + period * ((t_us - deadline) // period + 1)
        self.next_us = min(self._next, default=NEVER_US)
        return missed
