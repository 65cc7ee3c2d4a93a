"""Collects every problem of a profile before anything is refused, and the message definitions it names."""

from collections.abc import Iterable
from contextlib import suppress
from difflib import get_close_matches
from math import prod
from pathlib import Path

from bridge.core.wire.codec import Field, MessageLayout
from bridge.errors import Problem, ProfileError, Severity
from bridge.profile.reading import DBC_BYTES
from bridge.profile.schema_base import path_text, shown

MOST_PAGES = 4096
"""Pages of a message that is mapped: each is a reader of its own (own choice)."""

Key = tuple[str | int, ...]
"""Where in the profile: names of tables and keys, and positions in arrays."""


class Findings:
    """Problems found so far. `file` is the profile as the user named it."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def fail(self, key: Key, found: str, allowed: str) -> None:
        """Notes a problem of the profile that stops a start."""
        self.problems.append(Problem(Severity.FAIL, self.file, path_text(key), found, allowed))

    def warn(self, key: Key, found: str, allowed: str) -> None:
        """Notes something for the person to judge."""
        self.problems.append(Problem(Severity.WARN, self.file, path_text(key), found, allowed))

    def note(self, key: Key, found: str, allowed: str) -> None:
        """Notes something worth knowing."""
        self.problems.append(Problem(Severity.NOTE, self.file, path_text(key), found, allowed))

    def unknown(self, key: Key, what: str, name: str, known: Iterable[str]) -> None:
        """Notes a name that does not exist, with what may have been meant."""
        self.fail(key, f"no {what} {shown(name)}", near(name, known))


def near(name: str, known: Iterable[str]) -> str:
    """What may have been meant by a name that is not known: near misses first, else all that there are."""
    names = list(known)
    close = get_close_matches(name, names, 3, 0.6) or get_close_matches(
        name.lower(), [one for one in names if one.lower() == name.lower()], 3
    )
    if close:
        return f"{' or '.join(shown(one) for one in close)}, if that is meant"
    listed = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
    return f"one of {listed}" if names else "none here"


class Definitions:
    """The DBC files a profile names, each read once. Paths are relative to `home`."""

    def __init__(self, home: Path, findings: Findings) -> None:
        self._home = home
        self._findings = findings
        self._files: dict[Path, dict[str, MessageLayout] | None] = {}
        self._left = DBC_BYTES

    def path(self, dbc: str) -> Path:
        """The file a profile's `dbc` key means."""
        relative = Path(dbc)
        with suppress(RuntimeError):  # no such user, or nobody's home is known
            relative = relative.expanduser()
        return self._home / relative

    def message(self, key: Key, dbc: str, message: str) -> MessageLayout | None:
        """The layout of a message, or `None` after noting why there is none."""
        layouts = self._layouts(dbc)
        if layouts is None:
            return None
        layout = layouts.get(message)
        if layout is None:
            self._findings.unknown((*key, "message"), f"message in {dbc} named", message, layouts)
        elif layout.length > 8:
            found = f"{message} has {layout.length} bytes"
            self._findings.fail((*key, "message"), found, "at most 8, as a classic CAN frame has")
            return None
        elif (pages := _pages(layout)) > MOST_PAGES:
            self._findings.fail((*key, "message"), f"{message} has {pages} pages", f"at most {MOST_PAGES}")
            return None
        return layout

    def field(self, key: Key, layout: MessageLayout, signal: str) -> Field | None:
        """The field of a signal, or `None` after noting that there is none."""
        for field in layout.fields:
            if field.name == signal:
                return field
        names = [field.name for field in layout.fields]
        self._findings.unknown(key, f"signal in {layout.name} named", signal, names)
        return None

    def _layouts(self, dbc: str) -> dict[str, MessageLayout] | None:
        path = self.path(dbc)
        if path not in self._files:
            # The DBC parser is the slowest import of all: it is paid for only once a profile needs it.
            from bridge.profile.dbc import load_dbc

            try:
                self._files[path] = load_dbc(path, dbc, self._left)
                self._left -= path.stat().st_size
            except ProfileError as error:
                self._findings.problems.extend(error.problems)
                self._files[path] = None
        return self._files[path]


def _pages(layout: MessageLayout) -> int:
    """How many pages a message has, all combinations of its multiplexers."""
    ids: dict[str, set[int]] = {}
    for field in layout.fields:
        for name, raws in field.mux:
            ids.setdefault(name, set()).update(raws)
    return prod(len(raws) for raws in ids.values())


def pick(findings: Findings, key: Key, what: str, name: str | None, known: list[str]) -> str | None:
    """The table of that name; the only one if none is named; `None` after noting a problem."""
    if name is None:
        if len(known) == 1:
            return known[0]
        findings.fail((*key, what), "nothing", f"one of {', '.join(known)}, since there are several")
        return None
    if name not in known:
        findings.unknown((*key, what), what, name, known)
        return None
    return name
