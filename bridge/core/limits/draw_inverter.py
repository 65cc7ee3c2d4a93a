"""What has been seen of the inverter: whether it obeys the discharge current limit.

Near the floor, the current limit is put a little below the current that is drawn, a few times at most. An
inverter whose current goes there and stays obeys. One that draws more than it was allowed for
some seconds ignores the limit, then or at any other time.
"""

from bridge.core.limits.draw_settings import DrawSettings

NEVER_A = 1e9

DIP_C, DIP_SHARE = 0.018, 1.0 / 3.0
"""How far below the current the limit is put: in C, and as a share of what is drawn; the smaller counts."""

HEAVY_C, LEAST_C = 0.05, 0.018
"""Current from which it is tested, in C, before and after the limit has begun to bind."""

PAUSE_S, LONGEST_PAUSE_S = 60.0, 1200.0
"""Between two tests there is so much time, twice as much after each, up to the longest: for a test the limit
comes down from afar and goes back."""

LEVEL_S, NEAR_S = 4.0, 8.0
"""The current stands level so long before a test, and so long where it followed to."""

NEAR, LEVEL = 0.2, 0.1
"""What counts as there, and as level, in shares of the dip. A current that sinks by itself passes through."""

FOLLOWED = 2
"""So many tests in a row must be followed: a load may happen to go by as much."""

LAGS = 10.0
"""A limit that comes down from far above reaches the current that flows only after some time constants."""

OVER_C, OVER_SHARE, OVER_S = 0.01, 0.01, 2.0
"""More than allowed by this much, in C and as a share of the current, for so long: ignored."""

OWN_C = 0.02
"""What an inverter may take for itself whatever it is told, in C."""


class Inverter:
    """Mutable.

    Attributes:
        obeys, ignores: the current limit, as seen.
        test_a: the current limit must not be above this while it is tested.
    """

    def __init__(self, settings: DrawSettings) -> None:
        self._settings = settings
        self._sent_a: list[float] = []
        self._over_s = self._level_s = self._level_a = 0.0
        self._test_s = self._near_s = self._dip_a = 0.0
        self._pause_s = self._waited_s = 0.0
        self._followed = 0
        self.obeys = False
        self.ignores = False
        self.test_a = NEVER_A

    def look(
        self, drawn_a: float, sent_a: float, dt_s: float, elapsed_s: float, unseen_s: float, *, binds: bool
    ) -> None:
        """One step further.

        Args:
            drawn_a: current drawn.
            sent_a: limit that went out last.
            dt_s: since the last step.
            elapsed_s: since the last readings if these are new, else 0.
            unseen_s: how much later than it flows a current is seen, at most.
            binds: the law's limit is below the most.
        """
        settle_s = unseen_s + LAGS * self._settings.lag_s
        keep = max(2, int(settle_s / dt_s + 0.5))
        self._sent_a = [*self._sent_a[1 - keep :], sent_a]
        self._waited_s += dt_s
        if elapsed_s > 0.0:
            if len(self._sent_a) == keep:
                self._judge(drawn_a, elapsed_s)
            if not self.obeys:
                self._test(drawn_a, elapsed_s, settle_s, binds=binds)

    def leave(self) -> None:
        """No steps for now: a test that runs is over, and what was sent until now tells nothing later."""
        self.test_a = NEVER_A
        self._sent_a = []

    def _judge(self, drawn_a: float, elapsed_s: float) -> None:
        """Whether more is drawn than was allowed at any time within the time it may take."""
        ah = self._settings.capacity_ah
        most_a = max(max(self._sent_a), OWN_C * ah)
        if drawn_a <= most_a + OVER_C * ah + OVER_SHARE * drawn_a:
            self._over_s = 0.0
            return
        self._over_s += elapsed_s
        if self._over_s >= OVER_S:
            self.ignores, self.obeys = True, False
            if self.test_a < NEVER_A:
                self._end(followed=False)

    def _test(self, drawn_a: float, elapsed_s: float, settle_s: float, *, binds: bool) -> None:
        ah = self._settings.capacity_ah
        if self.test_a == NEVER_A:
            level = abs(drawn_a - self._level_a) < LEVEL * DIP_C * ah
            self._level_s = self._level_s + elapsed_s if level else 0.0
            self._level_a = drawn_a
            enough = drawn_a >= (LEAST_C if binds else HEAVY_C) * ah
            if enough and self._level_s >= LEVEL_S and self._waited_s >= self._pause_s:
                self._dip_a = min(DIP_C * ah, DIP_SHARE * drawn_a)
                self.test_a = drawn_a - self._dip_a
                self._test_s = self._near_s = 0.0
            return
        self._test_s += elapsed_s
        near = abs(drawn_a - self.test_a) < NEAR * self._dip_a
        if near and abs(drawn_a - self._level_a) < LEVEL * self._dip_a:
            self._near_s += elapsed_s
        else:
            self._near_s, self._level_a = 0.0, drawn_a
        if self._near_s >= NEAR_S or self._test_s > settle_s + NEAR_S:
            self._end(followed=self._near_s >= NEAR_S)

    def _end(self, *, followed: bool) -> None:
        """A test is over."""
        self.test_a = NEVER_A
        self._waited_s = self._level_s = 0.0
        if followed:
            self._followed += 1
            self._pause_s = PAUSE_S
        else:
            self._followed = 0
            self._pause_s = min(max(2.0 * self._pause_s, PAUSE_S), LONGEST_PAUSE_S)
        if self._followed >= FOLLOWED:
            self.obeys, self.ignores = True, False
