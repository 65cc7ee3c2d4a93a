"""State files, damaged and forged in every way: told and ignored, or used, and nothing gets looser by it.

    python -m tests.fuzz.fuzz_state --cases 20000 --seed 1

What a file may do: begin learning where it ended, keep a cut-off, a loss, a rest. So an engine that knows
what the file says is run beside one that knows nothing, over the same frames: a pack as usual, then cold, too
full, too empty, not permitted, and silent. At every tick no limit may be looser than the bounds that need no
learning allow the other one; and where that one is not (yet) allowed any current, neither is this.
"""

import json
import shutil
import tempfile
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import replace
from functools import cache
from hashlib import sha256
from pathlib import Path
from random import Random
from typing import Any

from bridge.core.charging.charge_settings import Learnt
from bridge.core.course.remembered import NOTHING, Kept
from bridge.core.engine import Engine
from bridge.core.plan.reasons import Limit, Reason
from bridge.frames import Frame
from bridge.profile.fingerprint import fingerprint
from bridge.profile.load import LoadedProfile, load_profile
from bridge.service.store import Store
from tests.fuzz.mutate import NUMBERS, mutated
from tests.fuzz.workers import main
from tests.service.fakes import cabin_pack, encoded, healthy

ROOT = Path(__file__).resolve().parents[2]
START_US = 1_750_000_000_000_000
SECOND = 1_000_000
LEARNT = {
    Reason.CELL_TARGET,
    Reason.CELL_FLOOR,
    Reason.HEADROOM,
    Reason.TESTED,
    Reason.RISING,
    Reason.NOT_WORTH_IT,
    Reason.HELD,
}
"""Bounds that depend on what was learnt, or on what came before."""

FORGERIES: tuple[Any, ...] = (
    *(None, True, False, 0, 1, -1, 0.5, 1e6, 5000, 2**70, 10**400, -1e300, float("nan"), float("inf"), "x"),
    *([], {}, [[[]]], ["shelf"], ["bank shelf"], [1, 2, 3, 4], [0, 0, 0, 5000], [5000, 5000, 5000, 0]),
    *(START_US, START_US - SECOND, 10**18),
)


@cache
def profile(*, going: bool) -> LoadedProfile:
    """The cabin, quick to trust; going on from the last limits after a restart if so wished."""
    text = (ROOT / "profiles" / "cabin.toml").read_text().replace("../dbc_own", str(ROOT / "dbc_own"))
    text = text.replace("steady_s = 5.0", "steady_s = 1.0").replace("hold_s = 3.0", "hold_s = 1.0")
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        path = Path(folder) / "cabin.toml"
        path.write_text(text)
        loaded = load_profile(path)
    times = loaded.plan.times._replace(goes_on=going)
    return replace(loaded, plan=loaded.plan._replace(times=times))


@cache
def frames() -> tuple[tuple[int, tuple[Frame, ...]], ...]:
    """What the pack says, twice a second."""
    rows = []
    for n in range(24):
        said = healthy(n, 3.33)
        extremes = {"highest_cell": 3.33, "lowest_cell": 3.33, "hottest_probe": 21, "coldest_probe": 20}
        switches: dict[str, float] = {"may_charge": 1, "may_draw": 1, "bleeding": 0, "count": n % 16}
        if 8 <= n < 11:
            extremes |= {"coldest_probe": -5}
        elif 11 <= n < 14:
            extremes |= {"highest_cell": 3.60}
        elif 14 <= n < 17:
            extremes |= {"lowest_cell": 2.70}
        elif 17 <= n < 20:
            switches |= {"may_charge": 0, "may_draw": 0}
        said[1] = encoded(cabin_pack(), "CellExtremes", extremes)
        said[2] = encoded(cabin_pack(), "PackSwitches", switches)
        rows.append((START_US + n * SECOND // 2 + 1000, tuple(said) if n < 21 else ()))
    return tuple(rows)


def lives(loaded: LoadedProfile, kept: Kept) -> Iterator[tuple[Limit, ...]]:
    """The limits at each tick of a stretch of frames."""
    engine = Engine(loaded.plan, START_US, kept)
    for t_us, said in frames():
        for tick in range(5):
            engine.poll(t_us - 1000 + tick * SECOND // 10)
            yield tuple(engine.decision.limits.values())
            if tick == 0:
                for frame in said:
                    engine.receive(t_us, frame)


@cache
def allowed(*, going: bool) -> tuple[tuple[float, float, float, float], ...]:
    """The loosest at each tick, whatever was learnt: of an engine that knows nothing."""
    rows = []
    for volts, charge, draw, floor in lives(profile(going=going), NOTHING):
        floor_v = profile(going=going).plan.limits.discharge_floor_v
        assert floor.value >= floor_v
        rows.append((_loosest(volts), _loosest(charge), _loosest(draw), floor_v))
    return tuple(rows)


def _loosest(limit: Limit) -> float:
    if limit.value == 0.0:
        return 0.0
    return min(one.value for one in limit.contributions if one.reason not in LEARNT)


def made(random: Random, loaded: LoadedProfile) -> Kept:
    """Something a run may have kept."""
    bank = loaded.plan.banks[0]
    ohms = tuple(round(random.uniform(0.5, 8.0), 3) for _ in range(random.choice([0, 2, bank.cells])))
    learnt = Learnt(ohms, random.choice([None, 0.2]), 0.1, random.choice([None, 3.0]), random.random() < 0.5)
    return Kept(
        last_full_us=random.choice([None, START_US - 86_400 * SECOND]),
        resting=random.random() < 0.3,
        tripped=frozenset(),
        lost=frozenset({"state_of_charge of shelf"} if random.random() < 0.3 else ()),
        caps=random.choice([None, (55.0, 20.0, 30.0, 47.0)]),
        learnt={bank.name: learnt},
        drawn={bank.name: ohms},
    )


def forged(random: Random, path: Path, loaded: LoadedProfile) -> None:
    """Values changed, and the sums made right again."""
    whole = json.loads(path.read_bytes())
    for _ in range(random.choice([1, 1, 2, 5])):
        _forge(random, whole.get("kept", whole.get("going", {})))
    if random.random() < 0.1:
        whole["saved_us"] = random.choice([-1, 0, 2**63, 1e300, None, "x", [], START_US * 2])
    if "kept" in whole:
        text = json.dumps([whole["saved_us"], whole["kept"]], sort_keys=True)
        whole["fingerprint"] = fingerprint(loaded)
    else:
        text = json.dumps([[whole["wall_us"], whole["up_us"]], whole["going"]], sort_keys=True)
    whole["check"] = sha256(text.encode()).hexdigest()[:16]
    path.write_text(json.dumps(whole))


def _forge(random: Random, node: Any) -> None:
    while isinstance(node, dict | list) and node:
        key = random.choice(list(node) if isinstance(node, dict) else range(len(node)))
        if isinstance(node[key], dict | list) and node[key] and random.random() < 0.7:
            node = node[key]
            continue
        node[key] = deepcopy(random.choice([*FORGERIES, random.uniform(-10, 10)]))
        return


def case(seed: int) -> str:
    """One case: how it ended."""
    random = Random(seed)
    going = random.random() < 0.3
    loaded = profile(going=going)
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    try:
        found = _damaged(random, folder, loaded)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    if found == NOTHING:
        return "ignored"
    if found.going is None:
        _compare(loaded, found, going=going)
        return "used"
    _within(loaded, found)
    return "gone on"


def _damaged(random: Random, folder: Path, loaded: LoadedProfile) -> Kept:
    """What is read of a file that was written, and then damaged."""
    clock = [START_US]
    store = Store(folder, loaded.path, wall=lambda: clock[0], up=lambda: clock[0])
    engine = Engine(loaded.plan, START_US, made(random, loaded))
    store.load(loaded, START_US)
    store.close(loaded, engine, START_US)
    for path in sorted(folder.glob("*.json")):
        kind = random.random()
        if kind < 0.25:
            path.write_bytes(mutated(random, path.read_bytes()))
        elif kind < 0.75:
            forged(random, path, loaded)
        elif kind < 0.78:
            path.write_bytes(random.choice(_odd()))
    return Store(folder, loaded.path, wall=lambda: clock[0], up=lambda: clock[0]).load(loaded, START_US).kept


def _odd() -> list[bytes]:
    plain = [b"", b"[" * 100_000, b"1" * 10_000, b"\xff\xfe", b"null", b"{}"]
    return [*plain, *(f'{{"format": {number}}}'.encode() for number in NUMBERS)]


def _compare(loaded: LoadedProfile, kept: Kept, *, going: bool) -> None:
    for tick, (limits, most) in enumerate(zip(lives(loaded, kept), allowed(going=going), strict=True)):
        now = [limit.value for limit in limits]
        looser = any(value > bound + 1e-9 for value, bound in zip(now[:3], most[:3], strict=True))
        if looser or now[3] < most[3] - 1e-9:
            raise AssertionError(f"tick {tick}: {now} looser than {most}, with {kept}")


def _within(loaded: LoadedProfile, kept: Kept) -> None:
    """No looser than the profile, nor than the state file says was sent."""
    limits = loaded.plan.limits
    for volts, charge, draw, floor in lives(loaded, kept):
        assert volts.value <= limits.charge_voltage_v
        assert charge.value <= limits.charge_a
        assert draw.value <= limits.discharge_a
        assert floor.value >= limits.discharge_floor_v


if __name__ == "__main__":
    main(case)
