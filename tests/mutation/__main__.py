"""Plants mutants in the core and runs the tests that run the mutated lines.

    python -m tests.mutation                       all modules, for hours
    python -m tests.mutation 'failsafe.*' plan.*   those modules
    python -m tests.mutation --sample 40 --seed 1  so many, drawn at random

Exit code 0: every mutant was noticed, or may survive by name (tests/mutation/justified.toml). 1: survivors,
each printed as an entry for that list. 2: the tests fail without any mutant, or the list is wrong.
"""

import argparse
import math
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from fnmatch import fnmatch
from functools import partial
from hashlib import sha256
from pathlib import Path

from tests.mutation import bench, swap
from tests.mutation.bench import Baseline, Package
from tests.mutation.justified import ListError, as_entry, read, refuse_stale
from tests.mutation.mutators import Mutant, Name, mutants

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
INFRASTRUCTURE = 2


def main(argv: Sequence[str] | None = None) -> int:
    """Runs it; returns the exit code."""
    wish = _arguments().parse_args(argv)
    package = Package(wish.package, wish.root / wish.package.replace(".", "/"), tuple(wish.tests))
    sys.path.insert(0, str(wish.root))
    os.chdir(wish.root)
    bench.prepare()
    try:
        todo = _todo(package, wish.modules, wish.justified, proven=wish.prove)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "baseline")
            _, status = os.waitpid(bench.quietly(partial(bench.measure, package, path)), 0)
            if status:
                raise ListError(f"without any mutant the tests end with {os.waitstatus_to_exitcode(status)}")
            baseline = bench.baseline_from(path, wish.longest)
    except ListError as error:
        print(error, file=sys.stderr)
        return INFRASTRUCTURE
    if wish.sample is not None:
        todo = sorted(todo, key=partial(_lot, wish.seed))[: wish.sample]
    return _judge(package, todo, baseline, wish.jobs, wish.justified if wish.prove else None)


def _arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser("python -m tests.mutation", description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", default=["*"], help="names within the package, * and ? allowed")
    parser.add_argument("--sample", type=int, help="only so many mutants, drawn at random")
    parser.add_argument("--seed", type=int, default=0, help="of that draw")
    parser.add_argument("--jobs", type=int, default=1, help="mutants at a time")
    parser.add_argument("--prove", action="store_true", help="run only what may survive: it must survive")
    parser.add_argument("--package", default="bridge.core")
    parser.add_argument("--root", type=Path, default=ROOT, help="the folder the package is imported from")
    parser.add_argument("--tests", nargs="+", default=["tests/core"], help="files and folders for pytest")
    parser.add_argument(
        "--longest", type=float, default=math.inf, help="leave out tests over so many seconds"
    )
    parser.add_argument("--justified", type=Path, default=HERE / "justified.toml")
    return parser


def _todo(package: Package, wanted: Sequence[str], path: Path, *, proven: bool) -> list[Mutant]:
    """The mutants of the wanted modules, without (or only) those that may survive. Raises ListError."""
    modules = package.modules()
    for pattern in wanted:
        if not any(fnmatch(module, pattern) for module in modules):
            raise ListError(f"no module {pattern}; allowed: {', '.join(modules)}")
    found = {module: mutants(module, file.read_text()) for module, file in modules.items()}
    listed = read(path)
    refuse_stale(listed, (mutant.name for rows in found.values() for mutant in rows), path)
    chosen = [module for pattern in wanted for module in modules if fnmatch(module, pattern)]
    return [m for module in dict.fromkeys(chosen) for m in found[module] if (m.name in listed) is proven]


def _lot(seed: int, mutant: Mutant) -> bytes:
    """What a mutant has drawn: by its name, so that a change elsewhere leaves the sample as it is."""
    return sha256(repr((seed, *mutant.name)).encode()).digest()


def _judge(
    package: Package, todo: Sequence[Mutant], baseline: Baseline, jobs: int, proven: Path | None
) -> int:
    began = time.monotonic()
    counts = Counter[tuple[str, bool]]()
    bad: list[Name] = []
    for mutant, code in _tried(package, todo, baseline, jobs):
        if code > INFRASTRUCTURE:
            print(f"{mutant.name}: pytest ended with {code}", file=sys.stderr)
            return INFRASTRUCTURE
        survived = code == 0
        counts[mutant.name.module, survived] += 1
        if survived is (proven is None):
            bad.append(mutant.name)
            print(as_entry(mutant.name), flush=True)
    for module in dict.fromkeys(module for module, _ in counts):
        print(f"{module}: {counts[module, False]} noticed, {counts[module, True]} not")
    print(f"{len(todo)} mutants, {len(bad)} to look at, {time.monotonic() - began:.0f} s")
    return 1 if bad else 0


def _tried(
    package: Package, todo: Sequence[Mutant], baseline: Baseline, jobs: int
) -> Iterator[tuple[Mutant, int]]:
    """Each mutant with an exit code: 0 not noticed; 1, 2 (it cannot even be imported): noticed.

    First those that can be swapped; what survives that, and has been run while tests are imported, once more.
    """
    plans = [bench.attempt(package, mutant, baseline) for mutant in todo]
    deep = [plan for plan in plans if plan.mutant.deep]
    again = [plan for plan in plans if not plan.mutant.deep]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "codes")
        os.waitpid(bench.quietly(partial(swap.run, package, deep, path, jobs)), 0)
        rows = [line.split() for line in path.read_text().splitlines()]
    if len(rows) != len(deep):
        raise RuntimeError(f"{len(deep)} mutants, but only {len(rows)} were tried")
    for plan, code in ((deep[int(number)], int(code)) for number, code in rows):
        if code == swap.NOT_SWAPPED or (code == 0 and not plan.late):
            again.append(plan)
        else:
            yield plan.mutant, code
    for plan in again:
        _, status = os.waitpid(bench.quietly(partial(bench.try_anew, package, plan)), 0)
        ended = os.waitstatus_to_exitcode(status)
        yield plan.mutant, 1 if ended < 0 else ended


if __name__ == "__main__":
    sys.exit(main())
