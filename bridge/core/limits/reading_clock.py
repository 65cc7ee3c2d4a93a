"""How old a law's readings are, and how often new ones come."""


class ReadingClock:
    """Mutable; one for each law.

    Attributes:
        age_s: time since the last readings came in.
        period_s: longest time from one to the next; a longer one counts at once, and is slowly forgotten.
    """

    def __init__(self, delay_s: float) -> None:
        """Readings are `delay_s` old when they come in."""
        self._delay_s = delay_s
        self._begun = False
        self.age_s = 0.0
        self.period_s = 1.0

    @property
    def unseen_s(self) -> float:
        """For how long what happens may not be seen, from the moment the last readings tell of."""
        return self._delay_s + max(self.period_s, self.age_s)

    def advance(self, dt_s: float, *, fresh: bool) -> float:
        """Lets time pass; the time from the readings before to new ones, 0 if there are none."""
        self.age_s += dt_s
        if not fresh:
            return 0.0
        elapsed_s, self.age_s = self.age_s, 0.0
        if self._begun:
            self.period_s = max(elapsed_s, 0.98 * self.period_s)
        self._begun = True
        return elapsed_s
