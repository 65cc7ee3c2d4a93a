"""The daemon of this checkout beside that of another: time and memory until ready, processor time at work.

    python -m tests.bench.bench_against OTHER [RUNS]

OTHER is the folder of the other checkout, as `git worktree add` makes one. Both run with this interpreter,
in turns, in one run. The frames of an hour of a simulated day, made once, go through the engine of either
checkout, polled at each of its deadlines, and through its whole daemon, in a world that costs nothing.
Prints the least of all runs, which other work on the machine disturbs least, and this : other.
"""

import os
import pickle
import socket
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from bridge.profile.load import load_profile
from bridge.simulate.day import MIDNIGHT_US, Setup, wish_of
from bridge.simulate.site import Site
from tests.bench.bench_start import ENVIRONMENT, resident_kib, scenario_text

ROWS = (
    ("processor time until ready", "s"),
    ("memory then", "KiB"),
    ("an hour of the engine", "s"),
    ("an hour of the daemon", "s"),
)
HERE = Path(__file__).parents[2]
SECOND_US = 1_000_000
HOUR_US = 3600 * SECOND_US

AT_WORK = """
import pickle, sys
from time import process_time
from bridge.core.engine import Engine
from bridge.frames import Frame
from bridge.profile.load import load_profile
plan = load_profile(sys.argv[1]).plan
start_us, rows = pickle.load(open(sys.argv[2], "rb"))
frames = [(t_us, Frame(*row)) for t_us, row in rows]
engine = Engine(plan, start_us)
began = process_time()
for t_us, frame in frames:
    while engine.next_deadline_us <= t_us:
        engine.poll(engine.next_deadline_us)
    engine.receive(t_us, frame)
print(process_time() - began)
"""

DAEMON = """
import os, pickle, sys
from time import process_time
from bridge.frames import Frame
from bridge.profile.load import load_profile
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.world import Batch, Request
loaded = load_profile(sys.argv[1])
start_us, rows = pickle.load(open(sys.argv[2], "rb"))
frames = [(t_us, Frame(*row)) for t_us, row in rows]

class World:
    t_us, n = start_us, 0

    def now_us(self):
        return self.t_us

    def wait(self, until_us):
        if self.n == len(frames):
            return Batch(self.t_us, [], [], [Request.STOP])
        t_us, frame = frames[self.n]
        if t_us > until_us:
            self.t_us = until_us
            return Batch(until_us, [], [], [])
        self.n, self.t_us = self.n + 1, max(self.t_us, t_us)
        return Batch(self.t_us, [frame], [], [])

    def send(self, frame):
        pass

    def close(self):
        pass

journal = Journal(make_logger("plain", open(os.devnull, "w").write))
daemon = Daemon(loaded, World(), journal, load=lambda: loaded)
began = process_time()
daemon.run()
print(process_time() - began)
"""


class Cost(NamedTuple):
    """Processor time and resident memory until ready; processor time for an hour, of engine and daemon."""

    ready_s: float
    ready_kib: float
    work_s: float
    daemon_s: float


def ready(tree: Path, profile: Path, folder: Path) -> tuple[float, int]:
    """Processor time, s, and memory, KiB, of a daemon that has just said it is ready."""
    notify = folder / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as server:
        server.bind(str(notify))
        server.settimeout(60)
        command = [sys.executable, "-m", "bridge", "run", str(profile)]
        environment = {**ENVIRONMENT, "NOTIFY_SOCKET": str(notify)}
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment, cwd=tree) as process:
            while b"READY=1" not in server.recv(4096):
                pass
            fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
            spent_s = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
            kib = resident_kib(process.pid)
            process.kill()
    notify.unlink()
    return spent_s, kib


def work_s(what: str, tree: Path, profile: Path, frames: Path) -> float:
    """Processor time of an hour's frames through the engine, or the daemon, of a checkout."""
    command = [sys.executable, "-c", what, str(profile), str(frames)]
    done = subprocess.run(command, cwd=tree, env=ENVIRONMENT, capture_output=True, text=True, check=True)
    return float(done.stdout)


def hour(profile: Path, file: Path) -> None:
    """Writes the frames of an hour of morning: everything the pack and the inverters say."""
    loaded = load_profile(profile)
    start_us = MIDNIGHT_US + 9 * HOUR_US
    site = Site(loaded, start_us, charge=0.5, wish=wish_of(loaded, Setup(hours=1.0, start_s=9 * 3600.0)))
    rows = []
    while site.next_us < start_us + HOUR_US:
        t_us = site.next_us
        rows += [(t_us, tuple(frame)) for frame in site.advance(t_us)]
    file.write_bytes(pickle.dumps((start_us, rows)))


def main() -> None:
    """Both shipped scenarios."""
    other = Path(sys.argv[1]).resolve()
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    for scenario in ("cabin", "boathouse"):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            profile, frames = folder / "profile.toml", folder / "frames"
            profile.write_text(scenario_text(scenario))
            hour(profile, frames)
            costs: dict[Path, list[Cost]] = {HERE: [], other: []}
            for _ in range(runs):
                for tree, found in costs.items():
                    spent_s, kib = ready(tree, profile, folder)
                    rest = [work_s(what, tree, profile, frames) for what in (AT_WORK, DAEMON)]
                    found.append(Cost(spent_s, kib, *rest))
            print(f"{scenario}, least of {runs} in turns:         this     other   ratio")
            for n, (what, unit) in enumerate(ROWS):
                mine, theirs = (min(cost[n] for cost in costs[tree]) for tree in costs)
                print(f"  {what:28} {mine:10.3f} {theirs:10.3f} {unit:4}{mine / theirs:6.3f}")


if __name__ == "__main__":
    main()
