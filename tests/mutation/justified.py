"""The list of mutants that may survive, each with a reason. An entry that names no mutant is refused."""

import tomllib
from collections.abc import Iterable
from pathlib import Path

from tests.mutation.mutators import Name

_KEYS = {"module", "where", "was", "became", "nth", "why"}


class ListError(Exception):
    """The list is not as it must be; says where and why."""


def read(path: Path) -> dict[Name, str]:
    """The names of the mutants that may survive, with the reasons.

    Raises:
        ListError: an entry lacks a key or has one too many, has no reason, or is there twice.
    """
    found: dict[Name, str] = {}
    for number, entry in enumerate(tomllib.loads(path.read_text()).get("survivor", []), 1):
        where = f"{path.name}, entry {number}"
        if not set(entry) <= _KEYS or len(set(entry) | {"nth"}) != len(_KEYS):
            raise ListError(f"{where}: keys {sorted(entry)}; allowed: {sorted(_KEYS)}, nth may be left out")
        why = entry.pop("why")
        name = Name(**entry)
        if not why.strip():
            raise ListError(f"{where}: no reason; allowed: one line that says why")
        if name in found:
            raise ListError(f"{where}: {name}: there twice")
        found[name] = why
    return found


def refuse_stale(listed: Iterable[Name], known: Iterable[Name], path: Path) -> None:
    """Raises ListError for an entry that names no mutant: what it excused is not there any more."""
    stale = [str(name) for name in sorted(set(listed) - set(known))]
    if stale:
        raise ListError(f"{path.name}: no such mutant: " + "; ".join(stale))


def as_entry(name: Name, why: str = "") -> str:
    """The text of an entry."""
    rows = [("module", name.module), ("where", name.where), ("was", name.was), ("became", name.became)]
    lines = ["[[survivor]]", *(f"{key} = {_quoted(text)}" for key, text in rows)]
    lines += [f"nth = {name.nth}"] if name.nth > 1 else []
    return "\n".join([*lines, f"why = {_quoted(why)}", ""])


def _quoted(text: str) -> str:
    plain = "'" not in text and text.isprintable()
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f"'{text}'" if plain else f'"{escaped}"'
