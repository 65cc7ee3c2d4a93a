"""Changes to the text of a file: bytes, tokens, lines, and the tables of a profile."""

import re
import tomllib
from contextlib import suppress
from random import Random
from typing import Any, Final

NUMBERS: Final = (
    *("0", "-0.0", "1", "-1", "2", "7", "255", "256", "65535", "65536", "2147483648", "4294967295"),
    *("9223372036854775807", "9223372036854775808", "18446744073709551616", "0.1", "1e-9", "1e-10", "1e9"),
    *(
        "1e15",
        "1e16",
        "1e20",
        "1e21",
        "1e30",
        "1e100",
        "1e300",
        "1e308",
        "1e309",
        "1e-308",
        "1e-320",
        "6e30960000",
    ),
    *(
        "inf",
        "-inf",
        "nan",
        "0x10",
        "0b1",
        "1_000",
        "-40",
        "3.65",
        "3.649999999999999999999",
        "1.7976931348623157e308",
    ),
    *("9" * 30, "9" * 400, "9" * 5000, "0." + "3" * 300, "0x" + "f" * 400),
)
TEXTS: Final = (
    *('""', '" "', '"a"', '"cell_voltage"', '"charge_voltage_limit"', '"\\u0000"', '"\\u001b[2J"', '"é€"'),
    *('"\\U0001F600"', '"\\u202e"', '"../../../etc/passwd"', '"/dev/zero"', '"/"', '"~root/x"', "'''a\nb'''"),
    *('"' + "x" * 5000 + '"', "true", "false", "[]", "[[]]", "{}", "{a = 1}", "2026-12-01", "12:00:00"),
    *("2026-12-01T12:00:00+01:00", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "[1, 2, 3]"),
)
NOISE: Final = (
    b"\0",
    b"\xff",
    b"\xc3",
    b'"',
    b"'",
    b"[",
    b"]",
    b"{",
    b"=",
    b"\n",
    b"\r",
    b";",
    b":",
    b"|",
    b"@",
)
KEYS: Final = ("scale", "first", "tick_ms", "max_age_s", "optional", "counter", "zzz", "")

_TOKEN = re.compile(rb'"[^"\n]*"|[A-Za-z_][\w-]*|-?\d[\w.+-]*')
_NUMBER = re.compile(rb"-?\d[\w.+]*")


def mutated(random: Random, data: bytes) -> bytes:
    """Some changes, of bytes, tokens or lines."""
    for _ in range(random.choice([1, 1, 1, 2, 3, 6])):
        data = random.choice(_CHANGES)(random, data)[:2_000_000]
    return data


def _noise(random: Random, data: bytes) -> bytes:
    at = random.randrange(len(data) + 1)
    cut = random.choice([0, 0, 1, 2, 20])
    junk = random.choice(
        [*NOISE, random.randbytes(random.randrange(1, 9)), b"[" * random.choice([5, 500, 5000])]
    )
    return data[:at] + junk + data[at + cut :]


def _number(random: Random, data: bytes) -> bytes:
    found = list(_NUMBER.finditer(data))
    if not found:
        return data
    one = random.choice(found)
    new = random.choice(NUMBERS).encode()
    if random.random() < 0.4:  # near what was there
        with suppress(ValueError):
            new = repr(float(one[0]) * random.choice([-1, 0.5, 2, 10, 1.000001, 1e6])).encode()
    return data[: one.start()] + new + data[one.end() :]


def _token(random: Random, data: bytes) -> bytes:
    found = list(_TOKEN.finditer(data))
    if not found:
        return data
    one, other = random.choice(found), random.choice(found)
    new = random.choice([other[0], other[0], random.choice(TEXTS).encode(), b"", one[0] * 2])
    return data[: one.start()] + new + data[one.end() :]


def _line(random: Random, data: bytes) -> bytes:
    lines = data.split(b"\n")
    at, other = random.randrange(len(lines)), random.randrange(len(lines))
    kind = random.randrange(6)
    if kind == 0:
        del lines[at]
    elif kind == 1:
        lines[at], lines[other] = lines[other], lines[at]
    elif kind == 2:
        lines.insert(at, lines[other])
    elif kind == 3:
        lines = lines[:at]
    elif kind == 4:
        lines[at:at] = [lines[other]] * random.choice([2, 50, 2000])
    else:
        begin, end = min(at, other), max(at, other)
        lines[begin:begin] = lines[begin:end]
    return b"\n".join(lines)


_CHANGES = (_noise, _number, _number, _token, _token, _line)


# ── the tables of a profile ─────────────────────────────────────────────────────────────────────────────


def tables(random: Random, text: str) -> bytes:
    """A profile with some of its tables, keys and values changed, as TOML again."""
    tree = tomllib.loads(text)
    for _ in range(random.choice([1, 1, 2, 4])):
        _change(random, tree)
    return "".join(f"{key} = {_toml(value)}\n" for key, value in tree.items()).encode()


class _Raw(str):
    """A value as it is to be written."""

    __slots__ = ()


def _change(random: Random, node: Any) -> None:
    """Goes down at random, and changes what is there."""
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        if not keys:
            return
        key = random.choice(keys)
        if isinstance(node[key], dict | list) and node[key] and random.random() < 0.85:
            node = node[key]
            continue
        break
    kind = random.randrange(7)
    if kind == 0:
        del node[key]
    elif kind == 1:
        node[key] = _Raw(random.choice(TEXTS))
    elif kind == 2 and isinstance(node, dict):
        node[random.choice(KEYS)] = node[key]
    elif kind == 3 and isinstance(node, list):
        node += [node[key]] * random.choice([1, 30, 500])
    elif kind == 4:
        node[key] = [node[key]] if random.random() < 0.5 else {"a": node[key]}
    else:
        node[key] = _Raw(random.choice(NUMBERS))


def _toml(value: Any) -> str:
    if isinstance(value, _Raw):
        return str(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{key}" = {_toml(one)}' for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value) if isinstance(value, int | float) else str(value)
