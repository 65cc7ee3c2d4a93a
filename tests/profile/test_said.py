"""What the numbers of a received signal mean: yes, no, nothing; and what `check` finds wrong with them."""

import math
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.pack.intake import is_unknown
from bridge.core.plan.plan import Target
from bridge.core.wire.layout import Field
from bridge.core.wire.reader import number_of
from bridge.errors import Severity
from bridge.profile.compile_said import unknown_spans
from bridge.profile.findings import Findings
from bridge.profile.schema_signals import Reading
from tests.profile.made import CABIN, checked, found, loaded, refused

SOC = 'state_of_charge = { signal = "charge_left", optional = true }'
FLAG = 'charge_permitted = "may_charge"'


def target(folder: Path, quantity: str, *changes: tuple[str, str]) -> Target:
    """The target of a quantity of the changed cabin."""
    plan = loaded(folder, CABIN, *changes).plan
    return next(t for s in plan.sources for t in s.targets if plan.slots[t.slot].quantity == quantity)


def test_numbers_are_those_the_reader_gives(tmp_path: Path) -> None:
    """As the message-definition file scales them; to the last bit."""
    soc = target(
        tmp_path, "state_of_charge", (SOC, SOC.replace("true }", "true, unknown = [102.35, 102.3] }"))
    )
    assert soc.unknown == ((2047 * 0.05,) * 2, (2046 * 0.05,) * 2)
    assert target(tmp_path, "pack_voltage").unknown == ()


def test_yes_and_no_and_what_stands_where_nothing_is_said_of_no(tmp_path: Path) -> None:
    """No is 0, or 1 where 0 means yes."""
    rows = [
        ("optional = false", {1.0}, {0.0}),
        ("true = [0]", {0.0}, {1.0}),
        ("true = [2], false = [0, 1]", {2.0}, {0.0, 1.0}),
        ("false = [3, 4]", {1.0}, {3.0, 4.0}),
    ]
    for more, yes, no in rows:
        flag = target(
            tmp_path, "charge_permitted", (FLAG, FLAG.replace('"may', '{ signal = "may') + f", {more} }}")
        )
        assert (set(flag.truth or ()), set(flag.falsity)) == (yes, no)


@pytest.mark.parametrize(
    ("more", "key", "what"),
    [
        (
            "true = [1], false = [1, 2]",
            "false",
            "[1.0], which means yes or no already; allowed: each number once",
        ),
        ("unknown = [0, 3]", "unknown", "[0.0], which means yes or no already; allowed: each number once"),
        ("true = [0, 1]", "false", "[1.0], which means yes or no already; allowed: each number once"),
        ("unknown = [7]", "unknown", "7 is never said by may_charge; allowed: 0 to 1 in steps of 1"),
        ('unknown = "nan"', "unknown", '"nan" of may_charge, a whole number; allowed: numbers it can say'),
        (
            "range = [0, 1]",
            "range",
            "of a flag; allowed: only true and false, the numbers that mean yes and no",
        ),
    ],
)
def test_numbers_that_cannot_mean_what_they_should(tmp_path: Path, more: str, key: str, what: str) -> None:
    """With the key, what was found and what is allowed."""
    problems = refused(tmp_path, CABIN, (FLAG, FLAG.replace('"may', '{ signal = "may') + f", {more} }}"))
    problem = problems[f"source[7].signals.charge_permitted.{key}"]
    assert f"{problem.found}; allowed: {problem.allowed}" == what


def test_a_measured_value_has_no_yes_and_no(tmp_path: Path) -> None:
    """Nor a word that is none of those allowed."""
    for more, key in (("false = [0]", "false"), ("true = [1]", "true"), ('unknown = "ff"', "unknown")):
        problems = refused(tmp_path, CABIN, (SOC, SOC.replace("true }", f"true, {more} }}")))
        assert any(name.startswith(f"source[1].signals.state_of_charge.{key}") for name in problems), problems


def spans(field: Field, unknown: object) -> tuple[tuple[tuple[float, float], ...], Findings]:
    """What is unknown of a field, and what was found wrong."""
    findings = Findings("profile.toml")
    reading = Reading.model_validate({"signal": "s", "unknown": unknown})
    return unknown_spans(("x",), reading, field, findings), findings


@given(
    st.integers(2, 64),
    st.sampled_from([1, 2, 0.5, 0.1, 0.0125, -0.25, 3.3]),
    st.sampled_from([0, -40, -273, 1000, 0.05]),
    st.data(),
)
def test_j1939_keeps_the_upper_end_of_a_signal(
    length: int, factor: float, offset: float, data: st.DataObject
) -> None:
    """Of 8 bits FE and FF, of 16 FE00 to FFFF, of 32 FE000000 to FFFFFFFF, of 2 bits 2 and 3; nothing below.

    SAE J1939-71, from memory.
    """
    field = Field("s", 0, length, factor=factor, offset=offset)
    found_spans, findings = spans(field, "j1939")
    assert findings.problems == []
    signal = Target(0, "s", 1.0, 0.0, None, 0.0, 1.0, None, unknown=found_spans)
    top = (1 << length) - 1
    first = {2: 2, 4: 0xE, 8: 0xFE, 16: 0xFE00, 32: 0xFE000000}.get(
        length, top - 1 if length < 8 else 254 << length - 8
    )
    raws = [0, 1, first - 1, first, first + 1, top - 1, top, data.draw(st.integers(0, top))]
    if length <= 50:  # beyond, neighbours share a float
        for raw in raws:
            assert is_unknown(signal, number_of(field, raw)) is (raw >= first)
    assert is_unknown(signal, number_of(field, top))


@pytest.mark.parametrize(
    ("field", "kind"),
    [
        (Field("s", 0, 1), "of 1 bit"),
        (Field("s", 0, 16, signed=True), "signed"),
        (Field("s", 0, 32, is_float=True), "a float"),
    ],
)
def test_j1939_has_no_pattern_for_other_signals(field: Field, kind: str) -> None:
    """It is said, rather than guessed."""
    found_spans, findings = spans(field, "j1939")
    assert found_spans == ()
    assert kind in findings.problems[0].found


def test_floats_by_their_number_and_not_a_number() -> None:
    """A number that a float of 32 bits only nearly says is the one it says."""
    field = Field("s", 0, 32, is_float=True, factor=0.1)
    ((low, high),), findings = spans(field, (-99.9,))
    assert (low, findings.problems) == (high, [])
    assert low == pytest.approx(-99.9)
    assert low == number_of(field, struct.unpack("<I", struct.pack("<f", -999.0))[0])
    ((low, high),), _ = spans(field, "nan")
    assert math.isnan(low)


def test_check_names_what_the_value_table_says_and_the_profile_does_not(tmp_path: Path) -> None:
    """Neither yes nor no: better named than refused one day."""
    dbc = (
        'VERSION ""\nBU_: Monitor\nBO_ 700 Gate: 1 Monitor\n SG_ gate : 0|2@1+ (1,0) [0|3] "" Monitor\n'
        'VAL_ 700 gate 0 "open" 1 "shut" 2 "fault" 3 "not there" ;\n'
    )
    old = 'charge_permitted = "may_charge"\n'
    source = (
        '[[source]]\ndbc = "own.dbc"\nmessage = "Gate"\nmax_age_s = 2.0\n[source.signals]\n'
        'charge_permitted = {{ signal = "gate"{} }}\n\n[limits]\ncell_target'
    )
    for more, severity in (
        ("", Severity.WARN),
        (', unknown = "j1939"', None),
        (", false = [0, 2], unknown = [3]", None),
    ):
        report = checked(tmp_path, CABIN, (old, ""), ("[limits]\ncell_target", source.format(more)), dbc=dbc)
        text = found(report, Severity.WARN, "source[9].signals.charge_permitted")
        if severity is None:
            assert text == ""
        else:
            assert "2 (fault), 3 (not there) of gate: neither yes nor no: a frame with it is refused" in text
