"""One-byte checksums over chosen bytes of a frame.

The parameters of a CRC are those of the Rocksoft model (R. Williams, "A painless guide to CRC error
detection algorithms", 1993), which the published CRC catalogues use: polynomial and initial value are
written most significant bit first, whether the algorithm is reflected or not.
"""

from dataclasses import dataclass, field
from typing import Literal

Algorithm = Literal["sum8", "xor8", "crc8"]


@dataclass(frozen=True, slots=True)
class Checksum:
    """One checksum.

    Attributes:
        algorithm: sum of the bytes modulo 256, exclusive or of them, or an 8-bit CRC.
        over: positions of the bytes it covers, in the order they are taken in.
        polynomial: of the CRC, without its top bit. Unused otherwise.
        init: what it starts from.
        xor_out: exclusive-ored into the result.
        reflect: the CRC takes bits least significant first, in and out.
        prefix: constant bytes taken in before those of the frame.
    """

    algorithm: Algorithm
    over: tuple[int, ...]
    polynomial: int = 0
    init: int = 0
    xor_out: int = 0
    reflect: bool = False
    prefix: bytes = b""
    _table: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        table = _table(self.polynomial, self.reflect) if self.algorithm == "crc8" else ()
        object.__setattr__(self, "_table", table)

    def compute(self, data: bytes) -> int:
        """The checksum of the data of one frame, 0 to 255. Raises IndexError if a position is beyond it."""
        taken = self.prefix + bytes([data[position] for position in self.over])
        if self.algorithm == "sum8":
            return (self.init + sum(taken)) & 0xFF ^ self.xor_out
        if self.algorithm == "xor8":
            result = self.init
            for byte in taken:
                result ^= byte
            return result ^ self.xor_out
        table = self._table
        result = _reversed(self.init) if self.reflect else self.init
        for byte in taken:
            result = table[result ^ byte]
        return result ^ self.xor_out


def _reversed(byte: int) -> int:
    return int(f"{byte:08b}"[::-1], 2)


def _table(polynomial: int, reflect: bool) -> tuple[int, ...]:
    """What the register becomes for each value of (register xor byte)."""
    table = []
    for byte in range(256):
        register = _reversed(byte) if reflect else byte
        for _ in range(8):
            register = register << 1 ^ (polynomial if register & 0x80 else 0)
            register &= 0xFF
        table.append(_reversed(register) if reflect else register)
    return tuple(table)
