"""Reads FILE.events, what a recording holds besides its frames (see `bridge.replay.recorder`)."""

import json
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from bridge.errors import CaptureError, Problem, Severity
from bridge.replay.recorder import Origin, events_path

_ORIGIN: Final = (("profile", str), ("profile_sha256", str), ("dbc_sha256", dict), ("buses", dict))
_NEEDED: Final[dict[str, tuple[tuple[str, type], ...]]] = {
    "start": _ORIGIN,
    "reload": _ORIGIN,
    "replace": _ORIGIN,
    "resume": (("latest_us", int),),
    "unsent": (("why", str),),
    "stop": (),
}
"""The keys of each event, besides those all have, and what stands there."""


class Event(NamedTuple):
    """One event.

    Attributes:
        kind: `start`, `reload`, `replace`, `resume`, `unsent` or `stop`.
        t_us: when.
        after_line: lines of the log before it.
        latest_us: engine time reached before a `resume`.
        origin: what a `start`, `reload` or `replace` was made from.
        buses: for these, the name in the log: name in the profile.
        why: why a frame did not leave.
        dry: for these, nothing was sent: what came in with an identifier of ours was no input.
        kept: for these, what was known from before, as `bridge.core.course.remembered` reads it;
            empty: nothing.
    """

    kind: str
    t_us: int
    after_line: int
    latest_us: int = 0
    origin: Origin | None = None
    buses: Mapping[str, str] = MappingProxyType({})
    why: str = ""
    kept: Mapping[str, Any] = MappingProxyType({})
    dry: bool = False


class Events(NamedTuple):
    """All events in order, and whether the file ends in the middle of a line (which is left out)."""

    events: tuple[Event, ...]
    cut_off: bool


def read_events(capture: Path | str) -> Events | None:
    """The events that belong to a capture; `None` if there are none beside it.

    Raises:
        CaptureError: the file cannot be read, or is no such file; with file and line.
    """
    path = events_path(capture)
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _refused(
            path, "file", f"cannot be read ({error.strerror or error})", "a readable file"
        ) from None
    *lines, rest = text.split(b"\n")
    events: list[Event] = []
    for number, line in enumerate(lines, start=1):
        event = _event(path, number, line)
        if (event.kind == "start") != (not events):
            raise _refused(path, f"line {number}", f"event {event.kind!r}", "`start` first, and only there")
        if events and event.after_line < events[-1].after_line:
            found = f"after_line goes back to {event.after_line}"
            raise _refused(path, f"line {number}", found, f"{events[-1].after_line} or more")
        events.append(event)
    if not events:
        raise _refused(path, "file", "no event in it", "a `start` first; without the file, the log alone")
    return Events(tuple(events), bool(rest))


def _event(path: Path, number: int, line: bytes) -> Event:
    where = f"line {number}"
    try:
        facts = json.loads(line)
    except ValueError:
        raise _refused(path, where, "no JSON", "one JSON object a line") from None
    kind = facts.get("event") if isinstance(facts, dict) else None
    if not isinstance(kind, str) or kind not in _NEEDED:
        raise _refused(path, where, f"event {kind!r}", ", ".join(_NEEDED))
    for key, wanted in (("t_us", int), ("after_line", int), *_NEEDED[kind]):
        if type(facts.get(key)) is not wanted:
            found = f"{key} is {facts.get(key)!r}"
            raise _refused(path, where, found, f"{wanted.__name__} in event {kind!r}")
    return _made(path, where, kind, facts)


def _made(path: Path, where: str, kind: str, facts: dict[str, Any]) -> Event:
    for key in ("t_us", "after_line", "latest_us"):
        if facts.get(key, 0) < 0:
            raise _refused(path, where, f"{key} is {facts[key]}", "0 or more")
    kept = facts.get("kept", {})
    if not isinstance(kept, dict):
        raise _refused(path, where, f"kept is {kept!r}", "a table")
    texts = (*facts.get("dbc_sha256", {}).values(), *facts.get("buses", {}).values())
    if not all(isinstance(text, str) for text in texts):
        raise _refused(path, where, "something else in dbc_sha256 or buses", "texts")
    origin = None
    if "profile" in facts:
        origin = Origin(facts["profile"], facts["profile_sha256"], facts["dbc_sha256"])
    return Event(
        kind=kind,
        t_us=facts["t_us"],
        after_line=facts["after_line"],
        latest_us=facts.get("latest_us", 0),
        origin=origin,
        buses={channel: bus for bus, channel in facts.get("buses", {}).items()},
        why=facts.get("why", ""),
        kept=kept,
        dry=facts.get("dry") is True,
    )


def _refused(path: Path, key: str, found: str, allowed: str) -> CaptureError:
    return CaptureError([Problem(Severity.FAIL, str(path), key, found, allowed)])
