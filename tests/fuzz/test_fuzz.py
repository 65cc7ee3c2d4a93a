"""Some hundred damaged files, of the same kind as the fuzzers of this folder make by the ten thousand."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("kind", ["profile", "state"])
def test_damaged_files_are_told_and_nothing_worse(kind: str) -> None:
    """No traceback, nothing slow, nothing large, nothing looser than a fresh start.

    In a process of its own: one that has run other tests is large to begin with.
    """
    command = [sys.executable, "-m", f"tests.fuzz.fuzz_{kind}", "--cases", "150", "--seed", "0"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "150 cases" in done.stdout
