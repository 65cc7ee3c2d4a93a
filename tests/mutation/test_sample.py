"""A sample of the mutants, drawn anew whenever these modules change; all of them are tried by hand."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CORE = ROOT / "tests/core"
MODULES = (
    "failsafe.machine",
    "wire.grid",
    "wire.outgoing",
    "pack.state",
    "pack.intake",
    "pack.lost",
    "bounds.shape",
    "bounds.current",
    "course.stage",
)
TESTS = (
    *("failsafe", "grid", "outgoing", "pack", "intake", "count", "lost"),
    *("twins", "intake_checksum", "limits/test_shape", "limits/test_current", "limits/test_deep"),
)


@pytest.mark.slow
def test_the_tests_notice_a_sample_of_planted_defects() -> None:
    """Forty changes of what a fault would hurt most, each noticed by the module's own tests."""
    paths = [
        CORE / (f"{name}.py" if "/" in name else f"test_{name}.py") for name in (*TESTS, "limits/test_stage")
    ]
    command = [sys.executable, "-m", "tests.mutation", *MODULES, "--sample", "40", "--seed", "1", "--tests"]
    done = subprocess.run(
        [*command, *map(str, paths)], cwd=ROOT, capture_output=True, text=True, timeout=600, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "40 mutants, 0 to look at" in done.stdout
