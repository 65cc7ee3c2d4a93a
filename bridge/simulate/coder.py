"""Frames as another device on the bus makes and reads them: by cantools, and with sums of its own.

Nothing here comes from `bridge.core.wire.codec` or `bridge.core.wire.checksum`, so that a mistake there does
not agree with itself.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final, NamedTuple, TypeVar

import cantools
from cantools.database.can import Database, Message, Signal

from bridge.frames import EXTENDED
from bridge.profile.schema_checksum import ChecksumRule

Raws = dict[str, int | float]
"""Raw number of each signal, as it stands in the frame."""


KEPT: Final = 4096
"""So many frames are remembered: cantools is slow, and a pack at rest repeats itself."""


class Page(NamedTuple):
    """One page of a message; a plain message has one.

    Attributes:
        selectors: raw number of each multiplexer signal that chooses it.
        names: all signals on it.
    """

    selectors: Mapping[str, int]
    names: frozenset[str]


class Coder:
    """One message of a DBC file.

    Attributes:
        name: of the message.
        key: of its frames, see `bridge.frames.Frame`.
        cycle_us: period the file states, 0 if it states none.
    """

    def __init__(self, message: Message) -> None:
        self._message = message
        self._signals: dict[str, Signal] = {signal.name: signal for signal in message.signals}
        self._places = {name: self._bits(name) for name in self._signals}
        self._grids = {name: self._grid(name) for name in self._signals}
        self._encoded: dict[tuple[object, ...], bytes] = {}
        self._checksums: dict[tuple[str, int, bytes], int] = {}
        self._decoded: dict[bytes, dict[str, float]] = {}
        self.name = message.name
        self.key = message.frame_id | (EXTENDED if message.is_extended_frame else 0)
        self.cycle_us = 1000 * (message.cycle_time or 0)

    def pages(self, wanted: Sequence[str]) -> tuple[Page, ...]:
        """The fewest pages, in order of their numbers, that show every wanted signal."""
        chains: list[dict[str, int]] = []
        for name in sorted(wanted, key=lambda one: -len(self._chain(one))):
            chain = {parent: ids[0] for parent, ids in reversed(self._chain(name))}
            if not any(chain.items() <= other.items() for other in chains):
                chains.append(chain)
        chains.sort(key=lambda chain: list(chain.values()))
        return tuple(self._page(chain) for chain in chains or [{}])

    def raw(self, name: str, number: float) -> int | float:
        """The nearest raw number a signal can hold for a physical number."""
        offset, scale, is_float, low, high = self._grids[name]
        raw = (number - offset) / scale
        return raw if is_float else min(max(round(raw), low), high)

    def number(self, name: str, raw: float) -> float:
        """The physical number of a raw one."""
        signal = self._signals[name]
        return raw * float(signal.scale) + float(signal.offset)

    def raw_span(self, name: str) -> tuple[int, int]:
        """Smallest and largest raw number a signal of whole numbers can hold."""
        return self._grids[name][3:]

    def is_float(self, name: str) -> bool:
        """Whether a signal holds a floating-point number."""
        return self._signals[name].is_float

    def encode(self, page: Page, raws: Mapping[str, int | float]) -> bytes:
        """The data of a frame of one page; signals not given are 0, those of other pages are left out."""
        key = (page.names, *page.selectors.items(), *raws.items())
        data = self._encoded.get(key)
        if data is None:
            full = {name: raws.get(name, 0) for name in page.names} | dict(page.selectors)
            data = self._message.encode(full, scaling=False, strict=False)
            keep(self._encoded, key, data)
        return data

    def decode(self, data: bytes) -> dict[str, float]:
        """Physical numbers of all signals in a frame. Raises cantools' errors for a frame it cannot read."""
        values = self._decoded.get(data)
        if values is None:
            decoded = self._message.decode(data, decode_choices=False)
            assert isinstance(decoded, dict)
            values = {name: float(value) for name, value in decoded.items()}  # type: ignore[arg-type]
            keep(self._decoded, data, values)
        return values

    def checksum(self, name: str, rule: ChecksumRule, data: bytes) -> int:
        """The checksum a frame should carry in the signal `name`, whose own bits count as 0."""
        key = (name, id(rule), data)
        right = self._checksums.get(key)
        if right is None:
            right = self._checksum(name, rule, data)
            keep(self._checksums, key, right)
        return right

    def _checksum(self, name: str, rule: ChecksumRule, data: bytes) -> int:
        blank = bytearray(data)
        own = set()
        for byte, bit in self._places[name]:
            own.add(byte)
            blank[byte] &= ~(1 << bit) & 0xFF
        over = [n for n in range(len(data)) if n not in own] if rule.over is None else rule.over
        taken = [blank[n] for n in over]
        if rule.by_counter is not None:
            chosen = rule.by_counter.bytes[self._raw_in(rule.by_counter.signal, data)]
            more = [chosen] if isinstance(chosen, int) else list(chosen)
            taken = taken + more if rule.by_counter.place == "after" else more + taken
        return checksum(rule, bytes([*rule.prefix, *taken, *rule.suffix]), len(self._places[name]))

    def _raw_in(self, name: str, data: bytes) -> int:
        """The raw number of a signal from 0 on, bit by bit."""
        places = self._places[name]
        if self._signals[name].byte_order == "little_endian":
            places = places[::-1]
        raw = 0
        for byte, bit in places:
            raw = raw * 2 + (data[byte] >> bit & 1)
        return raw

    def _grid(self, name: str) -> tuple[float, float, bool, int, int]:
        """Offset, scale, whether it is a floating-point number, smallest and largest raw number."""
        signal = self._signals[name]
        low, high = 0, (1 << signal.length) - 1
        if signal.is_signed:
            low, high = -(1 << signal.length - 1), (1 << signal.length - 1) - 1
        return float(signal.offset), float(signal.scale), signal.is_float, low, high

    def _bits(self, name: str) -> list[tuple[int, int]]:
        """(byte, bit) of every bit of a signal; a Motorola one starts at its highest bit."""
        signal = self._signals[name]
        places = []
        at = signal.start
        for _ in range(signal.length):
            places.append((at // 8, at % 8))
            if signal.byte_order == "little_endian":
                at += 1
            else:
                at = at - 1 if at % 8 else at + 15
        return places

    def _chain(self, name: str) -> list[tuple[str, list[int]]]:
        """The multiplexers above a signal, each with the numbers that show it."""
        chain = []
        signal = self._signals[name]
        while signal.multiplexer_signal is not None and signal.multiplexer_ids:
            chain.append((signal.multiplexer_signal, list(signal.multiplexer_ids)))
            signal = self._signals[signal.multiplexer_signal]
        return chain

    def _page(self, chosen: Mapping[str, int]) -> Page:
        selectors = dict(chosen)
        for name, signal in self._signals.items():  # a multiplexer nobody asked for shows its first page
            if signal.is_multiplexer and name not in selectors:
                below = [
                    ids[0] for one in self._signals for parent, ids in self._chain(one) if parent == name
                ]
                selectors[name] = min(below, default=0)
        names = {
            name
            for name in self._signals
            if all(selectors[parent] in ids for parent, ids in self._chain(name))
        }
        return Page({name: raw for name, raw in selectors.items() if name in names}, frozenset(names))


def checksum(rule: ChecksumRule, taken: bytes, width: int = 8) -> int:
    """The checksum over bytes, as the textbook does it, in a signal of so many bits.

    Raises:
        ValueError: this code does not know the rule; a guess would look like a fault of the program.
    """
    width = 8 if rule.algorithm.endswith("8") else rule.width or width
    match rule.algorithm:
        case "sum" | "sum8" | "xor" | "xor8":
            result = _put_together(rule, _pieces(rule, taken), width)
        case "crc" | "crc8":
            result = _remainder(rule, taken, width)
        case _:
            raise ValueError(f"checksum {rule.algorithm}: not known to the simulated devices")
    return result ^ rule.xor_out


def _pieces(rule: ChecksumRule, taken: bytes) -> list[int]:
    """What a sum is made of."""
    match rule.pieces:
        case "bytes":
            return list(taken)
        case "nibbles":
            return [int(digit, 16) for digit in taken.hex()]
        case "words_high_first":
            return [256 * taken[n] + taken[n + 1] for n in range(0, len(taken), 2)]
        case "words_low_first":
            return [taken[n] + 256 * taken[n + 1] for n in range(0, len(taken), 2)]
        case _:
            raise ValueError(f"pieces {rule.pieces}: not known to the simulated devices")


def _put_together(rule: ChecksumRule, numbers: list[int], width: int) -> int:
    """A sum or an exclusive or, folded where the rule says so."""

    def together(numbers: list[int], bits: int) -> int:
        result = 0
        for number in numbers:
            result = result + number if rule.kind == "sum" else result ^ number
        return int(result % 2**bits)

    if rule.folded_from is None:
        return together([rule.init, *numbers], width)
    whole = together([rule.init, *numbers], rule.folded_from)
    parts = []
    while whole:
        parts.append(whole % 2**width)
        whole //= 2**width
    return together(parts, width)


def _remainder(rule: ChecksumRule, taken: bytes, width: int) -> int:
    """The remainder of a long division by the polynomial, bit by bit as with paper and pencil."""
    bits_in, bits_out = rule.reflects
    bits = []
    for byte in taken:
        digits = [int(digit) for digit in f"{byte:08b}"]
        bits += digits[::-1] if bits_in else digits
    bits += [0] * width
    for place, one in enumerate(f"{rule.init:0{width}b}"):  # what it starts from is laid over the first bits
        bits[place] ^= int(one)
    divisor = [1, *(int(digit) for digit in f"{rule.polynomial or 0:0{width}b}")]
    for place in range(len(bits) - width):
        if bits[place]:
            for offset, digit in enumerate(divisor):
                bits[place + offset] ^= digit
    rest = bits[len(bits) - width :]
    return int("".join(map(str, rest[::-1] if bits_out else rest)), 2)


_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


def keep(memory: dict[_Key, _Value], key: _Key, value: _Value) -> None:
    """Remembers a value; forgets all of them first if there are `KEPT`."""
    if len(memory) >= KEPT:
        memory.clear()
    memory[key] = value


class Library:
    """Messages by file and name; each file is read once, by cantools."""

    def __init__(self) -> None:
        self._files: dict[Path, Database] = {}
        self._coders: dict[tuple[Path, str], Coder] = {}

    def coder(self, path: Path, message: str) -> Coder:
        """The coder of a message. Raises KeyError if the file has none of that name."""
        if (path, message) not in self._coders:
            if path not in self._files:
                database = cantools.database.load_file(path, database_format="dbc")
                assert isinstance(database, Database)
                self._files[path] = database
            self._coders[path, message] = Coder(self._files[path].get_message_by_name(message))
        return self._coders[path, message]
