"""A classic CAN data frame, as every part of the program passes it on."""

from typing import NamedTuple

EXTENDED = 0x8000_0000
"""Bit 31 of a frame key: set for a 29-bit identifier (as in a DBC file and in linux/can.h)."""


class Frame(NamedTuple):
    """One data frame on one named bus.

    Attributes:
        bus: name of the bus in the profile.
        key: the identifier, with bit 31 (`EXTENDED`) set if it has 29 bits, so that the same number
            used by an 11-bit and a 29-bit message gives two keys.
        data: 0 to 8 bytes.
    """

    bus: str
    key: int
    data: bytes

    @property
    def can_id(self) -> int:
        """The bare identifier, without the mark for 29 bits."""
        return self.key & 0x1FFF_FFFF

    @property
    def extended(self) -> bool:
        """Whether the identifier has 29 bits."""
        return bool(self.key & EXTENDED)

    def __str__(self) -> str:
        """The frame as can-utils write it: `id#hex`, 3 hex digits for 11 bits, 8 for 29."""
        digits = 8 if self.extended else 3
        return f"{self.can_id:0{digits}X}#{self.data.hex().upper()}"
