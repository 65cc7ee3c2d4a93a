"""Checksums as the textbook makes them, for the observer alone."""

from collections.abc import Mapping
from functools import cache
from typing import Any

from cantools.database.can import Message


@cache
def bits(message: Message, name: str) -> tuple[tuple[int, int], ...]:
    """(byte, bit) of every bit of a signal; a Motorola one starts at its highest bit."""
    signal = message.get_signal_by_name(name)
    places, at = [], signal.start
    for _ in range(signal.length):
        places.append((at // 8, at % 8))
        if signal.byte_order == "little_endian":
            at += 1
        else:
            at = at - 1 if at % 8 else at + 15
    return tuple(places)


def known(rule: Mapping[str, Any]) -> bool:
    """Whether its kind is known here."""
    return rule["algorithm"] in ("sum8", "xor8", "crc8") and not set(rule) - _KNOWN


def right(message: Message, name: str, rule: Mapping[str, Any], data: bytes) -> int | None:
    """What the checksum should be; `None` where its kind is not known here."""
    if not known(rule):
        return None
    blank, own = bytearray(data), set()
    for byte, bit in bits(message, name):
        own.add(byte)
        blank[byte] &= ~(1 << bit) & 0xFF
    over = rule.get("over")
    taken = bytes(rule.get("prefix", ())) + bytes(
        blank[n] for n in (range(len(data)) if over is None else over) if over is not None or n not in own
    )
    register: int = rule.get("init", 0)
    reflect, xor_out = bool(rule.get("reflect", False)), int(rule.get("xor_out", 0))
    if rule["algorithm"] == "sum8":
        return ((register + sum(taken)) % 256) ^ xor_out
    for byte in taken:
        register ^= _mirrored(byte) if reflect else byte
        for _ in range(8 if rule["algorithm"] == "crc8" else 0):
            register = (register << 1) ^ (0x100 | rule["polynomial"] if register & 0x80 else 0)
    return (_mirrored(register) if reflect else register) ^ xor_out


_KNOWN = {"algorithm", "over", "polynomial", "init", "xor_out", "reflect", "prefix", "signal"}


def _mirrored(byte: int) -> int:
    return int(f"{byte:08b}"[::-1], 2)
