"""What is kept over a restart, on the disk: one small file for a profile.

Written whole to a temporary file, flushed to the disk and renamed, so that a power cut leaves the old or the
new one; at once where a limit was tightened by something that must not be forgotten, else seldom; and by a
thread of its own, because a slow card must not hold up the limits. Whatever is wrong with it is told in one
line, and the program starts as if nothing were known.

The wall clock is used here only, to bridge the time in which nothing ran: in the file a date is wall time, in
the engine it is engine time.

Where the profile lets a restart go on from the last limits, these stand in a second file, as new as a second
and no older than the last fall of a limit; it is not flushed to the disk, since it is worth nothing after a
power cut. How long nothing ran is told by a clock that nobody sets, and only on the same boot.
"""

import json
import os
import shutil
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, Protocol, TypeGuard

from bridge.core.course.remembered import NOTHING, Going, Kept, read, read_going
from bridge.core.plan.plan import SECOND_US
from bridge.errors import InputError, Problem, Severity
from bridge.profile.fingerprint import fingerprint
from bridge.service.keeper import WAIT_S, Keeper
from bridge.service.plainfile import LONGEST, Lock, Taken, read_plain

if TYPE_CHECKING:
    from bridge.profile.load import LoadedProfile

__all__ = ["LONGEST", "WAIT_S", "Found", "Knows", "Store"]

FORMAT: Final = 1
"""Changes with what a number in the file means; another one is not read."""

SAVE_US: Final = 600 * SECOND_US
"""What was learnt is written this often at most (and at the end)."""

AGAIN_US: Final = 10 * SECOND_US
"""What could not be written is tried again so much later."""

GOING_US: Final = SECOND_US
"""How often the last limits are written, where a restart may go on from them."""

APART_US: Final = SECOND_US
"""Two clocks that differ by more than this since then are no clocks to go by."""

FORGETS: Final = "nothing is kept over a restart"
"""What that comes to."""

LATEST_US: Final = 2**62
"""Later than any time."""

_NONE: Final = object()


def wall_us() -> int:
    """Wall time, µs since 1970."""
    return time.time_ns() // 1000


def up_us() -> int:
    """Time since the machine was started, also while it slept, µs; nobody sets it."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000


def boot_id() -> str:
    """Which boot of the machine this is; "" if not known."""
    with suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    return ""


class Knows(Protocol):
    """What is asked of an engine here."""

    @property
    def kept(self) -> Kept:
        """What is worth handing to the next engine."""

    @property
    def weighty(self) -> object:
        """Of that, what must not be forgotten for a moment."""

    @property
    def going(self) -> Going | None:
        """How things stand."""


class Found(NamedTuple):
    """What was found at a start: what is known, and a line about it ("" for none), good or bad news."""

    kept: Kept
    told: str = ""
    bad: bool = False


class Store:
    """The files of one profile. Never raises for what is on the disk or cannot be put there.

    Args:
        directory: where they are; made if need be.
        profile: path of the profile, which gives the files their name.
        wall: wall clock, µs.
        up: clock that nobody sets, µs.
    """

    def __init__(
        self,
        directory: Path,
        profile: Path,
        *,
        wall: Callable[[], int] = wall_us,
        up: Callable[[], int] = up_us,
    ) -> None:
        self.path = directory / f"{profile.stem}.kept.json"
        self._going_path = directory / f"{profile.stem}.going.json"
        self._wall, self._up, self._boot = wall, up, boot_id()
        self._keeper = Keeper()
        self._lock: Lock | None = None
        self._unlocked = ""
        self._written: tuple[str, Kept] | None = None
        self._weighty: object = _NONE
        self._looked: LoadedProfile | None = None
        self._saved_us: int | None = None
        self._tried_us = 0
        self._going: Going | None = None
        self._went_us = 0
        self._told = ""

    def lock(self) -> None:
        """Takes the files for this process alone; does nothing where the folder cannot be written to.

        Raises:
            InputError: another process uses them.
        """
        path = self.path.with_name(f"{self.path.name.removesuffix('.kept.json')}.lock")
        with suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._lock = Lock(path)
        except Taken as other:
            found = f"in use by {other}"
            allowed = "one running ampweir for each profile and state folder"
            raise InputError([Problem(Severity.FAIL, str(path), "state", found, allowed)]) from None
        except OSError as problem:
            self._unlocked = f"{path}: {problem.strerror or problem}; another ampweir would not be noticed"

    def release(self) -> None:
        """Lets another process have the files."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def move(self, directory: Path) -> None:
        """Goes on with a copy of the files in another folder: for a copy of this process.

        A thread that wrote them is left behind.
        """
        for name in ("path", "_going_path"):
            path: Path = getattr(self, name)
            with suppress(OSError):
                shutil.copy(path, directory)
            setattr(self, name, directory / path.name)
        self._keeper = Keeper()

    # ── reading ─────────────────────────────────────────────────────────────────────────────────────

    def load(self, loaded: "LoadedProfile", t_us: int) -> Found:
        """What was kept for this profile, in engine time; `t_us` is engine time now."""
        self._saved_us = t_us
        if not self._ready():
            return Found(NOTHING, f"{self.path.parent}: no folder to write to; {FORGETS}", bad=True)
        found = self._kept(loaded, t_us)
        if loaded.plan.times.goes_on:
            found = self._with_going(found, loaded, t_us)
        if self._unlocked:
            found = Found(found.kept, "; ".join(filter(None, (found.told, self._unlocked))), bad=True)
        return found

    def _kept(self, loaded: "LoadedProfile", t_us: int) -> Found:
        try:
            found = self._understood(read_plain(self.path), loaded, t_us)
        except FileNotFoundError:
            return Found(NOTHING)
        except (ValueError, OverflowError, RecursionError) as problem:
            return Found(NOTHING, f"{self.path}: {problem}; nothing is known from before", bad=True)
        self._written = fingerprint(loaded), found.kept
        return found

    def _ready(self) -> bool:
        with suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
        return os.access(self.path.parent, os.R_OK | os.W_OK | os.X_OK)

    def _understood(self, data: bytes, loaded: "LoadedProfile", t_us: int) -> Found:
        whole = _parsed(data)
        if whole.get("format") != FORMAT:
            raise ValueError(f"not of format {FORMAT}")
        kept = whole.get("kept")
        saved_us = whole.get("saved_us")
        if (
            not isinstance(kept, dict)
            or not _is_time(saved_us)
            or whole.get("check") != _check(saved_us, kept)
        ):
            raise ValueError("damaged")
        if whole.get("fingerprint") != fingerprint(loaded):
            raise ValueError("of other banks, sensors or messages than the profile's")
        now_us = self._wall()
        behind_s = (saved_us - now_us) / 1e6
        full_us = kept.get("last_full_us")
        told = "known from before: what was learnt of charger and cells"
        if type(full_us) is int:
            if not 0 <= full_us <= saved_us:
                raise ValueError(
                    f"last_full_us: {full_us}; allowed: no later than it was written, {saved_us}"
                )
            # While the clock cannot be trusted no time has passed: the next full charge only comes sooner
            # than if nothing were known.
            ago_us = max(now_us, saved_us) - full_us
            kept = {**kept, "last_full_us": max(t_us - ago_us, 0)}
            told += f"; last full charge {ago_us / 86_400e6:.1f} days ago"
        if behind_s > 0.0:
            told += f"; the clock is {behind_s:.0f} s behind what was written then: no time counts as passed"
        return Found(read(kept, loaded.plan, t_us), told, bad=behind_s > 0.0)

    def _with_going(self, found: Found, loaded: "LoadedProfile", t_us: int) -> Found:
        """Adds the last limits, if they are as new as they must be; any doubt means zero."""
        try:
            going = self._stood(read_plain(self._going_path), loaded, t_us)
        except FileNotFoundError:
            return found
        except (ValueError, OverflowError, RecursionError) as problem:
            told = f"{self._going_path}: {problem}; limits begin at zero"
        else:
            told = f"limits go on from those of {(t_us - going.trusted_us) / 1e6:.1f} s ago"
            return found._replace(
                kept=found.kept._replace(going=going), told="; ".join(filter(None, (found.told, told)))
            )
        return found._replace(told="; ".join(filter(None, (found.told, told))))

    def _stood(self, data: bytes, loaded: "LoadedProfile", t_us: int) -> Going:
        whole = _parsed(data)
        facts, wall, up = whole.get("going"), whole.get("wall_us"), whole.get("up_us")
        if not isinstance(facts, dict) or whole.get("check") != _check([wall, up], facts):
            raise ValueError("damaged")
        ago_us = facts.get("trusted_us")  # in this file: so long before it was written
        if not (_is_time(wall) and _is_time(up) and _is_time(ago_us)):
            raise ValueError("damaged")
        if whole.get("fingerprint") != fingerprint(loaded):
            raise ValueError("of other banks, sensors or messages than the profile's")
        if not self._boot or whole.get("boot") != self._boot:
            raise ValueError("of another boot of the machine")
        gap_us = self._up() - up
        if gap_us < 0 or abs(self._wall() - wall - gap_us) > APART_US:
            raise ValueError("the clock was set since")
        hold_us = loaded.plan.times.hold_us
        if gap_us + ago_us > hold_us:
            raise ValueError(f"{(gap_us + ago_us) / 1e6:.1f} s old; allowed: {hold_us / 1e6:g} s")
        return read_going({**facts, "trusted_us": t_us - gap_us - ago_us}, loaded.plan, t_us)

    # ── writing ─────────────────────────────────────────────────────────────────────────────────────

    def look(self, loaded: "LoadedProfile", engine: Knows, t_us: int) -> None:
        """Begins to write at once if something was tightened that must not be forgotten."""
        weighty = engine.weighty
        if weighty != self._weighty or loaded is not self._looked:  # a file of another profile is no help
            first, self._weighty, self._looked = self._weighty is _NONE, weighty, loaded
            if not first or self._written is not None or engine.kept != NOTHING:
                self._begin(loaded, engine, t_us)
        if loaded.plan.times.goes_on:
            self._going_on(loaded, engine, t_us)

    def save(self, loaded: "LoadedProfile", engine: Knows, t_us: int) -> str:
        """Writes what has changed, if it is time to. Returns what has newly failed; "" if nothing."""
        again = self._keeper.failed and not self._keeper.busy and t_us - self._tried_us >= AGAIN_US
        if again or self._saved_us is None or t_us - self._saved_us >= SAVE_US:
            if again:
                self._written = None
            self._begin(loaded, engine, t_us)
        return self._trouble()

    def close(self, loaded: "LoadedProfile", engine: Knows, t_us: int) -> str:
        """For an orderly stop: writes it now, so that it also says what time it is. Returns as `save`."""
        self._written = None
        self.forget_limits()
        self._begin(loaded, engine, t_us)
        self.wait()
        return self._trouble()

    def forget_limits(self) -> None:
        """Zero currents were sent: no restart goes on from what was sent before."""
        self._going = None
        self._keeper.put(self._going_path, None, durable=False)

    def wait(self, seconds: float = WAIT_S) -> None:
        """Until what is being written is, or for so long."""
        self._keeper.wait(seconds)

    def _begin(self, loaded: "LoadedProfile", engine: Knows, t_us: int) -> None:
        """Begins to write, unless nothing has changed."""
        self._saved_us = t_us
        data = self._changed(loaded, engine.kept, t_us)
        if data is not None:
            if not self._keeper.busy:
                self._tried_us = t_us
            self._keeper.put(self.path, data, durable=True)

    def _going_on(self, loaded: "LoadedProfile", engine: Knows, t_us: int) -> None:
        going, before = engine.going, self._going
        if going is None:
            if before is not None:
                self.forget_limits()
            return
        if before is not None and not _falls(going, before) and t_us - self._went_us < GOING_US:
            return
        self._going, self._went_us = going, t_us
        stamps = [self._wall(), self._up()]
        facts = {
            "trusted_us": max(t_us - going.trusted_us, 0),
            "limits": list(going.limits),
            "heard": sorted(going.heard),
        }
        whole = {
            "boot": self._boot,
            "fingerprint": fingerprint(loaded),
            "wall_us": stamps[0],
            "up_us": stamps[1],
            "going": facts,
            "check": _check(stamps, facts),
        }
        self._keeper.put(self._going_path, json.dumps(whole, allow_nan=False).encode(), durable=False)

    def _trouble(self) -> str:
        """What failed, once; again only after it had been well."""
        keeper = self._keeper
        failed = f"{keeper.failed}; {FORGETS}" if keeper.failed else ""
        if not failed and keeper.stuck:
            failed = f"{self.path}: the disk does not answer; {FORGETS} meanwhile"
        news = failed if failed and not self._told else ""
        self._told = failed
        return news

    def _changed(self, loaded: "LoadedProfile", kept: Kept, t_us: int) -> bytes | None:
        now = fingerprint(loaded), kept._replace(going=None)
        if now == self._written or (self._written is None and kept == NOTHING):
            return None
        self._written = now
        saved_us = self._wall()
        facts = now[1].facts
        if kept.last_full_us is not None:
            facts["last_full_us"] = max(saved_us - (t_us - kept.last_full_us), 0)
        whole = {
            "format": FORMAT,
            "fingerprint": now[0],
            "saved_us": saved_us,
            "kept": facts,
            "check": _check(saved_us, facts),
        }
        return json.dumps(whole, allow_nan=False).encode()


def _falls(now: Going, before: Going) -> bool:
    volts, charge, draw, floor = (one - other for one, other in zip(now.limits, before.limits, strict=True))
    return volts < 0.0 or charge < 0.0 or draw < 0.0 or floor > 0.0


def _is_time(stamp: object) -> TypeGuard[int]:
    return type(stamp) is int and 0 <= stamp < LATEST_US


def _parsed(data: bytes) -> dict[str, Any]:
    try:
        whole = json.loads(data)
    except (ValueError, RecursionError):
        raise ValueError("no JSON") from None
    return whole if isinstance(whole, dict) else {}


def _check(stamp: object, kept: Mapping[str, Any]) -> str:
    """A card may return other bytes than were written."""
    text = json.dumps([stamp, kept], sort_keys=True)
    return sha256(text.encode()).hexdigest()[:16]
