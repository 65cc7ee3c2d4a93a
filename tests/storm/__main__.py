"""Runs storms.

    python -m tests.storm 4711                              one, with its journal where it fails
    python -m tests.storm 4711 --shrink                     and made as small as can be
    python -m tests.storm 4711 --only 0,3 --until 41.5      only these of its faults, only so long
    python -m tests.storm --seeds 0..10000 --jobs 2 --minutes 60

Exit code 0: every invariant held. 1: one did not; the seed, the commit, the invariant, the moment and the
last lines of the journal are printed. With the same commit the same seed gives the same storm, to the bit.
"""

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence
from typing import Final

from tests.storm.many import Result, commit, folder, run_many
from tests.storm.run import Outcome, report, run
from tests.storm.scenario import Scenario, Sites, drawn
from tests.storm.shrink import shrunk

SHOWN: Final = 30


def main(argv: Sequence[str] | None = None) -> int:
    """Runs it; returns the exit code."""
    wish = _arguments().parse_args(argv)
    if wish.seeds is not None:
        first, _, last = wish.seeds.partition("..")
        return _many(range(int(first), int(last)), wish.jobs, wish.minutes)
    if wish.seed is None:
        _arguments().error("a seed, or --seeds")
    with folder() as place:
        return _one(wish, Sites(place))


def _arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser("python -m tests.storm", description=__doc__.splitlines()[0])
    parser.add_argument("seed", type=int, nargs="?")
    parser.add_argument("--seeds", help="from..to, the last one not included")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--minutes", type=float, help="stop after so long")
    parser.add_argument("--shrink", action="store_true", help="make a failing storm small")
    parser.add_argument("--only", help="numbers of the faults to keep, such as 0,3")
    parser.add_argument("--until", type=float, help="end the day after so many seconds")
    return parser


def _one(wish: argparse.Namespace, sites: Sites) -> int:
    scenario = _cut(drawn(wish.seed, sites), wish)
    outcome = run(wish.seed, sites, scenario)
    print(f"digest {outcome.digest}, {outcome.frames} frames, {outcome.cpu_s:.2f} s of processor time")
    if not outcome.broken:
        print(report(outcome))
        return 0
    if wish.shrink:
        outcome = shrunk(outcome, lambda one: run(wish.seed, sites, one), lambda line: print(f"  … {line}"))
        _tell_command(outcome, scenario)
    print(f"commit {commit()}")
    print(report(outcome))
    print("\n".join(outcome.lines[-SHOWN:]))
    return 1


def _cut(scenario: Scenario, wish: argparse.Namespace) -> Scenario:
    if wish.only is not None:
        kept = {int(one) for one in wish.only.split(",") if one}
        scenario = scenario._replace(faults=tuple(f for n, f in enumerate(scenario.faults) if n in kept))
    if wish.until is not None:
        storm_s = max(scenario.storm_s, wish.until)
        scenario = scenario._replace(total_s=wish.until, storm_s=storm_s)
    return scenario


def _tell_command(outcome: Outcome, whole: Scenario) -> None:
    numbers, at = [], 0
    for fault in outcome.scenario.faults:
        at = whole.faults.index(fault, at)
        numbers.append(str(at))
        at += 1
    until = f" --until {outcome.scenario.total_s:g}" if outcome.scenario.total_s < whole.total_s else ""
    print(f"python -m tests.storm {whole.seed} --only {','.join(numbers) or ','}{until}")


def _many(seeds: range, jobs: int, minutes: float | None) -> int:
    began_s = time.monotonic()
    print(f"commit {commit()}, seeds {seeds.start}..{seeds.stop}")
    done: list[Result] = []
    rules: Counter[str] = Counter()
    told_s = began_s
    for result in run_many(seeds, jobs, None if minutes is None else minutes * 60):
        done.append(result)
        if result.text:
            rules.update(result.rules)
            print(result.text, flush=True)
        if time.monotonic() - told_s > 30.0:
            told_s = time.monotonic()
            print(f"… {len(done)} storms, {sum(bool(one.text) for one in done)} failed", flush=True)
    failed = sorted(one.seed for one in done if one.text)
    days, cpu_s = sum(one.seconds for one in done) / 86_400, sum(one.cpu_s for one in done)
    wall_s = time.monotonic() - began_s
    print(f"{len(done)} storms, {days:.2f} simulated days, {cpu_s:.0f} s of processor time, {wall_s:.0f} s")
    print(f"{len(failed)} failed: {' '.join(map(str, failed)) or 'none'} {dict(rules) or ''}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
