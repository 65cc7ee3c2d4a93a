"""The command line: what it prints, and the exit code it ends with. No bad input gives a traceback."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge import __version__
from bridge.cli import cli, main
from tests.service.fakes import CABIN, ROOT

BOATHOUSE = ROOT / "profiles" / "boathouse.toml"

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs the command line; gives exit code, standard output and error output."""

    def run_(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["ampweir", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        code = ended.value.code
        return (code if isinstance(code, int) else 0), out, err

    return run_


def changed(tmp_path: Path, old: str, new: str, profile: Path = CABIN) -> Path:
    """A shipped profile with one change."""
    text = profile.read_text().replace('"../dbc_own/', f'"{ROOT}/dbc_own/')
    assert old in text
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(old, new))
    return path


def test_version_and_help(run: Run) -> None:
    """`--version` says which, `--help` shows examples and exit codes."""
    assert run("--version")[1].strip().endswith(__version__)
    code, out, _ = run("--help")
    assert code == 0
    assert "ampweir run profiles/cabin.toml --demo" in out
    assert "Exit codes" in out


@pytest.mark.parametrize("verb", sorted(cli.commands))
def test_every_verb_has_help_with_an_example(run: Run, verb: str) -> None:
    """Help of a verb shows how it is called, and the exit codes."""
    code, out, _ = run(verb, "--help")
    assert code == 0
    assert f"ampweir {verb} " in out
    assert "Exit codes" in out


@pytest.mark.parametrize("profile", [CABIN, BOATHOUSE])
def test_check_passes_the_shipped_profiles(run: Run, profile: Path) -> None:
    """Both scenarios are sound: exit code 0, in words and in JSON."""
    code, out, _ = run("check", profile)
    assert code == 0
    assert "PASS" in out
    code, out, _ = run("check", profile, "--json")
    assert code == 0
    assert json.loads(out)["verdict"] == "pass"


def test_check_fails_what_the_chemistry_does_not_bear(run: Run, tmp_path: Path) -> None:
    """4.2 V a cell on LFP: exit code 1, with what was found and what is allowed."""
    path = changed(tmp_path, "cell_target_v = 3.50", "cell_target_v = 4.20")
    code, out, _ = run("check", path)
    assert code == 1
    assert "4.2" in out
    assert "3.65" in out


def test_run_refuses_a_profile_that_check_fails(run: Run, tmp_path: Path) -> None:
    """Nothing runs on an unsound profile, and every problem is told."""
    path = changed(tmp_path, "cell_target_v = 3.50", "cell_target_v = 4.20")
    code, out, err = run("run", path)
    assert code == 4
    assert "cell_target_v" in err
    assert out == ""


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("profile_version = 1", "profile_version = ", "line 6"),
        ("profile_version = 1", "profile_version = 99", "profile_version"),
        ("tick_ms = 100", "tick_milliseconds = 100", "tick_milliseconds"),
        ('"pack_volts"', '"pack_vlots"', "pack_vlots"),
        ("cabin_pack.dbc", "no_such.dbc", "no_such.dbc"),
        ("range = [30, 65]", "range = [65, 30]", "range"),
        ("share = [0.0, 0.1, 0.35, 1.0]", "share = [0.0, 0.5, 0.35, 1.0]", "charge_by_coldest_cell"),
    ],
)
def test_a_profile_that_cannot_be_used_is_one_clear_error(
    run: Run, tmp_path: Path, old: str, new: str, told: str
) -> None:
    """Exit code 4 (or 1 from check); the file, the key or line, found and allowed."""
    path = changed(tmp_path, old, new)
    for verb in ("check", "run", "drill"):
        code, out, err = run(verb, path)
        assert code == 4, out + err
        assert told in err
        assert "allowed:" in err
        assert "mine.toml" in err or "no_such" in err


def test_a_missing_profile_is_one_clear_error(run: Run, tmp_path: Path) -> None:
    """A file that is not there names itself."""
    code, _, err = run("check", tmp_path / "nowhere.toml")
    assert code == 4
    assert "nowhere.toml" in err


def test_wrong_usage_is_code_2(run: Run) -> None:
    """An unknown verb or option, or a missing argument, is said by name."""
    assert run("czech")[0] == 2
    assert run("check")[0] == 2
    code, _, err = run("drill", CABIN, "--bus", "shore=vcan9")
    assert code == 2
    assert "cabin" in err


def test_a_bus_that_cannot_be_opened_is_code_5(run: Run, tmp_path: Path) -> None:
    """The interface is named."""
    path = changed(tmp_path, 'channel = "vcan0"', 'channel = "can7"')
    code, _, err = run("run", path)
    assert code == 5
    assert "can7" in err


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (b"", "capture"),
        (b"(1.000000) vcan0 458#00\n(oops\n", "line 2"),
        (b"(1.000000) vcan0 458#0000000000000000\n(1.1000", "line 2"),
        (b"\xff\xfe\x00\x00", "line 1"),
        (b"(1.000000) vcan0 7FF#00\n", "vcan0"),
    ],
)
def test_a_capture_that_cannot_be_used_is_one_clear_error(
    run: Run, tmp_path: Path, text: bytes, told: str
) -> None:
    """Exit code 4; the file, the line, found and allowed."""
    capture = tmp_path / "some.log"
    capture.write_bytes(text)
    code, out, err = run("replay", capture, "--profile", CABIN)
    assert code == 4, out + err
    assert "some.log" in err
    assert told in err


def test_a_capture_of_another_kind_says_what_makes_one_of_it(run: Run, tmp_path: Path) -> None:
    """With python-can's own program, which is installed with it."""
    capture = tmp_path / "monday.asc"
    capture.write_text("date Mon\nbase hex  timestamps absolute\n   0.0 1  100 Rx d 1 00\n")
    code, _, err = run("replay", capture, "--profile", CABIN)
    assert code == 4
    assert "can_logconvert monday.asc monday.log" in err
    assert (Path(sys.executable).parent / "can_logconvert").exists()


def test_a_recording_of_a_bus_that_cannot_be_opened_leaves_no_file(run: Run, tmp_path: Path) -> None:
    """So that the same command can be given again."""
    capture = tmp_path / "monday.log"
    bad = changed(tmp_path, 'channel = "vcan0"', 'channel = "nosuch7"')
    code, _, _ = run("record", bad, capture)
    assert code == 5
    assert not capture.exists()


def test_the_demo_runs_the_main_job(run: Run) -> None:
    """Limits follow a simulated pack: the taper, the top, the pulled cable, and nothing past the ceiling."""
    code, out, _ = run("run", CABIN, "--demo", "--speed", 100_000)
    assert code == 0
    for text in (
        "following: limits follow the pack",
        "the current that takes no cell past its target",
        "safe: data is lost",
    ):
        assert text in out


@pytest.mark.parametrize("words", [["check", CABIN], ["check", CABIN, "--json"], ["check", "--help"]])
def test_an_output_that_cannot_be_written_is_one_clear_error(words: list[Any]) -> None:
    """A full disk: exit code 4, and no traceback."""
    command = [sys.executable, "-m", "bridge", *map(str, words)]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 4
    assert done.stderr == (
        "fail: standard output: No space left on device; allowed: a file that can be written\n"
    )
