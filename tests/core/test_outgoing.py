"""Frames that are sent: pages, counters, checksums, and the read-back before a frame leaves."""

from collections.abc import Mapping
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.wire.checksum import Checksum, Chosen
from bridge.core.wire.codec import Decoder, Field, MessageLayout
from bridge.core.wire.frame_maker import FrameMaker
from bridge.core.wire.grid import Grid
from bridge.core.wire.outgoing import (
    ChecksumItem,
    CounterItem,
    FixedItem,
    FlagItem,
    FrameBuilder,
    Item,
    QuantityItem,
    Transmission,
)
from bridge.errors import NeverSeen, NotExpressible
from bridge.quantities import QUANTITIES, Rounding
from tests.core.layouts import dbc_text, judge, numbers

CEILING, CURRENT, FLOOR = "charge_voltage_limit", "charge_current_limit", "discharge_voltage_floor"
FIELDS = (
    Field("ceiling", 0, 16, factor=0.025),
    Field("current", 19, 12, little_endian=False, factor=0.1),
    Field("spare", 20, 3, initial_raw=5),
    Field("floor", 32, 12, factor=0.05),
    Field("allowed", 44, 2),
    Field("count", 48, 4),
    Field("check", 56, 8),
)
LIMITS = MessageLayout("Limits", 0x2A1, 8, FIELDS)
CRC = Checksum("crc8", tuple(range(7)), polynomial=0x1D, init=0xFF, xor_out=0xFF, prefix=b"\xa1")


def _quantity(field: Field, quantity: str, absent_raw: int | None = None) -> QuantityItem:
    return QuantityItem(field.name, quantity, Grid(field, rounding=QUANTITIES[quantity].rounding), absent_raw)


def _items(absent_raw: int | None = None) -> tuple[Item, ...]:
    return (
        _quantity(FIELDS[0], CEILING, absent_raw),
        _quantity(FIELDS[1], CURRENT),
        _quantity(FIELDS[3], FLOOR),
        FlagItem("allowed", "charge_allowed", 2, 1, 3),
        CounterItem("count", 15),
        ChecksumItem("check", CRC),
    )


def _sent(layout: MessageLayout, *pages: tuple[Item, ...]) -> Transmission:
    return Transmission("limits", "inverter", layout, 100_000, 0, pages)


VALUES: dict[str, float | None] = {CEILING: 56.013, CURRENT: 99.99, FLOOR: 48.01, "charge_allowed": 1}


def test_a_frame_is_made_of_its_items() -> None:
    """Limits on their safe side, the flag, the initial value of what is not mapped, counter and checksum."""
    frame = FrameBuilder(_sent(LIMITS, _items())).build(VALUES)
    assert (frame.bus, frame.key) == ("inverter", 0x2A1)
    seen = numbers(judge(dbc_text(LIMITS), "Limits"), frame.data)
    expected = {"ceiling": 56.0, "current": 99.9, "floor": 48.05, "allowed": 2, "spare": 5, "count": 0}
    assert {name: seen[name] for name in expected} == pytest.approx(expected)
    assert seen["check"] == CRC.compute(frame.data)


@given(
    st.floats(0, 1700), st.floats(0, 5000), st.floats(0, 204), st.sampled_from(((0, 1), (1, 2), (None, 3)))
)
def test_an_independent_decoder_never_sees_a_looser_limit(
    ceiling: float, current: float, floor: float, flag: tuple[int | None, int]
) -> None:
    """Ceilings come out at or below, the floor at or above what was asked for, to the millionth."""
    values = {CEILING: ceiling, CURRENT: current, FLOOR: floor, "charge_allowed": flag[0]}
    frame = FrameBuilder(_sent(LIMITS, _items())).build(values)
    seen = numbers(judge(dbc_text(LIMITS), "Limits"), frame.data)
    assert round(seen["ceiling"] * 1e6) <= round(ceiling * 1e6)
    assert round(seen["current"] * 1e6) <= round(current * 1e6)
    assert round(seen["floor"] * 1e6) >= round(floor * 1e6)
    assert seen["allowed"] == flag[1]


def test_the_counter_runs_through_its_modulo() -> None:
    """0 to 14, then 0 again, and the checksum covers it."""
    builder = FrameBuilder(_sent(LIMITS, _items()))
    frames = [builder.build(VALUES) for _ in range(17)]
    assert [Decoder(LIMITS, ["count"]).raws(frame.data) for frame in frames] == [[n % 15] for n in range(17)]
    assert all(frame.data[7] == CRC.compute(frame.data) for frame in frames)


def test_a_frame_that_cannot_be_built_moves_nothing() -> None:
    """After a refusal the next frame carries the counter the refused one would have had."""
    builder = FrameBuilder(_sent(LIMITS, _items()))
    builder.build(VALUES)
    with pytest.raises(NotExpressible, match=r"^Limits\.floor: 250\.0 cannot be sent; allowed 0 to 204\.75$"):
        builder.build({**VALUES, FLOOR: 250.0})
    assert Decoder(LIMITS, ["count"]).raws(builder.build(VALUES).data) == [1]


@pytest.mark.parametrize("values", [{**VALUES, CURRENT: None}, {CEILING: 56.0}])
def test_a_withheld_limit_without_a_number_for_it_is_refused(values: dict[str, float | None]) -> None:
    """None and absent are the same, and neither ever becomes 0 or an old value."""
    with pytest.raises(NeverSeen, match=r"^Limits\.current: charge_current_limit not seen yet$"):
        FrameBuilder(_sent(LIMITS, _items())).build(values)


def test_a_withheld_limit_sends_the_number_for_it() -> None:
    """The raw number the profile gives for `not available`, whatever side it is on."""
    frame = FrameBuilder(_sent(LIMITS, _items(absent_raw=0xFFFF))).build({**VALUES, CEILING: None})
    assert Decoder(LIMITS, ["ceiling"]).raws(frame.data) == [0xFFFF]


@pytest.mark.parametrize("value", [0.5, 2, float("nan")])
def test_a_flag_is_0_or_1_and_nothing_else(value: float) -> None:
    """A permission that is neither is not sent as permitted, nor at all."""
    with pytest.raises(
        NotExpressible, match=r"^Limits\.allowed: charge_allowed is (0\.5|2|nan); allowed 0 or 1"
    ):
        FrameBuilder(_sent(LIMITS, _items())).build({**VALUES, "charge_allowed": value})


class _Loose(Grid):
    """A grid with a fault: one step too high."""

    def to_raw(self, value: float) -> int:
        """One more than right."""
        return super().to_raw(value) + 1


def test_a_frame_with_a_looser_limit_does_not_leave() -> None:
    """Were the rounding ever at fault, the read-back stops the frame."""
    item = QuantityItem("ceiling", CEILING, _Loose(FIELDS[0], rounding=Rounding.DOWN))
    with pytest.raises(NotExpressible, match=r"^Limits\.ceiling: 56\.025 would be sent; allowed: 56\.013"):
        FrameBuilder(_sent(LIMITS, (item,))).build(VALUES)


def test_overlapping_signals_do_not_leave() -> None:
    """A layout made by hand whose fields share bits is caught by the read-back."""
    layout = MessageLayout("Twice", 1, 1, (Field("one", 0, 4), Field("two", 2, 4)))
    with pytest.raises(NotExpressible, match="reads back as"):
        FrameBuilder(_sent(layout, (FixedItem("one", 15), FixedItem("two", 0)))).build({})


PAGED = MessageLayout(
    "Paged",
    0x8000_0123,
    4,
    (
        Field("page", 0, 8),
        Field("count", 24, 8),
        Field("ceiling", 8, 16, factor=0.1, mux=(("page", frozenset({0})),)),
        Field("text", 8, 16, mux=(("page", frozenset({1, 2})),)),
        Field("rest", 8, 16, mux=(("page", frozenset({3})),), initial_raw=9),
    ),
)


def _paged() -> FrameBuilder:
    counter = CounterItem("count", 256, 2)
    ceiling = _quantity(PAGED.field("ceiling"), CEILING)
    return FrameBuilder(
        _sent(
            PAGED,
            (FixedItem("page", 0), ceiling, counter),
            (FixedItem("page", 2), FixedItem("text", 0x4241), counter),
            (FixedItem("page", 3), counter),
        )
    )


def test_pages_are_sent_in_turn() -> None:
    """Each call makes the next page; signals of a page nobody maps carry their initial value."""
    builder = _paged()
    frames = [builder.build({CEILING: 50.0}) for _ in range(4)]
    assert [frame.data.hex() for frame in frames] == ["00f40100", "02414202", "03090004", "00f40106"]
    assert all(frame.key == 0x8000_0123 for frame in frames)


def test_a_page_that_cannot_be_built_is_tried_again() -> None:
    """A refused page is not skipped: the next call makes that page."""
    builder = _paged()
    with pytest.raises(NotExpressible, match=r"^Paged\.ceiling: charge_voltage_limit not seen yet"):
        builder.build({})
    assert builder.build({CEILING: 50.0}).data.hex() == "00f40100"


@pytest.mark.parametrize(
    ("items", "text"),
    [
        ((FixedItem("page", 1), FixedItem("rest", 0)), r"Paged\.rest: not on this page"),
        (
            (FixedItem("page", 0), CounterItem("page", 4)),
            r"Paged\.page: not on this page; allowed, once each",
        ),
        ((FixedItem("none", 0),), r"Paged\.none: no such signal"),
        ((FixedItem("page", 256),), r"Paged\.page: raw number 256; allowed 0 to 255"),
        ((CounterItem("count", 257, 1), FixedItem("page", 0)), r"Paged\.count: raw number 256"),
        ((FlagItem("count", "alarm", 1, 0, -1), FixedItem("page", 0)), r"raw number -1; allowed 0 to 255"),
    ],
)
def test_items_that_do_not_fit_make_no_builder(items: tuple[Item, ...], text: str) -> None:
    """Found when the profile is compiled, not when the frame is due."""
    with pytest.raises(NotExpressible, match=text):
        FrameBuilder(_sent(PAGED, items))


def test_a_checksum_needs_eight_bits() -> None:
    """Seven bits cannot hold every checksum."""
    layout = MessageLayout("Short", 1, 1, (Field("check", 0, 7),))
    with pytest.raises(NotExpressible, match="raw number 255; allowed 0 to 127"):
        FrameBuilder(_sent(layout, (ChecksumItem("check", Checksum("sum8", ())),)))


def test_limits_and_permissions_have_a_safe_side() -> None:
    """A message of measurements carries no limits; one with a permission does."""
    shown = QuantityItem("ceiling", "state_of_charge", Grid(FIELDS[0], rounding=Rounding.NEAREST))
    assert not _sent(LIMITS, (shown, CounterItem("count", 4))).carries_limits
    assert _sent(LIMITS, (FlagItem("allowed", "discharge_allowed", 1, 0),)).carries_limits
    assert _sent(LIMITS, _items()).carries_limits
    assert _sent(LIMITS, (shown, FlagItem("allowed", "discharge_allowed", 1, 0))).carries_limits


def test_scaled_quantities_are_read_back_in_their_own_unit() -> None:
    """A limit in mV is checked against the value in V."""
    grid = Grid(FIELDS[0], scale=Fraction(1000, 50), rounding=Rounding.DOWN)
    frame = FrameBuilder(_sent(LIMITS, (QuantityItem("ceiling", CEILING, grid),))).build({CEILING: 3.2})
    assert Decoder(LIMITS, ["ceiling"]).raws(frame.data) == [2560]


def test_a_checksum_takes_its_own_bits_as_0() -> None:
    """Even one that covers the byte it stands in."""
    layout = MessageLayout("Short", 0x2A3, 2, (Field("raw", 0, 8), Field("check", 8, 8)))
    items = (FixedItem("raw", 7), ChecksumItem("check", Checksum("sum8", (0, 1), init=1)))
    assert FrameBuilder(_sent(layout, items)).build({}).data == bytes([7, 8])


def _two_sums(*over: tuple[int, ...]) -> tuple[ChecksumItem, ...]:
    """Checksums in bytes 1 and 2 of a message, over these bytes each."""
    return tuple(
        ChecksumItem(f"check_{n}", Checksum("sum8", covered, own=((n, 0),) if n in covered else ()))
        for n, covered in enumerate(over, 1)
    )


def test_a_checksum_over_another_comes_after_it() -> None:
    """Whichever stands first: each is right over the finished frame."""
    layout = MessageLayout(
        "Twice", 0x2A4, 3, (Field("raw", 0, 8), Field("check_1", 8, 8), Field("check_2", 16, 8))
    )
    for over in (((0,), (0, 1)), ((0, 2), (0,)), ((0,), (0,))):
        items = _two_sums(*over)
        frame = FrameBuilder(_sent(layout, (FixedItem("raw", 7), *items))).build({})
        for n, item in enumerate(items, 1):
            assert frame.data[n] == item.checksum.compute(frame.data)
    with pytest.raises(NotExpressible, match="checksums check_1, check_2 cover each other; allowed: one way"):
        FrameBuilder(_sent(layout, _two_sums((0, 2), (1, 0))))


CHOOSING = MessageLayout(
    "Choosing", 0x2A5, 3, (Field("many", 0, 4), Field("few", 4, 4), Field("check", 8, 16))
)


def _choosing(counter: str, *ids: bytes) -> ChecksumItem:
    """A checksum of the first byte and of bytes that a counter chooses."""
    return ChecksumItem("check", Checksum("sum", (0,), width=16, chosen=Chosen(ids)), counter)


def test_a_counter_chooses_bytes_of_a_checksum() -> None:
    """The one that is named, by the number of this very frame."""
    ids = (b"\x10", b"\x20\x01", b"\xf0")
    counters = CounterItem("many", 16), CounterItem("few", 3, 2)
    flag = FlagItem("many", "alarm", 1, 0)
    for items in ((*counters, _choosing("few", *ids)), (flag, counters[1], _choosing("few", *ids))):
        builder = FrameBuilder(_sent(CHOOSING, items))
        for count in (0, 2, 1, 0):
            data = builder.build({"alarm": 1.0}).data
            assert data[0] >> 4 == count
            assert data[1] + 256 * data[2] == data[0] + sum(ids[count])


@pytest.mark.parametrize(
    ("counters", "text"),
    [
        ((), r"Choosing\.check: no counter few on its page; allowed: one"),
        ((CounterItem("many", 2),), r"no counter few on its page"),
        ((CounterItem("few", 3),), "Choosing: few counts to 2; allowed: to 1"),
    ],
)
def test_a_chosen_checksum_needs_its_counter(counters: tuple[Item, ...], text: str) -> None:
    """On the page, and counting no further than there are bytes."""
    with pytest.raises(NotExpressible, match=text):
        FrameBuilder(_sent(CHOOSING, (*counters, _choosing("few", b"\x01", b"\x02"))))


def test_the_same_values_are_not_encoded_twice_unless_something_counts() -> None:
    """The very same frame for the same object of values; pages and counters go on."""
    plain, counting = _items()[:4], _items()
    pages = tuple((FixedItem("page", page), FixedItem("text", 0)) for page in (1, 2))
    maker = FrameMaker([_sent(LIMITS, plain), _sent(LIMITS, counting), _sent(PAGED, *pages)])
    first = [maker.make(i, VALUES) for i in range(3)]
    again = [maker.make(i, VALUES) for i in range(3)]
    assert again[0] is first[0]
    assert again[1].data != first[1].data
    assert again[2].data != first[2].data
    assert maker.make(0, {**VALUES, CEILING: 50.0}).data != first[0].data


def test_a_builder_goes_on_with_the_counters_and_the_page_of_another() -> None:
    """A counter that was not there, or counts to another number, begins at 0; so do pages if not as many."""

    def built(builder: FrameBuilder) -> Mapping[str, float]:
        return numbers(judge(dbc_text(LIMITS), "Limits"), builder.build(VALUES).data)

    plain = _items()[:4]
    ten = (*plain, CounterItem("count", 10))
    old = FrameBuilder(_sent(LIMITS, _items(), _items()))
    assert [built(old)["count"] for _ in range(3)] == [0, 1, 2]
    for pages, count, page in (
        ((_items(), plain), 0, 1),  # the second page has no counter
        ((_items(),), 3, 0),
        ((ten, ten), 0, 1),
        ((plain,), 0, 0),
    ):
        new = FrameBuilder(_sent(LIMITS, *pages))
        new.go_on(old)
        assert (new.next_page, built(new)["count"]) == (page, count)
    new = FrameBuilder(_sent(LIMITS, _items()))
    new.go_on(FrameBuilder(_sent(LIMITS, _items())))
    assert built(new)["count"] == 0
