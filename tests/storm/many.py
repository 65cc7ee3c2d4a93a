"""Many storms, in processes side by side."""

import multiprocessing
import subprocess
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Final, NamedTuple

from tests.storm.run import report, run
from tests.storm.scenario import Sites

ROOT: Final = Path(__file__).parents[2]
MEMORY: Final = "/dev/shm" if Path("/dev/shm").is_dir() else None
LAST: Final = 8
"""So many of the last lines of a journal are told with a failure."""

AT_ONCE: Final = 20


class Result(NamedTuple):
    """One storm, in short; `text` is empty where every invariant held."""

    seed: int
    digest: str
    seconds: float
    cpu_s: float
    rules: tuple[str, ...]
    text: str


@contextmanager
def folder() -> Iterator[Path]:
    """Where profiles are written; in memory, if there is such a place."""
    with tempfile.TemporaryDirectory(prefix="storms-", dir=MEMORY) as name:
        yield Path(name)


def commit() -> str:
    """The commit; where there is none, or something is changed, a hash of the sources."""
    try:
        head = subprocess.run(
            ["git", "-C", str(ROOT), "rev-parse", "HEAD"], capture_output=True, text=True, check=True
        ).stdout.strip()
        changed = subprocess.run(
            ["git", "-C", str(ROOT), "status", "--porcelain", "bridge", "tests/storm"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return f"sources {sources()}"
    return f"{head} and changes, sources {sources()}" if changed else head


def sources() -> str:
    """A hash of the program and the storm: what decides which new seeds are tried."""
    digest = sha256()
    for place in ("bridge", "tests/storm"):
        for path in sorted((ROOT / place).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def one(seed: int, sites: Sites) -> Result:
    """Runs one."""
    began_s = time.process_time()
    outcome = run(seed, sites)
    text = ""
    if outcome.broken:
        text = "\n".join([report(outcome), "  the last of the journal:", *outcome.lines[-LAST:]])
    cpu_s = time.process_time() - began_s
    rules = tuple(broken.rule for broken in outcome.broken)
    return Result(seed, outcome.digest, outcome.seconds, cpu_s, rules, text)


def run_many(seeds: Iterable[int], jobs: int, most_s: float | None = None) -> Iterator[Result]:
    """Runs them; as they come. No new ones are begun once `most_s` have passed."""
    end_s = None if most_s is None else time.monotonic() + most_s
    if jobs == 1:
        with folder() as place:
            sites = Sites(place)
            for seed in seeds:
                if end_s is not None and time.monotonic() > end_s:
                    return
                yield one(seed, sites)
        return
    rows = list(seeds)
    parts = [rows[n : n + AT_ONCE] for n in range(0, len(rows), AT_ONCE)]
    with multiprocessing.get_context("fork").Pool(jobs) as pool:
        for results in pool.imap_unordered(_part, [(part, end_s) for part in parts]):
            yield from results


_SITES: list[Sites] = []


def _part(task: tuple[list[int], float | None]) -> list[Result]:
    seeds, end_s = task
    if not _SITES:
        _SITES.append(Sites(Path(tempfile.mkdtemp(prefix="storms-", dir=MEMORY))))
    return [one(seed, _SITES[0]) for seed in seeds if end_s is None or time.monotonic() < end_s]
