"""How many seeds a storm needs to find each planted defect.

    python -m tests.storm.planted                  all of them
    python -m tests.storm.planted 'cold ignored'   this one

Only a rule counts that the sound program does not break with the same seed. Exit code 1: one was not found
within the stated number of seeds.
"""

import argparse
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from typing import Any, Final, NamedTuple
from unittest.mock import patch

from tests.storm.defects import DEFECTS, Put, process
from tests.storm.fault import Fault
from tests.storm.many import commit, folder
from tests.storm.run import run
from tests.storm.scenario import Sites, drawn

WITHIN: Final = 300
"""Each is found within so many seeds."""


LOUD: Final = frozenset({"ends", "hangs", "frames"})
"""That a program with a planted defect ends of it counts only where the defect is that it ends."""


class Found(NamedTuple):
    """A defect, and the seed that found it: how many were needed (0: none did), and what it saw."""

    name: str
    seeds: int
    seed: int
    text: str


def find(name: str, sites: Sites, first: int = 0, within: int = WITHIN) -> Found:
    """Runs seeds until one finds it. A seed without a fault that could show it counts, but is not run."""
    defect, shown_by = DEFECTS[name]
    quiet = defect.__module__ != process.__name__
    for count in range(within):
        seed = first + count
        scenario = drawn(seed, sites)
        if shown_by and not any(_is_one(fault, shown_by) for fault in scenario.faults):
            continue
        with ExitStack() as stack:
            defect(_putting(stack))
            broken = run(seed, sites, scenario, hasty=not quiet).broken
        if broken:
            sound = {one.rule for one in run(seed, sites, scenario).broken}
            news = [one for one in broken if one.rule not in sound and not (quiet and one.rule in LOUD)]
            if news:
                return Found(name, count + 1, seed, f"{news[0].rule}: {news[0].text}")
    return Found(name, 0, 0, "not found")


def _is_one(fault: Fault, names: frozenset[str]) -> bool:
    return fault.kind in names or f"{fault.kind} {fault.what}" in names


def _putting(stack: ExitStack) -> Put:
    def put(owner: Any, name: str, value: Any) -> None:
        stack.enter_context(patch.object(owner, name, value))

    return put


def main(argv: Sequence[str] | None = None) -> int:
    """Runs it; returns the exit code."""
    parser = argparse.ArgumentParser("python -m tests.storm.planted", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", default=list(DEFECTS))
    parser.add_argument("--within", type=int, default=WITHIN)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    wish = parser.parse_args(argv)
    print(f"commit {commit()}, seeds from {wish.first}, each defect within {wish.within}")
    missed = 0
    with folder() as place:
        sites = Sites(place)
        for name in wish.names:
            found = find(name, sites, wish.first, wish.within)
            missed += not found.seeds
            told = f"{found.seeds:4d}" if found.seeds else "   –"
            print(f"{name:32s} {told}   {found.text[:110]}", flush=True)
    print(f"{len(wish.names) - missed} of {len(wish.names)} found")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
