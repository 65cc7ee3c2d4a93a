"""Tries random sites: `python -m tests.sites --count 300 --seed 1 --jobs 2 --drill`.

Every site must load. What `check` passes must pass every fault of the drill: a failing one is a fault of the
program, of a rule of the drill, or of `check`.
"""

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from functools import partial
from pathlib import Path

from tests.sites.draw import draw_site
from tests.sites.trial import Verdict, try_site

SHOWN = 4
"""So many failing faults of a site are told in full."""


SOMETIMES = 20
"""After so many sites it is told how far it is."""


def main() -> int:
    """Tries the sites; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.sites", description="Tries random sites.")
    parser.add_argument("--count", type=int, default=100, help="so many sites")
    parser.add_argument("--seed", type=int, default=1, help="of the first; the others follow it")
    parser.add_argument("--jobs", type=int, default=1, help="so many at a time")
    parser.add_argument("--drill", action="store_true", help="rehearse every fault, too")
    parser.add_argument("--only", action="append", default=[], help="faults whose name contains this")
    parser.add_argument("--share", type=float, default=1.0, help="of the faults of each site, drawn")
    parser.add_argument("--write", type=Path, help="only write the site of --seed into this folder")
    wish = parser.parse_args()
    if wish.write is not None:
        wish.write.mkdir(parents=True, exist_ok=True)
        print(draw_site(wish.seed, wish.write))
        return 0
    begin_s, totals, faults = time.monotonic(), Counter[str](), 0
    trial = partial(try_site, drill=wish.drill, only=tuple(wish.only), share=wish.share)
    for verdict in _tried(trial, range(wish.seed, wish.seed + wish.count), wish.jobs):
        totals[verdict.outcome] += 1
        faults += verdict.faults
        if sum(totals.values()) % SOMETIMES == 0:
            print(f"{sum(totals.values())} sites so far, {faults} faults", file=sys.stderr, flush=True)
        if verdict.outcome != "pass":
            rest = len(verdict.why) - SHOWN
            told = " | ".join(verdict.why[:SHOWN]) + (f" | and {rest} more" if rest > 0 else "")
            print(f"site {verdict.seed} {verdict.outcome}: {told}", flush=True)
    sums = ", ".join(f"{count} {outcome}" for outcome, count in sorted(totals.items()))
    print(f"{wish.count} sites: {sums}; {faults} faults rehearsed in {time.monotonic() - begin_s:.0f} s")
    return 1 if totals["broken"] or totals["refused"] else 0


def _tried(trial: "partial[Verdict]", seeds: range, jobs: int) -> Iterator[Verdict]:
    if jobs == 1:
        yield from map(trial, seeds)
        return
    with ProcessPoolExecutor(jobs) as pool:
        for done in as_completed([pool.submit(trial, seed) for seed in seeds]):
            yield done.result()


if __name__ == "__main__":
    sys.exit(main())
