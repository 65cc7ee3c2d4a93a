"""The text of a profile as plain tables: TOML, with a bound on everything a text can be made absurd with.

What passes here can be shown, compared and computed with: no table within tables without end, no number of a
thousand digits, no character that a terminal would obey.
"""

import re
import tomllib
from datetime import date, datetime, time
from math import isfinite
from pathlib import Path
from typing import Any, Final

from bridge.errors import Problem, ProfileError, Severity
from bridge.profile.reading import PROFILE_BYTES, read_limited, refused
from bridge.profile.schema import VERSION
from bridge.profile.schema_base import path_text, shown

DEEPEST: Final = 10
"""Tables and lists within each other; the schema needs five."""

LEAST, MOST = 1e-9, 1e20
"""A number is 0, or from one to the other in size; 64 bits hold no more than 1.8e19."""

INTEGER: Final = 2**63
"""Whole numbers are below this in size (TOML 1.0: integers are of 64 bits)."""

LONGEST_TEXT: Final = 1000
LONGEST_LIST: Final = 1000
YEARS: Final = (1970, 2099)

_LONG_KEY = re.compile(
    r"(?<![\w.-])(?:[\w-]+[ \t]*\.[ \t]*){20}|(?:(?:\"[^\"\n]*\"|'[^'\n]*')[ \t]*\.[ \t]*){20}"
)
_LONG_NUMBER = re.compile(r"\d[\d_]{400}")

Place = tuple[str | int, ...]


def parsed(path: Path, file: str) -> dict[str, Any]:
    """The tables of the file, arrays as tuples.

    Args:
        path: the profile.
        file: what to call it in problems.

    Raises:
        ProfileError: it cannot be read, is no TOML, is of a newer version, or holds something absurd.
    """
    data = read_limited(path, file, PROFILE_BYTES, "a readable file")
    try:
        text = data.decode("utf-8-sig")  # some editors begin a file with a mark
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise refused(file, f"line {line}", "bytes that are no UTF-8", "UTF-8 text") from None
    raw = _tables(text, file)
    version = raw.get("profile_version")
    if isinstance(version, int) and VERSION < version < INTEGER:
        found = f"version {version}, newer than this program"
        raise refused(file, "profile_version", found, f"{VERSION}, or a newer ampweir")
    problems: list[Problem] = []
    tables: dict[str, Any] = _sane(raw, (), file, problems)
    if problems:
        raise ProfileError(problems)
    return tables


def _tables(text: str, file: str) -> dict[str, Any]:
    # The parser looks at every part of a dotted key once for each part: thousands of them never end.
    if found := _LONG_KEY.search(text):
        raise refused(file, _line(text, found.start()), "a key of more than 20 parts", f"at most {DEEPEST}")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found_text, _, where = str(error).partition(" (at ")
        key = where.partition(",")[0] if where.startswith("line") else _line(text, len(text))
        raise refused(file, key, found_text.rstrip("."), "valid TOML") from None
    except RecursionError:
        raise refused(file, "file", "tables or lists nested too deeply", f"at most {DEEPEST} deep") from None
    except ValueError as error:
        # Python reads no whole number of more than some thousand digits, and no date that is none.
        number = _LONG_NUMBER.search(text)
        key = _line(text, number.start()) if number else "file"
        what = "a number of hundreds of digits" if number else str(error)
        raise refused(file, key, what, "numbers of at most 18 digits") from None


def _line(text: str, position: int) -> str:
    return f"line {text.count(chr(10), 0, position) + 1}"


def _sane(value: Any, place: Place, file: str, problems: list[Problem]) -> Any:
    """The value with arrays as tuples; what is absurd is noted."""
    wrong = _wrong(value, len(place))
    if wrong is not None:
        problems.append(Problem(Severity.FAIL, file, path_text(place), *wrong))
        return None
    if isinstance(value, dict):
        problems += [
            Problem(Severity.FAIL, file, path_text((*place, key)), *odd)
            for key in value
            if (odd := _wrong_text(key)) is not None
        ]
        return {key: _sane(one, (*place, key), file, problems) for key, one in value.items()}
    if isinstance(value, list):
        return tuple(_sane(one, (*place, number), file, problems) for number, one in enumerate(value))
    return value


def _wrong(value: Any, depth: int) -> tuple[str, str] | None:
    """What is absurd about a value, not about what is in it, and what is allowed; `None`: nothing."""
    if isinstance(value, dict | list):
        if depth > DEEPEST:
            return "tables or lists nested too deeply", f"at most {DEEPEST} deep"
        if len(value) > LONGEST_LIST:
            return f"{len(value)} of them", f"at most {LONGEST_LIST}"
    elif isinstance(value, str):
        return _wrong_text(value)
    elif isinstance(value, bool):
        return None
    elif isinstance(value, int):
        if not -INTEGER <= value < INTEGER:
            return f"a whole number of {value.bit_length()} bits", "at most 64 bits"
    elif isinstance(value, float):
        if isfinite(value) and value and not LEAST <= abs(value) <= MOST:
            return f"{value:g}", f"0, or {LEAST:g} to {MOST:g} in size"
    elif isinstance(value, datetime | date) and not YEARS[0] <= value.year <= YEARS[1]:
        return shown(value), f"the years {YEARS[0]} to {YEARS[1]}"
    elif isinstance(value, time):
        return shown(value.isoformat()), "a date as well"
    return None


def _wrong_text(text: str) -> tuple[str, str] | None:
    if len(text) > LONGEST_TEXT:
        return f"a text of {len(text)} characters", f"at most {LONGEST_TEXT}"
    if not text.isprintable():
        odd = next(letter for letter in text if not letter.isprintable())
        return f"the character {ascii(odd)[1:-1]} in a text", "characters that can be printed"
    return None
