"""The stage a charge is in: what happens at the target, how the pack rests afterwards, when it starts again.

    bulk        charging up to the target
    absorption  the highest cell is at its target: for a stated time, or until the current has tailed off
    balancing   held there while the cells still differ, so that the balancers get their time
    resting     full: the charge voltage is the resting one until the pack needs charge again

A stage never loosens a limit: all it does is to add contributions, which the limits then are the tightest of.
Times count only while the pack is trusted, and at the target only while the highest cell really stands there,
so that a cloud ends no absorption. What was bled stays bled: time for balancing counts since the pack last
rested, whatever load or night came between. A full charge is due so long after the last, or after the start
where none is known of.
"""

from enum import IntEnum
from typing import NamedTuple

from bridge.core.plan.reasons import Contribution, Reason
from bridge.core.plan.wishes import Stages

LEAVE_V = 0.030
"""The highest cell has left the target once it is this far below where it counts as there (own choice)."""

FALL_BACK_US = 300_000_000
"""Away from the target for longer than this, the pack is charging anew (own choice: a passing cloud)."""

RESTART_V = 0.05
"""A cell rested enough to want charge is this far below its resting voltage (own choice)."""

STEADY_US = 60_000_000
"""A tail current, an evened spread or a need for charge must last this long (own choice)."""

_DAY_US = 86_400_000_000


class Stage(IntEnum):
    """The four stages; the numbers are those of the quantity `charge_stage`."""

    BULK = 0
    ABSORPTION = 1
    BALANCING = 2
    RESTING = 3


class Seen(NamedTuple):
    """What the stages look at: all active banks together.

    Attributes:
        high_v, low_v: extreme cells of all.
        mean_v: lowest mean cell of a bank.
        spread_v: largest difference between two cells of one bank.
        current_a: sum of the banks' currents, each without its sign: what flows, wherever to.
        soc: state of charge of the whole, %.
        reached_v: the highest cell of the bank that is furthest back.
        away: the banks that are not active, by name, for people; "" for none.
        lost: one of those ought to be there: what is seen is not the whole.
    """

    high_v: float
    low_v: float
    mean_v: float
    spread_v: float
    current_a: float | None
    soc: float | None
    reached_v: float
    away: str = ""
    lost: bool = False


class StageMachine:
    """The stages over time. Mutable; owned by one engine.

    Attributes:
        stage: where it stands.
        cause: why, for people; the same for as long as the stage lasts.
        full: whether the pack has been charged to its target by all criteria, and not started again since.
        last_full_us: when a full charge last ended; the first step where none is known of.
    """

    def __init__(self, wish: Stages) -> None:
        self._wish = wish
        self._rest = (Contribution(Reason.RESTED, wish.rest_v, ""),)
        self._usual = (Contribution(Reason.USUAL_TARGET, wish.cells * (wish.usual_v or wish.target_v), ""),)
        self.stage = Stage.BULK
        self.cause = "charging up to the target"
        self.full = False
        self.last_full_us: int | None = None
        self._due = False
        self._held_us = self._tail_us = self._balanced_us = self._even_us = 0
        self._away_us = self._needy_us = 0

    def go_on(self, last_full_us: int | None, *, resting: bool, full: bool) -> None:
        """Takes up, before the first step, what is known from before a restart."""
        self.last_full_us = last_full_us
        if resting:
            self.full = full
            self._enter(Stage.RESTING, "charged before the restart")

    def joined(self) -> None:
        """A bank has come that was not connected before: nobody knows whether it is full."""
        self.full = False

    @property
    def target_v(self) -> float:
        """What the highest cell is charged to now, V."""
        wish = self._wish
        return wish.target_v if self._due or wish.usual_v is None else wish.usual_v

    @property
    def volts(self) -> tuple[Contribution, ...]:
        """What the stage adds to the charge voltage."""
        usual = () if self._due or self._wish.usual_v is None else self._usual
        return self._rest + usual if self.stage is Stage.RESTING else usual

    @property
    def most_soc(self) -> float:
        """The highest state of charge that may be shown, %."""
        return 99.0 if self._wish.full_soc and not self.full else 100.0

    def step(self, t_us: int, elapsed_us: int, seen: Seen | None, *, hold: bool) -> bool:
        """Takes what is seen now; returns whether the stage has changed.

        Args:
            t_us: now.
            elapsed_us: time since the last call, for what is counted.
            seen: `None` while the pack is not trusted: nothing counts then, and nothing changes.
            hold: to charge to the full target, and not to leave it, whatever has been reached.
        """
        before = self.stage, self.cause
        if hold:
            self._wanted_full()
        self._look_at_calendar(t_us)
        if seen is not None:
            if self.stage is Stage.RESTING:
                self._rest_on(elapsed_us, seen)
            elif self.stage is Stage.BULK:
                if seen.high_v >= self.target_v - self._wish.within_v:
                    text = f"the highest cell is at {seen.high_v:.3f} V, target {self.target_v:.3f} V"
                    self._enter(Stage.ABSORPTION, text)
            else:
                self._at_target(t_us, elapsed_us, seen, hold=hold)
        return (self.stage, self.cause) != before

    def _enter(self, stage: Stage, cause: str) -> None:
        self.stage = stage
        self.cause = cause
        if stage is not Stage.BALANCING:
            self._held_us = self._tail_us = self._even_us = 0
            self._away_us = self._needy_us = 0
        if stage is Stage.RESTING:
            self._balanced_us = 0

    def _wanted_full(self) -> None:
        self._due = True
        if self.stage is Stage.RESTING:
            self.full = False
            self._enter(Stage.BULK, "the pack is commissioned")

    def _look_at_calendar(self, t_us: int) -> None:
        """A full charge that has come due starts at once, unless one is under way."""
        wish = self._wish
        if self.last_full_us is None:
            self.last_full_us = t_us
        if self._due or wish.full_every_us is None or t_us - self.last_full_us < wish.full_every_us:
            return
        self._due = True
        if self.stage is Stage.RESTING or wish.usual_v is not None:
            days = (t_us - self.last_full_us) / _DAY_US
            self.full = False
            self._enter(Stage.BULK, f"a full charge is due, the last was {days:.0f} days ago")

    def _at_target(self, t_us: int, elapsed_us: int, seen: Seen, *, hold: bool) -> None:
        wish, at_v = self._wish, self.target_v - self._wish.within_v
        if seen.high_v < at_v - LEAVE_V:
            self._away_us += elapsed_us
            if self._away_us > FALL_BACK_US:
                self._enter(Stage.BULK, f"the highest cell fell back to {seen.high_v:.3f} V")
            return
        self._away_us = 0
        if seen.high_v < at_v:
            return
        self._held_us += elapsed_us
        tails = wish.tail_a is not None and seen.current_a is not None and seen.current_a <= wish.tail_a
        self._tail_us = self._tail_us + elapsed_us if tails else 0
        if self.stage is Stage.BALANCING:
            self._balance(t_us, elapsed_us, seen, hold=hold)
        elif self._tail_us >= STEADY_US or self._held_us >= wish.hold_us:
            self._absorbed(t_us, seen, hold=hold)

    def _absorbed(self, t_us: int, seen: Seen, *, hold: bool) -> None:
        wish = self._wish
        ended = (
            f"the current has tailed off to {seen.current_a:.1f} A"
            if self._tail_us >= STEADY_US
            else f"{wish.hold_us / 60e6:g} min at the target are over"
        )
        to_full = self._due or wish.usual_v is None
        if to_full and wish.balance_within_v is not None and seen.spread_v > wish.balance_within_v:
            self._enter(Stage.BALANCING, f"{ended}, cells still {seen.spread_v * 1000:.0f} mV apart")
        elif not hold:
            self._finish(t_us, seen, ended)

    def _balance(self, t_us: int, elapsed_us: int, seen: Seen, *, hold: bool) -> None:
        wish = self._wish
        self._balanced_us += elapsed_us
        even = seen.spread_v <= (wish.balance_within_v or 0.0)
        self._even_us = self._even_us + elapsed_us if even else 0
        if hold:
            return
        if self._even_us >= STEADY_US:
            self._finish(t_us, seen, f"cells within {seen.spread_v * 1000:.0f} mV")
        elif self._balanced_us >= wish.balance_us:
            text = f"time for balancing is over, cells {seen.spread_v * 1000:.0f} mV apart"
            self._finish(t_us, seen, text)

    def _finish(self, t_us: int, seen: Seen, cause: str) -> None:
        if seen.lost:
            cause += "; not counted as full, a bank is lost"
        elif self._due or self._wish.usual_v is None:
            self.full, self._due = True, False
            self.last_full_us = t_us
        self._enter(Stage.RESTING, cause)

    def _rest_on(self, elapsed_us: int, seen: Seen) -> None:
        need = self._need(seen)
        self._needy_us = self._needy_us + elapsed_us if need else 0
        if self._needy_us >= STEADY_US:
            self.full = False
            self._enter(Stage.BULK, need)

    def _need(self, seen: Seen) -> str:
        """Why charge is needed again; "" when it is not."""
        wish = self._wish
        mean_v = wish.restart_mean_v
        if mean_v is None and wish.restart_soc is not None and seen.soc is None:
            mean_v = wish.rest_v / wish.cells - RESTART_V
        rows = (
            ("state of charge", seen.soc, wish.restart_soc, ".1f", "%"),
            ("lowest cell", seen.low_v, wish.restart_low_v, ".3f", "V"),
            ("mean cell", seen.mean_v, mean_v, ".3f", "V"),
        )
        for name, value, bound, digits, unit in rows:
            if value is not None and bound is not None and value < bound:
                return f"{name} {value:{digits}} {unit}, below {bound:g} {unit}"
        return ""
