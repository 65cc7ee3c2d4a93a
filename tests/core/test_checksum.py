"""Checksums over chosen bytes. CRCs are checked against a published catalogue in tests/outside."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.wire.checksum import MOST_WIDTH, Checksum, Chosen


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


# ── other widths, other pieces ──────────────────────────────────────────────────────────────────────────


def rocksoft(checksum: Checksum, data: bytes, *, reflect_out: bool) -> int:
    """The CRC bit by bit, as the Rocksoft model is defined: one register, most significant bit first."""
    width, register = checksum.width, checksum.init
    for byte in data:
        for place in range(8):
            bit = byte >> (place if checksum.reflect else 7 - place) & 1
            top = register >> width - 1 & 1
            register = register << 1 & (1 << width) - 1
            register ^= checksum.polynomial if top ^ bit else 0
    if reflect_out:
        register = sum((register >> bit & 1) << width - 1 - bit for bit in range(width))
    return register ^ checksum.xor_out


@pytest.mark.parametrize("width", [1, 3, 7, 8, 9, 12, 15, 16, 17, 24, 31, 32])
@pytest.mark.parametrize("reflect", [False, True])
@pytest.mark.parametrize("out", [None, False, True])
def test_a_crc_of_any_width_is_that_of_the_model(width: int, reflect: bool, out: bool | None) -> None:
    """Narrower and wider than a byte, mirrored in, out, both or neither."""
    mask, data = (1 << width) - 1, b"\x01\x80\xff\x00\x5a\x33\xa7\x10"
    checksum = Checksum(
        "crc",
        tuple(range(8)),
        0x9B1C75A3 & mask | 1,
        0x3C0FFEE1 & mask,
        0xA5A5A5A5 & mask,
        reflect,
        width=width,
        reflect_out=out,
    )
    assert checksum.compute(data) == rocksoft(checksum, data, reflect_out=reflect if out is None else out)


@pytest.mark.parametrize(
    ("checksum", "expected"),
    [
        (Checksum("sum", (0, 1, 2), width=16, init=0xFF00), 0xFF00 + 0x12 + 0x34 + 0x9F),
        (Checksum("sum", (0, 1, 2), width=8, init=0xF0), (0xF0 + 0x12 + 0x34 + 0x9F) % 256),
        (Checksum("sum", (0, 1, 2), width=4), (2 + 4 + 0xF) % 16),
        (Checksum("sum", (0, 1, 2), width=4, pieces="nibbles"), (1 + 2 + 3 + 4 + 9 + 0xF) % 16),
        (Checksum("xor", (0, 1, 2), width=4, pieces="nibbles"), 1 ^ 2 ^ 3 ^ 4 ^ 9 ^ 0xF),
        (Checksum("xor", (0, 1, 2), width=4, folded_from=8, init=0x50), 1 ^ 2 ^ 3 ^ 4 ^ 9 ^ 0xF ^ 5),
        (Checksum("xor", (0, 1, 2), width=8, init=0x0F), 0x12 ^ 0x34 ^ 0x9F ^ 0x0F),
        (Checksum("sum", (0, 1, 2), width=4, folded_from=8), (0xE + 5) % 16),
        (Checksum("sum", (0, 1, 2), width=3, folded_from=8, xor_out=7), (3 + 4 + 5) % 8 ^ 7),
        (Checksum("sum", (0, 1, 2), width=3, folded_from=8, init=0xF0), (5 + 2 + 3) % 8),
        (Checksum("sum", (0, 1, 2, 0), width=16, pieces="words_high_first"), 0x1234 + 0x9F12),
        (Checksum("sum", (0, 1, 2, 0), width=16, pieces="words_low_first"), 0x3412 + 0x129F),
        (Checksum("xor", (0, 1, 2), width=16, pieces="words_high_first"), 0x1234 ^ 0x9F00),
        (Checksum("xor", (0, 1, 2), width=16, pieces="words_low_first"), 0x3412 ^ 0x009F),
        (Checksum("xor", (1,), prefix=b"\x01", suffix=b"\x80\x02"), 0x01 ^ 0x34 ^ 0x80 ^ 0x02),
    ],
    ids=str,
)
def test_sums_of_other_widths_and_pieces(checksum: Checksum, expected: int) -> None:
    """Worked out by hand over 12 34 9F."""
    assert checksum.compute(b"\x12\x34\x9f") == expected


def test_constant_bytes_and_chosen_ones_have_their_places() -> None:
    """Prefix, chosen before, the frame's, chosen after, suffix: a CRC knows the order."""
    ids = (b"\x01", b"\x02\x03")
    for after, count, taken in (
        (True, 0, b"\xaa\x12\x01\xbb"),
        (True, 1, b"\xaa\x12\x02\x03\xbb"),
        (False, 0, b"\xaa\x01\x12\xbb"),
        (False, 1, b"\xaa\x02\x03\x12\xbb"),
    ):
        checksum = Checksum(
            *("crc", (0,), 0x1021, 0xFFFF, 0, False, b"\xaa", b"\xbb"), width=16, chosen=Chosen(ids, after)
        )
        plain = Checksum("crc", tuple(range(len(taken))), 0x1021, 0xFFFF, width=16)
        assert checksum.compute(b"\x12", count) == plain.compute(taken)
    with pytest.raises(IndexError):
        checksum.compute(b"\x12", 2)
    assert Chosen(ids).after
    assert checksum.compute(b"\x12") == checksum.compute(b"\x12", 0)


def test_no_checksum_is_wider_than_four_bytes() -> None:
    """Half a frame."""
    assert MOST_WIDTH == 32


def test_its_own_bits_count_as_0() -> None:
    """Whatever stands there; the other half of the byte counts."""
    checksum = Checksum("sum", (0, 1), width=4, pieces="nibbles", own=((1, 0x0F),))
    assert checksum.compute(b"\x12\x34") == checksum.compute(b"\x12\xf4") == 1 + 2 + 4
    assert checksum.compute(b"\x12\x35") == 1 + 2 + 5
