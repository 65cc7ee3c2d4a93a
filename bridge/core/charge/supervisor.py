"""The supervisor of the charger: does it heed the current limit?

One table says everything: in each state, which evidence leads to which next state, and what is done there.
Evidence is the answer of the current to the limit that was in force then, over many time constants:

- passed: a current above the greatest limit that may still be in force, and steady. What decays is a load
  that went; a current that comes back under the limit clears it.
- followed: a current that touches its limit is led by it over a tenth of the most.

Loads can forge neither: they do not know the limit.
"""

from enum import Enum
from typing import Final, NamedTuple

from bridge.core.charge import constants as k
from bridge.core.charging.charge_settings import ChargeSettings


class State(Enum):
    """What is believed of the charger."""

    STARTING = "starting"
    UNDECIDED = "undecided"
    TRIED = "tried"
    OBEYS = "obeys"
    IGNORES = "ignores"
    NEITHER = "neither"


class Evidence(Enum):
    """What may lead from one state to another; tried in this order."""

    PASSED = "passed"
    PASSED_FIRMLY = "passed firmly"
    FOLLOWED = "followed"
    ANSWERED = "answered"
    UNTRIED = "untried"
    RESTED = "rested"
    POWERLESS = "powerless"


class Row(NamedTuple):
    """One transition."""

    state: State
    evidence: Evidence
    next: State
    done: str


TABLE: Final[tuple[Row, ...]] = (
    Row(State.STARTING, Evidence.PASSED, State.IGNORES, "the voltage takes over"),
    Row(State.STARTING, Evidence.FOLLOWED, State.OBEYS, "usual horizon, no cap"),
    Row(State.STARTING, Evidence.ANSWERED, State.UNDECIDED, "long horizon, no cap"),
    Row(State.UNDECIDED, Evidence.PASSED, State.IGNORES, "the voltage takes over"),
    Row(State.UNDECIDED, Evidence.FOLLOWED, State.OBEYS, "usual horizon"),
    Row(State.UNDECIDED, Evidence.UNTRIED, State.TRIED, "one dip of the limit, far from any target"),
    Row(State.TRIED, Evidence.PASSED, State.IGNORES, "the voltage takes over"),
    Row(State.TRIED, Evidence.FOLLOWED, State.OBEYS, "usual horizon, no cap"),
    Row(State.TRIED, Evidence.ANSWERED, State.UNDECIDED, "long horizon, no cap, never tried again"),
    Row(State.OBEYS, Evidence.PASSED_FIRMLY, State.IGNORES, "the voltage takes over"),
    Row(State.IGNORES, Evidence.RESTED, State.STARTING, "another charge: nothing is held against it"),
    Row(State.IGNORES, Evidence.POWERLESS, State.NEITHER, "both limits at nothing; a person is told"),
    Row(State.NEITHER, Evidence.RESTED, State.STARTING, "another charge"),
)
"""In each state the first row whose evidence is there is taken."""

LONGER_S: Final = {
    State.STARTING: k.UNDECIDED_S,
    State.UNDECIDED: k.UNDECIDED_S,
    State.TRIED: k.UNDECIDED_S,
    State.OBEYS: 0.0,
    State.IGNORES: k.IGNORES_S,
    State.NEITHER: k.IGNORES_S,
}
"""s. By how much the horizon is longer."""


class Seen(NamedTuple):
    """What the supervisor is told at a step; A and s.

    Attributes:
        current_a: what flows; `None` if not known.
        sent_a: limit that went out last.
        unseen_s: for how long what happens may not be seen.
        free: no cell is near its target.
        powerless: the voltage limit can be led no lower, and does not help.
    """

    dt_s: float
    current_a: float | None
    sent_a: float
    unseen_s: float
    free: bool = True
    powerless: bool = False


class Supervisor:
    """What is believed of one charger, and why. Mutable; owned by one law.

    Attributes:
        state: what is believed.
        answer_s: delay between a limit and the current that answers it, as told, or as seen if longer.
        longer_s: by how much the horizon is longer now.
        cap_a: a limit above all others, A.
    """

    def __init__(self, settings: ChargeSettings, state: State = State.STARTING) -> None:
        self._settings = settings
        self._limits: list[tuple[float, float]] = []
        self._excess_a = self._peak_a = self._passed_s = 0.0
        self._start: tuple[float, float] | None = None
        self._followed = False
        self._in_state_s = self._undecided_s = self._rested_s = 0.0
        self._trials = 1
        self._tried_a = 0.0
        self.state = state
        self.answer_s = settings.lag_s
        self.longer_s = LONGER_S[state]

    @property
    def ignores(self) -> bool:
        """Whether the current limit is believed to be ignored."""
        return self.state in (State.IGNORES, State.NEITHER)

    @property
    def cap_a(self) -> float:
        """The limit is no higher than this while the charger is on trial, A."""
        if self.state is State.STARTING:
            return k.STARTS * self._settings.most_a
        if self.state is State.TRIED:
            return k.TRY_SHARE * self._tried_a
        return 0.0 if self.state is State.NEITHER else self._settings.most_a

    def update(self, seen: Seen) -> State:
        """Weighs one step; the state after it."""
        self._limits = [(age + seen.dt_s, amps) for age, amps in self._limits]
        self._limits.append((0.0, seen.sent_a))
        while len(self._limits) > 1 and self._limits[1][0] >= self._reach_s(seen):
            del self._limits[0]
        self._in_state_s += seen.dt_s
        self.longer_s = max(LONGER_S[self.state], self.longer_s - k.EASES_PER_S * seen.dt_s)
        if seen.current_a is None:
            self._passed_s, self._start = 0.0, None
            return self.state
        self._weigh(seen, seen.current_a)
        there = self._evidence(seen, seen.current_a)
        self._followed = False
        for row in TABLE:
            if row.state is self.state and row.evidence in there:
                self._enter(row.next, seen.current_a)
                break
        return self.state

    def _reach_s(self, seen: Seen) -> float:
        """A limit may be in force for so long after another was sent."""
        return seen.unseen_s + k.REACH_LAGS * self._settings.lag_s

    def _weigh(self, seen: Seen, current_a: float) -> None:
        """Adds to the evidence of a limit that is passed, or followed."""
        most_a, s = self._settings.most_a, self._settings
        amps = [limit for _, limit in self._limits]
        low_a, high_a = min(amps), max(amps)
        blur_a = s.current_zero_a + k.GAIN * abs(current_a)
        passes = k.PASSES_FIRMLY if self.state is State.OBEYS else k.PASSES
        excess = current_a - high_a - blur_a - passes * most_a
        sinks = excess < k.STEADY * self._excess_a
        self._peak_a = excess if sinks else max(self._peak_a, excess)
        if excess <= 0.0:
            self._passed_s = self._peak_a = 0.0
        elif sinks or excess < k.LASTING * self._peak_a:
            self._passed_s = max(self._passed_s - seen.dt_s, 0.0)
        else:
            self._passed_s += seen.dt_s
        self._excess_a = max(excess, 0.0)
        near_a = blur_a + k.TOUCH * most_a
        if not low_a - near_a <= current_a <= high_a + near_a:
            self._start = None
            return
        if self._start is None:
            # It begins where the limit has stood, or is being passed through: there it is touched.
            if abs(current_a - seen.sent_a) <= near_a and seen.sent_a > near_a:
                self._start = seen.sent_a, current_a
            return
        if seen.sent_a == self._start[0]:  # what comes before the limit moves is no answer to it
            self._start = seen.sent_a, current_a
        led, came = seen.sent_a - self._start[0], current_a - self._start[1]
        least = k.FOLLOWS * most_a
        if abs(led) >= least and abs(came) >= least and (led > 0.0) == (came > 0.0):
            self._followed = True
            self._measure(self._start[0] + came, came > 0.0)
            self._start = seen.sent_a, current_a

    def _measure(self, come_to_a: float, rises: bool) -> None:
        """How old the limit is to which the current has come, by as much as both have moved."""
        for age_s, limit_a in self._limits:
            if (limit_a >= come_to_a) if rises else (limit_a <= come_to_a):
                self.answer_s = max(self.answer_s, min(age_s, k.MOST_ANSWER_S))
                return

    def _evidence(self, seen: Seen, current_a: float) -> set[Evidence]:
        """All that there is now."""
        s = self._settings
        there = set()
        if self._passed_s > k.PROOF_LAGS * s.lag_s:
            there.add(Evidence.PASSED)
        if self._passed_s > k.FIRM_LAGS * s.lag_s:
            there.add(Evidence.PASSED_FIRMLY)
        if self._followed:
            there.add(Evidence.FOLLOWED)
        if self._in_state_s > self._reach_s(seen) and self._passed_s == 0.0:
            there.add(Evidence.ANSWERED)
        large = current_a > k.TRY_FROM * s.most_a and self._passed_s == 0.0
        if self.state is State.UNDECIDED and large:
            self._undecided_s += seen.dt_s
        if self._undecided_s > k.TRY_AFTER_S and self._trials > 0 and large and seen.free:
            there.add(Evidence.UNTRIED)
        rests = current_a < k.NOTHING_C * s.capacity_ah and seen.free
        self._rested_s = self._rested_s + seen.dt_s if rests else 0.0
        if self._rested_s > k.RESTED_S:
            there.add(Evidence.RESTED)
        if seen.powerless:
            there.add(Evidence.POWERLESS)
        return there

    def _enter(self, state: State, current_a: float) -> None:
        if state is State.STARTING:
            self._trials, self._undecided_s = 1, 0.0
        if state is State.TRIED:
            self._trials -= 1
            self._tried_a = current_a
        self._passed_s = self._in_state_s = self._rested_s = 0.0
        self.state = state
        self.longer_s = max(self.longer_s, LONGER_S[state])
