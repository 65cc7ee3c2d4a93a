"""Runs cases in forked processes, each with a bound on time and memory."""

import multiprocessing
import resource
import signal
import sys
import time
import traceback
from argparse import ArgumentParser
from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

LONGEST_S: Final = 10
MOST_MB: Final = 200
HARD_BYTES: Final = 2 << 30
"""A process that wants more than this gets a MemoryError, so that the machine lives on."""

BATCH: Final = 100


class Tally(NamedTuple):
    """What came of some cases: each list holds the seeds concerned, with a line."""

    cases: int
    kinds: dict[str, int]
    tracebacks: list[str]
    slow: list[str]
    large: list[str]

    def __str__(self) -> str:
        kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(self.kinds.items()))
        return (
            f"{self.cases} cases ({kinds}): {len(self.tracebacks)} tracebacks, "
            f"{len(self.slow)} over {LONGEST_S} s, {len(self.large)} over {MOST_MB} MB"
        )

    @property
    def bad(self) -> list[str]:
        """All that must not be."""
        return [*self.tracebacks, *self.slow, *self.large]


class TooLong(BaseException):
    """A case takes longer than it may."""


def _alarm(*_: object) -> None:
    raise TooLong


def run(case: Callable[[int], str], seeds: range, jobs: int = 1) -> Tally:
    """Runs a case for each seed; it returns what kind of end it came to, and raises nothing."""
    batches = [seeds[i : i + BATCH] for i in range(0, len(seeds), BATCH)]
    total = Tally(0, {}, [], [], [])
    for tally in _tallies(case, batches, jobs):
        for kind, count in tally.kinds.items():
            total.kinds[kind] = total.kinds.get(kind, 0) + count
        for mine, more in zip(total[2:], tally[2:], strict=True):
            mine += more
        total = total._replace(cases=total.cases + tally.cases)
    return total


def _tallies(case: Callable[[int], str], batches: list[range], jobs: int) -> Iterator[Tally]:
    context = multiprocessing.get_context("fork")
    with context.Pool(jobs, maxtasksperchild=1) as pool:
        yield from pool.imap_unordered(_Batch(case), batches)


class _Batch:
    """Runs one batch, in a process of its own."""

    def __init__(self, case: Callable[[int], str]) -> None:
        self._case = case

    def __call__(self, seeds: range) -> Tally:
        resource.setrlimit(resource.RLIMIT_AS, (HARD_BYTES, HARD_BYTES))
        signal.signal(signal.SIGALRM, _alarm)
        tally = Tally(len(seeds), {}, [], [], [])
        peak_mb = _peak_mb()
        for seed in seeds:
            began = time.process_time()
            signal.alarm(6 * LONGEST_S)
            try:
                kind = self._case(seed)
            except TooLong:
                kind = "endless"
            except BaseException as fault:
                kind = "traceback"
                where = traceback.format_tb(fault.__traceback__)[-1].strip().replace("\n", " ")
                tally.tracebacks.append(f"seed {seed}: {type(fault).__name__}: {str(fault)[:200]} {where}")
            signal.alarm(0)
            took_s = time.process_time() - began
            if took_s > LONGEST_S or kind == "endless":
                tally.slow.append(f"seed {seed}: {took_s:.1f} s")
            now_mb = _peak_mb()
            if now_mb > max(MOST_MB, peak_mb):
                tally.large.append(f"seed {seed}: {now_mb:.0f} MB")
            peak_mb = max(peak_mb, now_mb)
            tally.kinds[kind] = tally.kinds.get(kind, 0) + 1
        return tally


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(case: Callable[[int], str]) -> None:
    """The command line of a fuzzer."""
    parser = ArgumentParser()
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1, help="cases are drawn from seed * 1,000,000 on")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--only", type=int, help="one case alone, by its number")
    given = parser.parse_args()
    if given.only is not None:
        print(case(given.only))
        return
    first = given.seed * 1_000_000
    case(first)  # what is imported late is imported before the processes part
    tally = run(case, range(first, first + given.cases), given.jobs)
    print(tally)
    for line in tally.bad[:40]:
        print(f"    {line}")
    sys.exit(bool(tally.bad))
