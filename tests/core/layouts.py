"""Random message layouts, and the same layouts as cantools understands them, as an independent judge."""

from collections.abc import Mapping
from fractions import Fraction

import cantools
from cantools.database.can import Database, Message
from hypothesis import strategies as st

from bridge.core.wire.codec import Field, MessageLayout
from bridge.frames import EXTENDED

FACTORS = (1, 2, -1, 0.1, 0.01, 0.025, 0.001, 1e-05, 0.5, 0.125, -0.1, -0.25, 1.0, 3.0)
OFFSETS = (0, 0, 0, -40, 100, 250.5, -1000, 0.05, 0.0)


def dbc_text(*layouts: MessageLayout) -> str:
    """A DBC file of these messages."""
    lines, types = ['VERSION ""', "BU_: Cabin"], []
    for layout in layouts:
        lines.append(f"BO_ {layout.key} {layout.name}: {layout.length} Cabin")
        for field in layout.fields:
            order, sign = int(field.little_endian), "-" if field.signed else "+"
            low, high = field.minimum or 0, field.maximum or 0
            place = f"{field.start}|{field.length}@{order}{sign}"
            scaling = f"({field.factor!r},{field.offset!r}) [{low!r}|{high!r}]"
            lines.append(f' SG_ {field.name} : {place} {scaling} "{field.unit}" Cabin')
            if field.is_float:
                kind = 2 if field.length == 64 else 1
                types.append(f"SIG_VALTYPE_ {layout.key} {field.name} : {kind};")
    return "\n".join([*lines, *types, ""])


def judge(text: str, name: str) -> Message:
    """The message of that name as cantools reads it."""
    database = cantools.database.load_string(text, "dbc")
    assert isinstance(database, Database)
    return database.get_message_by_name(name)


def numbers(message: Message, data: bytes) -> Mapping[str, float]:
    """What cantools decodes, texts of value tables left out."""
    decoded = message.decode(data, decode_choices=False)
    assert isinstance(decoded, dict)
    return {str(name): value for name, value in decoded.items() if isinstance(value, int | float)}


def bits_of(field: Field) -> frozenset[int]:
    """Positions of the bits of a field, lowest first walk, counted as a DBC does."""
    bits, bit = [], field.start
    for _ in range(field.length):
        bits.append(bit)
        if field.little_endian:
            bit += 1
        else:
            bit = bit + 15 if bit % 8 == 0 else bit - 1
    return frozenset(bits)


def walk(field: Field, data: bytes) -> int:
    """Raw number of a field, one bit after the other: slow, plain, and independent of the codec."""
    raw, bit = 0, field.start
    for index in range(field.length):
        value = data[bit // 8] >> bit % 8 & 1
        if field.little_endian:
            raw |= value << index
            bit += 1
        else:
            raw = raw << 1 | value
            bit = bit + 15 if bit % 8 == 0 else bit - 1
    if field.signed and not field.is_float and raw >> (field.length - 1):
        raw -= 1 << field.length
    return raw


@st.composite
def fields(draw: st.DrawFn, length: int, name: str) -> Field:
    """One field somewhere in, or partly outside, a message of so many bytes."""
    is_float = draw(st.integers(0, 9)) == 0
    bits = draw(st.sampled_from((16, 32, 64))) if is_float else draw(st.integers(1, min(64, 8 * length)))
    if not is_float and draw(st.booleans()):
        bits = draw(st.sampled_from((8, 12, 16, 32)))
    little = draw(st.booleans())
    start = draw(st.integers(0, 8 * length - 1))
    if draw(st.booleans()):
        start = start // 8 * 8 + (0 if little else 7)
    factor, offset = draw(st.sampled_from(FACTORS)), draw(st.sampled_from(OFFSETS))
    return Field(name, start, bits, little, draw(st.booleans()), is_float, factor, offset)


@st.composite
def layouts(draw: st.DrawFn) -> MessageLayout:
    """A message of 1 to 8 bytes with fields of both byte orders that do not overlap."""
    length = draw(st.integers(1, 8))
    taken: set[int] = set()
    kept: list[Field] = []
    for index in range(draw(st.integers(1, 10))):
        field = draw(fields(length, f"s{index}"))
        bits = bits_of(field)
        if max(bits) < 8 * length and not bits & taken:
            taken |= bits
            kept.append(field)
    key = draw(st.integers(0, 0x7FF)) if draw(st.booleans()) else draw(st.integers(0, 2**29 - 1)) | EXTENDED
    return MessageLayout("M", key, length, tuple(kept))


def decimal(number: float) -> Fraction:
    """The decimal a float was written as."""
    return Fraction(repr(number))
