"""A derating curve: points, joined by straight lines, clamped at both ends."""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise


class Curve:
    """A piecewise linear function of one quantity, constant outside its points.

    Args:
        xs: strictly rising positions.
        ys: the value at each position, as many as `xs`.

    Raises:
        ValueError: no points, a different number of positions and values, positions that do not rise
            strictly, or a number that is not finite.
    """

    __slots__ = ("_slopes", "xs", "ys")

    def __init__(self, xs: Sequence[float], ys: Sequence[float]) -> None:
        if not xs or len(xs) != len(ys):
            raise ValueError(
                f"{len(xs)} positions and {len(ys)} values; allowed: as many of each, at least 1"
            )
        if not all(-1e9 < number < 1e9 for number in (*xs, *ys)):
            raise ValueError("a number that is not finite; allowed: finite numbers")
        if any(b <= a for a, b in pairwise(xs)):
            raise ValueError(f"positions {list(xs)}; allowed: strictly rising")
        self.xs = tuple(map(float, xs))
        self.ys = tuple(map(float, ys))
        self._slopes = tuple(
            (self.ys[i + 1] - self.ys[i]) / (self.xs[i + 1] - self.xs[i]) for i in range(len(xs) - 1)
        )

    def at(self, x: float) -> float:
        """The value at `x`, which must not be NaN; the end values hold outside the points."""
        xs = self.xs
        if x <= xs[0]:
            return self.ys[0]
        if x >= xs[-1]:
            return self.ys[-1]
        i = bisect_right(xs, x) - 1
        low, high = self.ys[i], self.ys[i + 1]
        value = low + self._slopes[i] * (x - xs[i])
        # A binary rounding error must not carry the value past the points it lies between.
        if low <= high:
            return min(max(value, low), high)
        return min(max(value, high), low)

    @property
    def falls(self) -> bool:
        """Whether no value is higher than the one before it."""
        return all(b <= a for a, b in pairwise(self.ys))

    @property
    def rises(self) -> bool:
        """Whether no value is lower than the one before it."""
        return all(b >= a for a, b in pairwise(self.ys))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Curve) and (self.xs, self.ys) == (other.xs, other.ys)

    def __hash__(self) -> int:
        return hash((self.xs, self.ys))

    def __repr__(self) -> str:
        return f"Curve({list(self.xs)}, {list(self.ys)})"
