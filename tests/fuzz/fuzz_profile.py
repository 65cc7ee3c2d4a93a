"""Profiles and message definitions, damaged in every way: each is refused in words, or it runs.

python -m tests.fuzz.fuzz_profile --cases 20000 --seed 1
"""

import shutil
import tempfile
from functools import cache
from pathlib import Path
from random import Random

from bridge.core.engine import Engine
from bridge.errors import InputError, Severity
from bridge.profile.check import check_profile
from bridge.profile.load import load_profile
from bridge.service.lastwords import LastWords
from tests.fuzz.mutate import mutated, tables
from tests.fuzz.workers import main

ROOT = Path(__file__).resolve().parents[2]
PROFILES = ("cabin", "boathouse", "jetty")


@cache
def _texts() -> dict[str, bytes]:
    """All shipped profiles and message definitions, by name."""
    found = [*(ROOT / "profiles").glob("*.toml"), *(ROOT / "dbc_own").glob("*.dbc")]
    return {path.name: path.read_bytes().replace(b"../dbc_own/", b"") for path in found}


def written(random: Random, folder: Path) -> Path:
    """A damaged profile, or a sound one with damaged definitions."""
    profile = f"{random.choice(PROFILES)}.toml"
    for name, data in _texts().items():
        changed = data
        if name == profile:
            kind = random.random()
            if kind < 0.3:
                changed = mutated(random, data)
            elif kind < 0.65:
                changed = tables(random, data.decode())
            elif kind < 0.7:
                changed = mutated(random, tables(random, data.decode()))
        elif name.startswith(profile[:4]) and random.random() < 0.3:
            changed = mutated(random, data)
        (folder / name).write_bytes(changed)
    return folder / profile


def case(seed: int) -> str:
    """One case: how it ended."""
    random = Random(seed)
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    try:
        return _tried(written(random, folder))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _tried(path: Path) -> str:
    try:
        loaded = load_profile(path)
        report = check_profile(loaded)
    except InputError as error:
        if not error.problems or not all(str(one).isprintable() for one in error.problems):
            raise AssertionError("a problem that cannot be told") from error
        if any("cannot be used:" in one.found for one in error.problems):
            raise AssertionError(f"only the last net held: {error.problems[0]}") from error.__cause__
        return "refused"
    if fails := report.of(Severity.FAIL):
        if any("cannot be run" in one.found for one in fails):
            raise AssertionError(f"only the last net held: {fails[0]}")
        return "failed"
    LastWords(loaded.plan)
    engine = Engine(loaded.plan, 0)
    engine.poll(2_000_000)
    engine.close(2_000_000)
    return "runs"


if __name__ == "__main__":
    main(case)
