"""The demonstration tells its story on any shipped profile, and no cell is harmed in it."""

import re
from pathlib import Path

import pytest

from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.load import load_profile
from bridge.simulate import demo
from bridge.simulate.demo import SPEED, Demo, Narrator, Pacer, run_demo, time_of_day

PROFILES = Path(__file__).parents[2] / "profiles"


@pytest.mark.slow
def test_the_whole_story_is_told() -> None:
    """Start, ramp, taper at the knee, evening, cable pulled, recovery, in this order, within a minute."""
    lines: list[str] = []
    slept: list[float] = []
    story = Demo(load_profile(PROFILES / "cabin.toml"), SPEED, lines.append, slept.append)

    assert story.run() == 0
    text = "\n".join(lines)
    chapters = (
        "starting: waiting for trusted data",
        "following: limits follow the pack",
        "charge with 140.0 A",
        "the current that takes no cell past its target",
        "evening",
        "cable of the cell monitors is pulled",
        "holding: data is late",
        "safe: data is lost",
        "plugged in again",
        "following: limits follow the pack",
        "stopping: currents to zero",
    )
    at = 0
    for chapter in chapters:
        at = text.find(chapter, at)
        assert at >= 0, chapter
    assert 30.0 < sum(slept) < 60.0
    assert len(lines) < 120
    assert 3.45 < story.highest_v <= CHEMISTRIES["lfp"].cell_max_v
    told = [float(found) for found in re.findall(r"charge ([\d.]+) A, draw", text)]
    assert max(told) == 140.0
    assert 0.0 < min(one for one in told if one) < 14.0, "nearly nothing at the top"


@pytest.mark.slow
def test_two_banks_and_a_recording(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other scenario runs, too, until it is full, and every frame can be written down."""
    monkeypatch.setattr(demo, "END_S", 1400.0)
    lines: list[str] = []
    record = tmp_path / "demo.log"
    loaded = load_profile(PROFILES / "boathouse.toml")

    assert run_demo(loaded, record=record, write=lines.append, sleep=lambda _: None) == 0
    assert any("the current that takes no cell past its target" in line for line in lines)
    assert sum(1 for _ in record.open()) > 10_000


def test_a_sentence_with_other_numbers_is_not_repeated_too_soon() -> None:
    """The narrator thins out what only counts up, and nothing else."""
    lines: list[str] = []
    narrator = Narrator(lines.append, lambda _: 1000.0)
    narrator.say(0, "charge with 1.0 A: rising")
    narrator.say(500, "charge with 2.5 A: rising")
    narrator.say(600, "draw 2.5 A: rising")
    narrator.say(1000, "charge with 3 A: rising")

    assert [line.partition(" ")[2] for line in lines] == [
        "charge with 1.0 A: rising",
        "draw 2.5 A: rising",
        "charge with 3 A: rising",
    ]


def test_pacing_does_not_add_up_lateness() -> None:
    """Work between two waits is taken off the next wait; short waits are saved up."""
    clock = [0.0]
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        clock[0] += seconds

    pacer = Pacer(sleep, lambda: clock[0])
    pacer(1.0)
    clock[0] += 0.4
    pacer(1.0)
    pacer(0.004)
    pacer(0.004)
    pacer(0.004)

    assert slept == pytest.approx([1.0, 0.6, 0.012])


def test_ctrl_c_ends_it_in_good_order() -> None:
    """An impatient person gets the summary."""
    lines: list[str] = []

    def impatient(_: float) -> None:
        raise KeyboardInterrupt

    assert run_demo(load_profile(PROFILES / "cabin.toml"), write=lines.append, sleep=impatient) == 0
    assert "frames sent" in lines[-1]


def test_the_clock_of_the_story_is_plain() -> None:
    """Hours, minutes and seconds of the simulated day."""
    assert time_of_day((86_400 * 3 + 15 * 3600 + 61) * 1_000_000) == "15:01:01"
