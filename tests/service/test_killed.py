"""Every call the daemon makes to the outside fails, one at a time: what the inverters are left with."""

import errno
import random
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Final

import pytest

from bridge.errors import EXIT_INTERNAL, EXIT_OK, BusDown, BusFull
from bridge.service.world import Aborted
from tests.service.killing import PROFILES, Life, Plot, harm, live

Error = Callable[[], BaseException]

ERRORS: Final[dict[str, Error]] = {
    "disk full": lambda: OSError(errno.ENOSPC, "No space left on device"),
    "io": lambda: OSError(errno.EIO, "Input/output error"),
    "pipe": lambda: BrokenPipeError(errno.EPIPE, "Broken pipe"),
    "value": lambda: ValueError("planted"),
    "key": lambda: KeyError("planted"),
    "memory": MemoryError,
    "recursion": lambda: RecursionError("planted"),
    "words": lambda: UnicodeEncodeError("ascii", "\u2013", 0, 1, "planted"),
    "assertion": AssertionError,
    "stop iteration": StopIteration,
}
"""What any call may raise."""

REFUSED: Final[dict[str, Error]] = {"down": lambda: BusDown("down"), "full": lambda: BusFull("full")}
"""What a bus says in order."""

ENDS: Final[dict[str, Error]] = {
    "interrupt": KeyboardInterrupt,
    "exit": SystemExit,
    "abort": lambda: Aborted("no sign of life"),
}
"""What ends the program wherever it stands."""

BESIDE: Final = ("journal", "recorder", "store", "notifier")
"""What is told and kept: none of it may be noticed on the bus."""


@cache
def calm(profile: str, folder: Path) -> Life:
    """A life in which nothing fails."""
    return live(profile, folder)


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Life]:
    """The life of a profile in which nothing fails, lived once."""
    folders = {name: tmp_path_factory.mktemp(name) for name in PROFILES}
    return lambda profile: calm(profile, folders[profile])


def numbers(count: int) -> list[int]:
    """The first, the last, and some in between."""
    some = {1, 2, count // 3, count // 2, 3 * count // 4, count - 1, count}
    return sorted(number for number in some if 1 <= number <= count)


def kinds(life: Life, *prefixes: str) -> list[str]:
    """The kinds of calls a life made."""
    return sorted(kind for kind in life.calls if kind.partition(".")[0] in prefixes)


def test_the_life_in_which_nothing_fails_is_worth_the_name(undisturbed: Callable[[str], Life]) -> None:
    """It allows currents, and ends with zeros; every seam is used."""
    for profile in PROFILES:
        life = undisturbed(profile)
        assert life.code == EXIT_OK
        assert len(life.permissive) > 5
        assert harm(life) == []
        assert {kind.partition(".")[0] for kind in life.calls} == {*BESIDE, "world", "engine", "load"}


def test_what_is_told_and_kept_is_never_noticed_on_the_bus(
    undisturbed: Callable[[str], Life], tmp_path: Path
) -> None:
    """Journal, recorder, store and notifier fail at any call, once or for good: the frames are the same."""
    life = undisturbed("cabin")
    chance = random.Random(1)
    count = 0
    for kind in kinds(life, *BESIDE):
        for number in numbers(life.calls[kind]):
            for lasting in (False, True):
                name = chance.choice(sorted(ERRORS))
                folder = tmp_path / f"{count}"
                folder.mkdir()
                count += 1
                other = live(
                    "cabin", folder, Plot(kind, number, ERRORS[name], lasting, chance.random() < 0.3)
                )
                where = f"{kind} {number} {name} {lasting}"
                assert other.fault_us is not None, where
                assert other.code == EXIT_OK, where
                assert other.sent == life.sent, where


def test_whatever_the_world_or_the_core_raises_zeros_come_first_and_last(
    undisturbed: Callable[[str], Life], tmp_path: Path
) -> None:
    """Bus, clock, profile and engine fail at any call: nothing permissive leaves after it, zeros at once."""
    life = undisturbed("cabin")
    chance = random.Random(2)
    count = 0
    for kind in kinds(life, "world", "engine", "load"):
        for number in numbers(life.calls[kind]):
            for errors in (ERRORS, ENDS, REFUSED):
                name = chance.choice(sorted(errors))
                folder = tmp_path / f"{count}"
                folder.mkdir()
                count += 1
                other = live("cabin", folder, Plot(kind, number, errors[name], done=chance.random() < 0.3))
                assert harm(other) == [], f"{kind} {number} {name}: {other.lines[-3:]}"


@pytest.mark.parametrize("kind", ["engine.poll", "engine.receive", "world.wait"])
def test_what_fails_from_then_on_ends_with_zeros(
    kind: str, undisturbed: Callable[[str], Life], tmp_path: Path
) -> None:
    """The engine is not asked for more than it can give, and the world not waited for."""
    for profile in PROFILES:
        folder = tmp_path / profile
        folder.mkdir()
        number = round(0.65 * undisturbed(profile).calls[kind])
        life = live(profile, folder, Plot(kind, number, ERRORS["value"], lasting=True))
        assert life.code == EXIT_INTERNAL
        assert life.following
        assert harm(life) == []


def test_random_failures_at_random_profiles_hurt_nobody(
    undisturbed: Callable[[str], Life], tmp_path: Path
) -> None:
    """Any call, any error, any time, once or for good."""
    chance = random.Random(3)
    all_errors = {**ERRORS, **REFUSED, **ENDS}
    for count in range(60):
        profile = chance.choice(PROFILES)
        life = undisturbed(profile)
        kind = chance.choice(kinds(life, *BESIDE, "world", "engine", "load"))
        name = chance.choice(sorted(all_errors))
        lasting = chance.random() < 0.3 and kind != "world.send"
        plot = Plot(
            kind, chance.randint(1, life.calls[kind]), all_errors[name], lasting, chance.random() < 0.3
        )
        folder = tmp_path / f"{count}"
        folder.mkdir()
        other = live(profile, folder, plot)
        assert harm(other) == [], f"{count}: {profile} {plot} {name}: {other.lines[-3:]}"
        if kind.partition(".")[0] in BESIDE and name not in ENDS:
            assert other.sent == life.sent, f"{count}: {profile} {plot}"
