"""A reload under load on a real interface, as candump sees it; and who else may use the state directory."""

import signal
import subprocess
import sys
import time
from pathlib import Path

from bridge.replay.candump import CaptureReader
from tests.service.fakes import CABIN, ROOT
from tests.vcan.inside.test_run import bounds_in, candump, daemon, feeding, wait_for


def test_a_reload_that_tightens_takes_nothing_from_the_load_and_one_daemon_has_the_state(
    tmp_path: Path,
) -> None:
    """No frame of the reload allows less to be drawn; charging is at zero within two seconds; a second daemon
    with the same state directory is refused with one clear line, and says which process has it.
    """
    profile, log = tmp_path / "mine.toml", tmp_path / "seen.log"
    text = CABIN.read_text().replace('"../dbc_own/', f'"{ROOT}/dbc_own/')
    profile.write_text(text)
    state = str(tmp_path / "state")
    with candump(log), feeding(), daemon("--state", state, profile=profile) as (process, lines):
        wait_for(lambda: any("following" in line for line in lines))
        time.sleep(8.0)
        command = [sys.executable, "-m", "bridge", "run", str(profile), "--state", state]
        second = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
        profile.write_text(text.replace("[failsafe]", "[options]\ninhibit_charge = true\n[failsafe]"))
        asked_s = time.time()
        process.send_signal(signal.SIGHUP)
        wait_for(lambda: any("the new one has taken over" in line for line in lines))
        time.sleep(2.0)
        stopped_s = time.time()
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    assert second.returncode == 4
    assert f"in use by process {process.pid}" in second.stderr + second.stdout
    assert "Traceback" not in second.stderr
    bounds = bounds_in(list(CaptureReader(log)))
    before = [one for at_s, one in bounds if at_s < asked_s][-1]
    after = [(at_s, one) for at_s, one in bounds if asked_s <= at_s < stopped_s - 0.1]
    assert before["draw_amps_most"] > 0.0
    assert len(after) > 5
    assert min(one["draw_amps_most"] for _, one in after) >= before["draw_amps_most"]
    assert all(one["charge_amps_most"] == 0.0 for at_s, one in after if at_s > asked_s + 5.0)
    assert bounds[-1][1]["draw_amps_most"] == 0.0
