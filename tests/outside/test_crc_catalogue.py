"""Checksums against a published catalogue and an implementation of others.

Source: G. Cook, "Catalogue of parametrised CRC algorithms" (reveng.sourceforge.io/crc-catalogue), its
parameters and check values, over the nine digits "123456789", as crccheck 1.3 has them. The sum folded into
three bits is worked out by hand; that is how SAE J1939-71 guards its message for torque and speed [mem].
"""

import random

import crccheck.crc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.wire.checksum import MOST_WIDTH, Checksum
from bridge.profile.schema_checksum import ChecksumRule
from bridge.simulate.coder import checksum as by_devices

DIGITS = b"123456789"
NINE = tuple(range(9))
CATALOGUE = [one for one in crccheck.crc.ALLCRCCLASSES if one._width <= MOST_WIDTH]


def ours(width: int, poly: int, init: int, reflect_in: bool, reflect_out: bool, xor_out: int) -> Checksum:
    """A CRC over nine bytes."""
    return Checksum(*("crc", NINE, poly, init, xor_out, reflect_in), width=width, reflect_out=reflect_out)


def of_devices(
    data: bytes, width: int, poly: int, init: int, reflect_in: bool, reflect_out: bool, xor_out: int
) -> int:
    """The same by the simulated devices, which share no code with the program."""
    rule = ChecksumRule(
        algorithm="crc",
        width=width,
        polynomial=poly,
        init=init,
        reflect_in=reflect_in,
        reflect_out=reflect_out,
        xor_out=xor_out,
    )
    return by_devices(rule, data)


@pytest.mark.parametrize("algorithm", CATALOGUE, ids=lambda algorithm: str(algorithm.__name__))
def test_every_crc_of_the_catalogue(algorithm: type[crccheck.crc.CrcBase]) -> None:
    """Its check value, and crccheck's own answer for other data, from the program and from the devices."""
    rule = (
        *(algorithm._width, algorithm._poly, algorithm._initvalue),
        *(algorithm._reflect_input, algorithm._reflect_output, algorithm._xor_output),
    )
    data = random.Random(algorithm._poly).randbytes(9)
    assert ours(*rule).compute(DIGITS) == of_devices(DIGITS, *rule) == algorithm._check_result
    assert ours(*rule).compute(data) == of_devices(data, *rule) == algorithm.calc(data)


def test_the_catalogue_is_there() -> None:
    """Every width up to 16 that the catalogue has, many times over; an empty list would prove nothing."""
    assert {one._width for one in CATALOGUE} >= {3, 4, 5, 6, 7, 8, 10, 11, 12, 13, 14, 15, 16, 17, 21, 24, 30}
    assert len(CATALOGUE) >= 100


@pytest.mark.parametrize(
    ("rule", "check"),
    [
        ((3, 0x3, 0x0, False, False, 0x7), 0x4),
        ((3, 0x3, 0x7, True, True, 0x0), 0x6),
        ((4, 0x3, 0x0, True, True, 0x0), 0x7),
        ((5, 0x05, 0x1F, True, True, 0x1F), 0x19),
        ((7, 0x09, 0x00, False, False, 0x00), 0x75),
        ((12, 0x80F, 0x000, False, True, 0x000), 0xDAF),
        ((15, 0x4599, 0x0000, False, False, 0x0000), 0x059E),
        ((16, 0x8005, 0x0000, True, True, 0x0000), 0xBB3D),
        ((16, 0x1021, 0xFFFF, False, False, 0x0000), 0x29B1),
        ((16, 0x1021, 0x0000, False, False, 0x0000), 0x31C3),
        ((16, 0x8005, 0xFFFF, True, True, 0x0000), 0x4B37),
        ((32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF), 0xCBF43926),
    ],
)
def test_check_values_typed_by_hand(rule: tuple[int, int, int, bool, bool, int], check: int) -> None:
    """GSM, ROHC, G-704, USB, MMC, UMTS, CAN, ARC, IBM-3740, XMODEM, MODBUS, ISO-HDLC."""
    assert ours(*rule).compute(DIGITS) == of_devices(DIGITS, *rule) == check


@st.composite
def crcs(draw: st.DrawFn) -> tuple[int, int, int, bool, bool, int]:
    """Any CRC of 1 to 32 bits."""
    width = draw(st.integers(1, MOST_WIDTH))
    below = st.integers(0, (1 << width) - 1)
    poly = draw(st.integers(1, (1 << width) - 1))
    return width, poly, draw(below), draw(st.booleans()), draw(st.booleans()), draw(below)


@given(crcs(), st.binary(min_size=9, max_size=9))
def test_any_crc_is_that_of_others(rule: tuple[int, int, int, bool, bool, int], data: bytes) -> None:
    """The program, the simulated devices and crccheck agree on every polynomial, start and mirror."""
    width, poly, init, reflect_in, reflect_out, xor_out = rule
    judge = crccheck.crc.Crc(width, poly, init, reflect_in, reflect_out, xor_out)
    assert ours(*rule).compute(data) == of_devices(data, *rule) == judge.calc(data)


def test_a_sum_folded_into_three_bits() -> None:
    """A sum of eight bits in parts of three, added up: 0b10_110_101 is 2 + 6 + 5, modulo 8."""
    folded = Checksum("sum", (0, 1), width=3, folded_from=8)
    rule = ChecksumRule(algorithm="sum", width=3, folded_from=8)
    assert folded.compute(b"\xb0\x05") == by_devices(rule, b"\xb0\x05") == (2 + 6 + 5) % 8
    for low in range(256):
        total = (0xB0 + low) & 0xFF
        by_formula = (((total >> 6) & 0x03) + (total >> 3) + total) & 0x07
        assert folded.compute(bytes([0xB0, low])) == by_formula
