"""A seeded source of choices, built on `random()` alone: its sequence is the same in every Python."""

import random
from collections.abc import Sequence
from typing import TypeVar

_One = TypeVar("_One")


class Dice:
    """Choices that follow from one seed.

    Args:
        seed: a text or number; the same one gives the same choices.
    """

    def __init__(self, seed: int | str) -> None:
        self._random = random.Random(str(seed)).random

    def below(self, count: int) -> int:
        """A whole number from 0 to `count` - 1."""
        return int(self._random() * count)

    def happens(self, share: float) -> bool:
        """True in the given share of all draws."""
        return self._random() < share

    def pick(self, choices: Sequence[_One]) -> _One:
        """One of these; one that stands there twice is twice as likely."""
        return choices[self.below(len(choices))]

    def between(self, low: float, high: float, digits: int = 3) -> float:
        """A number of so many decimals."""
        return round(low + (high - low) * self._random(), digits)

    def shuffled(self, things: Sequence[_One]) -> list[_One]:
        """The same things in a drawn order."""
        left = list(things)
        for last in range(len(left) - 1, 0, -1):
            other = self.below(last + 1)
            left[last], left[other] = left[other], left[last]
        return left
