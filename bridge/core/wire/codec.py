"""Bits of one CAN message to numbers and back, as a DBC file lays them out.

Two byte orders are read with one integer each: Intel (little-endian) fields count bits up from bit 0 of
byte 0, Motorola (big-endian) fields start at their most significant bit and run on into the next byte.
A layout that needs both is read from the data followed by the data reversed, so that every field of any
message is one shift and one mask away. Physical values of received frames, which are many, are read by
compiled code instead (`bridge.core.wire.reader`).
"""

from collections.abc import Mapping, Sequence

from bridge.core.wire.layout import FLOATS, Field, MessageLayout, Order
from bridge.core.wire.reader import Reading, reader
from bridge.errors import FrameRefused, NotExpressible

__all__ = ["FLOATS", "Decoder", "Encoder", "Field", "MessageLayout", "Order", "encode_raws"]


class Decoder:
    """Reads chosen signals of one message.

    Attributes:
        decode: takes the data of a frame, gives one entry for each name, in that order: the physical
            value, or None if the signal is not in the page this frame carries (no page is known for an
            unknown multiplexer value). Values are computed as cantools does, raw * factor + offset, to
            the same bits. Raises FrameRefused if the length is not the message's, or (unless that is left
            to whoever asks) a float is not a finite number.
    """

    __slots__ = ("_finite", "_flat", "_layout", "_names", "_order", "_rows", "decode")

    decode: Reading

    def __init__(self, layout: MessageLayout, names: Sequence[str], *, finite: bool = True) -> None:
        """Raises KeyError if the layout has no signal of one of the names."""
        self._layout = layout
        self._finite = finite
        self._order = layout.order
        self._rows = tuple(_row(layout, layout.field(name)) for name in names)
        plain = not any(conditions for *_, conditions in self._rows)
        self._flat = tuple(row[:3] for row in self._rows) if plain else None
        self._names = tuple(names)
        self.decode = self._first

    def _first(self, data: bytes) -> list[float | int | None]:
        """Compiles at the first frame: many decoders are made that never see one, and it takes a while."""
        if self.decode == self._first:
            self.decode = reader(self._layout, self._names, finite=self._finite)
        return self.decode(data)

    def __eq__(self, other: object) -> bool:
        """The same signals of the same message."""
        if not isinstance(other, Decoder):
            return NotImplemented
        mine = self._layout, self._names, self._finite
        return mine == (other._layout, other._names, other._finite)

    def __hash__(self) -> int:
        return hash((self._layout.name, self._names))

    def raws(self, data: bytes) -> list[int | None]:
        """Raw numbers of the chosen signals (of a float its bit pattern), None as in `decode`.

        Shares nothing with `decode`, so that each can be checked against the other.

        Raises:
            FrameRefused: the length is not the message's.
        """
        layout = self._layout
        if len(data) != layout.length:
            raise FrameRefused(f"{layout.name}: {len(data)} bytes received, the message has {layout.length}")
        n = _integer(data, self._order)
        if self._flat is not None:
            return [(n >> shift & mask ^ sign) - sign for shift, mask, sign in self._flat]
        out: list[int | None] = []
        for shift, mask, sign, conditions in self._rows:
            for (below, select, negative), raws in conditions:
                if ((n >> below & select ^ negative) - negative) not in raws:
                    out.append(None)
                    break
            else:
                out.append((n >> shift & mask ^ sign) - sign)
        return out


_Place = tuple[int, int, int]


def _place(layout: MessageLayout, field: Field) -> _Place:
    """(shift, mask, sign): ((n >> shift & mask) ^ sign) - sign is the raw number."""
    sign = 1 << (field.length - 1) if field.signed and not field.is_float else 0
    return layout.shift(field), (1 << field.length) - 1, sign


def _row(
    layout: MessageLayout, field: Field
) -> tuple[int, int, int, tuple[tuple[_Place, frozenset[int]], ...]]:
    conditions = tuple((_place(layout, layout.field(name)), raws) for name, raws in field.mux)
    return (*_place(layout, field), conditions)


def _integer(data: bytes, order: Order) -> int:
    return int.from_bytes(data + data[::-1], "little") if order == "both" else int.from_bytes(data, order)


class Encoder:
    """Places raw numbers for chosen fields of one message on top of constant ones.

    Bits of fields that are neither chosen nor constant are 0.
    """

    __slots__ = ("_base", "_layout", "_order", "_rows")

    def __init__(
        self, layout: MessageLayout, names: Sequence[str], constants: Mapping[str, int] | None = None
    ) -> None:
        """Raises KeyError for an unknown name, NotExpressible for a constant that does not fit."""
        self._layout = layout
        self._order = layout.order
        self._base = 0
        for name, raw in (constants or {}).items():
            field = layout.field(name)
            if not field.raw_min <= raw <= field.raw_max:
                raise _does_not_fit(layout, field, raw)
            self._base |= (raw & (1 << field.length) - 1) << layout.shift(field)
        fields = tuple(layout.field(name) for name in names)
        self._rows = tuple((f.raw_min, f.raw_max, (1 << f.length) - 1, layout.shift(f), f) for f in fields)

    def encode(self, raws: Sequence[int]) -> bytes:
        """The data of a frame with the raw numbers in the chosen fields, in the order of the names.

        Raises:
            NotExpressible: a number does not fit its field. Nothing ever wraps.
        """
        n = self._base
        for raw, (low, high, mask, shift, field) in zip(raws, self._rows, strict=True):
            if not low <= raw <= high:
                raise _does_not_fit(self._layout, field, raw)
            n |= (raw & mask) << shift
        length = self._layout.length
        if self._order != "both":
            return n.to_bytes(length, self._order)
        bits = 8 * length
        intel = (n & (1 << bits) - 1).to_bytes(length, "little")
        motorola = (n >> bits).to_bytes(length, "big")
        return bytes(a | b for a, b in zip(intel, motorola, strict=True))


def _does_not_fit(layout: MessageLayout, field: Field, raw: int) -> NotExpressible:
    return NotExpressible(
        f"{layout.name}.{field.name}: raw number {raw}; allowed {field.raw_min} to {field.raw_max}"
    )


def encode_raws(layout: MessageLayout, raws: Mapping[str, int]) -> bytes:
    """The data of a frame with these raw numbers and every other bit 0.

    Raises:
        KeyError: the layout has no signal of one of the names.
        NotExpressible: a number does not fit its field.
    """
    return Encoder(layout, tuple(raws)).encode(tuple(raws.values()))
