"""Loading: every bad input gives clear problems, all at once, and never a traceback."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.errors import EXIT_INPUT, ProfileError
from bridge.profile.load import load_profile
from tests.profile.made import BOATHOUSE, CABIN, ROOT, loaded, refused, written


@pytest.mark.parametrize("name", ["cabin", "boathouse"])
def test_the_shipped_profiles_load(name: str) -> None:
    """Both examples compile; their buses want what is read, and ours, which another may send."""
    profile = load_profile(ROOT / "profiles" / f"{name}.toml")

    for bus in profile.buses:
        read = frozenset(source.key for source in profile.plan.sources if source.bus == bus.name)
        ours = frozenset(sent.layout.key for sent in profile.plan.transmissions if sent.bus == bus.name)
        assert bus.keys == read | ours
    assert len(profile.received) == len(profile.plan.sources)
    assert len(profile.sent) == len(profile.plan.transmissions)


def test_where_each_message_is_defined_is_known() -> None:
    """A decoder of one's own finds file and name by bus and key."""
    profile = load_profile(ROOT / "profiles" / "cabin.toml")

    bounds = profile.definitions["cabin", 166]
    assert bounds.message == "PackBounds"
    assert bounds.dbc.resolve() == (ROOT / "dbc_own" / "cabin_inverter.dbc").resolve()


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """No profile there: the path, and what is wanted."""
    with pytest.raises(ProfileError) as caught:
        load_profile(tmp_path / "none.toml")

    assert str(tmp_path / "none.toml") in str(caught.value)
    assert caught.value.exit_code == EXIT_INPUT


@pytest.mark.parametrize(
    ("text", "line"), [("a = 1\nb = = 2\n", "line 2"), ("a = [1,", "line 1"), ("[x\n", "line 1")]
)
def test_broken_toml_names_its_line(tmp_path: Path, text: str, line: str) -> None:
    """A syntax error says where it is."""
    path = tmp_path / "broken.toml"
    path.write_text(text)

    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    assert [problem.key for problem in caught.value.problems] == [line]


def test_bytes_that_are_no_text_name_their_line(tmp_path: Path) -> None:
    """A profile in another encoding is refused with the line."""
    path = tmp_path / "latin.toml"
    path.write_bytes(b'a = 1\nname = "h\xfctte"\n')

    with pytest.raises(ProfileError, match="line 2"):
        load_profile(path)


def test_a_newer_version_is_the_only_thing_said(tmp_path: Path) -> None:
    """What a newer format means is not guessed at."""
    problems = refused(tmp_path, CABIN, ("profile_version = 1", "profile_version = 2\nwhat_is_this = 1"))

    assert list(problems) == ["profile_version"]
    assert "newer" in problems["profile_version"].found


def test_an_unknown_key_suggests_the_nearest_known(tmp_path: Path) -> None:
    """In every kind of table, at any depth."""
    problems = refused(
        tmp_path,
        CABIN,
        ("tick_ms = 100", "tik_ms = 100"),
        ("capacity_ah = 280", "capacity_ah = 280\ncharge_curent_a = 3"),
        ("largest_jump = 10 }", "largest_jmp = 10 }"),
        ("alarm = {", "alarm = { absnt = 2, "),
    )

    assert "tick_ms" in problems["tik_ms"].allowed
    assert "charge_current_a" in problems["bank[1].charge_curent_a"].allowed
    assert "largest_jump" in problems["source[1].signals.pack_voltage.largest_jmp"].allowed
    assert "absent" in problems["transmission[2].signals.alarm.absnt"].allowed


def test_a_date_needs_its_offset(tmp_path: Path) -> None:
    """Local time is ambiguous twice a year, and elsewhere somewhere else."""
    until = "[options]\ninhibit_charge = true\ninhibit_charge_until = "

    problems = refused(tmp_path, CABIN, ("[failsafe]", until + "2026-12-01T12:00:00\n[failsafe]"))

    assert "offset" in problems["options.inhibit_charge_until"].allowed
    profile = loaded(tmp_path, CABIN, ("[failsafe]", until + "1970-01-01T01:00:01.5+01:00\n[failsafe]"))
    assert profile.plan.options.inhibit_charge_until_us == 1_500_000


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    """A wrong key, a wrong message, a wrong signal, a wrong bus and a wrong file: five problems, one go."""
    problems = refused(
        tmp_path,
        BOATHOUSE,
        ("tick_ms = 100", "tick_s = 0.1"),
        ('message = "BankOneExtremes"', 'message = "BankOneExtreme"'),
        (
            '"bank_volts", range = [30, 65], largest_jump = 10 }\npack_current = { signal = "bank_amps"',
            '"bank_vlts", range = [30, 65], largest_jump = 10 }\npack_current = { signal = "bank_amps"',
        ),
        (
            'bus = "house"\ninverter = "hall"\n'
            'dbc = "../dbc_own/boathouse_inverter.dbc"\nmessage = "StringNews"',
            'bus = "huose"\ninverter = "hall"\ndbc = "nowhere.dbc"\nmessage = "StringNews"',
        ),
    )

    assert {
        "tick_s",
        "source[2].message",
        "source[1].signals.pack_voltage.signal",
        "source[4].signals.pack_voltage.signal",
        "transmission[2].bus",
        "file",
    } <= problems.keys()
    assert '"BankOneExtremes"' in problems["source[2].message"].allowed
    assert '"bank_volts"' in problems["source[1].signals.pack_voltage.signal"].allowed
    assert '"house"' in problems["transmission[2].bus"].allowed
    assert problems["file"].file == "nowhere.dbc"


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("tick_ms = 100", 'tick_ms = "100"', "tick_ms"),
        ("tick_ms = 100", "tick_ms = 100.5", "tick_ms"),
        ("capacity_ah = 280", "capacity_ah = 0", "bank[1].capacity_ah"),
        ("capacity_ah = 280", "capacity_ah = nan", "bank[1].capacity_ah"),
        ('chemistry = "lfp"', 'chemistry = "lead"', "pack.chemistry"),
        ("timeout_s = 10.0", "", "inverter[1].timeout_s"),
        ("range = [30, 65]", "range = [65, 30]", "source[1].signals.pack_voltage"),
        ("range = [30, 65]", "range = [30, 65, 70]", "source[1].signals.pack_voltage.range"),
        ('when_silent = "warn"', 'when_silent = "shout"', "inverter[1].when_silent"),
        ("share = [0.0, 0.1, 0.35, 1.0]", "share = [0.0, 0.4, 0.35, 1.0]", "limits.charge_by_coldest_cell"),
        ("count = { counter = {} }", "count = {}", "transmission[2].signals.count"),
    ],
)
def test_a_wrong_value_is_named_by_its_key(tmp_path: Path, old: str, new: str, key: str) -> None:
    """Each wrong value: its dotted key, counted from 1 in arrays, and something that is allowed."""
    problems = refused(tmp_path, CABIN, (old, new))

    assert key in problems
    assert problems[key].allowed


def test_paths_are_relative_to_the_profile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the program is started from does not matter."""
    path = written(tmp_path, CABIN)
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")

    assert load_profile(path).plan.name == "lakeside cabin"


def test_loading_needs_no_terminal_and_no_bus_libraries() -> None:
    """The daemon's start is short: rich, click, structlog and numpy stay out of loading and checking."""
    script = (
        "import sys; from bridge.profile.load import load_profile;"
        "from bridge.profile.check import check_profile;"
        "check_profile(load_profile('profiles/cabin.toml'));"
        "print([name for name in ('rich', 'numpy', 'click', 'structlog') if name in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)

    assert run.stdout.strip() == "[]"


def test_a_mark_of_the_byte_order_is_no_fault(tmp_path: Path) -> None:
    """Some editors begin a file with one."""
    path = written(tmp_path, CABIN)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load_profile(path).plan.name == "lakeside cabin"


@pytest.mark.parametrize(("target_v", "knee_v"), [(3.55, 3.40), (3.45, 3.40), (3.40, 3.35), (3.37, 3.32)])
def test_a_low_target_needs_no_other_key(tmp_path: Path, target_v: float, knee_v: float) -> None:
    """The knee that nobody wrote lies below it."""
    plan = loaded(tmp_path, CABIN, ("cell_target_v = 3.50", f"cell_target_v = {target_v}")).plan
    assert (plan.limits.cell_target_v, plan.limits.knee_v) == (target_v, knee_v)


def test_a_broken_definition_is_one_complaint(tmp_path: Path) -> None:
    """What its messages would have said is not missed beside; it is told how 29 bits are written."""
    dbc = (ROOT / "dbc_own" / "cabin_pack.dbc").read_text(encoding="utf-8")
    dbc = re.sub(r"^BO_ \d+ PackOverview", f"BO_ {0x18FF50E5} PackOverview", dbc, flags=re.MULTILINE)
    problems = refused(tmp_path, CABIN, ("../dbc_own/cabin_pack.dbc", "own.dbc"), dbc=dbc)
    assert list(problems) == ["file"]
    assert "more than 11 bits" in problems["file"].found
    assert str(0x8000_0000) in problems["file"].allowed


def test_a_missing_source_is_still_missed(tmp_path: Path) -> None:
    """Where all that is written can be used."""
    text = CABIN.replace('pack_voltage = { signal = "pack_volts", range = [30, 65], largest_jump = 10 }', "")
    assert "pack_voltage" in refused(tmp_path, text)["bank[1]"].allowed
