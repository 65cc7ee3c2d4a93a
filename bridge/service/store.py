"""What is kept over a restart, on the disk: one small file for a profile.

Written whole to a temporary file, flushed to the disk and renamed, so that a power cut leaves the old or the
new one; seldom, only where something changed, and by a thread of its own, because a slow card must not hold
up the limits. Whatever is wrong with it is told in one line, and the program starts as if nothing were known.

The wall clock is used here only, to bridge the time in which nothing ran: in the file a date is wall time, in
the engine it is engine time.
"""

import json
import os
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from bridge.core.engine import Engine
from bridge.core.kept import NOTHING, Kept, read
from bridge.core.plan import SECOND_US
from bridge.profile.fingerprint import fingerprint

if TYPE_CHECKING:
    from bridge.profile.load import LoadedProfile

FORMAT: Final = 1
"""Changes with what a number in the file means; another one is not read."""

SAVE_US: Final = 600 * SECOND_US
"""The file is written this often at most (and at the end)."""

LONGEST: Final = 1_000_000
"""A longer file was not written by this program, bytes."""

FORGETS: Final = "nothing is kept over a restart"
"""What that comes to."""

WAIT_S: Final = 2.0
"""How long an orderly stop waits for a card that is busy."""


def wall_us() -> int:
    """Wall time, µs since 1970."""
    return time.time_ns() // 1000


class Found(NamedTuple):
    """What was found at a start: what is known, and a line about it ("" for none), good or bad news."""

    kept: Kept
    told: str = ""
    bad: bool = False


class Store:
    """The file of one profile. Never raises for what is on the disk or cannot be put there.

    Args:
        directory: where it is; made if need be.
        profile: path of the profile, which gives the file its name.
        wall: wall clock, µs.
    """

    def __init__(self, directory: Path, profile: Path, *, wall: Callable[[], int] = wall_us) -> None:
        self.path = directory / f"{profile.stem}.kept.json"
        self._wall = wall
        self._written: tuple[str, Kept] | None = None
        self._saved_us: int | None = None
        self._thread: threading.Thread | None = None
        self._failed = self._told = ""

    # ── reading ─────────────────────────────────────────────────────────────────────────────────────

    def load(self, loaded: "LoadedProfile", t_us: int) -> Found:
        """What was kept for this profile, in engine time; `t_us` is engine time now."""
        self._saved_us = t_us
        if not self._ready():
            return Found(NOTHING, f"{self.path.parent}: no folder to write to; {FORGETS}", bad=True)
        try:
            with self.path.open("rb") as file:
                data = file.read(LONGEST + 1)
        except FileNotFoundError:
            return Found(NOTHING)
        except OSError as error:
            return self._ignored(f"cannot be read ({error.strerror or error})")
        try:
            found = self._understood(data, loaded, t_us)
        except ValueError as problem:
            return self._ignored(str(problem))
        self._written = fingerprint(loaded), found.kept
        return found

    def _ready(self) -> bool:
        with suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
        return os.access(self.path.parent, os.R_OK | os.W_OK | os.X_OK)

    def _ignored(self, why: str) -> Found:
        return Found(NOTHING, f"{self.path}: {why}; nothing is known from before", bad=True)

    def _understood(self, data: bytes, loaded: "LoadedProfile", t_us: int) -> Found:
        if len(data) > LONGEST:
            raise ValueError(f"more than {LONGEST} bytes")
        try:
            whole = json.loads(data)
        except (ValueError, RecursionError):
            raise ValueError("no JSON") from None
        if not isinstance(whole, dict) or whole.get("format") != FORMAT:
            raise ValueError(f"not of format {FORMAT}")
        kept = whole.get("kept")
        saved_us = whole.get("saved_us")
        if (
            not isinstance(kept, dict)
            or type(saved_us) is not int
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
            if full_us > saved_us:
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

    # ── writing ─────────────────────────────────────────────────────────────────────────────────────

    def save(self, loaded: "LoadedProfile", engine: Engine, t_us: int) -> str:
        """Writes what has changed, if it is time to. Returns what has newly failed; "" if nothing."""
        if self._saved_us is None or t_us - self._saved_us >= SAVE_US:
            self._begin(loaded, engine, t_us)
        return self._trouble()

    def close(self, loaded: "LoadedProfile", engine: Engine, t_us: int) -> str:
        """For an orderly stop: writes it now, so that it also says what time it is. Returns as `save`."""
        self.wait()
        self._written = None
        self._begin(loaded, engine, t_us)
        self.wait()
        return self._trouble()

    def _begin(self, loaded: "LoadedProfile", engine: Engine, t_us: int) -> None:
        """Begins to write, unless the card is still busy or nothing has changed."""
        if self._thread is not None and self._thread.is_alive():
            return
        self._saved_us = t_us
        data = self._changed(loaded, engine.kept, t_us)
        if data is not None:
            self._thread = threading.Thread(target=self._write, args=(data,), daemon=True)
            self._thread.start()

    def wait(self) -> None:
        """Until what is being written is, or for `WAIT_S`."""
        if self._thread is not None:
            self._thread.join(WAIT_S)

    def _trouble(self) -> str:
        """What failed, once; again only after it had been well."""
        failed = self._failed
        news = failed if failed and not self._told else ""
        self._told = failed
        return news

    def _changed(self, loaded: "LoadedProfile", kept: Kept, t_us: int) -> bytes | None:
        now = fingerprint(loaded), kept
        if now == self._written or (self._written is None and kept == NOTHING):
            return None
        self._written = now
        saved_us = self._wall()
        facts = kept.facts
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

    def _write(self, data: bytes) -> None:
        beside = self.path.with_name(f".{self.path.name}.new")
        try:
            with beside.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(self.path)
            directory = os.open(self.path.parent, os.O_RDONLY)
            try:
                os.fsync(directory)
            finally:
                os.close(directory)
        except OSError as error:
            self._written = None
            self._failed = f"{self.path}: {error.strerror or error}; {FORGETS}"
        else:
            self._failed = ""


def _check(saved_us: int, kept: Mapping[str, Any]) -> str:
    """A card may return other bytes than were written."""
    text = json.dumps([saved_us, kept], sort_keys=True)
    return sha256(text.encode()).hexdigest()[:16]
