"""The exact decimal grid of one signal, and the safe side of it.

A DBC file writes its factor and offset as decimals. Read as binary floats they miss grid points
(52.800 on a grid of 0.025 becomes 2111.999...), which costs a step, or worse, gives one too many. Here
they are read back as the decimals they were, and all arithmetic after the first step is on integers.

The first step: a value is taken to the nearest millionth. Computed limits are defined on that grid
(1 µV, 1 µA), so that the last bits of a float computation neither cost a step nor win one.
"""

from dataclasses import dataclass
from dataclasses import field as attribute
from decimal import Decimal
from fractions import Fraction
from math import ceil, floor, isfinite, lcm

from bridge.core.wire.codec import FLOATS, Field
from bridge.errors import NotExpressible
from bridge.quantities import Rounding

MICRO = 1_000_000
"""Values are multiples of 1 / MICRO."""

_SIDE = {Rounding.DOWN: -1, Rounding.NEAREST: 0, Rounding.UP: 1}


def exact(number: float) -> Fraction:
    """The decimal that a DBC or profile wrote, not its binary neighbour."""
    return Fraction(Decimal(repr(number)))


@dataclass(frozen=True, slots=True)
class Grid:
    """What one signal can say about one quantity.

    The physical number in the signal is value * scale + shift; its raw number is that, less the offset
    of the signal, divided by its factor.

    Attributes:
        field: the signal.
        scale: signal units for one unit of the quantity; negative where the signs differ. Not 0.
        shift: signal units added.
        rounding: the safe side. DOWN: what is decoded is never above the value. UP: never below.
        step: distance of two neighbours, in units of the quantity; 0 for a float signal.
        lowest: lowest value that can be expressed, in units of the quantity.
        highest: highest value that can be expressed.

    Raises:
        NotExpressible: at construction, if factor or scale is 0, or no raw number lies within the
            [min|max] of the DBC.
    """

    field: Field
    scale: Fraction = attribute(default=Fraction(1), kw_only=True)
    shift: Fraction = attribute(default=Fraction(0), kw_only=True)
    rounding: Rounding = attribute(kw_only=True)
    step: Fraction = attribute(init=False, compare=False, repr=False)
    lowest: Fraction = attribute(init=False, compare=False, repr=False)
    highest: Fraction = attribute(init=False, compare=False, repr=False)
    _forward: tuple[int, int, int] = attribute(init=False, compare=False, repr=False)
    _back: tuple[int, int, int] = attribute(init=False, compare=False, repr=False)
    _proof: tuple[int, int, int] = attribute(init=False, compare=False, repr=False)
    _side: int = attribute(init=False, compare=False, repr=False)
    _span: tuple[int, int] = attribute(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        wire, put = self.field, object.__setattr__
        factor, offset = exact(wire.factor), exact(wire.offset)
        if not factor or not self.scale:
            raise NotExpressible(f"{wire.name}: factor {factor}, scale {self.scale}; allowed: neither is 0")
        unit, zero = factor / self.scale, (offset - self.shift) / self.scale
        # the safe direction as seen by the raw number, which falls with the value if unit is negative
        side = _SIDE[self.rounding] * (1 if unit > 0 else -1)
        forward = _over_common(1 / unit / MICRO, -zero / unit)
        low, high = _raw_span(wire, factor, offset)
        if low > high:
            raise NotExpressible(f"{wire.name}: no raw number lies within its [min|max]")
        put(self, "step", Fraction(0) if wire.is_float else abs(unit))
        p, q, r = _over_common(unit, zero)
        put(self, "_back", (p, q, r))
        # what is said, less what is meant, times the safe direction of the value, must not be negative
        sense = _SIDE[self.rounding]
        put(self, "_proof", (p * MICRO * sense, q * MICRO * sense, r * sense))
        put(self, "_forward", forward if wire.is_float else _folded(forward, side))
        put(self, "_side", side)
        put(self, "_span", (low, high))
        ends = [_ordered_value(wire, end) * unit + zero for end in (low, high)]
        put(self, "lowest", min(ends))
        put(self, "highest", max(ends))

    def to_raw(self, value: float) -> int:
        """The raw number that says the value, or the next one on the safe side.

        Beyond the end that is on the safe side of the value, that end is sent instead: DOWN turns a value
        above the highest into the highest. NEAREST does so at both ends. For a float signal the raw
        number is its bit pattern.

        Raises:
            NotExpressible: no expressible number is on the safe side, or the value is not finite.
        """
        micro = value * MICRO
        if not isfinite(micro):
            raise self._refusal(value)
        a, b, d = self._forward
        low, high = self._span
        if self.field.is_float:
            raw = _ordered_near(Fraction(round(micro) * a + b, d), self.field.length, self._side)
        else:
            raw = (round(micro) * a + b) // d
        if raw > high:
            if self._side > 0:
                raise self._refusal(value)
            raw = high
        elif raw < low:
            if self._side < 0:
                raise self._refusal(value)
            raw = low
        return _flip(raw, self.field.length) if self.field.is_float else raw

    def _refusal(self, value: float) -> NotExpressible:
        low, high = float(self.lowest), float(self.highest)
        return NotExpressible(f"{self.field.name}: {value} cannot be sent; allowed {low:.10g} to {high:.10g}")

    def to_value(self, raw: int) -> float:
        """The value a raw number says: the float nearest to the exact one. NaN and infinity as they are."""
        p, q, r = self._back
        if not self.field.is_float:
            return (raw * p + q) / r
        number = _float_of(raw, self.field.length)
        return float((Fraction(number) * p + q) / r) if isfinite(number) else number

    def is_safe(self, raw: int, value: float) -> bool:
        """Whether what the raw number says is on the safe side of the value, compared exactly.

        Goes from the raw number to the value, where `to_raw` goes from the value to the raw number.
        Always true of NEAREST, which has no safe side; never if either is not finite.
        """
        micro = value * MICRO
        if not isfinite(micro):
            return False
        p, q, r = self._proof
        if not self.field.is_float:
            return raw * p + q >= round(micro) * r
        decoded = _float_of(raw, self.field.length)
        return isfinite(decoded) and Fraction(decoded) * p + q >= round(micro) * r


def _over_common(slope: Fraction, base: Fraction) -> tuple[int, int, int]:
    """(a, b, d) with x * slope + base = (x * a + b) / d and d positive."""
    d = lcm(slope.denominator, base.denominator)
    return int(slope * d), int(base * d), d


def _folded(forward: tuple[int, int, int], side: int) -> tuple[int, int, int]:
    """The same line, such that the floor of it is rounded to the side: -1 down, 1 up, 0 nearest."""
    a, b, d = forward
    if side == 0:
        return 2 * a, 2 * b + d, 2 * d
    return (a, b + d - 1, d) if side > 0 else forward


def _raw_span(wire: Field, factor: Fraction, offset: Fraction) -> tuple[int, int]:
    """Lowest and highest raw number within the field and the [min|max] of the DBC.

    Of a float signal: of finite numbers, as ordered numbers (see `_flip`).
    """
    ends = [None if end is None else (exact(end) - offset) / factor for end in (wire.minimum, wire.maximum)]
    below, above = ends if factor > 0 else reversed(ends)
    if wire.is_float:
        most = _infinity(wire.length) - 1
        low = -most if below is None else max(-most, _ordered_near(below, wire.length, 1))
        return low, most if above is None else min(most, _ordered_near(above, wire.length, -1))
    low = wire.raw_min if below is None else max(wire.raw_min, ceil(below))
    return low, wire.raw_max if above is None else min(wire.raw_max, floor(above))


# Floats. The bit patterns of IEEE 754 numbers, read as sign and magnitude, are integers in the order of
# the numbers they stand for: neighbours differ by one.


def _flip(number: int, length: int) -> int:
    """From ordered number to bit pattern."""
    return number if number >= 0 else (1 << (length - 1)) - number


def _ordered(bits: int, length: int) -> int:
    """From bit pattern to ordered number."""
    top = 1 << (length - 1)
    return bits if bits < top else top - bits


def _float_of(bits: int, length: int) -> float:
    number: float = FLOATS[length].unpack(bits.to_bytes(length // 8, "little"))[0]
    return number


def _infinity(length: int) -> int:
    return int.from_bytes(FLOATS[length].pack(float("inf")), "little")


def _ordered_value(wire: Field, number: int) -> Fraction:
    return Fraction(_float_of(_flip(number, wire.length), wire.length)) if wire.is_float else Fraction(number)


def _ordered_near(number: Fraction, length: int, side: int) -> int:
    """The float at or next to the number on the side, as an ordered number; beyond all, infinity."""
    infinity = _infinity(length)
    most = Fraction(_float_of(infinity - 1, length))
    if abs(number) > most:
        return infinity if number > 0 else -infinity
    near = _ordered(int.from_bytes(FLOATS[length].pack(float(number)), "little"), length)
    said = Fraction(_float_of(_flip(near, length), length))
    if side < 0 and said > number:
        return near - 1
    if side > 0 and said < number:
        return near + 1
    return near
