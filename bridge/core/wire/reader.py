"""Compiled readers of received frames: one straight line of code for each page of a message.

Why code is generated here and nowhere else: a loop over rows of shift, mask, factor and offset is 2.0 to
2.6 times as fast as cantools (whose bit unpacking is in C), generated code 6 to 9 times
(tests/bench/bench_codec.py). The source is made of numbers and of names made here, of nothing that a file
says.

A field is read in one of three ways. Within one byte: from a table of its 256 answers. Whole bytes of a
size that `struct` knows, in the byte order most such fields have: by `struct`. All others: put together
from their bytes.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isfinite
from struct import Struct
from struct import error as StructError
from typing import NoReturn, cast

from bridge.core.wire.layout import FLOATS, Field, MessageLayout
from bridge.errors import FrameRefused

Reading = Callable[[bytes], list[float | int | None]]
"""Data of a frame to one value for each chosen signal, None for those not in it."""

_SIGNED = {16: "h", 32: "i", 64: "q"}
_UNSIGNED = {16: "H", 32: "I", 64: "Q"}
_FLOAT = {16: "e", 32: "f", 64: "d"}


def reader(layout: MessageLayout, names: Sequence[str], *, finite: bool = True) -> Reading:
    """A reader of the signals of these names. Raises KeyError if the layout lacks one.

    With `finite` it refuses a frame with a float that is no finite number.
    """
    return _branch(layout, [layout.field(name) for name in names], {}, {}, finite)


def number_of(field: Field, raw: int) -> float:
    """What a reader makes of a raw number (of a float's bit pattern), to the same bits."""
    factor, offset = _linear(field)
    if field.is_float:
        raw_bytes = raw.to_bytes(field.length // 8, "little")
        return float(FLOATS[field.length].unpack(raw_bytes)[0]) * factor + offset
    return raw * factor + offset


def _branch(
    layout: MessageLayout,
    fields: Sequence[Field],
    known: dict[str, int | None],
    made: dict[tuple[bool, ...], Reading],
    finite: bool,
) -> Reading:
    """The reader once the multiplexers in `known` have their raw numbers, None for one in no chain."""
    for field in fields:
        for name, raws in field.mux:
            if name not in known:
                return _choice(layout, fields, layout.field(name), known, made, finite)
            if known[name] not in raws:
                break
    there = tuple(all(known[name] in raws for name, raws in field.mux) for field in fields)
    if there not in made:
        chosen = [field if here else None for field, here in zip(fields, there, strict=True)]
        made[there] = _compiled(layout, chosen, finite=finite)
    return made[there]


def _choice(
    layout: MessageLayout,
    fields: Sequence[Field],
    selector: Field,
    known: dict[str, int | None],
    made: dict[tuple[bool, ...], Reading],
    finite: bool,
) -> Reading:
    """A reader that looks at one multiplexer and goes on to the reader of its page."""
    ids = frozenset[int]().union(
        *(raws for field in fields for name, raws in field.mux if name == selector.name)
    )
    other = _branch(layout, fields, {**known, selector.name: None}, made, finite)
    pages: dict[float | int | None, Reading] = {
        raw: _branch(layout, fields, {**known, selector.name: raw}, made, finite) for raw in ids
    }
    length = layout.length
    if selector.one_byte:
        position = selector.start // 8
        by_byte = [pages.get(_share(selector, 0, byte), other) for byte in range(256)]

        def read_byte(data: bytes) -> list[float | int | None]:
            if len(data) != length:
                _refuse_length(layout, data)
            return by_byte[data[position]](data)

        return read_byte
    raw_of = _compiled(layout, [replace(selector, factor=1, offset=0)])

    def read(data: bytes) -> list[float | int | None]:
        return pages.get(raw_of(data)[0], other)(data)

    return read


def _refuse_length(layout: MessageLayout, data: bytes) -> NoReturn:
    raise FrameRefused(f"{layout.name}: {len(data)} bytes received, the message has {layout.length}")


def _share(field: Field, index: int, byte: int) -> int:
    """What a byte adds to the raw number of a field as the `index`th of its bytes, the lowest being 0th."""
    low = (field.start if field.little_endian else field.start - field.length + 1) % 8
    share = (byte << 8 * index >> low) & (1 << field.length) - 1
    return share - (1 << field.length) if share > field.raw_max else share


def _linear(field: Field) -> tuple[int | float, int | float]:
    """Factor and offset; as integers if both are whole, which keeps 64-bit values exact."""
    factor, offset = float(field.factor), float(field.offset)
    if factor.is_integer() and offset.is_integer() and not field.is_float:
        return int(field.factor), int(field.offset)
    return factor, offset


def _compiled(layout: MessageLayout, fields: Sequence[Field | None], *, finite: bool = True) -> Reading:
    """Straight-line code for these fields, None for those that are not in the frame."""
    unpacker, targets, units = _unpacking(layout, [field for field in fields if field is not None])
    scope: dict[str, object] = {"__builtins__": {}, "isfinite": isfinite, "StructError": StructError}
    scope |= {f"float{length}": form.unpack for length, form in FLOATS.items()}
    checks, results = [], []
    for index, field in enumerate(fields):
        if field is None:
            results.append("None")
        elif field.one_byte:
            factor, offset = _linear(field)
            scope[f"t{index}"] = tuple(_share(field, 0, byte) * factor + offset for byte in range(256))
            results.append(f"t{index}[b{field.start // 8}]")
        elif field.is_float:
            bits = f"({_joined(field, index, scope)}).to_bytes({field.length // 8}, 'little')"
            value = _scaled(field, units.get(field) or f"float{field.length}({bits})[0]")
            results.append(f"f{index}")
            checks.append(f"    f{index} = {value}\n")
            if finite:
                checks.append(f"    if not isfinite(f{index}): odd({index}, f{index})\n")
        else:
            raw = units.get(field) or f"({_joined(field, index, scope)})"
            results.append(_scaled(field, raw))

    def odd(index: int, value: float) -> NoReturn:
        name = getattr(fields[index], "name", "")
        raise FrameRefused(f"{layout.name}.{name}: {value} received, not a finite number")

    def wrong(data: bytes) -> NoReturn:
        _refuse_length(layout, data)

    scope |= {"unpack": unpacker.unpack, "odd": odd, "wrong": wrong}
    source = (
        "def read(data):\n"
        f"    try: {targets}unpack(data)\n"
        "    except StructError: wrong(data)\n"
        f"{''.join(checks)}"
        f"    return [{', '.join(results)}]\n"
    )
    exec(source, scope)
    return cast(Reading, scope["read"])


def _unpacking(layout: MessageLayout, fields: Sequence[Field]) -> tuple[Struct, str, dict[Field, str]]:
    """How the data is taken apart: the format, the variables for it, and which fields are whole ones."""
    covered = Counter(position for field in fields for position in field.positions)
    whole = [f for f in fields if _is_whole(f) and all(covered[p] == 1 for p in f.positions)]
    little = 2 * sum(field.little_endian for field in whole) >= len(whole)
    units = {field: f"u{min(field.positions)}" for field in whole if field.little_endian is little}
    first = {min(field.positions): field for field in units}
    inside = {position for field in units for position in field.positions}
    form, variables = "<" if little else ">", []
    for position in range(layout.length):
        if position in first:
            field = first[position]
            form += (_FLOAT if field.is_float else _SIGNED if field.signed else _UNSIGNED)[field.length]
            variables.append(units[field])
        elif position not in inside:
            form += "B" if position in covered else "x"
            if position in covered:
                variables.append(f"b{position}")
    return Struct(form), f"({', '.join(variables)},) = " if variables else "", units


def _is_whole(field: Field) -> bool:
    return field.length in FLOATS and field.start % 8 == (0 if field.little_endian else 7)


def _joined(field: Field, index: int, scope: dict[str, object]) -> str:
    """Raw number of a field from the variables of its bytes, each through a table put into the scope."""
    terms = []
    for place, position in enumerate(field.positions):
        shares = tuple(_share(field, place, byte) for byte in range(256))
        if shares == tuple(range(256)):
            terms.append(f"b{position}")
        else:
            scope[f"t{index}_{place}"] = shares
            terms.append(f"t{index}_{place}[b{position}]")
    return " + ".join(terms)


def _scaled(field: Field, raw: str) -> str:
    factor, offset = _linear(field)
    if factor == 1 and offset == 0:
        return raw
    # + 0 is left out where it changes nothing: it turns -0.0 into 0.0
    return f"{raw} * {factor!r}" if offset == 0 and factor > 0 else f"{raw} * {factor!r} + {offset!r}"
