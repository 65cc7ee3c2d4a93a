"""Tests that need a kernel with CAN: everything in tests/vcan/inside/ and, as services of a real systemd, in
tests/vcan/managed/.

Write such a test as any other: fixtures, parametrisation and inheritance all work. pytest collects it here on
the host, so its module must import without CAN, and each test is one test of the normal run. But instead of
being called here, all those selected of a folder run together in one pytest under the userspace kernel (see
kernel.py), which is booted once for it; each then reports here what it reported there.

With --cov, what was covered inside counts too.

Without the packages needed they are skipped, or fail if AMPWEIR_REQUIRE_VCAN=1, as in CI.
"""

import json
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

import pytest

from tests.vcan.kernel import HUNG, INSIDE, KernelRun, missing_parts, run_inside

_TIMEOUT_S: Final = 1500.0
_FOLDERS: Final = {Path(__file__).with_name("inside"): False, Path(__file__).with_name("managed"): True}
"""The folders of such tests, and whether they need systemd."""
_REPORTS: Final = "AMPWEIR_INSIDE_REPORTS"  # tells the pytest inside where to write its reports
_LATE: Final = 4000  # characters of log and console shown when a test left no report

Reports = dict[str, list[dict[str, Any]]]


class InsideFailure(Exception):
    """What a failed test printed inside the kernel."""


class InsideRun:
    """The one run inside, started when the first test asks for its result.

    Args:
        tests: node ids of the tests to run.
        out: folder for the results.
        coverage: where to leave the data of a run that measures coverage, for pytest-cov to combine.
        systemd: they run under a real systemd.
    """

    def __init__(self, tests: list[str], out: Path, coverage: Path | None, *, systemd: bool) -> None:
        self._systemd = systemd
        self._tests = tests
        self._out = out
        self._coverage = coverage
        self._done: tuple[KernelRun, Reports] | None = None

    def result(self, test: str) -> list[dict[str, Any]]:
        """The reports of one test.

        Raises:
            InsideFailure: there is no full set of them, because the run hung or died.
        """
        if self._done is None:
            self._done = self._run()
        run, reports = self._done
        found = reports.get(test, [])
        if not any(report["when"] == "teardown" for report in found):
            raise InsideFailure(
                f"no report from inside the kernel: exit status {run.status}"
                f"{', not ended in time' if run.status == HUNG else ''}\n"
                f"--- log\n{run.log[-_LATE:]}\n--- console\n{run.console[-_LATE:]}"
            )
        return found

    def _run(self) -> tuple[KernelRun, Reports]:
        reports_file = self._out / "reports"
        (self._out / "tests").write_text("\n".join(self._tests))
        covered = self._out / "coverage"
        command = ["env", f"{_REPORTS}={reports_file}", f"COVERAGE_FILE={covered}"]
        command += [sys.executable, "-m", "pytest"]
        command += ["-p", "no:cacheprovider", "-p", "no:randomly", "--no-header", f"@{self._out / 'tests'}"]
        if self._coverage:
            command += ["--cov", "--cov-report="]
        run = run_inside(command, self._out, _TIMEOUT_S, systemd=self._systemd)
        if self._coverage and covered.exists():
            shutil.copy(covered, self._coverage)
        reports: Reports = {}
        for line in reports_file.read_text().splitlines() if reports_file.exists() else ():
            report = json.loads(line)
            reports.setdefault(report["test"], []).append(report)
        return run, reports


class InsideItem(pytest.Item):
    """A test of the folder inside/, on the host."""

    run: InsideRun

    def runtest(self) -> None:
        """Report what the test reported inside the kernel."""
        if missing := missing_parts():
            text = f"install first: {' '.join(missing)}"
            if os.environ.get("AMPWEIR_REQUIRE_VCAN") == "1":
                raise InsideFailure(text)
            pytest.skip(text)
        for report in self.run.result(self.nodeid):
            if report["outcome"] == "skipped":
                pytest.skip(report["text"])
            if report["outcome"] != "passed":
                raise InsideFailure(f"{report['when']}, inside the kernel:\n{report['text']}")

    def repr_failure(self, excinfo: Any, style: Any = None) -> Any:
        """The text from inside as it is, without a traceback of this file."""
        if isinstance(excinfo.value, InsideFailure):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, None, str]:
        """Where the test stands."""
        return self.path, None, self.nodeid


def pytest_itemcollected(item: pytest.Item) -> None:
    """Mark the tests of the folders, so that `-m "not vcan"` leaves them out."""
    if not _FOLDERS.keys().isdisjoint(item.path.parents):
        item.add_marker(pytest.mark.vcan)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """On the host, put an `InsideItem` in the place of each selected test of the folders."""
    if INSIDE in os.environ or config.option.collectonly:
        return
    for folder, systemd in _FOLDERS.items():
        selected = [item for item in items if folder in item.path.parents]
        if not selected:
            continue
        out = tempfile.TemporaryDirectory(prefix="kernel-")
        config.add_cleanup(out.cleanup)
        covered = config.rootpath / f".coverage.{folder.name}"
        coverage = covered if getattr(config.option, "cov_source", None) else None
        run = InsideRun([item.nodeid for item in selected], Path(out.name), coverage, systemd=systemd)
        for index, item in enumerate(items):
            if item in selected:
                assert item.parent is not None
                items[index] = InsideItem.from_parent(item.parent, name=item.name)
                items[index].run = run  # type: ignore[attr-defined]


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Inside the kernel, hand each report to the host."""
    if path := os.environ.get(_REPORTS):
        text = report.longreprtext
        if isinstance(report.longrepr, tuple):
            text = str(report.longrepr[2])
        text = "\n".join([text, *(f"--- {title}\n{content}" for title, content in report.sections)])
        line = {"test": report.nodeid, "when": report.when, "outcome": report.outcome, "text": text.strip()}
        with open(path, "a") as file:
            file.write(json.dumps(line) + "\n")
