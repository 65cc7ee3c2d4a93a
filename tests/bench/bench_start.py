"""Time until the daemon is ready, and its memory then, against importing its libraries and loading the DBC.

    python -m tests.bench.bench_start [RUNS]

Both are fresh processes, taken in turns in one run. The daemon is ready when it says READY=1 to its
service manager. Its bus is python-can's in-process one, so that python-can is part of the cost, as for any
adapter other than SocketCAN.
"""

import os
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from tests.vcan.kernel import INSIDE as INSIDE_VARIABLE

ROOT = Path(__file__).parents[2]
INSIDE = INSIDE_VARIABLE in os.environ

LIBRARIES = """
import can, cantools, pydantic, structlog
for name in {names!r}:
    cantools.database.load_file(name)
import os
os.write(1, b"ready")
import time
time.sleep(60)
"""


ENVIRONMENT = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
"""As installed: the libraries come compiled, so the project's own modules must be able to stay so, too."""


class Cost(NamedTuple):
    """What it took: seconds, and resident memory in KiB."""

    seconds: float
    resident_kib: int


def resident_kib(pid: int) -> int:
    """Resident memory of a process."""
    match = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    assert match is not None
    return int(match[1])


def libraries(names: list[str]) -> Cost:
    """Importing the libraries and loading the message definitions."""
    began = time.perf_counter()
    command = [sys.executable, "-c", LIBRARIES.format(names=names)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=ENVIRONMENT) as process:
        assert process.stdout is not None
        assert process.stdout.read(5) == b"ready"
        cost = Cost(time.perf_counter() - began, resident_kib(process.pid))
        process.kill()
    return cost


def daemon(profile: Path, notify: Path) -> Cost:
    """Starting the daemon until it says it is ready."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as server:
        server.bind(str(notify))
        server.settimeout(60)
        began = time.perf_counter()
        command = [sys.executable, "-m", "bridge", "run", str(profile)]
        environment = {**ENVIRONMENT, "NOTIFY_SOCKET": str(notify)}
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment, cwd=ROOT) as process:
            while b"READY=1" not in server.recv(4096):
                pass
            cost = Cost(time.perf_counter() - began, resident_kib(process.pid))
            process.kill()
    notify.unlink()
    return cost


def measure(profile_text: str, names: list[str], runs: int) -> tuple[float, float]:
    """Ratios daemon : libraries of time and memory, medians of `runs` in turns."""
    with tempfile.TemporaryDirectory() as folder:
        profile = Path(folder) / "profile.toml"
        profile.write_text(profile_text)
        libraries(names)
        daemon(profile, Path(folder) / "notify")
        pairs = [(libraries(names), daemon(profile, Path(folder) / "notify")) for _ in range(runs)]
    base_s = statistics.median(base.seconds for base, _ in pairs)
    ready_s = statistics.median(ready.seconds for _, ready in pairs)
    base_kib = statistics.median(base.resident_kib for base, _ in pairs)
    ready_kib = statistics.median(ready.resident_kib for _, ready in pairs)
    print(f"  libraries and DBC  {base_s:.3f} s  {base_kib / 1024:.1f} MiB")
    print(f"  daemon ready       {ready_s:.3f} s  {ready_kib / 1024:.1f} MiB")
    print(f"  ratio              {ready_s / base_s:.2f}    {ready_kib / base_kib:.2f}")
    return ready_s / base_s, ready_kib / base_kib


def scenario_text(scenario: str) -> str:
    """A shipped profile that can stand anywhere, on interfaces that are there."""
    text = (ROOT / "profiles" / f"{scenario}.toml").read_text()
    text = text.replace('"../dbc_own/', f'"{ROOT}/dbc_own/')
    return text if INSIDE else re.sub(r'(channel = "\w+")', r'interface = "virtual"\n\1', text)


def main() -> None:
    """Both shipped scenarios."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 9
    for scenario in ("cabin", "boathouse"):
        text = scenario_text(scenario)
        names = sorted(str(path) for path in (ROOT / "dbc_own").glob(f"{scenario}_*.dbc"))
        bus = "SocketCAN" if INSIDE else "python-can's in-process bus"
        print(f"{scenario} on {bus}, median of {runs}:")
        measure(text, names, runs)


if __name__ == "__main__":
    main()
