"""Reading and writing the bits of one message."""

import struct
from dataclasses import replace
from math import isfinite

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.wire.codec import FLOATS, Decoder, Encoder, Field, MessageLayout, encode_raws
from bridge.core.wire.reader import number_of
from bridge.errors import FrameRefused, NotExpressible
from tests.core.layouts import dbc_text, judge, layouts, numbers, walk

PAIR = MessageLayout("Pair", 0x120, 4, (Field("low", 0, 16), Field("high", 23, 16, little_endian=False)))


def _paged() -> MessageLayout:
    """Outer selector 0 or 1; in page 1 an inner selector, whose pages 2 and 3 to 5 hold one field each."""
    outer = (("outer", frozenset({1})),)
    return MessageLayout(
        "Paged",
        0x121,
        8,
        (
            Field("outer", 0, 4),
            Field("always", 56, 8),
            Field("zero", 8, 16, mux=(("outer", frozenset({0})),)),
            Field("inner", 8, 10, mux=outer),
            Field("two", 24, 8, factor=0.5, mux=(*outer, ("inner", frozenset({2})))),
            Field("many", 24, 32, is_float=True, mux=(*outer, ("inner", frozenset({3, 4, 5})))),
        ),
    )


def _bits(value: float | int | None) -> bytes | int | None:
    return struct.pack("<d", value) if isinstance(value, float) else value


@pytest.mark.slow
@given(layouts(), st.binary(min_size=8, max_size=8))
def test_decodes_to_the_same_bits_as_cantools(layout: MessageLayout, eight: bytes) -> None:
    """Any layout, any data: the numbers cantools decodes, to the last bit; or refused if not finite."""
    data = eight[: layout.length]
    names = [field.name for field in layout.fields]
    expected = numbers(judge(dbc_text(layout), "M"), data)
    decode = Decoder(layout, names).decode
    if not all(isfinite(value) for value in expected.values()):
        with pytest.raises(FrameRefused, match="not a finite number"):
            decode(data)
        return
    assert [_bits(value) for value in decode(data)] == [_bits(expected[name]) for name in names]


@given(layouts(), st.binary(min_size=8, max_size=8))
def test_raws_are_those_of_a_bit_walk(layout: MessageLayout, eight: bytes) -> None:
    """Raw numbers agree with reading bit after bit, and encode to the same bits again."""
    data = eight[: layout.length]
    raws = {field.name: walk(field, data) for field in layout.fields}
    assert Decoder(layout, list(raws)).raws(data) == list(raws.values())
    again = encode_raws(layout, raws)
    assert {field.name: walk(field, again) for field in layout.fields} == raws
    assert len(again) == layout.length


@pytest.mark.slow
@given(layouts(), st.data())
def test_a_choice_of_signals_reads_like_all(layout: MessageLayout, source: st.DataObject) -> None:
    """Names in any order, left out or twice, give the same numbers as all of them."""
    data = bytes(layout.length)
    every = [field.name for field in layout.fields]
    names = source.draw(st.lists(st.sampled_from(every), max_size=12)) if every else []
    whole = dict(zip(every, Decoder(layout, every).decode(data), strict=True))
    assert Decoder(layout, names).decode(data) == [whole[name] for name in names]


@pytest.mark.parametrize("length", [0, 3, 5, 8])
def test_a_wrong_length_is_refused(length: int) -> None:
    """Neither short nor long frames are read, and the message is named."""
    decoder = Decoder(PAIR, ["low", "high"])
    for read in (decoder.decode, decoder.raws, Decoder(PAIR, []).decode):
        with pytest.raises(FrameRefused, match=rf"^Pair: {length} bytes received, the message has 4$"):
            read(bytes(length))


@pytest.mark.parametrize("length", [0, 7, 9])
def test_a_wrong_length_of_a_paged_message_is_refused(length: int) -> None:
    """The selector is not read from a frame of the wrong length either."""
    with pytest.raises(FrameRefused, match="the message has 8"):
        Decoder(_paged(), ["two", "zero"]).decode(bytes(length))


def test_an_unknown_signal_is_a_key_error() -> None:
    """A decoder or encoder for a signal the message lacks cannot be made."""
    for make in (Decoder, Encoder):
        with pytest.raises(KeyError, match="nothing"):
            make(PAIR, ["nothing"])


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("00 34 12 00 00 00 00 07", [0, 7, 0x1234, None, None, None]),
        ("01 02 00 05 00 00 00 07", [1, 7, None, 2, 2.5, None]),
        ("01 04 00 00 00 80 3F 07", [1, 7, None, 4, None, 1.0]),
        ("01 09 00 00 00 80 3F 07", [1, 7, None, 9, None, None]),
        ("02 02 00 05 00 00 00 07", [2, 7, None, None, None, None]),
        ("01 02 01 05 00 00 00 07", [1, 7, None, 258, None, None]),
        ("0F 02 00 05 00 00 00 FF", [15, 255, None, None, None, None]),
    ],
)
def test_pages(data: str, expected: list[float | None]) -> None:
    """Signals of other pages, and of pages nobody defined, are None; nested selectors both have to hold."""
    names = ["outer", "always", "zero", "inner", "two", "many"]
    decoder = Decoder(_paged(), names)
    assert decoder.decode(bytes.fromhex(data)) == expected
    there = [raw is not None for raw in decoder.raws(bytes.fromhex(data))]
    assert there == [value is not None for value in expected]


def test_a_page_is_found_without_its_selector_being_asked_for() -> None:
    """The selectors are looked at even if only a signal behind them is wanted."""
    assert Decoder(_paged(), ["two"]).decode(bytes.fromhex("0102000500000000")) == [2.5]


@pytest.mark.parametrize("pattern", ["0000C07F", "0000807F", "000080FF"])
def test_a_float_that_is_no_number_is_refused(pattern: str) -> None:
    """NaN and both infinities refuse the frame, naming message and signal."""
    data = bytes.fromhex("010300") + bytes.fromhex(pattern) + b"\0"
    with pytest.raises(FrameRefused, match=r"^Paged\.many: (nan|-?inf) received"):
        Decoder(_paged(), ["many"]).decode(data)


def test_a_float_scaled_beyond_all_floats_is_refused() -> None:
    """A finite float that its factor makes infinite is refused as well."""
    layout = MessageLayout("Big", 1, 8, (Field("x", 0, 64, is_float=True, factor=1000.0),))
    with pytest.raises(FrameRefused, match=r"Big\.x: inf"):
        Decoder(layout, ["x"]).decode(struct.pack("<d", 1e308))


@pytest.mark.parametrize(
    ("field", "raw"),
    [
        (Field("x", 0, 16), 70000),
        (Field("x", 0, 16), -10),
        (Field("x", 0, 16, signed=True), 32768),
        (Field("x", 0, 16, signed=True), -32769),
        (Field("x", 0, 1), 2),
    ],
)
def test_what_does_not_fit_never_wraps(field: Field, raw: int) -> None:
    """A raw number outside the field raises, chosen or constant, and the text gives the span."""
    layout = MessageLayout("Narrow", 1, 8, (field,))
    span = rf"^Narrow\.x: raw number {raw}; allowed {field.raw_min} to {field.raw_max}$"
    with pytest.raises(NotExpressible, match=span):
        encode_raws(layout, {"x": raw})
    with pytest.raises(NotExpressible, match=span):
        Encoder(layout, [], {"x": raw})


def test_constants_lie_under_the_chosen_fields() -> None:
    """Both byte orders in one frame; what is not named stays 0."""
    assert Encoder(PAIR, ["high"], {"low": 0x0102}).encode([0x0304]).hex() == "02010304"
    assert Encoder(PAIR, ["low"]).encode([0xFFFF]).hex() == "ffff0000"
    assert encode_raws(PAIR, {"high": 1}).hex() == "00000001"


def test_a_message_without_data_is_read_and_written() -> None:
    """Length 0, as a heartbeat may have."""
    layout = MessageLayout("Empty", 1, 0, ())
    assert Decoder(layout, []).decode(b"") == []
    assert encode_raws(layout, {}) == b""


def test_zero_has_no_sign() -> None:
    """Raw 0 by a negative factor is 0.0, as cantools has it, not -0.0, which would print and hash oddly."""
    layout = MessageLayout("Zero", 1, 4, (Field("x", 4, 16, factor=-0.1), Field("y", 24, 8, factor=-0.1)))
    assert [str(value) for value in Decoder(layout, ["x", "y"]).decode(bytes(4))] == ["0.0", "0.0"]


def test_a_factor_of_zero_says_zero() -> None:
    """Whatever the raw number, and as cantools has it."""
    layout = MessageLayout("Zero", 1, 4, (Field("x", 4, 16, factor=0), Field("y", 24, 8, factor=0)))
    assert Decoder(layout, ["x", "y"]).decode(b"\xff\xff\xff\xff") == [0, 0]


def test_fields_that_share_bits_are_each_read() -> None:
    """A layout made by hand may look at the same bytes twice."""
    layout = MessageLayout("Shared", 1, 2, (Field("word", 0, 16), Field("top", 8, 8), Field("mid", 4, 8)))
    assert Decoder(layout, ["word", "top", "mid"]).decode(b"\x34\x12") == [0x1234, 0x12, 0x23]


def test_a_reader_taken_before_the_first_frame_goes_on_reading() -> None:
    """It is compiled once, at the first frame, whoever holds the first reader."""
    decoder = Decoder(PAIR, ["low"])
    first = decoder.decode
    assert first(bytes([1, 0, 0, 0])) == [1]
    compiled = decoder.decode
    assert first(bytes([2, 0, 0, 0])) == [2]
    assert decoder.decode is compiled


PATTERNS = [bytes.fromhex(text) for text in ("0102030405060708", "ffffffffffffffff", "8000000000000080")]
PLACES = [
    *(Field("x", start, length) for start in range(17) for length in (1, 4, 8, 12, 16, 32)),
    *(
        Field("x", start, length, little_endian=False)
        for start in range(17)
        for length in (1, 4, 8, 12, 16, 32)
    ),
    *(Field("x", start, 64, start == 0) for start in (0, 7)),
    *(Field("x", start, length, start == 0, is_float=True) for start in (0, 7) for length in (16, 32, 64)),
]


def _meant(field: Field, data: bytes) -> float:
    """What a field says, by a bit walk and plain arithmetic."""
    raw: float = walk(field, data)
    if field.is_float:
        raw = FLOATS[field.length].unpack(walk(field, data).to_bytes(field.length // 8, "little"))[0]
    return raw * field.factor + field.offset


@pytest.mark.slow
@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize(
    ("factor", "offset"), [(1, 0), (2, 0), (0.5, 0), (1, 1), (1, -1), (0.5, -1), (-2, 0), (-1, 1)]
)
def test_every_place_and_scale_is_read(signed: bool, factor: float, offset: float) -> None:
    """One byte, whole words, and what lies across bytes, alone and beside one of the other byte order."""
    for place in PLACES if factor == 1 else [*PLACES[::9], *PLACES[-8:]]:
        field = replace(place, signed=signed, factor=factor, offset=offset)
        across = field.positions[-1] if field.length < 33 else 0
        for other in (Field("y", 48, 16), Field("y", 55, 16, little_endian=False), Field("y", across * 8, 8)):
            layout = MessageLayout("M", 1, 8, (field, other))
            decoder = Decoder(layout, ["x", "y"])
            for data in PATTERNS:
                meant = _meant(field, data)
                if isfinite(meant):
                    assert decoder.decode(data) == [meant, _meant(other, data)], field
                assert decoder.raws(data) == [walk(field, data), walk(other, data)]


def test_words_that_overlap_are_each_read() -> None:
    """Whatever their signs and wherever they begin."""
    word = Field("word", 0, 16)
    for other in (Field("x", 8, 16), Field("x", 0, 16, signed=True), Field("x", 7, 16, little_endian=False)):
        layout = MessageLayout("Shared", 1, 3, (word, other))
        for data in (b"\x34\x12\xff", b"\xff\xff\xff"):
            expected = [walk(word, data), walk(other, data)]
            assert Decoder(layout, ["word", "x"]).decode(data) == expected


@pytest.mark.parametrize("start", [16, 40, 56])
@pytest.mark.parametrize("signed", [False, True])
def test_a_selector_may_lie_anywhere_and_have_a_sign(start: int, signed: bool) -> None:
    """Its raw numbers choose the page, in `raws` as in `decode`; what is on the page may have a sign, too."""
    page = Field("page", start, 8, signed=signed)
    paged = Field("x", 4, 8, signed=True, mux=(("page", frozenset({-1 if signed else 255, 3})),))
    decoder = Decoder(MessageLayout("M", 1, 8, (page, paged)), ["page", "x"])
    for number, there in ((255, True), (3, True), (4, False)):
        data = bytearray(8)
        data[0], data[1], data[start // 8] = 0xF0, 0x0F, number
        expected = [number - 256 if signed and number > 127 else number, -1 if there else None]
        assert decoder.decode(bytes(data)) == expected
        assert decoder.raws(bytes(data)) == expected


@pytest.mark.parametrize("order", [True, False])
def test_what_is_written_lies_where_a_bit_walk_finds_it(order: bool) -> None:
    """Ends of the span included, as chosen number and as constant, beside a field of the other order."""
    for start in (0, 5, 18, 42, 47):
        field = Field("x", start, 4 if start % 8 < 5 else 3, order, signed=True)
        if not order:
            field = replace(field, start=start + 2 if start % 8 < 5 else start)
        for beside in (Field("y", 31, 16, little_endian=False), Field("y", 24, 16)):
            layout = MessageLayout("M", 1, 8, (field, beside))
            for raw in (field.raw_min, -1, 0, field.raw_max):
                for data in (
                    encode_raws(layout, {"x": raw, "y": 1}),
                    Encoder(layout, ["y"], {"x": raw}).encode([1]),
                ):
                    assert (walk(field, data), walk(beside, data)) == (raw, 1)
                    assert (
                        sum(data[i].bit_count() for i in range(8))
                        == 1 + (raw & 15 >> 4 - field.length).bit_count()
                    )


@pytest.mark.parametrize(
    ("field", "one_byte"),
    [
        (Field("x", 0, 8), True),
        (Field("x", 1, 8), False),
        (Field("x", 4, 4), True),
        (Field("x", 7, 8, little_endian=False), True),
        (Field("x", 6, 8, little_endian=False), False),
        (Field("x", 3, 4, little_endian=False), True),
        (Field("x", 2, 4, little_endian=False), False),
    ],
)
def test_a_field_within_a_byte_has_no_byte_order(field: Field, one_byte: bool) -> None:
    """Neither byte order is needed to read it."""
    assert field.one_byte is one_byte
    assert MessageLayout("M", 1, 8, (field,)).order == (
        "little" if one_byte or field.little_endian else "big"
    )


def test_the_span_of_raw_numbers() -> None:
    """Of bits, of two's complement, and of a bit pattern, whose sign is its own business."""
    spans = [
        (field.raw_min, field.raw_max)
        for field in (
            Field("x", 0, 4),
            Field("x", 0, 4, signed=True),
            Field("x", 0, 16, signed=True, is_float=True),
        )
    ]
    assert spans == [(0, 15), (-8, 7), (0, 65535)]
    assert Field("x", 0, 4).initial_raw == 0


@pytest.mark.parametrize("signed", [False, True])
@pytest.mark.parametrize("start", [0, 7])
def test_a_word_of_all_the_bytes_is_read_exactly(start: int, signed: bool) -> None:
    """64 bits, more than a float could hold."""
    word = Field("word", start, 64, start == 0, signed)
    for data in (*PATTERNS, bytes.fromhex("fedcba9876543210")):
        assert Decoder(MessageLayout("M", 1, 8, (word,)), ["word"]).decode(data) == [walk(word, data)]


def test_decoders_of_the_same_signals_of_the_same_message_are_equal() -> None:
    """Whether they have seen a frame or not; nothing else is equal to one."""
    one, same = Decoder(PAIR, ["low", "high"]), Decoder(PAIR, ("low", "high"))
    one.decode(bytes(4))
    assert one == same
    assert hash(one) == hash(same)
    others = (
        Decoder(PAIR, ["high", "low"]),
        Decoder(PAIR, ["low", "high"], finite=False),
        Decoder(replace(PAIR, length=5), ["low", "high"]),
        ("low", "high"),
    )
    assert all(one != other for other in others)


@pytest.mark.parametrize(
    "field",
    [
        Field("x", 0, 16, factor=0.1, offset=-40.0),
        Field("x", 0, 32, is_float=True, factor=2.0, offset=1.0),
        Field("x", 0, 64, is_float=True),
    ],
)
def test_the_number_of_a_raw_one_is_what_is_decoded_of_it(field: Field) -> None:
    """To the same bits, of integers and of bit patterns."""
    layout = MessageLayout("M", 1, 8, (field,))
    for raw in (0, 1, 0x42C8, field.raw_max >> 2):
        (decoded,) = Decoder(layout, ["x"]).decode(encode_raws(layout, {"x": raw}))
        assert _bits(decoded) == _bits(number_of(field, raw))
