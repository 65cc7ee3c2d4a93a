"""`ampweir simulate`: options, files, exit codes; bad input is one clear error, told before all else."""

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge import cli_simulate
from bridge.cli import main, simulate
from bridge.simulate import packs, sky
from bridge.simulate.table_file import COLUMNS
from tests.service.fakes import CABIN, ROOT

Run = Callable[..., tuple[int, str, str]]
JETTY = ROOT / "profiles" / "jetty.toml"
SHORT = ("--hours", "0.05", "--start", "12:00")


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs the verb on the cabin; gives exit code, standard output and error output."""

    def run_(*words: object, profile: Path = CABIN) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["ampweir", "simulate", str(profile), *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        code = ended.value.code
        return (code if isinstance(code, int) else 0), out, err

    return run_


def test_the_choices_are_those_there_are() -> None:
    """The command line, which loads no model, offers every pack, weather and load there is."""
    assert tuple(packs.KINDS) == cli_simulate.KINDS
    assert tuple(sky.WEATHERS) == cli_simulate.WEATHERS
    assert tuple(sky.LOADS) == cli_simulate.LOADS


def test_every_option_and_column_is_documented() -> None:
    """What can be asked for, and what stands in the table, is in the README beside the code."""
    page = (ROOT / "bridge" / "simulate" / "README.md").read_text()
    options = [name for one in simulate.params for name in one.opts if name.startswith("--")]
    for word in (*options, *COLUMNS):
        assert word == "--json" or word in page, word


def test_a_short_day(run: Run, tmp_path: Path) -> None:
    """Report, table and picture; exit code 0."""
    table, plot = tmp_path / "day.csv", tmp_path / "day.png"
    code, out, err = run(*SHORT, "--every", 30, "--csv", table, "--plot", plot)
    assert (code, err) == (0, "")
    assert "FINE" in out
    assert len(table.read_text().splitlines()) == 1 + 6
    assert plot.stat().st_size > 20_000


def test_a_day_on_which_nothing_is_believed_has_failed(run: Run, tmp_path: Path) -> None:
    """Of each source the first refusal is told; exit code 1, though no cell has moved."""
    text = CABIN.read_text().replace("../dbc_own", str(ROOT / "dbc_own"))
    strict = tmp_path / "strict.toml"
    strict.write_text(text.replace("range = [1.5, 4.5], largest_jump", "range = [4.0, 4.5], largest_jump"))
    code, out, err = run(*SHORT, profile=strict)
    assert (code, err) == (1, "")
    assert "NEVER FOLLOWED" in out
    assert out.count("refused: CellExtremes on cabin") == 1
    assert "allowed: 4 to 4.5" in " ".join(out.split())


def test_options_reach_the_models(run: Run) -> None:
    """What is asked for is what the report says was simulated."""
    code, out, _ = run(
        *SHORT,
        *("--pack", "weak", "--seed", 9, "--soc", 55, "--temperature", 12, "--sun", 33, "--load", "steps"),
        *("--charger-reads-high", -0.2, "--charger-lag", 5, "--charger-late", 3, "--charger-least", 2),
        *(
            "--swing",
            4,
            "--health",
            80,
            "--resistance",
            1.5,
            "--silence",
            "14:05+30",
            "--charger-restarts",
            60,
        ),
        *("--ignores", "voltage", "--sensor-step", 10, "--sensor-error", 0, "--weather", "clouds", "--json"),
    )
    assert code == 0
    told = "; ".join(json.loads(out)["setup"])
    for words in (
        *("pack: weak", "seed 9", "55 % at the start", "12 °C", "33 A at noon", "reads 0.2 V low"),
        *("lag 5 s", "3 s late", "2 A at least", "IGNORES the charge voltage limit", "steps of 10 mV"),
        *("up to 0 mV wrong", "clouds pass", "a large load", "4 K up and down", "80 % of the capacity left"),
        *("1.5 times the resistance", "for 30 min from 14:05", "restarts unasked 60 s after"),
    ):
        assert words in told


def test_a_bank_leaves_and_joins(run: Run) -> None:
    """Told when, with what circulates; the bridge foresees it, and no limit is past what the banks bear."""
    switches = ("--leave", "right@12:10", "--join", "right@12:40")
    code, out, err = run(
        *("--hours", 1, "--start", "12:00", "--soc", 30, "--sun", 60, "--json"), *switches, profile=JETTY
    )
    day = json.loads(out)
    assert (code, err) == (0, "")
    assert day["setup"][-1] == "banks: right leaves at 12:10, right joins at 12:40"
    turns = {turn["text"].partition(":")[0]: turn for turn in day["turns"]}
    assert turns["bank right leaves"]["s"] == 601
    joins = turns["bank right joins"]
    assert joins["s"] == 2401
    news = {turn["text"] for turn in day["turns"]}
    assert news >= {
        "bank right: not connected: it takes no share of the current",
        "bank right: joined to the others",
    }
    circulates_a = float(joins["text"].split()[3])
    assert circulates_a == pytest.approx(day["circulated"]["a"], abs=0.1)
    assert circulates_a > 20.0
    foreseen = [turn["text"] for turn in day["turns"] if "joining them would drive about" in turn["text"]]
    assert float(foreseen[-1].split()[-2]) == pytest.approx(circulates_a, rel=0.4)
    assert "safe" not in day["states_s"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--join", "up@10:00"), "no bank 'up'; allowed: one of left, right"),
        (("--join", "right"), "'right'; allowed: BANK@HH:MM"),
        (("--leave", "right@9:00"), "'9:00'; allowed: HH:MM"),
        (
            ("--leave", "right@09:00", "--leave", "right@10:00"),
            "bank right leaves twice; allowed: joining and",
        ),
        (
            ("--leave", "right@09:00", "--leave", "left@10:00"),
            "nothing is left when bank left leaves; allowed:",
        ),
        (
            ("--join", "right@09:00", "--join", "left@10:00"),
            "no bank is connected at the start; allowed: one",
        ),
    ],
)
def test_a_bank_that_cannot_come_and_go_so_is_one_clear_error(
    run: Run, words: tuple[str, ...], told: str
) -> None:
    """Wrong usage, told before the day begins."""
    code, out, err = run(*words, profile=JETTY)
    assert (code, out) == (2, "")
    assert told in err


def test_a_cell_past_what_it_bears_is_exit_code_1(run: Run) -> None:
    """A charger that ignores the current and reads 4 V low: the protection would have cut off, it says."""
    code, out, _ = run(
        *("--hours", 0.6, "--start", "12:30", "--soc", 96, "--sun", 140, "--load", "none"),
        *("--ignores", "current", "--charger-reads-high", -4, "--charger-late", 400),
    )
    assert code == 1
    assert "TRIPPED" in out


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--hours", "0", "--hours"),
        ("--hours", "nan", "--hours"),
        ("--hours", "1000", "168"),
        ("--start", "24:00", "HH:MM"),
        ("--start", "noon", "HH:MM"),
        ("--seed", "-1", "--seed"),
        ("--soc", "101", "100"),
        ("--temperature", "200", "80"),
        ("--pack", "odd", "two-groups"),
        ("--weather", "snow", "clouds"),
        ("--load", "all", "evening"),
        ("--sun", "-5", "--sun"),
        ("--swing", "50", "40"),
        ("--health", "10", "100"),
        ("--resistance", "nan", "a number"),
        ("--silence", "12:00", "HH:MM+MINUTES"),
        ("--silence", "25:00+5", "HH:MM+MINUTES"),
        ("--silence", "12:00+0", "1 to 1440"),
        ("--charger-restarts", "-1", "--charger-restarts"),
        ("--charger-lag", "0", "--charger-lag"),
        ("--charger-reads-high", "9", "5"),
        ("--ignores", "both", "voltage"),
        ("--sensor-step", "0", "--sensor-step"),
        ("--every", "0", "--every"),
        ("--plot", "day.bmp", ".png"),
    ],
)
def test_an_option_out_of_range_is_one_clear_error(run: Run, option: str, value: str, told: str) -> None:
    """Exit code 2; the option, what was found and what is allowed."""
    code, out, err = run(option, value)
    assert code == 2, out + err
    assert told in err
    assert out == ""


@pytest.mark.parametrize("option", ["--csv", "--plot"])
def test_a_file_that_cannot_be_written_is_told_before_the_day_begins(
    run: Run, tmp_path: Path, option: str
) -> None:
    """Exit code 4, at once: no day is simulated for nothing."""
    code, out, err = run(option, tmp_path / "none" / "day.png")
    assert code == 4
    assert "no such folder" in err
    assert out == ""


def test_a_missing_profile_is_one_clear_error(run: Run, tmp_path: Path) -> None:
    """Exit code 4, and the file is named."""
    code, _, err = run(profile=tmp_path / "nowhere.toml")
    assert code == 4
    assert "nowhere.toml" in err
