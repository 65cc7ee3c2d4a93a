"""Frame lengths and response times against published numbers.

Sources: R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, Real-Time Systems 35 (2007) 239-272; the
canframelen routine of can-utils, run once, its answers typed in here.
"""

import pytest
from crccheck.crc import Crc15Can
from hypothesis import given
from hypothesis import strategies as st

from bridge.frames import EXTENDED, Frame
from bridge.profile.bustiming import (
    Load,
    bus_off_recovery_s,
    exact_bits,
    shortest_bits,
    worst_case_bits,
    worst_response,
)


@pytest.mark.parametrize(
    ("extended", "shortest", "worst"),
    [
        (False, (47, 55, 63, 71, 79, 87, 95, 103, 111), (55, 65, 75, 85, 95, 105, 115, 125, 135)),
        (True, (67, 75, 83, 91, 99, 107, 115, 123, 131), (80, 90, 100, 110, 120, 130, 140, 150, 160)),
    ],
)
def test_bounds_agree_with_can_utils(
    extended: bool, shortest: tuple[int, ...], worst: tuple[int, ...]
) -> None:
    """can-utils canframelen (run), which quotes Davis et al. 2007 eq. 1-3: all lengths of both kinds."""
    assert tuple(shortest_bits(n, extended) for n in range(9)) == shortest
    assert tuple(worst_case_bits(n, extended) for n in range(9)) == worst


@pytest.mark.parametrize(
    ("key", "data", "bits"),
    [
        (0x000, "", 53),
        (0x000, "0000000000000000", 127),
        (0x7FF, "FFFFFFFFFFFFFFFF", 126),
        (0x555, "5555555555555555", 112),
        (0x123, "00CA22FF5566AADF", 115),
        (0x078, "3C3C3C3C3C3C3C3C", 131),
        (0x123, "DEADBEEF", 81),
        (EXTENDED | 0x0CF00400, "FFFFFF6813FFFFFF", 145),
        (EXTENDED | 0x18FEF100, "0000000000000000", 147),
        (EXTENDED | 0x1FFFFFFF, "FFFFFFFFFFFFFFFF", 149),
    ],
)
def test_exact_length_agrees_with_can_utils(key: int, data: str, bits: int) -> None:
    """can-utils canframelen in its exact mode (run)."""
    assert exact_bits(Frame("shed", key, bytes.fromhex(data))) == bits


def _stuffed_by_hand(head: str, data: bytes) -> int:
    """Length of a frame with the checksum of the crccheck package and a stuffing loop of its own."""
    bits = head + f"{len(data):04b}" + "".join(f"{byte:08b}" for byte in data)
    # Zeros in front do not change a checksum that starts at 0, so whole bytes can be made of the bits.
    padded = bits.rjust(-(-len(bits) // 8) * 8, "0")
    octets = bytes(int(padded[i : i + 8], 2) for i in range(0, len(padded), 8))
    sent = ""
    for bit in bits + f"{Crc15Can.calc(octets):015b}":
        sent += bit
        if sent[-5:] in ("00000", "11111"):
            sent += "1" if bit == "0" else "0"
    return len(sent) + 13


@given(st.integers(0, 0x7FF), st.binary(max_size=8))
def test_exact_length_of_11_bit_frames_agrees_with_another_checksum(can_id: int, data: bytes) -> None:
    """CRC-15/CAN of the crccheck package, and bits stuffed one by one, give the same length."""
    assert exact_bits(Frame("shed", can_id, data)) == _stuffed_by_hand(f"0{can_id:011b}000", data)


@given(st.integers(0, 0x7FF), st.integers(0, 0x3_FFFF), st.binary(max_size=8))
def test_exact_length_of_29_bit_frames_agrees_with_another_checksum(base: int, low: int, data: bytes) -> None:
    """The same for 29-bit identifiers, whose two halves stand apart on the wire."""
    frame = Frame("shed", EXTENDED | base << 18 | low, data)
    assert exact_bits(frame) == _stuffed_by_hand(f"0{base:011b}11{low:018b}000", data)


@pytest.mark.parametrize(
    ("bitrate", "short_ms", "long_ms"),
    [(125_000, 1.080, 1.280), (250_000, 0.540, 0.640), (500_000, 0.270, 0.320), (1_000_000, 0.135, 0.160)],
)
def test_longest_frame_in_milliseconds(bitrate: int, short_ms: float, long_ms: float) -> None:
    """Davis et al. 2007 at the common bit rates: 8 bytes, 11-bit and 29-bit identifier."""
    assert worst_case_bits(8, extended=False) / bitrate * 1000 == pytest.approx(short_ms, rel=1e-12)
    assert worst_case_bits(8, extended=True) / bitrate * 1000 == pytest.approx(long_ms, rel=1e-12)


@pytest.mark.parametrize(
    ("bitrate", "milliseconds"), [(125_000, 11.264), (250_000, 5.632), (500_000, 2.816), (1_000_000, 1.408)]
)
def test_bus_off_lasts_128_times_11_bits(bitrate: int, milliseconds: float) -> None:
    """ISO 11898-1, as Linux Documentation/networking/can.rst reports the state: 1408 recessive bits."""
    assert bus_off_recovery_s(bitrate) * 1000 == pytest.approx(milliseconds, rel=1e-12)


@pytest.mark.parametrize(
    ("own", "blocking_us", "response_us", "deadline_us", "met"),
    [(0, 1000, 2000, 2500, True), (1, 1000, 3000, 3250, True), (2, 0, 3500, 3250, False)],
)
def test_second_instance_of_the_last_message_misses_its_deadline(
    own: int, blocking_us: int, response_us: int, deadline_us: int, met: bool
) -> None:
    """Davis et al. 2007, example set [mem]: T 2.5/3.5/3.5, C 1 ms, 125 kbit/s: R = 2.0, 3.0, 3.5 ms.

    The older analysis looked at the first instance only and gave the third message 3.0 ms.
    """
    messages = [Load(1000, 2500), Load(1000, 3500), Load(1000, 3500)]
    found = worst_response(messages[own], messages[:own], blocking_us, horizon=10**6, bit=8)
    assert found == response_us
    assert (found <= deadline_us) is met
