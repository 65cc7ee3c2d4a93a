"""Checksums over chosen bytes. CRCs are checked against a published catalogue in tests/outside."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.checksum import Checksum


def test_sum_starts_from_init_and_drops_carries() -> None:
    """200 + 100 + 10 is 310, which is 54 modulo 256."""
    assert Checksum("sum8", (0, 2), init=10).compute(bytes([200, 1, 100])) == 54
    assert Checksum("sum8", (0, 2), init=10).compute(bytes([200, 1, 101])) == 55


def test_xor_takes_the_prefix_first_and_is_inverted_at_the_end() -> None:
    """0x0F ^ 0xF0 ^ 0x01 is 0xFE, inverted 0x01."""
    checksum = Checksum("xor8", (1,), xor_out=0xFF, prefix=b"\x0f\xf0")
    assert checksum.compute(b"\xaa\x01") == 0x01


def test_bytes_are_taken_in_the_order_given() -> None:
    """A CRC over bytes 1, 0 is not that over 0, 1."""
    data = b"\x12\x34"
    one = Checksum("crc8", (0, 1), polynomial=0x1D).compute(data)
    two = Checksum("crc8", (1, 0), polynomial=0x1D).compute(data)
    assert one != two
    assert two == Checksum("crc8", (0, 1), polynomial=0x1D).compute(data[::-1])


@given(
    st.integers(0, 255),
    st.integers(0, 255),
    st.booleans(),
    st.binary(min_size=8, max_size=8),
    st.integers(0, 63),
)
def test_a_crc_sees_every_single_bit(init: int, poly: int, reflect: bool, data: bytes, bit: int) -> None:
    """Any polynomial with its lowest bit set finds every one-bit error."""
    checksum = Checksum("crc8", tuple(range(8)), poly | 1, init, 0, reflect)
    wrong = bytes(byte ^ (1 << bit % 8 if index == bit // 8 else 0) for index, byte in enumerate(data))
    assert checksum.compute(data) != checksum.compute(wrong)
    assert 0 <= checksum.compute(data) <= 255


def test_a_position_beyond_the_frame_is_an_error() -> None:
    """Asking for byte 8 of 8 is a mistake of the caller, not a checksum."""
    with pytest.raises(IndexError):
        Checksum("sum8", (8,)).compute(bytes(8))


@given(st.integers(0, 255), st.integers(0, 255), st.binary(min_size=8, max_size=8))
def test_a_reflected_crc_is_the_mirror_of_the_plain_one(init: int, poly: int, data: bytes) -> None:
    """Mirroring every byte taken in mirrors the result, whatever it starts from."""
    every = tuple(range(8))
    plain = Checksum("crc8", every, poly, init).compute(bytes(_mirrored(byte) for byte in data))
    assert Checksum("crc8", every, poly, init, reflect=True).compute(data) == _mirrored(plain)


def _mirrored(byte: int) -> int:
    return sum((byte >> bit & 1) << (7 - bit) for bit in range(8))


@pytest.mark.parametrize(
    ("polynomial", "init", "xor_out", "reflect", "check"),
    [
        (0x07, 0x00, 0x00, False, 0xF4),
        (0x1D, 0xFF, 0xFF, False, 0x4B),
        (0x1D, 0xFD, 0x00, False, 0x7E),
        (0x31, 0x00, 0x00, True, 0xA1),
        (0x07, 0xFF, 0x00, True, 0xD0),
    ],
)
def test_the_check_values_of_the_published_catalogue(
    polynomial: int, init: int, xor_out: int, reflect: bool, check: int
) -> None:
    """Over the nine digits "123456789", as the catalogue has them."""
    checksum = Checksum("crc8", tuple(range(9)), polynomial, init, xor_out, reflect)
    assert checksum.compute(b"123456789") == check
