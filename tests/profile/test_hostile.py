"""Files that no person would write: each is one clear problem, soon, and never anything else."""

import os
import time
from pathlib import Path

import pytest

from bridge.core.engine import Engine
from bridge.errors import InputError, Problem, ProfileError, Severity, one_line
from bridge.profile.check import check_profile
from bridge.profile.load import LoadedProfile, load_profile
from bridge.profile.reading import PROFILE_BYTES
from bridge.service.start import load_sound
from tests.profile.made import CABIN, ROOT, loaded, refused, written

SOON_S = 10.0

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: Cabin\n'


def problem(path: Path | str) -> Problem:
    """The one problem for which a profile is refused, told on one printable line and soon."""
    began = time.monotonic()
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    assert time.monotonic() - began < SOON_S
    (found,) = caught.value.problems
    assert str(found).isprintable()
    return found


@pytest.mark.parametrize(
    ("text", "key", "what"),
    [
        ("a = " + "[" * 100_000, "file", "nested too deeply"),
        ("a = " + "[" * 60 + "]" * 60, "a[1][1][1][1][1][1][1][1][1][1]", "nested too deeply"),
        ("a = " + "{b = " * 300 + "1" + "}" * 300, "a.b.b.b.b.b.b.b.b.b.b", "nested too deeply"),
        ("\n\na = " + "7" * 5000, "line 3", "a number of hundreds of digits"),
        ("a = 0x" + "f" * 5000, "a", "a whole number of 20000 bits"),
        ("a = 9223372036854775808", "a", "a whole number of 64 bits"),
        ("a." * 100_000 + "a = 1", "line 1", "a key of more than 20 parts"),
        ('"a" . ' * 40_000 + "a = 1", "line 1", "a key of more than 20 parts"),
        ("[" + "a." * 100_000 + "a]", "line 1", "a key of more than 20 parts"),
        ("a = 1e300", "a", "1e+300"),
        ("a = -1e-300", "a", "-1e-300"),
        ("a = '" + "x" * 100_000 + "'", "a", "a text of 100000 characters"),
        ("a = [" + "1," * 100_000 + "]", "a", "100000 of them"),
        ("[[a]]\n" * 40_000, "a", "40000 of them"),
        ('a = "\\u0000"', "a", "the character \\x00 in a text"),
        ('a = "\\u001b[2J"', "a", "the character \\x1b in a text"),
        ('a = "\\u202e"', "a", "the character \\u202e in a text"),
        ('"\\u0007" = 1', '"\\x07"', "the character \\x07 in a text"),
        ("a = 0001-01-01T00:00:00+23:59", "a", "0001-01-01T00:00:00+23:59"),
        ("a = 9999-12-31", "a", "9999-12-31"),
        ("a = 12:00:00", "a", '"12:00:00"'),
        ("a = '" + "x" * PROFILE_BYTES + "'", "file", "more than 250,000 bytes"),
        ("\0" * 1000, "line 1", "Invalid statement"),
    ],
)
def test_an_absurd_text_is_one_problem(tmp_path: Path, text: str, key: str, what: str) -> None:
    """Depth, size, digits, characters and dates all have a bound, and the place is named."""
    path = tmp_path / "profile.toml"
    path.write_text(text)

    found = problem(path)

    assert found.key == key
    assert what in found.found


def test_what_is_no_plain_file_is_refused_at_once(tmp_path: Path) -> None:
    """A pipe nobody writes to, a device without end, a folder, a path that cannot be: none is waited for."""
    os.mkfifo(tmp_path / "pipe")
    rows = {
        str(tmp_path / "pipe"): "a pipe",
        "/dev/zero": "a device",
        str(tmp_path): "Is a directory",
        str(tmp_path / "a\0b"): "a path that no file can have",
        str(tmp_path / ("x" * 5000)): "File name too long",
        str(tmp_path / "\udc80"): "No such file or directory",
    }
    for path, what in rows.items():
        assert what in problem(path).found


@pytest.mark.parametrize("dbc", ["pipe", "/dev/zero", "/", "\\u0000", "~nobody at all/x.dbc", "big.dbc"])
def test_a_definition_file_that_is_none_is_one_problem(tmp_path: Path, dbc: str) -> None:
    """The same of the files a profile names."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "big.dbc").write_bytes(HEAD.encode() + b"\n" * 2_000_000)
    began = time.monotonic()
    problems = refused(tmp_path, CABIN, ("../dbc_own/cabin_inverter.dbc", dbc))

    assert time.monotonic() - began < SOON_S
    assert problems


def test_definition_files_have_a_bound_together(tmp_path: Path) -> None:
    """Many large files take as long as one that is too large."""
    dbc = HEAD + "BO_ 1 M: 8 Cabin\n" + "\n" * 600_000
    (tmp_path / "two.dbc").write_text(dbc)
    problems = refused(
        tmp_path,
        CABIN,
        ("../dbc_own/cabin_pack.dbc", "own.dbc"),
        ("../dbc_own/cabin_inverter.dbc", "two.dbc"),
        dbc=dbc,
    )

    assert any("bytes" in one.found for one in problems.values())


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("max_age_s = 2.0", "max_age_s = 1e308", "source[1].max_age_s"),
        ("max_age_s = 2.0", "max_age_s = 1e19", "source[1].max_age_s"),
        ("capacity_ah = 280", "capacity_ah = 1e18", "bank[1].capacity_ah"),
        ("timeout_s = 10.0", "timeout_s = 2e6", "inverter[1].timeout_s"),
        ("silent_after_s = 60.0", "silent_after_s = 1e19", "failsafe.silent_after_s"),
        ("hold_s = 3.0", "hold_s = 1e19", "failsafe.hold_s"),
        ("tick_ms = 100", "tick_ms = 1000000000000", "tick_ms"),
        (
            'channel = "vcan0"',
            'channel = "vcan0"\noptions = { receive_own_messages = true }',
            "bus[1].options",
        ),
        ("largest_jump = 10 }", "largest_jump = 1e19 }", "source[1].signals.pack_voltage.largest_jump"),
        ("range = [30, 65]", "range = [30, 65], scale = 1e19", "source[1].signals.pack_voltage.scale"),
        ("first = 1,", "first = 999999999999,", "source[3].signals.cell_voltage.first"),
        (
            "temperature_c = [0, 2,",
            "temperature_c = [-1e19, 2,",
            "limits.charge_by_coldest_cell.temperature_c[1]",
        ),
    ],
)
def test_every_number_has_a_bound(tmp_path: Path, old: str, new: str, key: str) -> None:
    """What no pack has is refused under its key."""
    assert key in refused(tmp_path, CABIN, (old, new))


@pytest.mark.parametrize(
    "factor", ["6e30960000", "1e-400", "0." + "3" * 900, "9" * 900, "1e200", "1e-200", "nan"]
)
def test_a_factor_beyond_all_bounds_is_refused_soon(tmp_path: Path, factor: str) -> None:
    """Exact arithmetic takes as long as a number has digits: it is never asked."""
    text = HEAD + f'BO_ 1 M: 8 Cabin\n SG_ a : 0|16@1+ ({factor},0) [0|0] "" Cabin\n'
    began = time.monotonic()
    refused(tmp_path, CABIN, ("../dbc_own/cabin_inverter.dbc", "own.dbc"), dbc=text)

    assert time.monotonic() - began < SOON_S


def _pages(count: int) -> str:
    return "".join(f' SG_ s{n} m{n} : 8|8@1+ (1,0) [0|0] "" Cabin\n' for n in range(count))


@pytest.mark.parametrize(
    "dbc",
    [
        HEAD + "\n" * 900_000,
        HEAD + "SG_ \n" * 150_000,
        HEAD + 'CM_ "' + "x" * 900_000,
        HEAD + 'CM_ "' + "x" * 900_000 + '";\n',
        HEAD + "BO_ 1 M: 8 Cabin\n" + _pages(990),
        "".join([HEAD, *(f"BO_ {n} M{n}: 8 Cabin\n{_pages(900)}" for n in range(20))]),
        HEAD + "BO_ 1 M: 8 Cabin\n SG_ x M : 0|16@1+ (1,0) [0|0] \"\" Cabin\nSG_MUL_VAL_ 1 s x "
        + ",".join(["0-65535"] * 1000)
        + ";\n",
        HEAD + "BO_ 1 M: 8 Cabin\n SG_ a : 0|60000@1+ (1,0) [0|0] \"\" Cabin\n" * 20,
        HEAD + "BO_ 1 M: 8 Cabin\n" + ' SG_ a : 0|1@1+ (1,0) [0|0] "" Cabin\n' * 2000,
    ],
    ids=range(9),
)  # fmt: skip
def test_a_definition_file_that_would_take_for_ever_is_refused_soon(tmp_path: Path, dbc: str) -> None:
    """Blank lines, open quotes, pages without end: the parser is not let loose on them."""
    began = time.monotonic()
    refused(tmp_path, CABIN, ("../dbc_own/cabin_inverter.dbc", "own.dbc"), dbc=dbc)

    assert time.monotonic() - began < SOON_S


def test_the_largest_numbers_of_64_bits_are_allowed(tmp_path: Path) -> None:
    """Some tools write them as the span of a float."""
    dbc = (ROOT / "dbc_own" / "cabin_inverter.dbc").read_text()
    most = "1.7976931348623157E+308"
    dbc += f'BO_ 77 Wide: 8 Vector__XXX\n SG_ x : 0|64@1- (1,0) [-{most}|{most}] "" Vector__XXX\n'
    dbc += "SIG_VALTYPE_ 77 x : 2;\n"

    assert loaded(tmp_path, CABIN, ("../dbc_own/cabin_inverter.dbc", "own.dbc"), dbc=dbc)


@pytest.mark.parametrize(
    "fault", [RecursionError("deep"), MemoryError(), ZeroDivisionError("by zero"), KeyError("x")]
)
def test_a_fault_of_the_program_is_a_problem_of_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    """The last net, at load and at check: one line, with the kind of the fault."""
    sound = loaded(tmp_path, CABIN)

    def fail(*_: object) -> None:
        raise fault

    monkeypatch.setattr("bridge.profile.check.check_limits", fail)
    with pytest.raises(ProfileError, match=f"cannot be used: {type(fault).__name__}"):
        check_profile(sound)
    monkeypatch.setattr("bridge.profile.load.compile_plan", fail)
    with pytest.raises(ProfileError, match=f"cannot be used: {type(fault).__name__}"):
        load_profile(sound.path)
    with pytest.raises(InputError):
        load_sound(sound.path)


def test_a_profile_that_cannot_be_run_fails_the_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What an engine cannot be built of is never begun with."""
    sound: LoadedProfile = loaded(tmp_path, CABIN)

    def fail(*_: object) -> None:
        raise OverflowError("too large")

    monkeypatch.setattr(Engine, "close", fail)

    failed = check_profile(sound).of(Severity.FAIL)
    assert [one.found for one in failed] == ["it cannot be run: OverflowError: too large"]


def test_a_problem_is_told_on_one_line() -> None:
    """Whatever stands in a file: no line break, nothing a terminal obeys, no end of text."""
    error = InputError([Problem(Severity.FAIL, "a\nb", "\x1b[2J", "\ud800", "x" * 9999)])

    assert str(error).isprintable()
    assert len(str(error)) < 1000
    assert one_line("plain text") == "plain text"


def test_an_absurd_profile_at_reload_is_what_load_sound_refuses(tmp_path: Path) -> None:
    """The daemon loads by it: nothing but problems comes out."""
    with pytest.raises(InputError):
        load_sound(written(tmp_path, CABIN, ("hold_s = 3.0", "hold_s = 1e19")))
