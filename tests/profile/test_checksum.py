"""Checksum rules: fitted to their signals, and one definition for the program and the simulated devices."""

from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from bridge.core.pack.intake import Memory, check_integrity
from bridge.core.plan.plan import Source
from bridge.core.wire.checksum import Algorithm, Checksum, Pieces
from bridge.core.wire.codec import Decoder, Field, MessageLayout
from bridge.core.wire.outgoing import ChecksumItem, CounterItem, FrameBuilder, Transmission
from bridge.errors import FrameRefused
from bridge.profile.compile_checksum import checksum_of, own_bits
from bridge.profile.findings import Findings
from bridge.profile.schema_checksum import ChecksumRule
from bridge.simulate import coder
from tests.core.layouts import bits_of, dbc_text, judge
from tests.profile.made import CABIN, loaded, refused
from tests.profile.test_compile import OUT, extra


def as_loaded(rule: dict[str, Any]) -> ChecksumRule:
    """A rule as it comes from a file: lists are tuples there."""

    def frozen(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: frozen(one) for key, one in value.items()}
        return tuple(map(frozen, value)) if isinstance(value, list) else value

    return ChecksumRule(**frozen(rule))


def made(rule: dict[str, Any], field: Field, length: int = 8, *, received: bool = False) -> Checksum | str:
    """The checksum of a rule, or what was found wrong with it."""
    findings = Findings("here")
    layout = MessageLayout("Extra", 1, length, (field,))
    checksum = checksum_of(findings, (), as_loaded(rule), layout, field, received=received)
    return checksum or "; ".join(
        f"{one.key}: {one.found}; allowed: {one.allowed}" for one in findings.problems
    )


BYTE = Field("check", 56, 8)
NIBBLE = Field("check", 60, 4)
WORD = Field("check", 48, 16)


@pytest.mark.parametrize(
    ("rule", "field", "text"),
    [
        ({"algorithm": "sum8"}, NIBBLE, "8 bits, unsigned"),
        ({"algorithm": "crc", "width": 12, "polynomial": 3}, WORD, "12 bits, unsigned"),
        ({"algorithm": "sum"}, Field("check", 0, 33), "1 to 32 bits"),
        ({"algorithm": "sum"}, Field("check", 0, 8, signed=True), "unsigned"),
        ({"algorithm": "sum"}, Field("check", 0, 8, factor=0.5), "factor 1"),
        ({"algorithm": "sum"}, Field("check", 0, 8, offset=1), "offset 0"),
        ({"algorithm": "sum"}, Field("check", 0, 32, is_float=True), "unsigned"),
        ({"algorithm": "xor", "over": [7]}, Field("check", 0, 8), "over: byte 7; allowed: 0 to 3"),
        ({"algorithm": "crc", "polynomial": 0x13}, NIBBLE, "polynomial: 0x13; allowed: up to 0xf"),
        ({"algorithm": "sum", "init": 16}, NIBBLE, "init: 0x10; allowed: up to 0xf, for 4 bits"),
        ({"algorithm": "sum", "xor_out": 16, "init": 255, "folded_from": 8}, NIBBLE, "xor_out: 0x10"),
        ({"algorithm": "sum", "folded_from": 4}, NIBBLE, "folded_from: 4; allowed: more than 4"),
        ({"algorithm": "sum", "pieces": "words_low_first"}, BYTE, "words_low_first of 7 bytes"),
        ({"algorithm": "sum", "pieces": "words_low_first",
          "by_counter": {"signal": "n", "bytes": [1, [1, 2]]}}, BYTE, "an even number of bytes"),
    ],
)  # fmt: skip
def test_a_rule_that_does_not_fit_its_signal_is_refused(
    rule: dict[str, Any], field: Field, text: str
) -> None:
    """Each with what was found and what is allowed."""
    found = made(rule, field, 4 if field.start == 0 and field.length == 8 else 8)
    assert isinstance(found, str)
    assert text in found


@pytest.mark.parametrize(
    ("rule", "found"),
    [
        ({"algorithm": "sum8", "width": 4}, "sum8 of width 4"),
        ({"algorithm": "crc"}, "crc without polynomial"),
        ({"algorithm": "crc8", "polynomial": 7, "pieces": "nibbles"}, "crc8 with pieces"),
        ({"algorithm": "crc", "polynomial": 7, "folded_from": 16}, "crc with pieces or folded_from"),
        ({"algorithm": "xor", "reflect_in": True}, "xor with polynomial or reflect"),
        ({"algorithm": "sum", "reflect_out": True}, "sum with polynomial or reflect"),
        ({"algorithm": "md5"}, "Input should be"),
        ({"algorithm": "sum", "width": 0}, "greater than or equal to 1"),
        ({"algorithm": "sum", "width": 33}, "less than or equal to 32"),
    ],
)
def test_a_rule_that_contradicts_itself_is_refused(rule: dict[str, Any], found: str) -> None:
    """Before any signal is looked at."""
    with pytest.raises(ValueError, match=found):
        ChecksumRule(**rule)


def test_the_older_names_mean_eight_bits() -> None:
    """sum8, xor8 and crc8 are sum, xor and crc of a byte."""
    for old, new in (("sum8", {}), ("xor8", {}), ("crc8", {"polynomial": 0x1D, "reflect": True})):
        one = made({"algorithm": old, **new, "prefix": [9]}, BYTE)
        two = made({"algorithm": old[:3], **new, "prefix": [9]}, BYTE)
        assert isinstance(one, Checksum)
        assert isinstance(two, Checksum)
        assert one.compute(b"12345678") == two.compute(b"12345678")


# ── one definition, three readers ───────────────────────────────────────────────────────────────────────


@st.composite
def fields(draw: st.DrawFn, least: int, most: int, taken: frozenset[int] = frozenset()) -> Field:
    """A whole number of so many bits anywhere in eight bytes, in either byte order, beside those taken."""
    length = draw(st.integers(least, most))
    little = draw(st.booleans())
    field = Field("x", draw(st.integers(0, 63)), length, little_endian=little)
    bits = bits_of(field)
    assume(max(bits) < 64 and not bits & taken)
    return field


BYTES = st.integers(0, 255)


@st.composite
def rules(draw: st.DrawFn, width: int, counter_bits: int) -> dict[str, Any]:
    """Any rule of so many bits."""
    kind = draw(st.sampled_from(get_args(Algorithm)[: None if width == 8 else 3]))
    below = st.integers(0, (1 << width) - 1)
    rule: dict[str, Any] = {"algorithm": kind, "xor_out": draw(below), "init": draw(below)}
    rule["over"] = draw(st.lists(st.integers(0, 7), max_size=8))
    rule["prefix"], rule["suffix"] = draw(st.lists(BYTES, max_size=2)), draw(st.lists(BYTES, max_size=2))
    if kind.startswith("crc"):
        rule["polynomial"] = draw(st.integers(1, (1 << width) - 1))
        for key in ("reflect", "reflect_in", "reflect_out"):
            if draw(st.booleans()):
                rule[key] = draw(st.booleans())
    else:
        rule["pieces"] = draw(st.sampled_from(get_args(Pieces)))
        if width < 32 and draw(st.booleans()):
            rule["folded_from"] = draw(st.integers(width + 1, 32))
    if draw(st.booleans()):
        one = BYTES if draw(st.booleans()) else st.lists(BYTES, min_size=2, max_size=2)
        ids = draw(st.lists(one, min_size=2**counter_bits, max_size=2**counter_bits))
        rule["by_counter"] = {
            "signal": "count",
            "bytes": ids,
            "place": draw(st.sampled_from(("before", "after"))),
        }
    elif draw(st.booleans()):
        del rule["over"]
    return rule


@st.composite
def guarded(draw: st.DrawFn) -> tuple[MessageLayout, dict[str, Any], int]:
    """A message with a counter and a checksum, its rule, and the number of the counter's values."""
    check = draw(fields(1, 32))
    count = draw(fields(1, 4, bits_of(check)))
    rule = draw(rules(check.length, count.length))
    named = (
        Field("check", check.start, check.length, little_endian=check.little_endian),
        Field("count", count.start, count.length, little_endian=count.little_endian),
    )
    free = sorted(set(range(64)) - bits_of(check) - bits_of(count))
    rest = tuple(Field(f"rest_{bit}", bit, 1, initial_raw=draw(st.integers(0, 1))) for bit in free)
    return MessageLayout("Extra", 0x123, 8, (*named, *rest)), rule, 1 << count.length


@settings(suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow], deadline=None)
@given(guarded())
def test_what_is_sent_is_understood_by_the_devices_and_by_the_program_itself(
    drawn: tuple[MessageLayout, dict[str, Any], int],
) -> None:
    """Any rule, signal and counter: sent, checked by the devices' own code, taken back by the core."""
    layout, raw_rule, modulo = drawn
    rule, check = as_loaded(raw_rule), layout.field("check")
    findings = Findings("here")
    checksum = checksum_of(findings, (), rule, layout, check, received=True)
    if checksum is None:
        assert "even number" in findings.problems[0].allowed
        return
    item = ChecksumItem("check", checksum, "count" if rule.by_counter else None)
    sender = FrameBuilder(Transmission("Extra", "b", layout, 1, 0, ((CounterItem("count", modulo), item),)))
    device = coder.Coder(judge(dbc_text(layout), "Extra"))
    chooser = 0 if rule.by_counter else None
    decoder = Decoder(layout, ["count", "check"])
    source = Source("Extra", "b", layout.key, decoder, (), 0, checksum, 1, "shelf", chooser)
    memory = Memory()
    for _ in range(min(modulo, 3)):
        data = sender.build({}).data
        assert device.decode(data)["check"] == device.checksum("check", rule, data)
        check_integrity(source, memory, decoder.decode(data), data)
        bit = min(bits_of(check))
        spoilt = bytes(byte ^ (1 << bit % 8 if at == bit // 8 else 0) for at, byte in enumerate(data))
        with pytest.raises(FrameRefused, match="checksum"):
            check_integrity(source, memory, decoder.decode(spoilt), spoilt)


@given(fields(1, 32))
def test_the_bits_of_a_checksum_are_known(field: Field) -> None:
    """In either byte order, as the DBC file counts them."""
    masks = own_bits(field)
    assert {8 * at + bit for at, mask in masks.items() for bit in range(8) if mask >> bit & 1} == bits_of(
        field
    )


def test_a_rule_the_devices_do_not_know_is_refused_loudly() -> None:
    """A guess would look like a fault of the program, or hide one."""
    for odd in ({"algorithm": "adler"}, {"algorithm": "sum", "pieces": "threes"}):
        rule = ChecksumRule.model_construct(**{**ChecksumRule(algorithm="sum").__dict__, **odd})
        with pytest.raises(ValueError, match="not known to the simulated devices"):
            coder.checksum(rule, b"12345678")
    for algorithm in get_args(Algorithm):
        polynomial = 7 if algorithm.startswith("crc") else None
        assert coder.checksum(ChecksumRule(algorithm=algorithm, polynomial=polynomial), b"12") >= 0


# ── a data-id chosen by a counter ───────────────────────────────────────────────────────────────────────

GUARDED = (
    'check : 0|16@1+ (1,0) [0|0] ""',
    'count : 16|4@1+ (1,0) [0|0] ""',
    'odd : 20|4@1+ (2,0) [0|0] ""',
    'rest : 24|40@1+ (1,0) [0|0] ""',
)
CRC16 = 'algorithm = "crc", polynomial = 0x1021, init = 0xFFFF'
IDS = ", ".join(str(7 * n % 256) for n in range(16))


def sent(counter: str, signal: str = "count", ids: str = IDS) -> str:
    """A sent message with a checksum of 16 bits, whose data-id the counter chooses."""
    return (
        CABIN
        + OUT
        + f"count = {counter}\n"
        + f'check = {{ checksum = {{ {CRC16}, by_counter = {{ signal = "{signal}", bytes = [{ids}] }} }} }}\n'
    )


def test_a_data_id_is_chosen_by_the_counter_of_the_very_frame(tmp_path: Path) -> None:
    """The counter's number comes before the checksum: what is sent checks out with the id it names."""
    profile = loaded(tmp_path, sent("{ counter = {} }"), dbc=extra(*GUARDED))
    builder = FrameBuilder(profile.plan.transmissions[-1])
    for count in (*range(16), 0):
        data = builder.build({}).data
        assert data[2] & 0xF == count
        by_hand = 0xFFFF
        for byte in (*data[2:], 7 * count % 256):
            by_hand ^= byte << 8
            for _ in range(8):
                by_hand = by_hand << 1 & 0xFFFF ^ (0x1021 if by_hand & 0x8000 else 0)
        assert int.from_bytes(data[:2], "little") == by_hand


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (sent("{ counter = {} }", ids="1, 2, 3"), "by_counter.bytes"),
        (sent("{ counter = {} }", ids=""), "by_counter.bytes"),
        (sent("{ counter = {} }", signal="rest"), "by_counter.signal"),
        (sent("{ constant = 1 }"), "by_counter.signal"),
    ],
)
def test_a_data_id_needs_a_counter_that_it_reaches_for(tmp_path: Path, text: str, key: str) -> None:
    """Bytes for every number it counts to, and a counter on the same page."""
    problems = refused(tmp_path, text, dbc=extra(*GUARDED))
    assert f"transmission[5].signals.check.checksum.{key}" in problems


def heard(by_counter: str) -> str:
    """A received message with such a checksum."""
    return CABIN + (
        '\n[[source]]\nbank = "shelf"\ndbc = "own.dbc"\nmessage = "Extra"\nmax_age_s = 2.0\n'
        f'checksum = {{ signal = "check", {CRC16}, by_counter = {by_counter} }}\n'
        '[source.signals]\nbank_connected = "rest"\n'
    )


def test_a_received_frame_chooses_its_data_id_itself(tmp_path: Path) -> None:
    """The same bytes with another number of the counter are refused; so is one beyond the ids."""
    ids = ", ".join(str(n + 1) for n in range(15))
    plan = loaded(tmp_path, heard(f'{{ signal = "count", bytes = [{ids}] }}'), dbc=extra(*GUARDED)).plan
    source = plan.sources[-1]
    assert source.checksum is not None
    assert source.counter is None
    for count in range(16):
        data = bytes([0, 0, count, 0, 0, 0, 0, 1])
        right = source.checksum.compute(data, count) if count < 15 else 0
        data = right.to_bytes(2, "little") + data[2:]
        for said in range(16):
            frame = data[:2] + bytes([said]) + data[3:]
            if said == count < 15:
                check_integrity(source, Memory(), source.decoder.decode(frame), frame)
                continue
            with pytest.raises(
                FrameRefused, match="counter 15; allowed: 0 to 14" if said == 15 else "checksum"
            ):
                check_integrity(source, Memory(), source.decoder.decode(frame), frame)


@pytest.mark.parametrize(
    "by_counter", ['{ signal = "none", bytes = [1] }', '{ signal = "odd", bytes = [1] }']
)
def test_a_received_data_id_needs_a_plain_counter(tmp_path: Path, by_counter: str) -> None:
    """One that is there, and shows its number as it is."""
    problems = refused(tmp_path, heard(by_counter), dbc=extra(*GUARDED))
    assert any(key.endswith("checksum.by_counter.signal") for key in problems)
