"""Where the fields of one CAN message lie, as a DBC file says it."""

from dataclasses import dataclass
from struct import Struct
from typing import Literal

Order = Literal["little", "big", "both"]

FLOATS = {16: Struct("<e"), 32: Struct("<f"), 64: Struct("<d")}
"""IEEE 754 formats a float field may have, by its length in bits."""


@dataclass(frozen=True, slots=True)
class Field:
    """One signal of a message.

    Attributes:
        name: as in the DBC file.
        start: DBC start bit (Motorola: of the most significant bit, counted as the file does).
        length: bits.
        little_endian: Intel byte order; False is Motorola.
        signed: two's complement. Without meaning for a float field.
        is_float: IEEE 754 of 16, 32 or 64 bits; its raw number is the bit pattern.
        factor: physical value = raw * factor + offset.
        offset: see `factor`.
        minimum: smallest physical value the file allows, None if it says nothing.
        maximum: largest physical value the file allows, None if it says nothing.
        unit: unit of the physical value, as in the file.
        mux: chain of (multiplexer signal, raw numbers), all of which must hold for the field to be there.
        choices: the value table, (raw, text).
        initial_raw: raw number sent while nothing is mapped to the field.
    """

    name: str
    start: int
    length: int
    little_endian: bool = True
    signed: bool = False
    is_float: bool = False
    factor: int | float = 1
    offset: int | float = 0
    minimum: float | None = None
    maximum: float | None = None
    unit: str = ""
    mux: tuple[tuple[str, frozenset[int]], ...] = ()
    choices: tuple[tuple[int, str], ...] = ()
    initial_raw: int = 0

    @property
    def raw_min(self) -> int:
        """Smallest raw number the field can hold."""
        return -(1 << (self.length - 1)) if self.signed and not self.is_float else 0

    @property
    def raw_max(self) -> int:
        """Largest raw number the field can hold."""
        return (1 << (self.length - 1 if self.signed and not self.is_float else self.length)) - 1

    @property
    def one_byte(self) -> bool:
        """Whether the field stays within one byte, where both byte orders read the same."""
        bit = self.start % 8
        return bit + self.length <= 8 if self.little_endian else self.length <= bit + 1

    @property
    def positions(self) -> range:
        """The bytes the field lies in, the one with its lowest bits first."""
        first = self.start // 8
        if self.little_endian:
            return range(first, (self.start + self.length - 1) // 8 + 1)
        return range((first * 8 + 7 - self.start % 8 + self.length - 1) // 8, first - 1, -1)


@dataclass(frozen=True, slots=True)
class MessageLayout:
    """All fields of one message.

    Attributes:
        name: as in the DBC file.
        key: identifier with bit 31 set for 29 bits, see `bridge.frames.Frame`.
        length: bytes.
        fields: in the order of the file's library, by start bit.
        cycle_us: period the file states; 0 if it states none.
    """

    name: str
    key: int
    length: int
    fields: tuple[Field, ...]
    cycle_us: int = 0

    def field(self, name: str) -> Field:
        """The field of that name. Raises KeyError if the message has none."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(name)

    @property
    def order(self) -> Order:
        """The byte orders that are needed to read every field."""
        needed = {field.little_endian for field in self.fields if not field.one_byte}
        return "both" if len(needed) == 2 else "little" if needed <= {True} else "big"

    def shift(self, field: Field) -> int:
        """How many bits of the data, read as one integer, are below the field.

        The integer is the data in the byte order `order`; for "both", the data in Intel order, with the
        data in Motorola order above it.
        """
        bits, order = 8 * self.length, self.order
        if order == "little" or (order == "both" and field.little_endian):
            return field.start if field.little_endian else field.start - field.length + 1
        if field.little_endian:
            below = bits - 8 - field.start // 8 * 8 + field.start % 8
        else:
            below = bits - field.start // 8 * 8 - (7 - field.start % 8) - field.length
        return below + bits if order == "both" else below
