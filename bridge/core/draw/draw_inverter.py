"""What has been seen of the inverter: whether it passes by the discharge current limit.

Nothing is tried on it: a limit put below what the loads take, to see whether it is obeyed, could be the end
of them. It is only looked at whether more is drawn than was allowed at any time within the time it may take.
"""

from bridge.core.draw.draw_settings import DrawSettings

LAGS = 5.0
"""A limit that comes down from far above reaches the current that flows only after some time constants."""

OVER_C, OVER_SHARE, OVER_S = 0.01, 0.01, 2.0
"""More than allowed by this much, in C and as a share of the current, for so long: ignored."""

OWN_C = 0.02
"""What an inverter may take for itself whatever it is told, in C."""


class Inverter:
    """Mutable.

    Attributes:
        ignores: the current limit, as seen.
    """

    def __init__(self, settings: DrawSettings) -> None:
        self._settings = settings
        self._sent_a: list[float] = []
        self._over_s = 0.0
        self.ignores = False

    def look(self, drawn_a: float, sent_a: float, dt_s: float, elapsed_s: float, unseen_s: float) -> None:
        """One step further.

        Args:
            drawn_a: current drawn.
            sent_a: limit that went out last.
            dt_s: since the last step.
            elapsed_s: since the last readings if these are new, else 0.
            unseen_s: how much later than it flows a current is seen, at most.
        """
        keep = max(2, int((unseen_s + LAGS * self._settings.lag_s) / dt_s + 0.5))
        self._sent_a = [*self._sent_a[1 - keep :], sent_a]
        if len(self._sent_a) < keep:
            return
        ah = self._settings.capacity_ah
        most_a = max(max(self._sent_a), OWN_C * ah)
        if drawn_a <= most_a + OVER_C * ah + OVER_SHARE * drawn_a:
            self._over_s = 0.0
            return
        self._over_s += elapsed_s
        if self._over_s >= OVER_S:
            self.ignores = True

    def leave(self) -> None:
        """No steps for now: what was sent until now tells nothing later."""
        self._sent_a = []
        self._over_s = 0.0
