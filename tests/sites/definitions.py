"""Messages of a drawn site, and the DBC files that define them. Every id and place comes from the dice."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, NamedTuple

from tests.sites.dice import Dice

BITS: Final = 64
NARROW: Final = range(0x080, 0x700)
WIDE: Final = range(0x0100_0000, 0x1800_0000)
"""Ranges that carry diagnostics on many buses (ISO 15765-4) are left out of both draws."""


class Code(NamedTuple):
    """How a number is put into bits: number = raw * factor + offset."""

    bits: int
    factor: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)
    signed: bool = False
    float32: bool = False

    def number(self, raw: int) -> float:
        """The number a raw one says."""
        return float(raw * self.factor + self.offset)

    @property
    def raws(self) -> tuple[int, int]:
        """Smallest and largest raw number."""
        if self.signed:
            return -(1 << self.bits - 1), (1 << self.bits - 1) - 1
        return 0, (1 << self.bits) - 1


FLOAT: Final = Code(32, signed=True, float32=True)


class Signal(NamedTuple):
    """One signal; `page` counts the pages of its message from 0, `None`: on every page."""

    name: str
    code: Code
    unit: str = ""
    page: int | None = None
    aligned: bool = False
    values: str = ""


@dataclass
class Message:
    """One message.

    Attributes:
        name, sender: as in the file.
        signals: without the page selector.
        cycle_ms: as the file states it, 0: not.
        pages: how many there are; 1 needs no selector.
        key: identifier, with the bit that a DBC sets for 29 bits.
        places: first bit and byte order of each signal, once drawn.
        numbers: numbers of the pages.
    """

    name: str
    sender: str
    signals: list[Signal]
    cycle_ms: int
    pages: int = 1
    key: int = 0
    length: int = 8
    places: dict[str, tuple[int, bool]] = field(default_factory=dict)
    numbers: list[int] = field(default_factory=list)

    def bits(self) -> int:
        """What its fullest page needs, with the selector."""
        always = sum(one.code.bits for one in self.signals if one.page is None)
        paged = [sum(s.code.bits for s in self.signals if s.page == page) for page in range(self.pages)]
        return always + max(paged) + (4 if self.pages > 1 else 0)


def code_for(
    dice: Dice, low: float, high: float, factors: Sequence[str], *, zero: bool = False, floats: float = 0.0
) -> Code:
    """A way to say every number from `low` to `high`, in steps of one of these factors.

    `zero`: 0 must be said exactly. `floats`: share of floating-point signals.
    """
    if dice.happens(floats):
        return FLOAT
    factor = Decimal(dice.pick(factors))
    lowest, highest = _floor(low, factor), -_floor(-high, factor)
    kind = dice.pick(("plain", "plain", "offset", "signed", "falling"))
    if kind == "falling":
        spare = factor * dice.below(20)
        return Code(_bits(highest - lowest + spare, factor) + dice.below(2), -factor, highest + spare)
    if kind == "signed" or (kind == "plain" and low < 0):
        most = max(abs(lowest), abs(highest)) * 2 + factor
        return Code(_bits(most, factor) + dice.below(2), factor, signed=True)
    if kind == "plain":
        return Code(_bits(highest, factor) + dice.below(3), factor)
    shift = lowest - factor * dice.below(40)
    if not zero and dice.happens(0.3):
        shift -= factor * Decimal("0.3")
    return Code(_bits(highest - shift, factor) + dice.below(2), factor, shift)


def _floor(number: float, factor: Decimal) -> Decimal:
    return (Decimal(str(round(number, 6))) / factor).to_integral_value("ROUND_FLOOR") * factor


def _bits(span: Decimal, factor: Decimal) -> int:
    return max(int(span / factor + 1).bit_length(), 2)


def place(dice: Dice, message: Message) -> None:
    """Draws a place for every signal, free of overlaps, and the numbers of the pages."""
    if message.pages > 1:
        message.signals.insert(0, Signal("page", Code(4)))
        message.numbers = sorted(dice.shuffled(range(16))[: message.pages])
    intel = dice.pick((True, False))
    mixed = dice.happens(0.2)
    for attempt in range(200):
        message.places = {}
        taken: dict[str, frozenset[int]] = {}
        for signal in _order(dice, message, attempt):
            little = dice.happens(0.5) if mixed and attempt < 50 else intel
            free = [
                (start, bits)
                for start in range(0, 8 * message.length)
                if (not signal.aligned or start % 8 == (0 if little else 7))
                and (bits := _covered(start, signal.code.bits, little, message.length)) is not None
                and not any(
                    bits & taken[other.name] for other in message.signals if _meet(other, signal, taken)
                )
            ]
            if not free:
                break
            start, bits = (
                dice.pick(free) if attempt < 20 else min(free, key=lambda one: _wire(one[0], little))
            )
            message.places[signal.name], taken[signal.name] = (start, little), bits
        else:
            return
    raise AssertionError(f"{message.name}: its signals do not fit")


def _wire(start: int, little: bool) -> int:
    """Position of a first bit in the order of sending."""
    return start if little else start // 8 * 8 + 7 - start % 8


def _order(dice: Dice, message: Message, attempt: int) -> list[Signal]:
    """Those on every page first; later the aligned and the long ones before the others."""
    drawn = dice.shuffled(message.signals)
    if attempt >= 20:
        drawn.sort(key=lambda one: (not one.aligned, -one.code.bits))
    return sorted(drawn, key=lambda one: one.page is not None)


def _meet(other: Signal, signal: Signal, taken: dict[str, frozenset[int]]) -> bool:
    return other.name in taken and (None in (other.page, signal.page) or other.page == signal.page)


def _covered(start: int, length: int, little: bool, size: int) -> frozenset[int] | None:
    """The bits of a signal as a DBC numbers them; `None` if they reach beyond the message."""
    if little:
        return frozenset(range(start, start + length)) if start + length <= 8 * size else None
    first = start // 8 * 8 + 7 - start % 8
    if first + length > 8 * size:
        return None
    return frozenset(8 * (n // 8) + 7 - n % 8 for n in range(first, first + length))


def draw_keys(dice: Dice, messages: Sequence[Message], taken: set[int], *, wide: bool) -> None:
    """Gives every message an identifier that no other has."""
    for message in messages:
        while message.key == 0 or message.key in taken:
            ids = WIDE if wide else NARROW
            message.key = ids[dice.below(len(ids))] | (0x8000_0000 if wide else 0)
        taken.add(message.key)


def dbc_text(messages: Sequence[Message], seed: int) -> str:
    """One file with these messages."""
    nodes = sorted({message.sender for message in messages} | {"Other"})
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(nodes)}", ""]
    for message in messages:
        lines.append(f"BO_ {message.key} {message.name}: {message.length} {message.sender}")
        lines += [_signal_line(message, signal) for signal in message.signals]
        lines.append("")
    lines.append(f'CM_ "Drawn by tests/sites from seed {seed}.";')
    lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;', 'BA_DEF_DEF_ "GenMsgCycleTime" 0;']
    lines += [f'BA_ "GenMsgCycleTime" BO_ {one.key} {one.cycle_ms};' for one in messages if one.cycle_ms]
    for message in messages:
        for signal in message.signals:
            if signal.values:
                lines.append(f"VAL_ {message.key} {signal.name} {signal.values} ;")
            if signal.code.float32:
                lines.append(f"SIG_VALTYPE_ {message.key} {signal.name} : 1;")
    return "\n".join([*lines, ""])


def _signal_line(message: Message, signal: Signal) -> str:
    start, little = message.places[signal.name]
    mark = "" if signal.page is None else f" m{message.numbers[signal.page]}"
    if signal.name == "page" and message.pages > 1:
        mark = " M"
    code = signal.code
    sign = "-" if code.signed else "+"
    coding = f"{start}|{code.bits}@{int(little)}{sign} ({code.factor:f},{code.offset:f})"
    return f' SG_ {signal.name}{mark} : {coding} [0|0] "{signal.unit}" Other'
