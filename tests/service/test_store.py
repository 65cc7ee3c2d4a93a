"""What is kept on the disk: whole or not at all, of this pack or not at all, and never in the way."""

import json
import os
import socket
import threading
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from bridge.core.charging.charge_settings import Learnt
from bridge.core.course.remembered import NOTHING, Kept
from bridge.core.engine import Engine
from bridge.errors import InputError
from bridge.profile.fingerprint import fingerprint
from bridge.profile.load import LoadedProfile, load_profile
from bridge.service import store as store_module
from bridge.service.store import SAVE_US, Store
from tests.profile.made import BOATHOUSE, CABIN, loaded
from tests.service.fakes import CABIN as CABIN_PATH
from tests.service.fakes import SECOND_US

DAY_US = 86_400 * SECOND_US
T_US = 1_000 * DAY_US
KNOWN = Kept(T_US - 3 * DAY_US, resting=True, full=True, learnt={"shelf": Learnt((1.0,) * 16, -0.1, 20.0)})


@cache
def cabin() -> LoadedProfile:
    """The shipped profile."""
    return load_profile(CABIN_PATH)


class Clock:
    """A wall clock that can be set."""

    def __init__(self, now_us: int = T_US) -> None:
        self.now_us = now_us

    def __call__(self) -> int:
        """Wall time."""
        return self.now_us


class Knowing(Engine):
    """An engine that knows something."""

    known = KNOWN

    @property
    def kept(self) -> Kept:
        """What it was given to know."""
        return self.known


def engine(known: Kept = KNOWN) -> Engine:
    """An engine that knows this."""
    made = Knowing(cabin().plan, T_US)
    made.known = known
    return made


def a_store(folder: Path, clock: Clock | None = None) -> Store:
    """A store on this folder."""
    return Store(folder, CABIN_PATH, wall=clock or Clock())


def written(folder: Path, known: Kept = KNOWN, clock: Clock | None = None) -> Path:
    """A file that a program has left."""
    store = a_store(folder, clock)
    store.load(cabin(), T_US)
    assert store.close(cabin(), engine(known), T_US) == ""
    return store.path


def test_what_was_written_is_known_at_the_next_start(tmp_path: Path) -> None:
    """A day later, by an engine whose clock is another one: dates are moved along."""
    written(tmp_path / "new" / "folder")
    found = a_store(tmp_path / "new" / "folder", Clock(T_US + DAY_US)).load(cabin(), 5_000 * DAY_US)
    assert found.kept == KNOWN._replace(last_full_us=5_000 * DAY_US - 4 * DAY_US)
    assert (found.told, found.bad) == (
        "known from before: what was learnt of charger and cells; last full charge 4.0 days ago",
        False,
    )


def test_without_a_file_nothing_is_known_and_nothing_is_said(tmp_path: Path) -> None:
    """The usual first start."""
    assert a_store(tmp_path).load(cabin(), T_US) == (NOTHING, "", False)
    assert list(tmp_path.iterdir()) == []


def test_a_clock_that_went_back_adds_no_time(tmp_path: Path) -> None:
    """What is known of its age when it was written counts, and a person is told."""
    written(tmp_path)
    found = a_store(tmp_path, Clock(T_US - 90 * SECOND_US)).load(cabin(), T_US)
    assert found.kept.last_full_us == T_US - 3 * DAY_US
    assert found.bad
    assert "the clock is 90 s behind what was written then: no time counts as passed" in found.told


def forged(**changes: Any) -> Callable[[Path], None]:
    """Changes the file so that it does not look damaged; `kept` and `learnt` are changed within."""

    def change(path: Path) -> None:
        whole = json.loads(path.read_text())
        whole["kept"]["learnt"]["shelf"].update(changes.pop("learnt", {}))
        whole["kept"].update(changes.pop("kept", {}))
        whole.update(changes)
        whole["check"] = store_module._check(whole["saved_us"], whole["kept"])
        path.write_text(json.dumps(whole))

    return change


def flipped(path: Path) -> None:
    """One digit is another one."""
    path.write_text(path.read_text().replace("-0.1", "-0.2"))


SPOILT = [
    (lambda path: path.write_bytes(b""), "no JSON"),
    (lambda path: path.write_bytes(path.read_bytes()[:-20]), "no JSON"),
    (lambda path: path.write_bytes(b"\xff" * 200), "no JSON"),
    (lambda path: path.write_bytes(b"[" * 100_000), "no JSON"),
    (lambda path: path.write_bytes(b" " * 1_000_001), "more than 1000000 bytes"),
    (lambda path: path.write_text("[]"), "not of format 1"),
    (forged(format=2), "not of format 1"),
    (flipped, "damaged"),
    (forged(fingerprint=""), "of other banks, sensors or messages"),
    (forged(kept={"last_full_us": T_US + 1}), "last_full_us: "),
    (forged(kept={"last_full_us": "now"}), "last_full_us: now; allowed"),
    (forged(kept={"resting": None}), "resting: None; allowed: true"),
    (forged(learnt={"offset_v": 5}), "learnt.shelf.offset_v: 5; allowed: a number from -0.5 to 0.7"),
    (lambda path: (path.unlink(), path.mkdir()), "is a folder; allowed: a plain file"),
]


@pytest.mark.parametrize(("spoil", "why"), SPOILT)
def test_what_cannot_be_used_is_told_in_one_line_and_nothing_is_known(
    tmp_path: Path, spoil: Callable[[Path], object], why: str
) -> None:
    """Cut off, damaged, of another format or pack, out of bounds, unreadable."""
    path = written(tmp_path)
    spoil(path)
    found = a_store(tmp_path).load(cabin(), T_US)
    assert (found.kept, found.bad) == (NOTHING, True)
    assert found.told.startswith(f"{path}: {why}")
    assert found.told.endswith("; nothing is known from before")
    assert "\n" not in found.told


def test_it_is_written_seldom_and_only_when_something_changed(tmp_path: Path) -> None:
    """Every ten minutes at most; at the end, so that the file says what time it was."""
    clock = Clock()
    store = a_store(tmp_path, clock)
    store.load(cabin(), T_US)

    def save(after_us: int, known: Kept = KNOWN) -> int | None:
        clock.now_us = T_US + after_us
        assert store.save(cabin(), engine(known), T_US + after_us) == ""
        store.wait()
        return json.loads(store.path.read_text())["saved_us"] - T_US if store.path.exists() else None

    assert save(SAVE_US - 1) is None
    assert save(SAVE_US, NOTHING) is None
    assert save(2 * SAVE_US) == 2 * SAVE_US
    assert save(3 * SAVE_US - 1, KNOWN._replace(full=False)) == 2 * SAVE_US
    assert save(4 * SAVE_US) == 2 * SAVE_US
    assert save(5 * SAVE_US, KNOWN._replace(full=False)) == 5 * SAVE_US
    clock.now_us = T_US + 6 * SAVE_US - 1
    assert store.close(cabin(), engine(KNOWN._replace(full=False)), clock.now_us) == ""
    assert json.loads(store.path.read_text())["saved_us"] == clock.now_us
    assert [one.name for one in tmp_path.iterdir()] == ["cabin.kept.json"]


def test_a_slow_card_holds_nothing_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The call returns while the card is still busy; of what comes meanwhile only the newest is written."""
    busy, asked = threading.Event(), list[int]()

    def slow(number: int) -> None:
        asked.append(number)
        busy.wait(10.0)

    monkeypatch.setattr(os, "fsync", slow)
    store = a_store(tmp_path)
    for n in range(1, 4):
        assert store.save(cabin(), engine(KNOWN._replace(full=n != 3)), T_US + n * SAVE_US) == ""
    assert not store.path.exists()
    busy.set()
    store.wait()
    assert store.path.exists()
    assert json.loads(store.path.read_text())["kept"]["full"] is False
    assert len(asked) == 4  # twice the file, and the folder it is in


def test_a_card_that_is_full_is_told_once_and_the_old_file_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And again only if it had been well in between."""
    path = written(tmp_path)
    before = path.read_bytes()
    store = a_store(tmp_path)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    told = []
    for n in range(1, 7):
        with monkeypatch.context() as patch:
            if n not in (4, 5):
                patch.setattr(os, "fsync", full)
            news = store.save(cabin(), engine(KNOWN._replace(last_full_us=n)), T_US + n * SAVE_US)
            store.wait()
        told.append(news + store.save(cabin(), engine(), T_US))
        if n == 3:
            assert path.read_bytes() == before
    line = f"{path}: No space left on device; nothing is kept over a restart"
    assert told == [line, "", "", "", "", line]
    assert path.read_bytes() != before


def test_a_folder_that_cannot_be_written_to_is_told_at_the_start(tmp_path: Path) -> None:
    """Not only after ten minutes."""
    (tmp_path / "file").write_text("")
    found = a_store(tmp_path / "file" / "folder").load(cabin(), T_US)
    assert found == (
        NOTHING,
        f"{tmp_path}/file/folder: no folder to write to; nothing is kept over a restart",
        True,
    )


SAME = [
    ("# The lakeside cabin", "# The cabin"),
    ('name = "lakeside cabin"', 'name = "my cabin"'),
    ("[failsafe]", "[options]\ninhibit_charge = true\n[failsafe]"),
    ("[failsafe]", "[stages]\n[failsafe]"),
    ("charge_current_a = 140 ", "charge_current_a = 100 "),
    ("cell_floor_v = 2.90", "cell_floor_v = 3.00"),
]
OTHER = [
    ('name = "shelf"', 'name = "bench"'),
    ("capacity_ah = 280", "capacity_ah = 230"),
    ('name = "loft"', 'name = "cellar"'),
    ("cell_target_v = 3.50", "cell_target_v = 3.45"),
    ("largest_jump = 10 }", "largest_jump = 10, scale = 1.01 }"),
    ('signal = "pack_amps"', 'signal = "pack_amps", scale = -1.0'),
]


@pytest.mark.parametrize(("change", "same"), [(one, True) for one in SAME] + [(one, False) for one in OTHER])
def test_what_makes_two_profiles_the_same(tmp_path: Path, change: tuple[str, str], same: bool) -> None:
    """Wishes and bounds may change; banks, sensors, messages and the target may not."""
    text = CABIN.replace('inverter = "loft"', 'inverter = "cellar"') if "loft" in change[0] else CABIN
    assert (fingerprint(loaded(tmp_path, text, change)) == fingerprint(cabin())) is same


def test_the_same_message_laid_out_otherwise_is_another(tmp_path: Path) -> None:
    """A corrected factor in the message definitions: what was learnt with the wrong one is worth nothing."""
    dbc = (CABIN_PATH.parents[1] / "dbc_own" / "cabin_pack.dbc").read_text()
    changes = [("../dbc_own/cabin_pack.dbc", "own.dbc")]
    one = fingerprint(loaded(tmp_path, CABIN, *changes, dbc=dbc))
    other = fingerprint(
        loaded(tmp_path, CABIN, *changes, dbc=dbc.replace("(0.0005,-0.25)", "(0.0005,-0.26)", 1))
    )
    assert one == fingerprint(cabin())
    assert other != one


def test_one_file_a_profile(tmp_path: Path) -> None:
    """Two profiles in one folder do not take each other's place."""
    assert Store(tmp_path, Path("a/north.toml")).path != Store(tmp_path, Path("b/south.toml")).path
    assert fingerprint(loaded(tmp_path, BOATHOUSE)) != fingerprint(cabin())


class Weighing(Knowing):
    """One whose weighty facts follow from what it knows."""

    @property
    def weighty(self) -> object:
        """Cut-offs, losses and caps."""
        return self.known.tripped, self.known.lost, self.known.caps


@pytest.mark.parametrize(
    "change",
    [
        {"tripped": frozenset({"shelf charge cell"})},
        {"lost": frozenset({"bank shelf"})},
        {"caps": (50.0, 0.0, 0.0, 48.0)},
    ],
)
def test_what_tightens_and_what_ends_it_is_written_at_once(tmp_path: Path, change: dict[str, Any]) -> None:
    """Not after ten minutes; what was learnt meanwhile is written with it, but is no reason by itself."""
    store = a_store(tmp_path)
    store.load(cabin(), T_US)
    made = Weighing(cabin().plan, T_US)
    for n, (known, expected) in enumerate(
        [
            (KNOWN, KNOWN),
            (KNOWN._replace(**change), KNOWN._replace(**change)),
            (KNOWN._replace(**change, full=False), KNOWN._replace(**change)),
            (KNOWN, KNOWN),
        ]
    ):
        made.known = known
        store.look(cabin(), made, T_US)
        store.wait()
        assert a_store(tmp_path).load(cabin(), T_US).kept == expected, n


def pipe(path: Path) -> None:
    """A pipe that nobody writes to."""
    path.unlink()
    os.mkfifo(path)


def listening(path: Path) -> None:
    """A socket."""
    path.unlink()
    with socket.socket(socket.AF_UNIX) as one:
        here = Path.cwd()
        os.chdir(path.parent)  # a path of a socket is short
        try:
            one.bind(path.name)
        finally:
            os.chdir(here)


def linked(target: str) -> Callable[[Path], None]:
    """A link to something else."""

    def change(path: Path) -> None:
        path.unlink()
        path.symlink_to(path if target == "itself" else target)

    return change


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (pipe, "is a pipe; allowed: a plain file"),
        (listening, "cannot be read ("),
        (linked("/dev/zero"), "is a device; allowed: a plain file"),
        (linked("itself"), "cannot be read (Too many levels of symbolic links)"),
        (linked("/dev/stdin"), ""),
        (forged(saved_us=10**400), "damaged"),
        (forged(saved_us=-1), "damaged"),
        (forged(kept={"last_full_us": -(10**300)}), "last_full_us: "),
        (forged(kept={"caps": [True, 1.0, 1.0, 1.0]}), "caps: True"),
        (forged(kept={"caps": [float("nan")] * 4}), "caps: nan"),
        (forged(kept={"caps": [1e999, 1.0, 1.0, 1.0]}), "caps: inf"),
    ],
)
def test_nothing_that_lies_there_blocks_or_ends_the_start(
    tmp_path: Path, spoil: Callable[[Path], object], why: str
) -> None:
    """A pipe, a socket, a device, a circle of links, numbers without end."""
    path = written(tmp_path)
    spoil(path)
    found = a_store(tmp_path).load(cabin(), T_US)
    assert (found.kept, found.bad) == (NOTHING, True)
    assert found.told.startswith(f"{path}: {why}")
    again = a_store(tmp_path)
    assert again.close(cabin(), engine(), T_US) == ""
    assert a_store(tmp_path).load(cabin(), T_US).kept == KNOWN


@pytest.mark.parametrize("spoil", [pipe, linked("itself"), lambda path: (path.unlink(), path.mkdir())])
def test_a_lock_that_cannot_be_had_is_told_and_nothing_else(
    tmp_path: Path, spoil: Callable[[Path], object]
) -> None:
    """What lies in its place is no reason not to start."""
    lock = tmp_path / "cabin.lock"
    lock.touch()
    spoil(lock)
    store = a_store(tmp_path)
    store.lock()
    found = store.load(cabin(), T_US)
    assert found.bad
    assert "another ampweir would not be noticed" in found.told


def test_only_one_process_has_the_files_of_a_profile(tmp_path: Path) -> None:
    """The second is told which one has them; another profile in the same folder is no matter."""
    first, second = a_store(tmp_path), a_store(tmp_path)
    first.lock()
    with pytest.raises(InputError, match=f"cabin.lock: state: in use by process {os.getpid()}; allowed: one"):
        second.lock()
    Store(tmp_path, Path("boathouse.toml")).lock()
    first.release()
    second.lock()
    second.release()


def test_after_a_reload_the_file_is_of_the_new_profile_at_once(tmp_path: Path) -> None:
    """It is bound to buses and messages: one of the old profile would say nothing after a kill."""
    (tmp_path / "site").mkdir()
    renamed = loaded(tmp_path / "site", CABIN, ('name = "cabin"', 'name = "shed"'))
    store = a_store(tmp_path)
    made = engine(Kept(tripped=frozenset({"shelf charge cold"})))
    store.load(cabin(), T_US)
    store.look(cabin(), made, T_US)
    store.look(renamed, made, T_US + SECOND_US)
    store.wait()
    assert fingerprint(renamed) != fingerprint(cabin())
    assert a_store(tmp_path).load(renamed, T_US).kept.tripped == {"shelf charge cold"}
