"""Runs the tests against one mutant, in a process of its own, and finds out which tests run which lines."""

import importlib.abc
import importlib.machinery
import json
import os
import resource
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import redirect_stderr, redirect_stdout
from importlib.util import spec_from_loader
from pathlib import Path
from types import CodeType, ModuleType
from typing import NamedTuple

import coverage
import hypothesis
import pytest

from tests.mutation.mutators import Mutant, mutated

MEMORY_BYTES = 4 << 30
"""A mutant that asks for more has been noticed."""

PYTEST = (
    "-q",
    "-x",
    "--tb=no",
    "-p",
    "no:cacheprovider",
    "-p",
    "no:randomly",
    "-p",
    "no:cov",
    "-W",
    "ignore",
)


class Package(NamedTuple):
    """What is mutated, and by what it is tested.

    Attributes:
        name: dotted, of the package.
        folder: where it lies.
        tests: files and folders for pytest.
    """

    name: str
    folder: Path
    tests: tuple[str, ...]

    def modules(self) -> dict[str, Path]:
        """Its modules by their names within the package."""
        files = sorted(path for path in self.folder.rglob("*.py") if path.name != "__init__.py")
        return {".".join(path.relative_to(self.folder).with_suffix("").parts): path for path in files}


class Baseline(NamedTuple):
    """How the tests run while nothing is mutated.

    Attributes:
        seconds: processor time of each test.
        by_line: for each module and line, the tests that run it; "" is what runs while tests are imported.
    """

    seconds: dict[str, float]
    by_line: dict[str, dict[int, frozenset[str]]]

    def chosen(self, mutant: Mutant) -> tuple[list[str], bool]:
        """The tests that run what is mutated, and whether nothing else does.

        The module's own tests come first, then the fastest; all others after them where they may run it, too.
        """
        module, (first, last) = mutant.name.module, mutant.lines
        of_module = self.by_line.get(module, {})
        found = frozenset[str]().union(*(of_module.get(n, ()) for n in range(first, last + 1)))
        own = f"test_{module.rpartition('.')[2]}.py"
        chosen = sorted(found - {""}, key=lambda test: (own not in test, self.seconds[test]))
        if mutant.deep and chosen and "" not in found:
            return chosen, True
        anywhere = frozenset[str]().union(*of_module.values()) - {""}
        rest = sorted(
            self.seconds.keys() - found, key=lambda test: (test not in anywhere, self.seconds[test])
        )
        return chosen + rest, False


class Attempt(NamedTuple):
    """One mutant to try.

    Attributes:
        mutant: which.
        path: of its module.
        tests: which, in that order.
        seconds: of processor time for each test; a mutant that runs on for much longer has been noticed.
        late: nothing runs what is mutated before the first test.
    """

    mutant: Mutant
    path: Path
    tests: Sequence[str]
    seconds: Sequence[float]
    late: bool

    @property
    def code(self) -> CodeType:
        """The module's, changed."""
        return compile(mutated(self.path.read_text(), self.mutant.number), str(self.path), "exec")


def attempt(package: Package, mutant: Mutant, baseline: Baseline) -> Attempt:
    """How a mutant is tried."""
    tests, late = baseline.chosen(mutant)
    seconds = [baseline.seconds[test] for test in tests]
    return Attempt(mutant, package.modules()[mutant.name.module], tests, seconds, late)


class _Planted(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports modules from code that may not be what their files say."""

    def __init__(self, codes: Mapping[str, CodeType]) -> None:
        self._codes = codes

    def find_spec(self, fullname: str, *_: object) -> importlib.machinery.ModuleSpec | None:
        """Finds those modules and no others."""
        code = self._codes.get(fullname)
        return None if code is None else spec_from_loader(fullname, self, origin=code.co_filename)

    def exec_module(self, module: ModuleType) -> None:
        """Runs the code."""
        code = self._codes[module.__name__]
        module.__file__ = code.co_filename
        exec(code, vars(module))


class _Chosen:
    """A pytest plugin: runs the chosen tests, in that order."""

    def __init__(self, tests: Sequence[str]) -> None:
        self._rank = {test: rank for rank, test in enumerate(tests)}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Picks and sorts."""
        chosen = [item for item in items if item.nodeid in self._rank]
        items[:] = sorted(chosen, key=lambda item: self._rank[item.nodeid])


class _Timed:
    """A pytest plugin: says which test is running, and how long each took."""

    def __init__(self, cover: coverage.Coverage) -> None:
        self._cover = cover
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """One test."""
        self._cover.switch_context(item.nodeid)
        began = time.process_time()
        done = yield
        self.seconds[item.nodeid] = time.process_time() - began
        self._cover.switch_context("")
        return done


def prepare() -> None:
    """Property tests try the same examples every time, and do not look for the simplest that fails."""
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    phases = (hypothesis.Phase.explicit, hypothesis.Phase.generate)
    hypothesis.settings.register_profile(
        "mutation", derandomize=True, database=None, deadline=None, phases=phases
    )
    hypothesis.settings.load_profile("mutation")
    os.environ["AMPWEIR_EXAMPLES"] = "mutation"


def measure(package: Package, into: Path) -> int:
    """Runs all tests on the package as it is, in this process; leaves the baseline in the file `into`."""
    cover = coverage.Coverage(data_file=None, config_file=False, source=[str(package.folder)])
    timed = _Timed(cover)
    plain = {
        f"{package.name}.{module}": compile(mutated(path.read_text(), None), str(path), "exec")
        for module, path in package.modules().items()
    }
    sys.meta_path.insert(0, _Planted(plain))
    cover.start()
    code = int(pytest.main([*PYTEST, *package.tests], plugins=[timed]))
    cover.stop()
    data = cover.get_data()
    lines = {
        module: {line: sorted(tests) for line, tests in data.contexts_by_lineno(str(path)).items()}
        for module, path in package.modules().items()
    }
    into.write_text(json.dumps([timed.seconds, lines]))
    return code


def baseline_from(path: Path, longest_s: float) -> Baseline:
    """What `measure` has left, of the tests that take no longer, of processor time."""
    seconds, lines = json.loads(path.read_text())
    short = {test: took for test, took in seconds.items() if took <= longest_s}
    return Baseline(
        short,
        {
            module: {
                int(line): frozenset(test for test in tests if not test or test in short)
                for line, tests in rows.items()
            }
            for module, rows in lines.items()
        },
    )


def bound(seconds: float) -> None:
    """Ends this process after some times as much processor time from now, or far more of real time."""
    most = int(time.process_time() + 3.0 * seconds + 6.0)
    resource.setrlimit(resource.RLIMIT_CPU, (most, resource.RLIM_INFINITY))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    signal.alarm(20 * most)


def try_anew(package: Package, attempt: Attempt) -> int:
    """Runs tests on a mutant in this process, which has imported none of it; returns pytest's exit code."""
    bound(sum(attempt.seconds))
    sys.meta_path.insert(0, _Planted({f"{package.name}.{attempt.mutant.name.module}": attempt.code}))
    files = list(dict.fromkeys(test.split("::")[0] for test in attempt.tests))
    return int(pytest.main([*PYTEST, *files], plugins=[_Chosen(attempt.tests)]))


def quietly(run: Callable[[], int]) -> int:
    """Forks; the child runs, says nothing, and its exit code is what `run` returns. Returns its id."""
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    code = 3
    try:
        with open(os.devnull, "w") as nowhere, redirect_stdout(nowhere), redirect_stderr(nowhere):
            code = run()
    finally:
        os._exit(code)
