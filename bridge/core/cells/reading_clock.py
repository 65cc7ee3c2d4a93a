"""How old a law's readings are, and how often new ones come."""

LOOK_S = 1.0
"""A law looks no more often, unless something has moved: what it does not look at is as good as not told."""


class ReadingClock:
    """Mutable; one for each law.

    Attributes:
        age_s: age of the oldest of the readings.
        period_s: longest that one stood before it was renewed; a longer time counts at once, and is slowly
            forgotten.
    """

    def __init__(self, delay_s: float) -> None:
        """Readings are `delay_s` old when they come in."""
        self._delay_s = delay_s
        self._begun = False
        self._since_s = 0.0
        self.age_s = 0.0
        self.period_s = 1.0

    @property
    def unseen_s(self) -> float:
        """For how long what happens may not be seen, from the moment the last readings tell of."""
        return self._delay_s + max(self.period_s, self.age_s)

    def advance(
        self, dt_s: float, *, fresh: bool, age_s: float = 0.0, waited_s: float | None = None
    ) -> float:
        """Lets time pass; the time from the readings before to new ones, 0 if there are none.

        Args:
            dt_s: since the last call.
            fresh: whether there are new readings.
            age_s: how long ago the oldest of them came in.
            waited_s: how old those before had become when these came; `None`: as old as they are here.
        """
        self.age_s += dt_s
        self._since_s += dt_s
        if not fresh:
            return 0.0
        elapsed_s, self._since_s, self.age_s = self._since_s, 0.0, age_s
        if self._begun:
            stood_s = elapsed_s if waited_s is None else max(waited_s, min(elapsed_s, LOOK_S))
            self.period_s = max(stood_s, 0.98 * self.period_s)
        self._begun = True
        return elapsed_s
