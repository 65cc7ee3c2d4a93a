"""The shipped unit under a real systemd: what the README says of starts, stops, kills and restarts.

The unit is the shipped one. Only a drop-in lets it reach an interpreter below a home, as a test run may have.
"""

import os
import shutil
import signal
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pytest

from bridge.replay.candump import CaptureReader
from tests.service.fakes import CABIN, ROOT
from tests.vcan.inside.test_run import bounds_in, candump, feeding, wait_for

UNIT: Final = "ampweir.service"
PROFILE: Final = Path("/etc/ampweir/profile.toml")
STATE: Final = Path("/var/lib/ampweir")
WATCHDOG_S: Final = 10.0
"""As in the shipped unit."""

Bounds = list[tuple[float, dict[str, float]]]


@pytest.fixture(scope="module", autouse=True)
def installed() -> None:
    """The program, its unit and a profile where the unit looks for them."""
    home = Path("/opt/ampweir")
    for folder, origin in (("packages", sysconfig.get_path("purelib")), ("lib/bridge", ROOT / "bridge")):
        (home / folder).mkdir(parents=True)
        subprocess.run(["mount", "--bind", str(origin), str(home / folder)], check=True)
    (home / "bin").mkdir()
    program = home / "bin" / "ampweir"
    interpreter = os.path.realpath(sys.executable)
    program.write_text(
        f'#!/bin/sh\nPYTHONPATH={home}/lib:{home}/packages exec {interpreter} -m bridge "$@"\n'
    )
    program.chmod(0o755)
    PROFILE.parent.mkdir()
    shutil.copytree(ROOT / "dbc_own", "/etc/dbc_own")
    shutil.copy(CABIN, PROFILE)
    units = Path("/etc/systemd/system")
    shutil.copy(ROOT / "systemd" / UNIT, units)
    (units / f"{UNIT}.d").mkdir()
    (units / f"{UNIT}.d" / "reach.conf").write_text("[Service]\nProtectHome=no\n")
    systemctl("daemon-reload")


def systemctl(*arguments: str) -> str:
    """What systemctl prints."""
    done = subprocess.run(["systemctl", *arguments], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, f"{arguments}: {done.stderr}\n{journal()}"
    return done.stdout.strip()


def journal() -> str:
    """What the service has said."""
    command = ["journalctl", "-u", UNIT, "--no-pager", "-o", "cat", "-n", "60"]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False).stdout


def shown(what: str) -> str:
    """A property of the service."""
    return systemctl("show", "-p", what, "--value", UNIT)


@contextmanager
def service() -> Iterator[int]:
    """The service, started; gives its process."""
    systemctl("reset-failed")
    systemctl("start", UNIT)
    try:
        yield int(shown("MainPID"))
    finally:
        systemctl("stop", UNIT)


def follows(log: Path, since_s: float = 0.0) -> bool:
    """Whether both currents have left zero."""
    found = [values for t, values in bounds(log) if t > since_s]
    return bool(found) and found[-1]["charge_amps_most"] > 0 and found[-1]["draw_amps_most"] > 0


def bounds(log: Path) -> Bounds:
    """The limits that an outside decoder reads so far."""
    data = log.read_bytes()
    log.with_suffix(".part").write_bytes(data[: data.rfind(b"\n") + 1])
    return bounds_in(list(CaptureReader(log.with_suffix(".part")))) if data.strip() else []


def at_zero(values: dict[str, float]) -> bool:
    """Whether neither current is allowed."""
    return values["charge_amps_most"] == 0 and values["draw_amps_most"] == 0


def test_a_stop_leaves_zeros_and_what_must_not_be_forgotten(tmp_path: Path) -> None:
    """It is ready, follows, and after a stop zero currents were the last it said; state is on the disk."""
    log = tmp_path / "seen.log"
    with candump(log), feeding():
        with service():
            assert shown("ActiveState") == "active"
            wait_for(lambda: follows(log))
        assert shown("Result") == "success"
        assert shown("ExecMainStatus") == "0"
    assert at_zero(bounds(log)[-1][1])
    assert [*STATE.glob("*.json")], journal()


def test_killed_it_is_started_again_and_begins_at_zero(tmp_path: Path) -> None:
    """Nothing can be said at a SIGKILL; the next process says zero for as long as it must trust the data."""
    log = tmp_path / "seen.log"
    with candump(log), feeding(), service() as pid:
        wait_for(lambda: follows(log))
        os.kill(pid, signal.SIGKILL)
        killed_s = time.time()
        wait_for(lambda: shown("NRestarts") == "1" and shown("ActiveState") == "active")
        wait_for(lambda: follows(log, killed_s + 1.0))
    after = [(t, values) for t, values in bounds(log) if t > killed_s + 0.2]
    assert at_zero(after[0][1])
    assert all(at_zero(values) for t, values in after if t < after[0][0] + 4.0)


def test_frozen_it_is_ended_by_the_watchdog_and_begins_at_zero(tmp_path: Path) -> None:
    """A process that stands still gives no sign of life; the one after it begins at zero."""
    log = tmp_path / "seen.log"
    with candump(log), feeding(), service() as pid:
        wait_for(lambda: follows(log))
        os.kill(pid, signal.SIGSTOP)
        frozen_s = time.time()
        wait_for(lambda: shown("MainPID") not in ("0", str(pid)), 60.0)
        wait_for(lambda: follows(log, frozen_s + 1.0))
    after = [(t, values) for t, values in bounds(log) if t > frozen_s + 0.2]
    assert at_zero(after[0][1])


def test_waiting_for_a_bus_is_no_reason_to_be_ended(tmp_path: Path) -> None:
    """Half as long again as the watchdog waits, the interface is down: the same process sends afterwards."""
    log = tmp_path / "seen.log"
    with feeding(), service() as pid:
        subprocess.run(["ip", "link", "set", "vcan0", "down"], check=True)
        try:
            time.sleep(1.5 * WATCHDOG_S)
            assert shown("MainPID") == str(pid), journal()
        finally:
            subprocess.run(["ip", "link", "set", "vcan0", "up"], check=True)
        with candump(log):
            wait_for(lambda: follows(log))
        assert shown("NRestarts") == "0"
    assert at_zero(bounds(log)[0][1])


def test_a_reload_that_tightens_does_not_interrupt(tmp_path: Path) -> None:
    """`systemctl reload` with a lower limit: at once no more than that, and never zero on the way."""
    log = tmp_path / "seen.log"
    good = PROFILE.read_text()
    with candump(log), feeding(), service() as pid:
        wait_for(lambda: follows(log) and bounds(log)[-1][1]["draw_amps_most"] > 60.0, 60.0)
        try:
            PROFILE.write_text(good.replace("discharge_current_a = 200", "discharge_current_a = 50"))
            systemctl("reload", UNIT)
            reloaded_s = time.time()
            time.sleep(10.0)
            PROFILE.write_text(good.replace("cell_target_v = 3.50", "cell_target_v = 4.20"))
            systemctl("reload", UNIT)
            time.sleep(2.0)
        finally:
            PROFILE.write_text(good)
        assert shown("MainPID") == str(pid)
        seen = [values["draw_amps_most"] for t, values in bounds(log) if t > reloaded_s + 0.7]
    assert len(seen) > 15
    assert set(seen) == {50.0}
