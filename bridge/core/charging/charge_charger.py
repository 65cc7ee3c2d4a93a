"""What has been seen of the charger: whether it obeys the current limit, and how fast.

Early in the knee, before the voltage moves anything, the current limit is put a little below the current that
flows, if it can be by less than counts as a movement on the wire; without an answer, again only where it can.
A charger that follows obeys, and its lag is the time until 70 % of the fall were seen, less the age of the
readings, over ln(1/0.3): between two readings the fall is taken for exponential, towards where it comes to
rest. One that gives more than it was allowed for some seconds ignores the limit, now or at any other time.
"""

import math

from bridge.core.charging.charge_moment import Moment
from bridge.core.charging.charge_settings import NOTHING, ChargeSettings, Learnt

NEVER_A = 1e9

DIP_C = 0.011
"""How far the current is dipped, in C, besides the error of the current."""

BEGUN = 0.25
"""It has begun to fall when this share of that is gone."""

QUIET_C = 0.0195
"""A limit that moves by less than this, in C, does not count as a movement on the wire."""

PAUSE_S, AGAIN_S = 10.0, 600.0
"""Pause before a test, and before the next if there was no answer."""

LONGER = 4.0
"""After a fall that did not come back the pause is so many times as long, up to the latter."""

NEAR, NEAR_LAGS = 0.3, 1.2
"""This share of the fall is left after ln(1/NEAR) = 1.2 time constants."""

AT_REST = 3.0
"""A fall has come to rest after so many times what it took to be near."""

LEAST_LEFT = 0.05
"""Less that is left of a fall is not told from nothing."""

LEAST_LAG_S, MOST_LAG_S = 1.5, 8.0
"""Bounds of the lag that is learnt."""

FELT_C = 0.0035
"""The current limit is felt when less than this is missing, in C, besides the error of the current."""

FALLS_PER_S = 0.1
"""Too much that falls by this share a second is on its way."""

STOPPED_S = 1800.0
"""Nothing that flows for so long, where nothing is allowed, is no sign of a limit that is passed by."""

OVER_C, OVER_S = 0.003, 2.0
"""More than allowed by this much, in C, besides the error of the current, for so long: ignored. Two readings
must show it, however far apart: one may be of the moment at which a load went."""


class Charger:
    """Mutable.

    Attributes:
        obeys, ignores: the current limit, as seen.
        unfelt: the current did not answer when it was tested, or passes by.
        lag_s: time constant, if it has been seen.
        test_a: the current must not be above this while it is tested.
        least_a, most_a: lowest and highest current limit, and `most_v` highest voltage limit, that were sent
            within the time a charger may take.
    """

    def __init__(self, settings: ChargeSettings, learnt: Learnt = NOTHING) -> None:
        self._settings = settings
        self._sent_v: list[float] = []
        self._sent_a: list[float] = []
        self._over_s = self._over_a = self._stopped_s = 0.0
        self._level_s = 0.0
        self._level_a = 0.0
        self._test_s = 0.0
        self._falls: list[float] = []
        self._back_a = 0.0
        self._found_s = 0.0
        self._pause_s = PAUSE_S
        self._wait_s = PAUSE_S
        self.obeys, self.unfelt = False, learnt.ignores
        self.ignores = learnt.ignores
        self._before_s = learnt.lag_s and min(max(LEAST_LAG_S, learnt.lag_s), MOST_LAG_S)
        self.lag_s: float | None = None
        self.test_a = NEVER_A
        self.least_a = self.most_a = self.most_v = 0.0

    @property
    def answer_s(self) -> float:
        """Time until a new limit is obeyed: to 80 % as seen, or twice the slowest lag to be expected."""
        if self.lag_s is not None:
            return 1.5 * self.lag_s
        return max(2.0 * self._settings.lag_s, 1.5 * (self._before_s or 0.0))

    @property
    def known_lag_s(self) -> float | None:
        """The lag seen, or that of before."""
        return self._before_s if self.lag_s is None else self.lag_s

    def remember(self, sent_v: float, sent_a: float, now: Moment) -> None:
        """Takes what was sent last."""
        expected_s = self._settings.lag_s
        slower_s = 2.0 * max((self.known_lag_s or expected_s) - expected_s, 0.0)
        keep = max(2, int((now.settle_s + slower_s) / now.dt_s + 0.5))
        if self._back_a and sent_v > self._sent_v[-1] + 1e-6:  # what comes back now may be its doing
            self._end(unfelt=self.unfelt)
        self._sent_v = [*self._sent_v[1 - keep :], sent_v]
        self._sent_a = [*self._sent_a[1 - keep :], sent_a]
        self.most_v = max(self._sent_v)
        self.least_a, self.most_a = min(self._sent_a), max(self._sent_a)
        self._pause_s += now.dt_s

    def felt(self, now: Moment) -> bool:
        """Whether the current limit may be what holds the current; the most, if it gets no answer."""
        limit_a = self._settings.most_a if self.unfelt else self.least_a
        return now.amps >= limit_a - now.blur_a - FELT_C * self._settings.capacity_ah

    def passes_a(self, now: Moment, limit_a: float) -> float:
        """What flows, if it is more than a limit and all errors explain; else 0."""
        return now.amps if self._excess_a(now, limit_a) > 0.0 else 0.0

    def _excess_a(self, now: Moment, limit_a: float) -> float:
        return now.amps - limit_a - OVER_C * self._settings.capacity_ah - 2.0 * now.blur_a

    def judge(self, now: Moment) -> None:
        """Whether more flows than was allowed."""
        over_a = self._excess_a(now, self.most_a)
        falls = over_a < self._over_a * (1.0 - FALLS_PER_S * now.elapsed_s)
        self._over_a = over_a
        stopped = max(now.amps, self.most_a) <= now.blur_a and now.wanted_a > now.blur_a
        self._stopped_s = self._stopped_s + now.elapsed_s if stopped else 0.0
        if self._stopped_s >= STOPPED_S:
            self.ignores = self.unfelt = False
        if over_a <= 0.0 or falls:
            self._over_s = 0.0
            return
        self._over_s += min(now.elapsed_s, 0.5 * OVER_S)
        if self._over_s >= OVER_S:
            self.ignores = self.unfelt = True
            self.obeys = False
            self.test_a, self._back_a = NEVER_A, 0.0

    def dip(self, now: Moment) -> None:
        """The test whether the current limit is obeyed; begins only while the current stands level."""
        dip_a, amps = DIP_C * self._settings.capacity_ah, now.amps
        still = abs(amps - self._level_a) < 0.1 * dip_a
        self._level_s = self._level_s + now.elapsed_s if still else 0.0
        self._level_a = amps
        if self.test_a == NEVER_A:
            wire_a = self._settings.wire_a
            least_a = self.least_a - QUIET_C * self._settings.capacity_ah
            quiet_a = math.ceil(least_a / wire_a - 1e-6) * wire_a
            quiet = quiet_a < amps - dip_a
            if (
                (quiet or not self.unfelt)
                and amps > 3.0 * (dip_a + now.blur_a)
                and self._level_s >= 4.0
                and self._pause_s > (AGAIN_S if self.unfelt else self._wait_s)
            ):
                self.test_a = amps - dip_a - now.blur_a
                if quiet:
                    self.test_a = max(self.test_a, quiet_a)
                self._test_s = 0.0
                self._falls = [amps]
            return
        self._test_s += now.elapsed_s
        if self._back_a:
            self._come_back(now)
            return
        self._falls.append(amps)
        fall_a = self._falls[0] - amps
        if fall_a > 2.0 * dip_a + 3.0 * now.blur_a:  # too much: a cloud, or the cells' own taper
            self._end(unfelt=self.unfelt)
        elif self._level_s >= 3.0 and fall_a > 0.5 * dip_a:
            self._fallen(now, fall_a)
        elif self._test_s > 3.0 * now.settle_s:
            self._end(unfelt=True)

    def _fallen(self, now: Moment, fall_a: float) -> None:
        left = [max((seen_a - now.amps) / fall_a, LEAST_LEFT) for seen_a in self._falls]
        near = next(n for n, share in enumerate(left) if share < NEAR)
        period_s, delay_s = self._test_s / (len(left) - 1), self._settings.delay_s
        from_s, to_s = max((near - 1) * period_s - delay_s, 0.0), near * period_s - delay_s
        before, behind = math.log(left[near - 1] / NEAR), math.log(NEAR / left[near])
        near_s = from_s + (to_s - from_s) * before / (before + behind)
        if self._test_s - now.unseen_s < AT_REST * near_s and self._test_s < 3.0 * now.settle_s:
            return
        self._found_s = min(max(near_s / NEAR_LAGS, LEAST_LAG_S), MOST_LAG_S)
        self._back_a = now.amps + 0.5 * fall_a
        self._test_s = 0.0
        self.test_a = NEVER_A - 1.0

    def _come_back(self, now: Moment) -> None:
        """A cloud makes a current fall, too; only one that comes back when it may has obeyed."""
        if now.amps > self._back_a:
            self.obeys = True
            self.lag_s = self._found_s
        elif self._test_s > 2.0 * now.settle_s:  # the cells take the current back by themselves
            self._wait_s = min(LONGER * self._wait_s, AGAIN_S)
        if self.obeys or self._test_s > 2.0 * now.settle_s:
            self._end(unfelt=self.unfelt and not self.obeys)

    def silent(self, now: Moment) -> bool:
        """The current is under test, and has not begun to fall in the time a charger may take."""
        asked = self.test_a < NEVER_A - 1.0 and self._test_s >= now.settle_s
        return asked and self._falls[0] - now.amps < BEGUN * DIP_C * self._settings.capacity_ah

    @property
    def tested(self) -> bool:
        """The current is under test."""
        return self.test_a < NEVER_A

    def leave(self) -> None:
        """Ends a test that is under way, without a result."""
        if self.tested:
            self._end(unfelt=self.unfelt)

    def _end(self, *, unfelt: bool) -> None:
        self.test_a = NEVER_A
        self._pause_s = self._back_a = 0.0
        self.unfelt = unfelt
