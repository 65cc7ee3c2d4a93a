"""Tries mutants without importing anything anew.

The tests are collected once; then, for each mutant, a copy of the process gives one function its changed
code. That is right where nothing ran the function before: no object exists then that the sound one has made.
"""

import gc
import os
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from types import CodeType, FunctionType

import pytest

from tests.mutation import bench
from tests.mutation.bench import Attempt, Package

NOT_SWAPPED = 99
"""The function cannot be changed in place."""


class _Loop:
    """A pytest plugin: instead of running the collected tests, runs the chosen ones for each mutant."""

    def __init__(self, package: Package, attempts: Sequence[Attempt], into: Path, jobs: int) -> None:
        self._package, self._attempts, self._into, self._jobs = package, attempts, into, jobs

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """All mutants; the exit codes go to the file, one a line."""
        items = {item.nodeid: item for item in session.items}
        gc.collect()
        gc.freeze()
        running: dict[int, int] = {}
        with self._into.open("w", buffering=1) as into:
            for number, attempt in enumerate(self._attempts):
                if len(running) == self._jobs:
                    _wait(running, into.write)
                running[bench.quietly(partial(self._try, items, attempt))] = number
            while running:
                _wait(running, into.write)
        return True

    def _try(self, items: dict[str, pytest.Item], attempt: Attempt) -> int:
        try:
            name = attempt.mutant.name
            _swap(f"{self._package.name}.{name.module}", name.where, attempt.code)
        except ValueError:
            return NOT_SWAPPED
        chosen = [items[test] for test in attempt.tests]
        for item, following, seconds in zip(chosen, [*chosen[1:], None], attempt.seconds, strict=True):
            bench.bound(seconds)
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if item.session.testsfailed:
                return 1
        return 0


def _wait(running: dict[int, int], write: Callable[[str], int]) -> None:
    pid, status = os.wait()
    code = os.waitstatus_to_exitcode(status)
    write(f"{running.pop(pid)} {1 if code < 0 else code}\n")


def run(package: Package, attempts: Sequence[Attempt], into: Path, jobs: int) -> int:
    """Tries the mutants in this process's copies; their numbers and exit codes go to the file `into`."""
    return int(pytest.main([*bench.PYTEST, *package.tests], plugins=[_Loop(package, attempts, into, jobs)]))


def _swap(module: str, where: str, code: CodeType) -> None:
    """Gives the outermost function around `where` its code from the changed module."""
    found: object = sys.modules[module]
    path = where.split(".")
    for depth, part in enumerate(path, 1):
        found = vars(found)[part]
        if isinstance(found, property):
            found = found.fget
        found = getattr(found, "__func__", found)
        if isinstance(found, FunctionType):
            found.__code__ = _part(code, path[:depth])
            return
    raise ValueError(where)


def _part(code: CodeType, path: Sequence[str]) -> CodeType:
    for name in path:
        code = next(one for one in code.co_consts if isinstance(one, CodeType) and one.co_name == name)
    return code
