"""What a DBC file may hold before its parser is let loose on it: numbers, sizes and counts with an end.

The parser counts bits, bytes and pages one by one, and exact arithmetic takes as long as a number has digits:
one absurd number would keep the program busy for hours.
"""

import re
from collections.abc import Iterator, Sequence
from itertools import islice
from math import isfinite
from typing import Final

from bridge.profile.reading import refused

MOST: Final = 65_535
"""No message has more bits, bytes or pages than this."""

DIGITS: Final = 320
"""The largest number of 64 bits, written out, has 309."""

MOST_SIGNALS: Final = 1_000
"""In one message: 64 bits, on some pages (own choice)."""

BITS: Final = 1_000_000
PAGES: Final = 20_000
PAIRS: Final = 1_500_000
"""Bits, pages and pairs of signals of one message, all together: the parser takes as long (own choice)."""

TEXT: Final = 60_000
"""Longest text in quotes, characters (own choice)."""

_TOKEN: Final = re.compile(
    r'"(?:[^"\\]|\\.)*"|[A-Za-z_]\w*|[-+]?\d[\w.]*(?:(?<=[eE])[-+]\d+)?|[^\s\w]', re.DOTALL
)


def refuse_absurd(text: str, name: str) -> None:
    """Refuses a text that would take the parser for ever.

    Raises:
        ProfileError: with the line.
    """
    tokens = _TOKEN.findall(text)
    for place, found, allowed in _absurd(tokens):
        start = next(islice(_TOKEN.finditer(text), place, None)).start()
        raise refused(name, f"line {text.count(chr(10), 0, start) + 1}", found, allowed)


def _absurd(tokens: Sequence[str]) -> Iterator[tuple[int, str, str]]:
    """Which token is absurd, what was found and what is allowed."""
    bits = pages = signals = pairs = 0
    for at, token in enumerate(tokens):
        if token[0].isdigit() or token[0] in "-+":
            if len(token) > DIGITS or not _is_finite(token):
                yield (
                    at,
                    f"the number {token[:40]}{'...' * (len(token) > 40)}",
                    "numbers that 64 bits can hold",
                )
        elif token[0] == '"':
            if len(token) < 2:
                yield at, "a quote that is not closed", "texts between two quotes"
            if len(token) > TEXT:
                yield at, f"a text of {len(token)} characters", f"at most {TEXT:,}"
        elif token == "BO_":
            signals = 0
            yield from _too_large(tokens, _colon(tokens, at, 3) + 1)
        elif token == "SG_" and (colon := _colon(tokens, at, 3)) < len(tokens):
            pairs += 2 * signals + 1
            signals += 1
            for n in (colon + 1, colon + 3):
                yield from _too_large(tokens, n)
            bits += _number(tokens, colon + 3)
            if signals > MOST_SIGNALS or pairs > PAIRS:
                yield at, "too many signals in a message, or messages of so many", f"at most {MOST_SIGNALS:,}"
            if bits > BITS:
                yield (
                    at,
                    f"signals of more than {BITS:,} bits together",
                    "fewer, or a file of the messages used",
                )
        elif token == "SG_MUL_VAL_":
            for n, low, high in _spans(tokens, at):
                if max(low, high) > MOST:
                    yield n, f"the number {max(low, high)}", f"at most {MOST}"
                pages += 1 + abs(high - low)
            if pages > PAGES:
                yield (
                    at,
                    f"signals of more than {PAGES:,} pages together",
                    "fewer, or a file of the messages used",
                )


def _is_finite(token: str) -> bool:
    try:
        return isfinite(float(token))
    except ValueError:  # a name that begins with a digit, or two numbers in one: for the parser to refuse
        return True


def _colon(tokens: Sequence[str], at: int, within: int) -> int:
    """Place of the next colon; beyond the end if there is none so near."""
    for place in range(at + 1, min(at + 1 + within, len(tokens))):
        if tokens[place] == ":":
            return place
    return len(tokens)


def _number(tokens: Sequence[str], at: int) -> int:
    found = re.match(r"\d+", tokens[at]) if at < len(tokens) else None
    return int(found[0][:9]) if found else 0


def _too_large(tokens: Sequence[str], at: int) -> Iterator[tuple[int, str, str]]:
    if _number(tokens, at) > MOST:
        yield at, f"the number {tokens[at][:40]}", f"at most {MOST}"


def _spans(tokens: Sequence[str], at: int) -> Iterator[tuple[int, int, int]]:
    """The ranges of pages of a statement: place, first and last."""
    for place in range(at + 4, len(tokens)):
        if tokens[place] == ";":
            return
        if tokens[place][0].isdigit():
            ends = [int(end[:9]) for end in re.findall(r"\d+", "".join(tokens[place : place + 2]))]
            yield place, ends[0], ends[-1]
