"""Storms in every run of the tests: new seeds, which the sources decide, and those that once failed."""

import ast
import os
import time
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

import pytest

from tests.storm import many
from tests.storm.defects import DEFECTS
from tests.storm.fault import Fault
from tests.storm.faults import apply
from tests.storm.planted import find
from tests.storm.run import run
from tests.storm.scenario import Sites, drawn
from tests.storm.shrink import shrunk

HERE: Final = Path(__file__).parent
MOST_S: Final = float(os.environ.get("AMPWEIR_STORM_S", "20"))
"""New seeds are drawn for so long."""

OBSERVER: Final = {"observer", "book", "memory", "sums", "known", "barred", "most", "silence", "calm"}
"""The files of the observer."""

FAILED: Final = HERE / "seeds.txt"


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Sites:
    """Where profiles are written, and kept."""
    return Sites(tmp_path_factory.mktemp("storms"))


def once_failed() -> list[int]:
    """The seeds that once found something."""
    lines = FAILED.read_text(encoding="utf-8").splitlines()
    return [int(line.partition("#")[0]) for line in lines if line.partition("#")[0].strip()]


@pytest.mark.slow
def test_no_invariant_breaks_in_the_storms_of_these_sources(sites: Sites) -> None:
    """New ones for each change, for a stated time; each that fails is printed, and can be run again."""
    first = int(sha256(many.sources().encode()).hexdigest()[:8], 16)
    end_s, failed, seconds, count = time.monotonic() + MOST_S, [], 0.0, 0
    while time.monotonic() < end_s:
        result = many.one(first + count, sites)
        count += 1
        seconds += result.seconds
        if result.text:
            failed.append(result.text)
    print(f"sources {many.sources()}: storms {first} to {first + count - 1}, {seconds / 3600:.1f} hours")

    assert not failed, "\n\n".join(failed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", once_failed())
def test_what_once_failed_holds(seed: int, sites: Sites) -> None:
    """Each of these seeds found a defect, which was put right."""
    assert not many.one(seed, sites).text


@pytest.mark.slow
def test_the_same_seed_gives_the_same_storm(sites: Sites, tmp_path: Path) -> None:
    """Frame by frame and stamp by stamp, also with sites drawn anew; another seed gives another one."""
    first = [run(seed, sites).digest for seed in (1, 2, 9)]
    again = [run(seed, Sites(tmp_path)).digest for seed in (1, 2, 9)]

    assert first == again
    assert len(set(first)) == 3


@pytest.mark.parametrize("name", list(DEFECTS))
def test_a_defect_can_be_planted_and_is_gone_again(name: str) -> None:
    """What it replaces is there still: a list of defects does not go stale."""
    defect, _ = DEFECTS[name]
    replaced = []

    def put(owner: Any, attribute: str, value: Any) -> None:
        assert getattr(owner, attribute) is not value
        replaced.append(attribute)

    defect(put)

    assert replaced


@pytest.mark.slow
def test_a_planted_defect_is_found_and_shrunk(sites: Sites) -> None:
    """A program that sends no zeros when it dies is found; what is left of the storm is what did it."""
    found = find("stops without zeros", sites, within=60)
    assert found.seeds
    assert found.text.startswith("zeros last")


def test_a_storm_is_made_small(sites: Sites) -> None:
    """Of many faults only the one that broke the rule is left, and the day ends just after it."""
    scenario = drawn(3, sites)
    stop = Fault(20.0, "stop", 0.0, size=2.0)
    others = tuple(Fault(16.0 + n, "clock", 0.0, size=3600.0) for n in range(3))
    whole = scenario._replace(faults=(*others, stop))

    def attempt(one: object) -> object:
        found = run(3, sites, one)  # type: ignore[arg-type]
        if stop in found.scenario.faults and found.seconds > 20.0:
            from tests.storm.observer import Broken
            from tests.storm.run import START_US

            found.broken.append(Broken(START_US + 20_000_000, "planted", "a stop"))
        return found

    least = shrunk(attempt(whole), attempt)  # type: ignore[arg-type]

    assert least.scenario.faults == (stop,)
    assert least.scenario.total_s == 20.5


@pytest.mark.parametrize("name", sorted(OBSERVER))
def test_the_observer_shares_nothing_with_the_program(name: str) -> None:
    """It imports nothing of it, but for the other parts of the observer itself."""
    tree = ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))
    imported = {
        node.module or "" if isinstance(node, ast.ImportFrom) else alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for alias in node.names
    }
    ours = {one for one in imported if one.partition(".")[0] in ("bridge", "tests")}

    assert ours <= {"tests.storm", *(f"tests.storm.{one}" for one in OBSERVER)}


def test_every_kind_of_fault_can_be_done(sites: Sites) -> None:
    """What is drawn is known to those who do it, and ends by itself."""
    kinds = {fault.kind for seed in range(150) for fault in drawn(seed, sites).faults}

    assert callable(apply)
    assert len(kinds) >= 22
