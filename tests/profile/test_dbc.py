"""Message definitions: what is taken from a DBC file, and what is refused, always by file and place."""

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.core.wire.codec import MessageLayout
from bridge.errors import ProfileError
from bridge.profile.dbc import load_dbc, too_long
from tests.core.layouts import dbc_text, layouts

HEAD = 'VERSION ""\nBU_: Cabin\n'
ONE = HEAD + 'BO_ 1 Stove: 8 Cabin\n SG_ heat : 0|8@1+ (1,0) [0|0] "" Cabin\n'


def _load(tmp_path: Path, text: str, encoding: str = "utf-8") -> dict[str, MessageLayout]:
    path = tmp_path / "cabin.dbc"
    path.write_text(text, encoding=encoding)
    return load_dbc(path, "cabin.dbc")


def _problems(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(ProfileError) as caught:
        _load(tmp_path, text)
    return [str(problem) for problem in caught.value.problems]


def _signal(line: str) -> str:
    return HEAD + f'BO_ 1 Stove: 8 Cabin\n SG_ {line} [0|0] "" Cabin\n'


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(layouts())
def test_a_layout_survives_the_file(tmp_path: Path, layout: MessageLayout) -> None:
    """Place, order, sign, float, factor and offset of every field come back as they were written."""
    loaded = _load(tmp_path, dbc_text(layout))["M"]
    assert sorted(loaded.fields, key=lambda field: field.name) == list(layout.fields)
    assert (loaded.key, loaded.length) == (layout.key, layout.length)


def test_everything_a_signal_says_is_taken(tmp_path: Path) -> None:
    """Range, unit, value table and start value; a range of [0|0] in any spelling says nothing."""
    text = (
        HEAD
        + "BO_ 2566844672 Stove: 8 Cabin\n"
        + ' SG_ heat : 7|16@0- (0.1,-40) [-40|125.5] "°C" Cabin\n'
        + ' SG_ fan : 16|8@1+ (1,0) [0.0|0.0] "" Cabin\n'
        + ' SG_ draught : 32|32@1- (1,0) [0|0] "" Cabin\n'
        + 'BA_DEF_ SG_ "GenSigStartValue" FLOAT 0 1000;\nBA_DEF_DEF_ "GenSigStartValue" 0;\n'
        + 'BA_ "GenSigStartValue" SG_ 2566844672 heat 400;\n'
        + 'BA_ "GenSigStartValue" SG_ 2566844672 draught 1.5;\n'
        + 'VAL_ 2566844672 fan 0 "off" 255 "not known" ;\nSIG_VALTYPE_ 2566844672 draught : 1;\n'
    )
    layout = _load(tmp_path, text)["Stove"]
    heat, fan, draught = (layout.field(name) for name in ("heat", "fan", "draught"))
    assert layout.key == 0x98FEF100
    assert (heat.minimum, heat.maximum, heat.unit, heat.initial_raw) == (-40, 125.5, "°C", 400)
    assert (heat.raw_min, heat.raw_max, heat.signed, heat.little_endian) == (-32768, 32767, True, False)
    assert (fan.minimum, fan.maximum, fan.initial_raw) == (None, None, 0)
    assert fan.choices == ((0, "off"), (255, "not known"))
    assert draught.is_float
    assert draught.initial_raw == 0x3FC00000
    assert (draught.raw_min, draught.raw_max) == (0, 0xFFFFFFFF)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_units_are_read_in_either_encoding(tmp_path: Path, encoding: str) -> None:
    """Editors write UTF-8, older tools Windows-1252; a degree sign is one in both."""
    text = HEAD + 'BO_ 1 Stove: 8 Cabin\n SG_ heat : 0|8@1+ (1,0) [0|0] "°C" Cabin\n'
    assert _load(tmp_path, text, encoding)["Stove"].field("heat").unit == "°C"


def test_the_same_number_with_11_and_29_bits_is_two_messages(tmp_path: Path) -> None:
    """64 and 64 with bit 31 are different identifiers."""
    both = _load(tmp_path, ONE.replace("BO_ 1", "BO_ 64") + "BO_ 2147483712 Lamp: 8 Cabin\n")
    assert {name: layout.key for name, layout in both.items()} == {"Stove": 64, "Lamp": 0x8000_0040}


PAGES = (
    HEAD
    + "BO_ 1 Stove: 8 Cabin\n"
    + ' SG_ outer M : 0|8@1+ (1,0) [0|0] "" Cabin\n'
    + ' SG_ inner m0M : 8|8@1+ (1,0) [0|0] "" Cabin\n'
    + ' SG_ deep m1 : 16|8@1+ (1,0) [0|0] "" Cabin\n'
    + ' SG_ flat m3 : 16|8@1+ (1,0) [0|0] "" Cabin\n'
)


def test_nested_and_extended_multiplexing(tmp_path: Path) -> None:
    """SG_MUL_VAL_ gives the chain of conditions, outermost first, and ranges of numbers."""
    layout = _load(
        tmp_path,
        PAGES + "SG_MUL_VAL_ 1 inner outer 0-0;\nSG_MUL_VAL_ 1 deep inner 1-3, 9-9;\n"
        "SG_MUL_VAL_ 1 flat outer 3-5;\n",
    )["Stove"]
    assert layout.field("outer").mux == ()
    assert layout.field("inner").mux == (("outer", frozenset({0})),)
    deep = (("outer", frozenset({0})), ("inner", frozenset({1, 2, 3, 9})))
    assert layout.field("deep").mux == deep
    assert layout.field("flat").mux == (("outer", frozenset({3, 4, 5})),)


def test_pages_without_a_known_multiplexer_are_refused(tmp_path: Path) -> None:
    """The library would read such signals from every frame, whatever page it carries."""
    lone = HEAD + 'BO_ 1 Stove: 8 Cabin\n SG_ deep m1 : 16|8@1+ (1,0) [0|0] "" Cabin\n'
    for text in (PAGES, lone):
        assert any("Stove.deep: m1 of no known multiplexer" in line for line in _problems(tmp_path, text))


def test_a_float_multiplexer_is_refused(tmp_path: Path) -> None:
    """Pages are chosen by an integer; the problem is told at the signal that depends on it."""
    text = HEAD + 'BO_ 1 Stove: 8 Cabin\n SG_ page M : 0|32@1+ (1,0) [0|0] "" Cabin\n'
    text += ' SG_ heat m1 : 32|8@1+ (1,0) [0|0] "" Cabin\nSIG_VALTYPE_ 1 page : 1;\n'
    assert _problems(tmp_path, text) == [
        "cabin.dbc: Stove.heat: multiplexed by page; allowed: an integer signal of the message"
    ]


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    """Two faults in two messages are two problems, each by message and signal."""
    text = ONE + ' SG_ fan : 4|8@1+ (1,0) [0|0] "" Cabin\n'
    text += 'BO_ 2 Lamp: 2 Cabin\n SG_ light : 1|8@0+ (1,0) [0|0] "" Cabin\n'
    text += ' SG_ on : 9|8@0+ (1,0) [0|0] "" Cabin\n'
    assert _problems(tmp_path, text) == [
        "cabin.dbc: Stove.fan: overlaps Stove.heat; allowed: bits of its own",
        "cabin.dbc: Lamp.on: reaches beyond the 2 bytes of the message; allowed: within it",
    ]


@pytest.mark.parametrize(
    ("start", "is_float", "expected"),
    [
        ("1e60", True, "start value 1e+60"),
        ("1e400", False, "the number 1e400"),
        ("1e400", True, "the number 1e400"),
    ],
)
def test_an_impossible_start_value_is_a_problem(
    tmp_path: Path, start: str, is_float: bool, expected: str
) -> None:
    """A start value that is no finite number, or none of the float it belongs to."""
    text = HEAD + 'BO_ 1 Stove: 8 Cabin\n SG_ heat : 0|32@1+ (1,0) [0|0] "" Cabin\n'
    text += 'BA_DEF_ SG_ "GenSigStartValue" FLOAT 0 1000;\nBA_DEF_DEF_ "GenSigStartValue" 0;\n'
    text += f'BA_ "GenSigStartValue" SG_ 1 heat {start};\n'
    text += "SIG_VALTYPE_ 1 heat : 1;\n" if is_float else ""
    assert expected in "".join(_problems(tmp_path, text))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "cabin.dbc: line 1: Invalid syntax"),
        (ONE.replace("[0|0]", "[0|0"), "cabin.dbc: line 4: Invalid syntax at line 4"),
        (ONE.replace("BO_ 1 ", "BO_ 4096 "), "more than 11 bits"),
        (ONE + 'VAL_ 1 smoke 0 "none" ;\n', "VAL_ 1 smoke"),
        (_signal("heat : 0|0@1+ (1,0)"), "length 0"),
        (_signal("heat : -4|8@1+ (1,0)"), "Stove.heat: reaches beyond"),
        (_signal("heat : 0|8@1+ (0,0)"), "Stove.heat: factor 0, offset 0; allowed: finite numbers"),
        (
            _signal("heat : 0|8@1+ (1e400,0)"),
            "line 4: the number 1e400; allowed: numbers",
        ),
        (_signal("heat : 0|8@1+ (6e30960000,0)"), "line 4: the number 6e30960000; allowed: numbers that"),
        (_signal("heat : 0|8@1+ (1e-400,0)"), "Stove.heat: factor 0, offset 0; allowed: finite numbers"),
        (_signal(f"heat : 0|8@1+ (0.{'3' * 700},0)"), "line 4: the number 0.333"),
        (_signal("heat : 0|8@1+ (1e300,0)"), "Stove.heat: factor 1e+300, offset 0; allowed: a factor from"),
        (_signal("heat : 0|8@1+ (1,-1e21)"), "an offset to 1e+20"),
        (_signal("heat : 0|80@1+ (1,0)"), "Stove.heat: reaches beyond the 8 bytes"),
        (_signal("heat : 0|24@1+ (1,0)") + "SIG_VALTYPE_ 1 heat : 1;\n", "a float of 24 bits"),
        (_signal("heat : 9999999999|8@1+ (1,0)"), "the number 9999999999; allowed: at most 65535"),
        (_signal("heat : 0|99999999@1+ (1,0)"), "the number 99999999; allowed: at most 65535"),
        (
            PAGES + "SG_MUL_VAL_ 1 deep inner 1-3, 9-999999999;",
            "the number 999999999; allowed: at most 65535",
        ),
        (ONE.replace("Stove: 8", "Stove: 9999999998"), "the number 9999999998; allowed: at most 65535"),
        (ONE + "BO_ 1 Lamp: 8 Cabin\n", "Lamp: 11-bit identifier 1 is also that of Stove"),
        (ONE + "BO_ 2 Stove: 8 Cabin\n", "Stove: 2 messages of this name"),
        (ONE + ' SG_ heat : 8|8@1+ (1,0) [0|0] "" Cabin\n', "Stove.heat: several signals of this name"),
    ],
)
def test_faults_are_problems_never_tracebacks(tmp_path: Path, text: str, expected: str) -> None:
    """Each fault names the file, the place, what was found and what is allowed."""
    problems = _problems(tmp_path, text)
    assert len(problems) == 1
    assert problems[0].startswith("cabin.dbc: ")
    assert expected in problems[0]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, len(PAGES)), st.sampled_from(["", "\0", '"', "9999999999", ";", "|", "M", "é", "\n"]))
def test_a_damaged_file_loads_or_is_a_profile_error(tmp_path: Path, place: int, junk: str) -> None:
    """Junk anywhere, or an end anywhere, never lets an exception of the library through."""
    for text in (PAGES[:place] + junk + PAGES[place:], PAGES[:place] + junk):
        with suppress(ProfileError):
            _load(tmp_path, text)


def test_a_missing_file_or_a_directory_is_a_problem(tmp_path: Path) -> None:
    """The reason the system gives is passed on."""
    for path in (tmp_path / "none.dbc", tmp_path):
        with pytest.raises(ProfileError, match=r"file: .+; allowed: a readable DBC file"):
            load_dbc(path)


def test_a_long_message_is_kept_and_marked(tmp_path: Path) -> None:
    """A message of 64 bytes nobody maps is no reason to refuse the file."""
    both = _load(tmp_path, ONE + "BO_ 2 Album: 64 Cabin\n")
    assert {name: too_long(layout) for name, layout in both.items()} == {"Stove": False, "Album": True}


@pytest.mark.parametrize(
    ("kind", "value", "cycle_us"),
    [
        ("INT 0 65535", "250", 250_000),
        ("FLOAT 0 65535", "0.5", 500),
        ("STRING", '"250"', 0),
        ("STRING", '"soon"', 0),
        ("INT 0 65535", "0", 0),
    ],
)
def test_a_period_that_is_no_number_is_none(tmp_path: Path, kind: str, value: str, cycle_us: int) -> None:
    """Whatever an attribute of that name is defined as."""
    usual = '""' if kind == "STRING" else "0"
    text = (
        f'{ONE}BA_DEF_ BO_ "GenMsgCycleTime" {kind} ;\nBA_DEF_DEF_ "GenMsgCycleTime" {usual};\n'
        f'BA_ "GenMsgCycleTime" BO_ 1 {value};\n'
    )
    assert _load(tmp_path, text)["Stove"].cycle_us == cycle_us
