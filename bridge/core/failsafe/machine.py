"""The fail-safe state machine: what may be sent, given how long data has been trusted or lost.

    starting   not enough trusted data yet: zero currents, the resting voltage
    following  normal: limits follow the pack
    holding    data late or in doubt: the last limits, which may fall but never rise
    safe       data lost or implausible: zero currents, the resting voltage
    silent     nothing is sent, so that the inverter's own time-out acts

`following` is only entered after a steady stretch of trusted data. Lost data leads from `following` to
`holding` at once, from there to `safe` after `hold_us`, from there to `silent` after `silent_us`. One bad
frame must not close a sound pack, so moments of trust while `holding` do not count, until they make up
`steady_us` in all. They win back nothing: only the steady stretch does. So nothing is held in doubt for
longer than `hold_us + steady_us` after the first doubt, however good and bad data take turns. A pack never
yet trusted stays in `starting`.
"""

from enum import IntEnum
from typing import Final, NamedTuple

from bridge.core.pack.state import Doubt, Trouble
from bridge.core.plan.plan import FailSafeTimes


class State(IntEnum):
    """The five states; the numbers are those of the quantity `failsafe_state`."""

    STARTING = 0
    FOLLOWING = 1
    HOLDING = 2
    SAFE = 3
    SILENT = 4


class Step(NamedTuple):
    """Where the machine stands after one step, and why."""

    state: State
    cause: str


WAITING: Final = "trusted now, not yet for long enough"
"""The cause while nothing is wrong any more."""


class FailSafe:
    """The machine. Time only moves forward; it is mutable and owned by one engine."""

    def __init__(self, times: FailSafeTimes) -> None:
        self._times = times
        self._trusted_since: int | None = None
        self._stepped_us = 0
        self._since = 0
        self._spare_us = 0
        self._cause = "waiting for the first readings"
        self._before = ""
        self.state = State.STARTING

    def restart(self, cause: str) -> None:
        """Back to `starting`: what happened since the last step is not known."""
        self._trusted_since = None
        self._cause, self._before = cause, f"{cause}; "
        self.state = State.STARTING

    @property
    def since_us(self) -> int:
        """Since when data is late, or lost; what trust there was in between does not count."""
        return self._since

    def go_on(self, since_us: int, now_us: int, cause: str) -> None:
        """As if data had been followed until `since_us`, and was late since."""
        self._since, self._stepped_us, self._cause = since_us, now_us, cause
        self._spare_us = self._times.steady_us
        self.state = State.HOLDING

    def step(self, t_us: int, doubt: Doubt | None) -> Step:
        """Takes the judgement of the data at `t_us` (`None`: trusted)."""
        elapsed_us, self._stepped_us = t_us - self._stepped_us, t_us
        if doubt is None:
            return self._trusted(t_us, elapsed_us)
        self._trusted_since = None
        # What was never there is no news once it is there.
        never_seen = doubt.trouble is Trouble.MISSING
        self._cause, self._before = str(doubt), "" if never_seen else f"{doubt}; "
        if self.state is State.FOLLOWING:
            self.state = State.HOLDING
            self._since, self._spare_us = t_us, self._times.steady_us
        if self.state is State.HOLDING and t_us - self._since >= self._times.hold_us:
            self.state = State.SAFE
            self._since = t_us
        silent_us = self._times.silent_us
        if self.state is State.SAFE and silent_us is not None and t_us - self._since >= silent_us:
            self.state = State.SILENT
        return Step(self.state, self._cause)

    def _trusted(self, t_us: int, elapsed_us: int) -> Step:
        if self.state is State.FOLLOWING:
            return Step(self.state, "")
        if self._trusted_since is None:
            self._trusted_since = t_us
        if t_us - self._trusted_since >= self._times.steady_us:
            self.state = State.FOLLOWING
            self._cause = ""
        elif self.state is State.HOLDING:
            put_off_us = min(elapsed_us, self._spare_us)
            self._since += put_off_us
            self._spare_us -= put_off_us
        return Step(self.state, self._cause and f"{self._before}{WAITING}")
