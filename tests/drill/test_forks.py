"""Faults go side by side, each in a process of its own, and what there is survives a stop."""

import json
import os
from pathlib import Path
from typing import Any

import pytest

from bridge.drill.forks import Forks
from bridge.drill.report import as_json, progress_line
from bridge.drill.result import DrillReport, Outcome, Result
from bridge.drill.table import run_drill
from bridge.profile.load import load_profile

CABIN = Path(__file__).parents[2] / "profiles" / "cabin.toml"
START_US = 1_900_000_000_000_000
ROW = Result("jump", "it jumps", "zero", "charge 0.0 A", 1.0, 5.8, Outcome.PASS, ())
LATE = ROW._replace(outcome=Outcome.FAIL, remarks=("not seen",), took_s=None)


def test_each_copy_answers_for_its_task() -> None:
    """More tasks than copies at a time; every answer comes, with its number."""
    forks, answers = Forks(), dict[int, Any]()
    forks.branch(5, 2, lambda task, answer: answers.update({task: answer}))
    if forks.child is not None:
        forks.answer((forks.child, os.getpid()))

    assert {task: answer[0] for task, answer in answers.items()} == {n: n for n in range(5)}
    assert len({pid for _, pid in answers.values()} | {os.getpid()}) == 6


def test_a_copy_that_dies_is_told() -> None:
    """No answer is an answer, too: the others go on."""
    forks, answers = Forks(), dict[int, Any]()
    forks.branch(3, 3, lambda task, answer: answers.update({task: answer}))
    if forks.child == 1:
        os._exit(9)
    if forks.child is not None:
        forks.answer("well")

    assert answers == {0: "well", 1: None, 2: "well"}


def test_the_table_is_the_same_side_by_side() -> None:
    """However many at a time, and in the order of the table."""
    loaded = load_profile(CABIN)
    only = ("silent", "one cell", "reload")
    one, three = (run_drill(loaded, only=only, start_us=START_US, jobs=jobs) for jobs in (1, 3))

    assert one == three
    assert one.results[0].name == "pack silent"


def test_a_drill_that_is_stopped_keeps_what_it_has() -> None:
    """It says that it is partial, and proves nothing."""
    told: list[tuple[str, int, int]] = []

    def progress(result: Result, number: int, of: int) -> None:
        told.append((result.name, number, of))
        if number == 3:
            raise KeyboardInterrupt

    report = run_drill(load_profile(CABIN), only=("silent",), start_us=START_US, progress=progress)

    assert len(report.results) == 3
    assert report.partial
    assert not report.ok
    assert [number for _, number, _ in told] == [1, 2, 3]
    assert json.loads(as_json(report))["partial"] is True


def test_what_is_whole_is_not_partial() -> None:
    """And the text for programs says nothing of it."""
    report = DrillReport("hut", "virtual clock", (ROW,), 1)

    assert report.ok
    assert "partial" not in json.loads(as_json(report))


@pytest.mark.parametrize(
    ("row", "line"),
    [
        (ROW, " 3/46 pass  jump (1.00 s of 5.80 s)"),
        (
            ROW._replace(outcome=Outcome.FAIL, remarks=("not seen",), took_s=None),
            " 3/46 FAIL  jump: not seen",
        ),
    ],
)
def test_a_line_says_how_far_it_is(row: Result, line: str) -> None:
    """One line as soon as a fault is through."""
    assert progress_line(row, 3, 46) == line
