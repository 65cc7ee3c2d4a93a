"""Message definitions: a DBC file read by cantools, once, into plain layouts of our own.

Nothing of cantools goes further than this file, neither its objects nor its exceptions.
"""

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain, islice
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.core.wire.codec import FLOATS, Field, MessageLayout
from bridge.errors import Problem, ProfileError, Severity
from bridge.frames import EXTENDED
from bridge.lean import import_part
from bridge.profile.dbc_bounds import refuse_absurd
from bridge.profile.reading import DBC_BYTES, read_limited

if TYPE_CHECKING:
    from cantools.database.can import Message, Signal
    from cantools.database.can.formats import dbc
else:
    dbc = import_part("cantools.database.can.formats.dbc")

LEAST_FACTOR, MOST_FACTOR, MOST_OFFSET = 1e-15, 1e15, 1e20
"""Beyond these a scale is a slip: 64 bits reach to 1.8e19."""

LONGEST_MS = 3_600_000
"""A message that comes more seldom has no period."""

MOST_PROBLEMS = 100
"""Of one file; whoever has so many has another file in mind."""

CLASSIC_BYTES = 8
"""Longest data of a classic CAN frame."""


def load_dbc(path: Path, shown: str | None = None, most: int = DBC_BYTES) -> dict[str, MessageLayout]:
    """The layouts of all messages of a DBC file, by name.

    A message longer than a classic frame is kept, since a file may hold messages nobody maps: whoever
    maps one refuses it (`too_long`).

    Args:
        path: the file, in UTF-8 or Windows-1252.
        shown: what to call the file in problems; the path if None.
        most: most bytes it may have.

    Raises:
        ProfileError: with every problem found, if the file cannot be read or understood, a name or an
            identifier is used twice, or a signal overlaps another, lies outside its message, or has a
            format or factor that cannot be computed with.
    """
    name = shown if shown is not None else str(path)
    text = _text(path, name, most)
    messages = _parsed(text, name)
    found = chain(
        _doubles(messages, name),
        _lost_pages(text, messages, name),
        *(_message_problems(message, name) for message in messages),
    )
    problems = list(islice(found, MOST_PROBLEMS))
    if problems:
        raise ProfileError(problems)
    return {message.name: _layout(message) for message in messages}


def too_long(layout: MessageLayout) -> bool:
    """Whether the message does not fit a classic CAN frame."""
    return layout.length > CLASSIC_BYTES


def _problem(file: str, key: str, found: str, allowed: str) -> Problem:
    return Problem(Severity.FAIL, file, key, found, allowed)


def _text(path: Path, name: str, most: int) -> str:
    raw = read_limited(path, name, most, "a readable DBC file")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _parsed(text: str, name: str) -> "Sequence[Message]":
    refuse_absurd(text, name)
    # not strict: overlaps are found here, all of them, and named by message and signal
    try:
        return dbc.load_string(text, strict=False).messages
    except Exception as error:
        # besides errors of its own the parser lets ValueError, KeyError, AssertionError and more through
        found = " ".join(str(error).split()) or type(error).__name__
        where = re.search(r"line (\d+)", found)
        key = f"line {where[1]}" if where else "file"
        allowed = "a valid DBC file"
        if "more than 11 bits" in found:
            allowed = f"at most 2047; an identifier of 29 bits is written with bit 31 set: plus {EXTENDED}"
        raise ProfileError([_problem(name, key, found, allowed)]) from None


def _key(message: "Message") -> int:
    return message.frame_id | (EXTENDED if message.is_extended_frame else 0)


def _doubles(messages: "Sequence[Message]", name: str) -> Iterator[Problem]:
    """Two messages of one name, or of one identifier of the same length."""
    for title, count in Counter(message.name for message in messages).items():
        if count > 1:
            yield _problem(name, title, f"{count} messages of this name", "one")
    by_key: dict[int, str] = {}
    for message in messages:
        first = by_key.setdefault(_key(message), message.name)
        if first != message.name:
            bits = 29 if message.is_extended_frame else 11
            found = f"{bits}-bit identifier {message.frame_id} is also that of {first}"
            yield _problem(name, message.name, found, "one message for each identifier")


def _lost_pages(text: str, messages: "Sequence[Message]", name: str) -> Iterator[Problem]:
    """Signals marked as multiplexed that the library reads as always there.

    It does so where a message has no multiplexer, or has several and does not say which one counts.
    """
    pages = {(_key(m), s.name): s.multiplexer_ids for m in messages for s in m.signals}
    titles = {_key(message): message.name for message in messages}
    key = 0
    for found in re.finditer(r"^[ \t]*(?:BO_\s+(\d+)|SG_\s+(\w+)\s+(m\d+)M?\s*:)", text, re.MULTILINE):
        if found[1]:
            key = int(found[1])
        elif pages.get((key, found[2]), ()) is None and key in titles:
            allowed = "one multiplexer (M) in the message, or a SG_MUL_VAL_ line for this signal"
            yield _problem(name, f"{titles[key]}.{found[2]}", f"{found[3]} of no known multiplexer", allowed)


def _message_problems(message: "Message", name: str) -> Iterator[Problem]:
    signals = message.signals
    doubles = [title for title, count in Counter(signal.name for signal in signals).items() if count > 1]
    for title in doubles:
        yield _problem(name, f"{message.name}.{title}", "several signals of this name", "one")
    for signal in signals:
        for found, allowed in _signal_problems(signal, message):
            yield _problem(name, f"{message.name}.{signal.name}", found, allowed)
    by_name = {signal.name: signal for signal in signals}
    places = [(signal.name, _bits(signal), dict(_chain(signal, by_name))) for signal in signals]
    for index, (title, bits, pages) in enumerate(places):
        for other, taken, others in islice(places, index):
            if not bits.isdisjoint(taken) and title != other and _together(pages, others):
                key, found = f"{message.name}.{title}", f"overlaps {message.name}.{other}"
                yield _problem(name, key, found, "bits of its own")


def _signal_problems(signal: "Signal", message: "Message") -> Iterator[tuple[str, str]]:
    factor, offset = signal.conversion.scale, signal.conversion.offset
    bits = _bits(signal)
    if min(bits) < 0 or max(bits) >= 8 * message.length:
        yield f"reaches beyond the {message.length} bytes of the message", "within it"
    if signal.conversion.is_float and signal.length not in FLOATS:
        yield f"a float of {signal.length} bits", "16, 32 or 64 bits"
    elif _initial(signal) is None:
        yield f"start value {signal.raw_initial}", "a finite number that the signal can hold"
    if factor == 0 or not isfinite(factor) or not isfinite(offset):
        yield f"factor {factor}, offset {offset}", "finite numbers, factor not 0"
    elif not LEAST_FACTOR <= abs(factor) <= MOST_FACTOR or abs(offset) > MOST_OFFSET:
        allowed = f"a factor from {LEAST_FACTOR:g} to {MOST_FACTOR:g} in size, an offset to {MOST_OFFSET:g}"
        yield f"factor {factor:g}, offset {offset:g}", allowed
    if signal.multiplexer_signal is not None:
        above = {other.name: other for other in message.signals}.get(signal.multiplexer_signal)
        if above is None or above.conversion.is_float:
            yield f"multiplexed by {signal.multiplexer_signal}", "an integer signal of the message"


def _bits(signal: "Signal") -> frozenset[int]:
    """The bits the signal lies on, numbered as a DBC does: 8 * byte + bit, bit 0 the lowest."""
    if signal.byte_order == "little_endian":
        return frozenset(range(signal.start, signal.start + signal.length))
    first = signal.start // 8 * 8 + 7 - signal.start % 8
    return frozenset(8 * (n // 8) + 7 - n % 8 for n in range(first, first + signal.length))


def _chain(signal: "Signal", by_name: "Mapping[str, Signal]") -> Iterator[tuple[str, frozenset[int]]]:
    """The chain of multiplexer conditions, outermost first."""
    chain: dict[str, frozenset[int]] = {}
    here: Signal | None = signal
    while here is not None and here.multiplexer_signal is not None and here.multiplexer_signal not in chain:
        chain[here.multiplexer_signal] = frozenset(here.multiplexer_ids or ())
        here = by_name.get(here.multiplexer_signal)
    yield from reversed(chain.items())


def _together(one: Mapping[str, frozenset[int]], two: Mapping[str, frozenset[int]]) -> bool:
    """Whether one frame can carry both: no common multiplexer tells them apart."""
    return all(one[name] & two[name] for name in one.keys() & two.keys())


def _layout(message: "Message") -> MessageLayout:
    by_name = {signal.name: signal for signal in message.signals}
    fields = tuple(_field(signal, by_name) for signal in message.signals)
    return MessageLayout(message.name, _key(message), message.length, fields, _cycle_us(message))


def _cycle_us(message: "Message") -> int:
    """The period a file states, if it can be one."""
    cycle_ms: object = message.cycle_time  # a file may define it as words
    if not isinstance(cycle_ms, int | float) or not 0 < cycle_ms <= LONGEST_MS:
        return 0
    return round(1000 * cycle_ms)


def _field(signal: "Signal", by_name: "Mapping[str, Signal]") -> Field:
    conversion = signal.conversion
    # the library knows a range of [0|0] as unlimited, but not one of [0.0|0.0]
    unlimited = not signal.minimum and not signal.maximum
    return Field(
        name=signal.name,
        start=signal.start,
        length=signal.length,
        little_endian=signal.byte_order == "little_endian",
        signed=signal.is_signed,
        is_float=conversion.is_float,
        factor=conversion.scale,
        offset=conversion.offset,
        minimum=None if unlimited else signal.minimum,
        maximum=None if unlimited else signal.maximum,
        unit=signal.unit or "",
        mux=tuple(_chain(signal, by_name)),
        choices=tuple((raw, str(text)) for raw, text in (conversion.choices or {}).items()),
        initial_raw=_initial(signal) or 0,
    )


def _initial(signal: "Signal") -> int | None:
    """The raw start value, None if there cannot be one.

    An integer that is too large for its signal is left to whoever sends the message to refuse.
    """
    start = signal.raw_initial or 0
    if not isfinite(start):
        return None
    if not signal.conversion.is_float:
        return int(start)
    try:
        return int.from_bytes(FLOATS[signal.length].pack(start), "little")
    except OverflowError:
        return None
