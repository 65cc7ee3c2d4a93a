"""The experiments that find the charger's offset (see `charge_offset`), at most one at a time.

Trying: at the beginning of the knee the current limit is tried first (see `charge_charger`), while nothing
else moves the current.
Seeking: then the voltage comes down step by step until the current gives way; what is sent then, less the
string's voltage, is b. A passing cloud looks the same, so the voltage goes up again by one step, and only if
the current comes back is b taken for true. The second time is needed where it came back by more than a step
is worth, or gave way at once, when the voltage came from far above, and is not known to obey its limit.
Beside a current limit that is obeyed b need not be known so well: it lies between the last two steps, the
current need not settle, and the voltage may go up by more than a step.
Probing: later, when less flows than is wanted, by more than a step gives, and nothing else limits or
moves it, the voltage goes up one step; unless the current answers, by no more than a step is worth (more
is the sun), it is taken back, and the next attempt waits twice as long. What is found is one step,
however far the string stands.
Pressing: too much current that does not fall means that b is less than believed.
"""

import math
from enum import Enum, auto

from bridge.core.charging.charge_charger import Charger
from bridge.core.charging.charge_moment import Moment
from bridge.core.charging.charge_offset import MOST_V, Offset
from bridge.core.charging.charge_settings import NOTHING, ChargeSettings, Learnt

SEEK_FROM_V, SEEK_TO_V = 0.5, -0.45
"""Offsets between which it is sought; a charger that has not answered by then ignores the voltage limit."""

SEEK_C = 0.08
"""Below this current, in C, giving way could not be told from noise."""

TOUCH_C, TOUCH_SHARE = 0.01, 0.04
"""The current has given way when it has fallen by this much, in C, and by this share; the former alone where
the current limit is obeyed, and so was what held it: a sensor that shows that is quiet, and wrong by the same
before and after a fall."""

BACK = 0.15, 1.25
"""At least this share of what was lost, or of what a step is worth at once, must come back; more than the
latter, by so much, is the sun."""

FLOWS_C = 0.005
"""Without this much current, in C, it is not the charger that holds the string up: nothing is learnt."""

BLIND_V = -0.25
"""With the current not known, the offset is not taken to be less: the string may stand there by itself."""

GROPE_V = 0.3
"""And from here on it is not raised any more."""

LACKS_C = 0.012
"""Current, in C, that is worth an experiment."""

SETTLED = 2.0
"""A change is over after so many time constants of the charger, besides the age of the readings."""

UP, FREELY_UP = 1.15, 3.15
"""So many steps the voltage goes up when the current has given way: rounding down must not take the whole of
one. By more where the current limit is obeyed."""

BETWEEN = 0.8
"""Where b is taken to lie between the last two steps, if the current limit is obeyed."""

ANSWER = 0.25, 1.6
"""A current that goes up by such a share of what a step is worth has answered; by more: it was the sun."""

TRIES, TRIES_V = 5.0, 0.02
"""The current limit is tried for so many times what a change takes, while there is so much room."""

STEP_V = 0.1
PRESS_V = 0.05
PAUSE_S, LONGEST_PAUSE_S = 60.0, 900.0


class Stage(Enum):
    """Where the search is."""

    WAITING = auto()
    DOWN = auto()
    SETTLING = auto()
    BACK_UP = auto()
    DONE = auto()


class Seek:
    """The experiments. Mutable.

    Attributes:
        offset: what they found.
        stage: where the first of them is.
        voltage_ignored: the charger has not answered to its voltage limit.
        down_v: the voltage limit while it comes down: it does not follow what that makes of the string.
        held_v: the voltage to which the limit must go in an experiment; `None`: as computed.
    """

    def __init__(self, settings: ChargeSettings, learnt: Learnt = NOTHING) -> None:
        self._settings = settings
        self.offset = Offset(settings.capacity_ah)
        self._before = learnt.offset_v, learnt.offset_a
        if learnt.offset_v is not None:
            self.offset.put(min(0.0, learnt.offset_v), 0.0)
        self._flows_a = FLOWS_C * settings.capacity_ah + settings.current_zero_a
        self.stage = Stage.WAITING
        self.voltage_ignored = False
        self.held_v: float | None = None
        self.down_v = -math.inf
        self._stage_s = 0.0
        self._tried_s: float | None = 0.0
        self._at_once = self._again = False
        self._rest_s = 0.0
        self._top_a = 0.0
        self._touch_a = self._back_a = 0.0
        self._sought = 0.0, 0.0
        self._fell = False
        self._stuck_s = 0.0
        self._last_a = 0.0
        self._probe_s: float | None = None
        self._probe_from = (0.0, 0.0)
        self._pause_s = PAUSE_S
        self._level_a = self._level_s = 0.0

    @property
    def known(self) -> tuple[float | None, float]:
        """The offset and the current it was found at, or those of before."""
        return self.offset.known if self.offset.verified else self._before

    def step(self, now: Moment, charger: Charger, sent_v: float, steady_s: float) -> None:
        """One step further; new readings, or only time.

        Args:
            sent_v: the limit as it stands.
            steady_s: for how long it has stood there.
        """
        self._rest_s += now.dt_s
        self._stage_s += now.dt_s
        if not now.elapsed_s:
            return
        self._level_s += now.elapsed_s
        if abs(now.amps - self._level_a) > LACKS_C * self._settings.capacity_ah + now.blur_a:
            self._level_a, self._level_s = now.amps, 0.0
        seen_v = charger.most_v - now.string_v
        if now.current_a is None:
            self.offset.bound(max(seen_v, BLIND_V), 0.0)
        elif now.amps > self._flows_a and not self.voltage_ignored:
            self.offset.bound(seen_v, now.amps)
        drawn = now.amps < -self._flows_a
        if drawn or now.current_a is None:  # what flows now is no answer
            charger.leave()
            if self.tries:
                self._tried_s = None
        if now.current_a is None:
            self._grope(now, seen_v)
            return
        if drawn:  # what does not charge tells nothing of a charger
            if self._probe_s is not None:
                self._take_back()
            self._rest_s = 0.0  # and a current that comes back when the load goes is no answer to a trial
            return
        if not (charger.obeys or self.voltage_ignored):
            self._press(now, steady_s)
        if not self.offset.verified and not self.voltage_ignored:
            if self.tries:
                self._try(now, charger)
            else:
                self._search(now, charger, seen_v, sent_v)
        elif not (charger.obeys or charger.ignores):
            charger.dip(now)
        if self.offset.verified or (self.stage is Stage.WAITING and now.high_v > self._settings.knee_v):
            self._track(now, charger, seen_v, sent_v, steady_s)

    @property
    def tries(self) -> bool:
        """The current limit is being tried: the voltage must not move."""
        return self.stage is Stage.DOWN and self._tried_s is not None

    @property
    def tests(self) -> bool:
        """The voltage limit is moved to see what the current makes of it."""
        sought = self.stage in (Stage.DOWN, Stage.SETTLING) and self._tried_s is None
        return sought or self.held_v is not None

    def _try(self, now: Moment, charger: Charger) -> None:
        assert self._tried_s is not None
        self._tried_s += now.elapsed_s
        self._stage_s = 0.0
        charger.dip(now)
        known = charger.obeys or charger.unfelt or charger.silent(now)
        if known or self._tried_s > TRIES * now.settle_s or now.spare_v < TRIES_V:
            charger.leave()
            self._tried_s = None
            self._descend(now)

    def _grope(self, now: Moment, seen_v: float) -> None:
        """Without a known current the string's own voltage has to answer, within a narrower bound."""
        offset = self.offset
        b = offset.at(0.0)
        waited = self._rest_s > 3.0 * now.settle_s
        if waited and now.spare_v > now.step_v and seen_v > b + PRESS_V and b < GROPE_V:
            offset.put(b + STEP_V, 0.0)
            self._rest_s = 0.0

    def _go(self, stage: Stage) -> None:
        self.stage = stage
        self._stage_s = 0.0

    def _search(self, now: Moment, charger: Charger, seen_v: float, sent_v: float) -> None:
        amps, offset = now.amps, self.offset
        settled = self._stage_s >= now.unseen_s + SETTLED * (charger.lag_s or self._settings.lag_s)
        if self.stage is Stage.SETTLING:
            if settled:
                offset.put(seen_v, amps)
                self._sought = seen_v, amps
                self._rise(now, sent_v, UP)
        elif self.stage is Stage.BACK_UP:
            if charger.obeys and amps < self._touch_a:  # it went on falling for a while
                self._touch_a = self._back_a = amps
            self._back_a = max(self._back_a, amps)
            if settled:
                self.held_v = None
                worth_a = STEP_V / now.string_ohm
                back_a = self._back_a - self._touch_a
                if back_a > BACK[0] * min(self._top_a - self._touch_a, worth_a):
                    self._came_back(now, charger, in_proportion=back_a < BACK[1] * worth_a)
                else:
                    offset.put(*self._sought)  # it was the sun, and nothing has been found
                    self._descend(now)
        elif self.stage is Stage.DOWN:
            # For as long what the trial did to the current limit may hide that the current gives way.
            hidden = self._at_once and self._stage_s < now.settle_s
            self._down(now, charger, seen_v, sent_v, settled=settled and not hidden)
        elif self._probe_s is None and amps >= SEEK_C * self._settings.capacity_ah:
            before_v, _ = self._before
            offset.put(SEEK_FROM_V if before_v is None else min(SEEK_FROM_V, before_v + STEP_V), amps)
            self._at_once, self._again = True, False
            self._descend(now)

    def _descend(self, now: Moment) -> None:
        self._top_a, self._fell = now.amps, False
        self.down_v = now.string_v + self.offset.at(now.amps)
        self._go(Stage.DOWN)

    def _rise(self, now: Moment, sent_v: float, steps: float) -> None:
        self._touch_a = self._back_a = now.amps
        self.held_v = sent_v + steps * STEP_V
        self._go(Stage.BACK_UP)

    def _came_back(self, now: Moment, charger: Charger, *, in_proportion: bool) -> None:
        amps, offset = now.amps, self.offset
        if self._again or (in_proportion and (charger.obeys or not self._at_once)):
            offset.confirm(*offset.known)
            self._go(Stage.DONE)
        else:
            self._again = True
            offset.put(offset.at(amps) - STEP_V, amps)
            self._descend(now)

    def _down(self, now: Moment, charger: Charger, seen_v: float, sent_v: float, *, settled: bool) -> None:
        amps, offset = now.amps, self.offset
        # A current that an obeyed limit takes down has not given way.
        most_a = charger.least_a if charger.obeys else math.inf
        self._top_a = max(amps, min(self._top_a * 0.998, most_a))
        self.down_v = max(self.down_v, now.string_v + offset.at(amps))
        fall_a = TOUCH_C * self._settings.capacity_ah
        if not charger.obeys:
            fall_a = max(fall_a, TOUCH_SHARE * self._top_a)
        fell, self._fell = self._fell, amps < self._top_a - fall_a and not charger.felt(now)
        if self._fell and charger.obeys and not fell:
            return  # nor is it an end of the search, or of a step, before the next reading shows it
        if self._fell:
            if charger.obeys and not self._at_once:
                before_v = now.string_v + now.string_ohm * (self._top_a - amps)
                self._sought = offset.at(amps), amps
                offset.put(sent_v + BETWEEN * STEP_V - before_v, self._top_a)
                self._rise(now, sent_v, FREELY_UP)
            else:
                self._go(Stage.SETTLING)
        elif amps < SEEK_C * self._settings.capacity_ah:
            # Neither the source nor a limit too low for any current must hold the search up for ever.
            if not charger.obeys:
                offset.put(0.0, amps)
            self._before = None, 0.0
            self._go(Stage.WAITING)
        elif settled:
            self._stage_s = 0.0
            self._at_once = False
            now_v = offset.at(amps)
            if now_v > SEEK_TO_V:
                offset.put(min(now_v, seen_v) - STEP_V, amps)
                self.down_v = max(now.string_v + offset.at(amps), sent_v - STEP_V)
            else:
                self.voltage_ignored = True
                offset.put(0.0, amps)
                self._go(Stage.DONE)

    def _press(self, now: Moment, steady_s: float) -> None:
        capacity, amps = self._settings.capacity_ah, now.amps
        falls = amps < self._last_a - 0.003 * capacity
        self._last_a = amps
        if falls or amps < max(now.wanted_a, 0.0) + 0.01 * capacity:
            self._stuck_s = 0.0
            return
        self._stuck_s += now.elapsed_s
        # What the last step of the limit does may not be seen yet: to go on meanwhile would be to go too far.
        if min(self._stuck_s, steady_s) > self._settings.delay_s + self._settings.lag_s:
            self.offset.put(self.offset.at(amps) - PRESS_V, amps)

    def _track(self, now: Moment, charger: Charger, seen_v: float, sent_v: float, steady_s: float) -> None:
        amps, offset = now.amps, self.offset
        if self._probe_s is not None:
            self._probe(now, seen_v)
            return
        if charger.felt(now) or charger.tested or steady_s < now.settle_s:
            return
        offset.creep(seen_v, amps, 0.1)
        worth_a = LACKS_C * self._settings.capacity_ah
        if not charger.obeys:  # what a step gives besides what is lacking would have to be taken back
            worth_a = max(worth_a, STEP_V / now.string_ohm)
        lacking = now.wanted_a - amps > worth_a + now.blur_a
        level = self._level_s >= now.settle_s  # what moves by itself, as under clouds, answers nothing
        ready = level and now.spare_v > now.step_v and self._rest_s > self._pause_s
        from_v = offset.at(amps) + (PRESS_V if offset.verified else -PRESS_V)
        if lacking and ready and from_v < seen_v < MOST_V:  # above, it is the source that limits
            self._probe_from = (amps, offset.at(amps))
            offset.put(offset.at(amps) + STEP_V, amps)
            self._probe_s = 0.0
            self.held_v = sent_v + UP * STEP_V

    def _probe(self, now: Moment, seen_v: float) -> None:
        assert self._probe_s is not None
        self._probe_s += now.elapsed_s
        if now.wanted_a <= now.amps:
            self.held_v = None
        if self._probe_s < now.settle_s + 1.0:
            return
        if ANSWER[0] < (now.amps - self._probe_from[0]) * now.string_ohm / STEP_V < ANSWER[1]:
            self.offset.confirm(min(seen_v, self.offset.at(now.amps)), now.amps)
            self._pause_s = PAUSE_S
            self._probe_s = self.held_v = None
            self._rest_s = PAUSE_S - now.settle_s  # one step is taken at a time: there may be more to find
        else:
            self._take_back()

    def _take_back(self) -> None:
        before_a, before_v = self._probe_from
        self.offset.put(before_v, before_a)
        self._pause_s = min(2.0 * self._pause_s, LONGEST_PAUSE_S)
        self._probe_s = self.held_v = None
        self._rest_s = 0.0
