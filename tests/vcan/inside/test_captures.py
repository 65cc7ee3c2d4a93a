"""Our captures played by can-utils canplayer, which opens a CAN socket even when it only prints."""

import subprocess
from pathlib import Path

import pytest

from tests.replay.marked import MARKS, Marked, write_marked


@pytest.mark.parametrize("mark", [mark for _, mark in MARKS], ids=[name for name, _ in MARKS])
def test_canplayer_reads_our_captures(tmp_path: Path, mark: Marked) -> None:
    """Told to print instead of to send, it prints every frame again."""
    path = write_marked(tmp_path / "night.log", mark)
    command = ["canplayer", "-I", str(path), "-t", "-g", "0", "stdout=can0"]
    run = subprocess.run(command, capture_output=True, text=True, check=True, timeout=20)
    frames = [line.split()[2] for line in run.stdout.splitlines()]
    assert frames == ["1A3#1122", "0B6677E0#7F", "7FF#"]
