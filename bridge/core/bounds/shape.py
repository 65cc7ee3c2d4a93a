"""How a value may move in time: a ramp that falls at once and rises slowly, a switch with two thresholds."""


class Ramp:
    """Follows a target: downwards at once, upwards at a stated rate, and only for a gap worth the trouble.

    Args:
        rise_per_s: fastest rise, in units of the value a second.
        deadband: a rise begins only when the target is at least this far above, and then goes on until
            the target is reached, so that a noisy target does not make the value chatter.
        start: first value.

    Attributes:
        value: where it stands.
        rising: the same target would give another value next time.
    """

    __slots__ = ("_deadband", "_rise_per_s", "rising", "value")

    def __init__(self, rise_per_s: float, deadband: float, start: float) -> None:
        self._rise_per_s = rise_per_s
        self._deadband = deadband
        self.rising = False
        self.value = start

    def follow(self, target: float, elapsed_s: float) -> float:
        """Moves towards `target` for `elapsed_s` seconds and returns the new value, never above `target`."""
        gap = target - self.value
        if gap <= 0.0:
            self.rising = False
            self.value = target
        elif self.rising or gap >= self._deadband:
            step = self._rise_per_s * elapsed_s
            self.rising = step < gap
            self.value = self.value + step if self.rising else target
        return self.value

    def drop_to(self, value: float) -> None:
        """Lowers the value at once; never raises it."""
        if value < self.value:
            self.value = value
            self.rising = False


class CutOff:
    """Trips when a reading passes a threshold and releases only when it is well back.

    Args:
        trip: the reading at which it trips.
        release: the reading at which it releases; above `trip` for a lower threshold, below for an upper.
    """

    __slots__ = ("_release", "_trip", "_upper", "tripped")

    def __init__(self, trip: float, release: float) -> None:
        self._trip = trip
        self._release = release
        self._upper = release < trip
        self.tripped = False

    def update(self, reading: float | None, *, may_release: bool = True) -> bool:
        """Takes one reading, or `None`, which changes nothing; returns whether it is tripped now. A NaN
        reading trips.
        """
        if reading is None or (self.tripped and not may_release):
            return self.tripped
        if self._upper:
            inside = reading <= self._release if self.tripped else reading < self._trip
        else:
            inside = reading >= self._release if self.tripped else reading > self._trip
        self.tripped = not inside
        return self.tripped
