"""The harness itself: what a command inside the userspace kernel prints and leaves, and what if it hangs."""

import os
from pathlib import Path

import pytest

from tests.vcan.kernel import HUNG, missing_parts, run_inside

pytestmark = [
    pytest.mark.vcan,
    pytest.mark.slow,
    pytest.mark.skipif(
        bool(missing_parts()) and os.environ.get("AMPWEIR_REQUIRE_VCAN") != "1",
        reason=f"install first: {' '.join(missing_parts())}",
    ),
]


def test_status_output_and_results_come_back(tmp_path: Path) -> None:
    """Two buses are up; the exit status and the OUT folder come back, other writes do not."""
    stray = Path(__file__).with_name("stray")
    script = f"ip -br link; echo kept >{tmp_path}/kept; echo lost >{stray}; exit 7"
    run = run_inside(["sh", "-c", script], tmp_path, timeout_s=60)
    assert run.status == 7, run.log + run.console
    states = dict(line.split()[:2] for line in run.log.splitlines() if line.startswith("vcan"))
    assert states.keys() == {"vcan0", "vcan1"}
    assert "DOWN" not in states.values()
    assert (tmp_path / "kept").read_text() == "kept\n"
    assert not stray.exists()


def test_a_hang_is_ended(tmp_path: Path) -> None:
    """A command that does not end is killed with its kernel; what it had printed is there."""
    run = run_inside(["sh", "-c", "echo begun; sleep 600"], tmp_path, timeout_s=12)
    assert run.status == HUNG
    assert run.log == "begun\n", run.console
