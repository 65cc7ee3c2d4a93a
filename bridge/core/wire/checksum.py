"""Checksums over chosen bytes of a frame: sums, exclusive ors and CRCs of 1 to 32 bits.

The parameters of a CRC are those of the Rocksoft model (R. Williams, "A painless guide to CRC error
detection algorithms", 1993), which the published CRC catalogues use: polynomial and initial value are
written most significant bit first, whether the algorithm is reflected or not.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import reduce
from operator import xor
from typing import Literal, NamedTuple

Algorithm = Literal["sum", "xor", "crc", "sum8", "xor8", "crc8"]
"""The last three are those of 8 bits."""

Pieces = Literal["nibbles", "bytes", "words_high_first", "words_low_first"]
"""What sums and exclusive ors are made of: 4 bits (high ones first), 8, or 16 in either order of bytes."""

MOST_WIDTH = 32


class Chosen(NamedTuple):
    """Bytes taken in that the frame's counter chooses: a data-id.

    Attributes:
        ids: the bytes for each number of the counter, from 0.
        after: they are taken in after those of the frame, else before.
    """

    ids: tuple[bytes, ...]
    after: bool = True


@dataclass(frozen=True, slots=True)
class Checksum:
    """One checksum.

    Attributes:
        algorithm: sum of the pieces modulo 2 to the power of the width, exclusive or of them, or a CRC.
        over: positions of the bytes it covers, in the order they are taken in.
        polynomial: of the CRC, without its top bit. Unused otherwise.
        init: what it starts from.
        xor_out: exclusive-ored into the result.
        reflect: the CRC takes bits least significant first.
        prefix, suffix: constant bytes taken in before and after those of the frame.
        width: bits of the result.
        reflect_out: the CRC gives its bits least significant first; `None`: as `reflect`.
        pieces: what the bytes are cut into for sums and exclusive ors.
        folded_from: bits of the sum or exclusive or before its parts of `width` bits are put together the
            same way; `None`: it is not folded.
        own: (position, bits to keep) of the covered bytes that hold bits of its own: those count as 0.
        chosen: see `Chosen`; next to the bytes of the frame.
    """

    algorithm: Algorithm
    over: tuple[int, ...]
    polynomial: int = 0
    init: int = 0
    xor_out: int = 0
    reflect: bool = False
    prefix: bytes = b""
    suffix: bytes = b""
    width: int = 8
    reflect_out: bool | None = None
    pieces: Pieces = "bytes"
    folded_from: int | None = None
    own: tuple[tuple[int, int], ...] = ()
    chosen: Chosen | None = None
    _table: tuple[int, ...] = field(init=False, repr=False, compare=False)
    _start: int = field(init=False, repr=False, compare=False)
    _turned: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        out = self.reflect if self.reflect_out is None else self.reflect_out
        start, table = self.init, tuple[int, ...]()
        if self.algorithm.startswith("crc"):
            table = _table(self.polynomial, self.width, reflect=self.reflect)
            start = _mirrored(start, self.width) if self.reflect else start << max(0, 8 - self.width)
        for name, value in (("_table", table), ("_start", start), ("_turned", out is not self.reflect)):
            object.__setattr__(self, name, value)

    def compute(self, data: bytes, count: int = 0) -> int:
        """The checksum of the data of one frame.

        Args:
            data: of the frame.
            count: number of its counter, where that chooses bytes.

        Raises:
            IndexError: a position is beyond the data, or nothing is chosen by this number.
        """
        if self.own:
            data = self._without_own(data)
        taken = bytes([data[position] for position in self.over])
        if self.chosen is not None:
            found = self.chosen.ids[count]
            taken = taken + found if self.chosen.after else found + taken
        taken = self.prefix + taken + self.suffix
        if self._table:
            return self._crc(taken) ^ self.xor_out
        return self._combined(taken) ^ self.xor_out

    def _without_own(self, data: bytes) -> bytes:
        blank = bytearray(data)
        for position, kept in self.own:
            blank[position] &= kept
        return bytes(blank)

    def _crc(self, taken: bytes) -> int:
        table, register, width = self._table, self._start, self.width
        if width <= 8:
            for byte in taken:
                register = table[register ^ byte]
            register = register if self.reflect else register >> 8 - width
        elif self.reflect:
            for byte in taken:
                register = register >> 8 ^ table[(register ^ byte) & 0xFF]
        else:
            shift, mask = width - 8, (1 << width) - 1
            for byte in taken:
                register = register << 8 & mask ^ table[register >> shift ^ byte]
        return _mirrored(register, width) if self._turned else register

    def _combined(self, taken: bytes) -> int:
        numbers = taken if self.pieces == "bytes" else cut(taken, self.pieces)
        adds = self.algorithm.startswith("sum")
        total = self._start + sum(numbers) if adds else reduce(xor, numbers, self._start)
        if self.folded_from is not None:
            total &= (1 << self.folded_from) - 1
            parts = [total >> at for at in range(0, self.folded_from, self.width)]  # cut to size below
            total = sum(parts) if adds else reduce(xor, parts)
        return total & (1 << self.width) - 1


def cut(taken: bytes, pieces: Pieces) -> Sequence[int]:
    """The bytes in other pieces; a last odd byte counts as the first of a word whose other byte is 0."""
    if pieces == "nibbles":
        return [part for byte in taken for part in (byte >> 4, byte & 0xF)]
    order: Literal["big", "little"] = "big" if pieces == "words_high_first" else "little"
    return [int.from_bytes(taken[at : at + 2].ljust(2, b"\0"), order) for at in range(0, len(taken), 2)]


def _mirrored(number: int, width: int) -> int:
    return int(f"{number:0{width}b}"[::-1], 2)


def _table(polynomial: int, width: int, *, reflect: bool) -> tuple[int, ...]:
    """What a byte makes of the register: its low end if reflected, else its high end.

    A register of less than 8 bits stands at the high end of a byte, unless it is reflected.
    """
    if reflect:
        mirror, table = _mirrored(polynomial, width), []
        for byte in range(256):
            register = byte
            for _ in range(8):
                register = register >> 1 ^ (mirror if register & 1 else 0)
            table.append(register)
        return tuple(table)
    size = max(width, 8)
    polynomial <<= size - width
    top, mask, table = 1 << size - 1, (1 << size) - 1, []
    for byte in range(256):
        register = byte << size - 8
        for _ in range(8):
            register = (register << 1 & mask) ^ (polynomial if register & top else 0)
        table.append(register)
    return tuple(table)
