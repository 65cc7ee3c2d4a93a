"""The exact decimal grid: rounding to the safe side, and never the other."""

import struct
from fractions import Fraction
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.wire.codec import Field, MessageLayout, encode_raws
from bridge.core.wire.grid import Grid, exact
from bridge.errors import NotExpressible
from bridge.quantities import Rounding
from tests.core.layouts import dbc_text, judge, numbers

DOWN, UP, NEAREST = Rounding.DOWN, Rounding.UP, Rounding.NEAREST
FINE = Field("v", 0, 16, factor=0.025)
SIDED = st.sampled_from((DOWN, UP))
VALUES = st.one_of(
    st.floats(-3000, 3000),
    st.integers(-3_000_000, 3_000_000).map(lambda n: n / 1000),
    st.integers(-120_000, 120_000).map(lambda n: n * 0.025),
)


@st.composite
def integer_fields(draw: st.DrawFn) -> Field:
    """A signal of 1 to 24 bits on a decimal grid not finer than the millionth."""
    places = draw(st.integers(0, 5))
    steps = draw(st.integers(-400, 400).filter(bool))
    offset = draw(st.integers(-200_000, 200_000)) / 10 ** draw(st.integers(0, 5))
    low, high = draw(st.sampled_from(((None, None), (-50.0, 60.5), (None, 12.3), (0.0, 3000.0))))
    length, signed = draw(st.integers(1, 24)), draw(st.booleans())
    return Field("v", 0, length, True, signed, False, steps / 10**places, offset, low, high)


def _micro(value: float) -> Fraction:
    return Fraction(round(value * 1_000_000), 1_000_000)


def _grid(field: Field, rounding: Rounding, *, scale: Fraction = Fraction(1)) -> Grid | None:
    try:
        return Grid(field, scale=scale, rounding=rounding)
    except NotExpressible:
        return None


@given(integer_fields(), SIDED, VALUES, st.sampled_from((1, -1)))
def test_an_independent_decoder_never_sees_a_looser_value(
    field: Field, rounding: Rounding, value: float, sign: int
) -> None:
    """What cantools decodes is on the safe side, and less than a step away while in range."""
    grid = _grid(field, rounding, scale=Fraction(sign))
    if grid is None:
        return
    try:
        raw = grid.to_raw(value)
    except NotExpressible:
        beyond = _micro(value) < grid.lowest if rounding is DOWN else _micro(value) > grid.highest
        assert beyond
        return
    layout = MessageLayout("M", 1, 8, (field,))
    seen = _micro(numbers(judge(dbc_text(layout), "M"), encode_raws(layout, {"v": raw}))["v"]) * sign
    loss = _micro(value) - seen if rounding is DOWN else seen - _micro(value)
    assert loss >= 0
    assert not grid.lowest <= _micro(value) <= grid.highest or loss < grid.step
    assert grid.lowest <= seen <= grid.highest
    assert grid.is_safe(raw, value)
    assert grid.to_value(raw) == pytest.approx(float(seen), abs=1e-9)


@given(integer_fields(), SIDED, VALUES)
def test_one_step_towards_the_value_is_not_safe_or_is_the_value(
    field: Field, rounding: Rounding, value: float
) -> None:
    """The neighbour on the loose side fails the check, so the check can fail and the rounding is tight."""
    grid = _grid(field, rounding)
    if grid is None or not grid.lowest <= _micro(value) <= grid.highest:
        return
    raw = grid.to_raw(value)
    rises = (field.factor > 0) == (rounding is DOWN)
    assert not grid.is_safe(raw + (1 if rises else -1), value)


@given(st.floats(-3.5e38, 3.5e38) | VALUES, SIDED, st.sampled_from((32, 64)), st.sampled_from((1, 0.1, -2)))
def test_float_signals_round_to_the_next_float_on_the_safe_side(
    value: float, rounding: Rounding, length: int, factor: float
) -> None:
    """The bit pattern decodes to the safe side; its neighbour on the other side does not."""
    grid = Grid(Field("f", 0, length, is_float=True, factor=factor), rounding=rounding)
    try:
        raw = grid.to_raw(value)
    except NotExpressible:
        assert not grid.lowest <= _micro(value) <= grid.highest
        return
    assert grid.is_safe(raw, value)
    said = exact(grid.to_value(raw))
    tolerance = Fraction(1, 10**9) + abs(said) / 10**12
    assert said <= _micro(value) + tolerance if rounding is DOWN else said >= _micro(value) - tolerance


@pytest.mark.parametrize(
    ("rounding", "value", "raw"),
    [
        (DOWN, 52.8, 2112),
        (UP, 52.8, 2112),
        (NEAREST, 52.8, 2112),
        (DOWN, 52.8249, 2112),
        (UP, 52.8001, 2113),
        (DOWN, 0.1 * 3, 12),
        (DOWN, 1.1 + 2.2, 132),
        (DOWN, 3.3 - 1e-9, 132),
        (DOWN, 3.3 - 1e-6, 131),
        (UP, 3.3 + 1e-9, 132),
        (UP, 3.3 + 1e-6, 133),
        (NEAREST, 52.812, 2112),
        (NEAREST, 52.813, 2113),
    ],
)
def test_grid_points_cost_no_step(rounding: Rounding, value: float, raw: int) -> None:
    """On the grid of 0.025, and within less than a millionth of it, nothing is lost; beyond it, a step."""
    assert Grid(FINE, rounding=rounding).to_raw(value) == raw


@pytest.mark.parametrize(
    ("rounding", "value", "raw"),
    [(DOWN, 5000.0, 300), (NEAREST, 5000.0, 300), (NEAREST, -1.0, 100), (UP, -1.0, 100), (UP, 9.99, 100)],
)
def test_beyond_the_safe_end_that_end_is_sent(rounding: Rounding, value: float, raw: int) -> None:
    """[10|30] on a grid of 0.1: above, a ceiling is sent as 30; below, a floor is sent as 10."""
    field = Field("v", 0, 16, factor=0.1, minimum=10.0, maximum=30.0)
    assert Grid(field, rounding=rounding).to_raw(value) == raw


@pytest.mark.parametrize(
    ("rounding", "value"),
    [(DOWN, 9.9), (UP, 30.1), (DOWN, nan), (UP, inf), (NEAREST, -inf), (DOWN, inf), (NEAREST, nan)],
)
def test_what_has_no_safe_number_is_not_expressible(rounding: Rounding, value: float) -> None:
    """The text names the signal, the value and the span. An infinite ceiling is a fault, not a high one."""
    field = Field("v", 0, 16, factor=0.1, minimum=10.0, maximum=30.0)
    grid = Grid(field, rounding=rounding)
    with pytest.raises(NotExpressible, match=rf"^v: {value} cannot be sent; allowed 10 to 30$"):
        grid.to_raw(value)
    assert grid.rounding is NEAREST or grid.is_safe(200 if value < 20 else 100, value) is False


def test_a_negative_factor_turns_the_raw_number_not_the_side() -> None:
    """100 - raw / 4: a ceiling of 90.1 is sent as 90.0, which is raw 40, a floor as 90.25, raw 39."""
    field = Field("v", 0, 8, factor=-0.25, offset=100)
    down, up = Grid(field, rounding=DOWN), Grid(field, rounding=UP)
    assert (down.to_raw(90.1), up.to_raw(90.1)) == (40, 39)
    assert (down.lowest, down.highest, down.step) == (Fraction(145, 4), Fraction(100), Fraction(1, 4))
    assert down.to_raw(1000.0) == 0
    assert up.to_raw(0.0) == 255


def test_scale_and_shift_are_applied_before_the_signal() -> None:
    """A signal in mV less 1000, fed with V: 3.2505 V is 2250.5 mV on the wire, DOWN 2250, said as 3.25 V."""
    grid = Grid(Field("v", 0, 16), scale=Fraction(1000), shift=Fraction(-1000), rounding=DOWN)
    assert grid.to_raw(3.2505) == 2250
    assert grid.to_value(2250) == 3.25
    assert grid.step == Fraction(1, 1000)
    assert (grid.lowest, grid.highest) == (Fraction(1), Fraction(66535, 1000))


def test_a_reversed_sign_rounds_towards_less_current() -> None:
    """A discharge limit sent as a negative current: 10.05 A goes out as -10.0, never as -10.1."""
    field = Field("i", 0, 16, signed=True, factor=0.1)
    grid = Grid(field, scale=Fraction(-1), rounding=DOWN)
    assert grid.to_raw(10.05) == -100
    assert grid.is_safe(-100, 10.05)
    assert not grid.is_safe(-101, 10.05)


def test_the_range_of_the_definition_is_exact() -> None:
    """[0|409.5] on 0.1 ends at raw 4095, not at 4094, although 409.5 / 0.1 is below 4095 in floats."""
    field = Field("v", 0, 16, factor=0.1, minimum=0.0, maximum=409.5)
    assert Grid(field, rounding=DOWN).to_raw(500.0) == 4095


def test_a_float_signal_keeps_to_its_range() -> None:
    """[0|50] on a float: 60 is sent as 50, a ceiling below 0 is refused, NaN patterns are never safe."""
    field = Field("v", 0, 32, is_float=True, minimum=0.0, maximum=50.0)
    grid = Grid(field, rounding=DOWN)
    assert grid.to_value(grid.to_raw(60.0)) == 50.0
    assert grid.to_value(grid.to_raw(1e60)) == 50.0
    assert grid.to_raw(0.0) == 0
    with pytest.raises(NotExpressible, match="allowed 0 to 50"):
        grid.to_raw(-0.001)
    assert not grid.is_safe(0x7FC00000, 10.0)
    assert str(grid.to_value(0x7FC00000)) == "nan"


@pytest.mark.parametrize(
    "field",
    [Field("v", 0, 8, minimum=300.0, maximum=400.0), Field("v", 0, 8, minimum=5.0, maximum=4.0)],
)
def test_a_range_without_any_raw_number_makes_no_grid(field: Field) -> None:
    """A definition that allows nothing is found when the grid is made, not when a frame is due."""
    with pytest.raises(NotExpressible, match=r"v: no raw number lies within its \[min\|max\]"):
        Grid(field, rounding=DOWN)


def test_a_factor_or_scale_of_zero_makes_no_grid() -> None:
    """Neither can be divided by."""
    with pytest.raises(NotExpressible, match="neither is 0"):
        Grid(Field("v", 0, 8, factor=0), rounding=DOWN)
    with pytest.raises(NotExpressible, match="neither is 0"):
        Grid(FINE, scale=Fraction(0), rounding=DOWN)


@pytest.mark.parametrize("factor", [0.1, -0.1])
def test_a_range_between_grid_points_is_kept_inside(factor: float) -> None:
    """[0.05|0.25] on a grid of 0.1 allows 0.1 and 0.2, not 0.0 and 0.3."""
    field = Field("v", 0, 8, signed=True, factor=factor, minimum=0.05, maximum=0.25)
    grid = Grid(field, rounding=NEAREST)
    assert (grid.lowest, grid.highest) == (Fraction(1, 10), Fraction(1, 5))
    assert (grid.to_value(grid.to_raw(-9.0)), grid.to_value(grid.to_raw(9.0))) == (0.1, 0.2)


def test_the_nearest_number_is_found_with_scale_and_offset() -> None:
    """raw = (3 * value - 7) / 0.1: 5.013 is 80.39, 5.02 is 80.6; halfway goes up."""
    grid = Grid(Field("v", 0, 16, factor=0.1, offset=7), scale=Fraction(3), rounding=NEAREST)
    assert [grid.to_raw(value) for value in (5.013, 5.02, 5.05)] == [80, 81, 82]
    halves = Grid(Field("v", 0, 16, factor=0.5, offset=10.25), rounding=NEAREST)
    assert [halves.to_raw(value) for value in (11.9, 12.0)] == [3, 4]


def test_the_range_counts_with_the_offset_and_may_hold_one_number() -> None:
    """[5|10] with an offset of 3 is raw 2 to 7; [5|5] is raw 2."""
    grid = Grid(Field("v", 0, 8, offset=3, minimum=5.0, maximum=10.0), rounding=DOWN)
    assert (grid.to_raw(99.0), grid.to_raw(5.5)) == (7, 2)
    one = Grid(Field("v", 0, 8, offset=3, minimum=5.0, maximum=5.0), rounding=DOWN)
    assert (one.lowest, one.highest, one.to_raw(8.0)) == (Fraction(5), Fraction(5), 2)


def test_a_float_signal_counts_with_its_offset() -> None:
    """value = f / 2 - 40: 10.25 is f = 100.5, and the next float above is not safe for a ceiling."""
    grid = Grid(Field("f", 0, 32, is_float=True, factor=0.5, offset=-40), rounding=DOWN)
    bits = int.from_bytes(struct.pack(">f", 100.5), "big")
    assert (grid.to_raw(10.25), grid.to_value(bits), grid.step) == (bits, 10.25, Fraction(0))
    assert grid.is_safe(bits, 10.25)
    assert not grid.is_safe(bits + 1, 10.25)


BELOW, ABOVE = 0x3DCCCCCC, 0x3DCCCCCD
"""The binary32 numbers on both sides of 0.1; the latter is the nearer."""


@pytest.mark.parametrize(
    ("rounding", "value", "bits"),
    [
        (DOWN, 0.1, BELOW),
        (UP, 0.1, ABOVE),
        (NEAREST, 0.1, ABOVE),
        (DOWN, -0.1, ABOVE | 1 << 31),
        (UP, -0.1, BELOW | 1 << 31),
        (NEAREST, -0.1, ABOVE | 1 << 31),
        (DOWN, 3.3, 0x40533333),
        (UP, 3.3, 0x40533334),
        (NEAREST, 3.3, 0x40533333),
    ],
)
def test_a_float_is_the_next_one_on_the_side(rounding: Rounding, value: float, bits: int) -> None:
    """Not the one after it, and the nearest where there is no side."""
    assert Grid(Field("f", 0, 32, is_float=True), rounding=rounding).to_raw(value) == bits


@pytest.mark.parametrize(("low", "high"), [(0.1, 3.3), (3.3, 4.1), (-3.3, -0.1), (-0.1, 0.1)])
def test_the_range_of_a_float_signal_is_kept_inside(low: float, high: float) -> None:
    """Its ends are the first floats within it, next to which none is left."""
    field = Field("f", 0, 32, is_float=True, minimum=low, maximum=high)
    grid = Grid(field, rounding=NEAREST)
    step = Fraction(1, 2**21)
    assert exact(low) <= grid.lowest < exact(low) + step
    assert exact(high) - step < grid.highest <= exact(high)


def test_the_largest_floats_can_be_sent_and_nothing_beyond() -> None:
    """binary16 ends at 65504."""
    field = Field("f", 0, 16, is_float=True)
    down, up = Grid(field, rounding=DOWN), Grid(field, rounding=UP)
    assert (down.lowest, down.highest) == (Fraction(-65504), Fraction(65504))
    assert [grid.to_raw(65504.0) for grid in (down, up)] == [0x7BFF, 0x7BFF]
    assert [grid.to_raw(-65504.0) for grid in (down, up)] == [0xFBFF, 0xFBFF]
    assert (down.to_raw(65505.0), down.to_raw(1e6), up.to_raw(-1e6)) == (0x7BFF, 0x7BFF, 0xFBFF)
    for grid, value in ((up, 65505.0), (up, 1e6), (down, -65505.0), (down, -1e6)):
        with pytest.raises(NotExpressible, match="allowed -65504 to 65504"):
            grid.to_raw(value)


def test_the_smallest_negative_float_and_nothing() -> None:
    """-6e-8 as a floor is the negative number next to 0, -1e-8 is 0 itself."""
    field = Field("f", 0, 16, is_float=True)
    assert Grid(field, scale=Fraction(6, 100), rounding=UP).to_raw(-1e-6) == 0x8001
    assert Grid(field, scale=Fraction(1, 100), rounding=UP).to_raw(-1e-6) == 0
