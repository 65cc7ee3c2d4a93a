"""How far above the string the charge voltage must be sent: the charger's error and the drop along the cable.

A charger held by its voltage limit brings the string to V = sent - b. At any other time V is lower, so that

    b <= sent - V    always, and    b = sent - V    when the voltage limit is what holds the current.

Nothing a charger does can make the first line wrong, apart from its lag, for which the highest value sent
within the last seconds is taken. So b is lowered at once to what is seen, and raised only by an experiment:
the voltage goes up by one step, and unless the current answers, it is taken back. Part of b is the drop along
the cable, which goes with the current: b was found at a current I_b and is less at a lower one.
"""

CABLE_V = 0.34
"""Drop along the cable, at a current of 1C: cables are chosen by the current, 1.2 mOhm at 280 Ah (typical, no
source)."""

LEAST_V, MOST_V = -0.5, 0.7
"""Bounds of what is learnt."""

CREEP_V = 0.06
"""An offset may follow upward by this much without an experiment: less than one step on the wire."""


class Offset:
    """What is believed of b. Mutable.

    Attributes:
        verified: the charger has been seen to answer to its voltage limit.
    """

    def __init__(self, capacity_ah: float) -> None:
        self._cable_ohm = CABLE_V / capacity_ah
        self._value_v = 0.0
        self._at_a = 0.0
        self._confirmed_v = 0.0
        self.verified = False

    def at(self, current_a: float) -> float:
        """The offset at a current, V."""
        below_a = self._at_a - max(current_a, 0.0)
        return self._value_v - (self._cable_ohm * below_a if below_a > 0.0 else 0.0)

    @property
    def known(self) -> tuple[float, float]:
        """The offset, V, and the current it was found at, A."""
        return self._value_v, self._at_a

    def put(self, value_v: float, current_a: float) -> None:
        """Takes a value for granted, within bounds."""
        self._value_v = min(max(value_v, LEAST_V), MOST_V)
        self._at_a = current_a

    def confirm(self, value_v: float, current_a: float) -> None:
        """The charger has answered: this is the offset."""
        self.put(value_v, current_a)
        self._confirmed_v = self._value_v
        self.verified = True

    def bound(self, seen_v: float, current_a: float) -> None:
        """`seen_v` is sent - V: never less than the offset."""
        if seen_v < self.at(current_a):
            self.put(seen_v, current_a)

    def creep(self, seen_v: float, current_a: float, weight: float) -> None:
        """Follows upward, a little, while the voltage limit seems to hold the current."""
        gap = seen_v - self.at(current_a)
        if 0.0 < gap < CREEP_V:
            value = self.at(current_a) + weight * gap
            self.put(min(value, max(self._confirmed_v + CREEP_V, self.at(current_a))), current_a)
