"""How long frames take on a classic CAN bus, and how late one can get in the worst case.

Everything is counted in whole bit times, so that nothing rounds. Periods and deadlines given in seconds
round down to bit times and jitter rounds up: the safe side.

Source of the bounds: R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, "Controller Area Network (CAN)
schedulability analysis: Refuted, revisited and revised", Real-Time Systems 35 (2007) 239-272.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from math import ceil, floor
from typing import Final, NamedTuple

from bridge.frames import EXTENDED, Frame

_TAIL_BITS: Final = 13
"""Never stuffed: CRC delimiter, acknowledge slot and delimiter, 7 end of frame, 3 between frames."""

_CRC_POLYNOMIAL: Final = 0x4599
"""x15+x14+x10+x8+x7+x4+x3+1 without its leading term (ISO 11898-1)."""

_HORIZON_S: Final = 10
"""A bus without a free moment for this long counts as overloaded, however the sum comes out later."""


class BusMessage(NamedTuple):
    """One message that is sent again and again.

    Attributes:
        name: for people.
        key: identifier, with bit 31 set if it has 29 bits.
        length: data bytes, 0 to 8.
        period_s: shortest time between two of them, in seconds, above 0.
        jitter_s: longest delay between the moment it is due and the moment it is queued, in seconds.
        deadline_s: longest allowed time from the moment it is due to its last bit, in seconds.
    """

    name: str
    key: int
    length: int
    period_s: float
    jitter_s: float
    deadline_s: float


class Load(NamedTuple):
    """What one message asks of the bus, in whole time units (bit times, or any other)."""

    transmit: int
    period: int
    jitter: int = 0


def worst_case_bits(length: int, extended: bool) -> int:
    """Most bits a frame can take: every possible stuff bit, and the 3-bit gap behind it.

    Davis et al. 2007, eq. 1-3: 55 + 10 n for an 11-bit identifier, 80 + 10 n for a 29-bit one.

    Raises:
        ValueError: `length` is not 0 to 8.
    """
    _check_length(length)
    return (80 if extended else 55) + 10 * length


def shortest_bits(length: int, extended: bool) -> int:
    """Fewest bits a frame can take: no stuff bit at all, and the 3-bit gap behind it.

    Raises:
        ValueError: `length` is not 0 to 8.
    """
    _check_length(length)
    return (67 if extended else 47) + 8 * length


def exact_bits(frame: Frame) -> int:
    """Bits this very frame takes, stuff bits and the 3-bit gap behind it included."""
    bits = list(_unstuffed(frame))
    crc = 0
    for bit in bits:
        feedback = (crc >> 14 & 1) ^ bit
        crc = crc << 1 & 0x7FFF
        if feedback:
            crc ^= _CRC_POLYNOMIAL
    bits += _msb_first(crc, 15)
    return len(bits) + _stuff_count(bits) + _TAIL_BITS


def arbitration_rank(key: int) -> tuple[int, bool, int]:
    """Order in which frames win the bus: the smaller rank wins.

    The first 11 bits decide. If they are the same, an 11-bit identifier beats a 29-bit one, which sends
    recessive bits (SRR, IDE) where the other sends dominant ones. The remaining 18 bits come last.
    """
    if key & EXTENDED:
        return (key >> 18 & 0x7FF, True, key & 0x3_FFFF)
    return (key & 0x7FF, False, 0)


def bus_load(messages: Sequence[BusMessage], bitrate: int) -> float:
    """Share of the bus these messages take if every frame has its worst-case length; 1.0 is all of it.

    Raises:
        ValueError: a number of a message, or the bit rate, is out of range.
    """
    loads = [_load(message, bitrate) for message in messages]
    if any(load.period == 0 for load in loads):
        return float("inf")
    return float(_use(loads))


def response_times(messages: Sequence[BusMessage], bitrate: int) -> list[tuple[BusMessage, float | None]]:
    """Longest time, in seconds, from the moment each message is due to its last bit on the bus.

    In the order given. None means there is no bound: the bus is full. Whether a deadline is met is for
    the caller to compare. A frame of another node, of the longest kind, may always have just begun.
    Two messages with the same identifier each wait for the other. Other nodes' messages that win the
    bus count only if they are in the list. Each node is taken to send its most urgent frame first; a
    first-in-first-out transmit queue can be worse. Frames destroyed by errors are not in the sum.

    Raises:
        ValueError: a number of a message, or the bit rate, is out of range.
    """
    loads = [_load(message, bitrate) for message in messages]
    ranks = [arbitration_rank(message.key) for message in messages]
    blocking = worst_case_bits(8, extended=True)  # no classic frame, ours included, takes longer
    result: list[tuple[BusMessage, float | None]] = []
    for own, message in enumerate(messages):
        above = [loads[i] for i in range(len(messages)) if i != own and ranks[i] <= ranks[own]]
        bits = worst_response(loads[own], above, blocking, horizon=_HORIZON_S * bitrate)
        result.append((message, None if bits is None else bits / bitrate))
    return result


def worst_response(
    own: Load, above: Sequence[Load], blocking: int, *, horizon: int, bit: int = 1
) -> int | None:
    """Worst-case response time of one message, in the unit of its arguments.

    The revised analysis of Davis et al. 2007: every instance of the message within the busy period is
    looked at, since a later one may wait longer than the first.

    Args:
        own: the message.
        above: the messages that win the bus against it.
        blocking: longest frame that may have just begun and cannot be stopped.
        horizon: a busy period longer than this counts as endless.
        bit: one bit time, in the same unit.

    Returns:
        The response time, or None if there is no bound.
    """
    together = [*above, own]
    if any(load.period <= 0 for load in together) or _use(together) >= 1:
        return None
    busy = _settle(blocking + own.transmit, blocking, together, 0, horizon)
    if busy is None:
        return None
    worst, wait = 0, blocking
    for instance in range(_releases(own, busy)):
        before = blocking + instance * own.transmit
        settled = _settle(max(wait, before), before, above, bit, horizon)
        if settled is None:
            return None
        wait = settled
        worst = max(worst, own.jitter + wait - instance * own.period + own.transmit)
    return worst


def bus_off_recovery_s(bitrate: int) -> float:
    """Shortest time a controller stays off the bus after bus-off, in seconds.

    128 times 11 recessive bits (ISO 11898-1). Linux restarts a controller only if told to (restart-ms).

    Raises:
        ValueError: `bitrate` is not above 0.
    """
    if bitrate <= 0:
        raise ValueError(f"bit rate {bitrate}; allowed: above 0")
    return 128 * 11 / bitrate


def _settle(start: int, fixed: int, loads: Sequence[Load], extra: int, horizon: int) -> int | None:
    """Smallest t, from `start` on, with t = fixed + what the loads queued within t + extra takes."""
    now = start
    while now <= horizon:
        then = fixed + sum(_releases(load, now + extra) * load.transmit for load in loads)
        if then <= now:
            return now
        now = then
    return None


def _releases(load: Load, span: int) -> int:
    """How often a message can be queued within `span`."""
    return -(-(span + load.jitter) // load.period)


def _use(loads: Sequence[Load]) -> Fraction:
    return sum((Fraction(load.transmit, load.period) for load in loads), Fraction(0))


def _load(message: BusMessage, bitrate: int) -> Load:
    """The message in bit times, rounded to the safe side. Decimal text gives 0.1 s as exactly 1/10."""
    if bitrate <= 0:
        raise ValueError(f"bit rate {bitrate}; allowed: above 0")
    if not 0 < message.period_s < float("inf"):
        raise ValueError(f"{message.name}: period {message.period_s} s; allowed: above 0")
    if not 0 <= message.jitter_s < float("inf"):
        raise ValueError(f"{message.name}: jitter {message.jitter_s} s; allowed: 0 or more")
    period = floor(Fraction(str(message.period_s)) * bitrate)
    jitter = ceil(Fraction(str(message.jitter_s)) * bitrate)
    return Load(worst_case_bits(message.length, bool(message.key & EXTENDED)), period, jitter)


def _unstuffed(frame: Frame) -> Iterator[int]:
    """Bits from the start bit to the last data bit, in the order they are sent (ISO 11898-1)."""
    yield 0
    if frame.extended:
        yield from _msb_first(frame.can_id >> 18, 11)
        yield from (1, 1)  # SRR, IDE
        yield from _msb_first(frame.can_id, 18)
    else:
        yield from _msb_first(frame.can_id, 11)
    yield from (0, 0, 0)  # RTR and two more dominant bits: IDE and r0, or r1 and r0
    yield from _msb_first(len(frame.data), 4)
    for byte in frame.data:
        yield from _msb_first(byte, 8)


def _stuff_count(bits: Sequence[int]) -> int:
    """Stuff bits: an opposite bit behind every five equal ones, which itself begins the next run."""
    count, run, last = 0, 0, -1
    for bit in bits:
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            count += 1
            last, run = 1 - bit, 1
    return count


def _msb_first(value: int, width: int) -> Iterator[int]:
    return (value >> shift & 1 for shift in range(width - 1, -1, -1))


def _check_length(length: int) -> None:
    if not 0 <= length <= 8:
        raise ValueError(f"frame length {length}; allowed: 0 to 8 bytes")
