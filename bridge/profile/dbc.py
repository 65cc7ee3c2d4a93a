"""Message definitions: a DBC file read by cantools, once, into plain layouts of our own.

Nothing of cantools goes further than this file, neither its objects nor its exceptions.
"""

import logging
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from math import isfinite
from pathlib import Path

import cantools
from cantools.database.can import Database, Message, Signal

from bridge.core.codec import FLOATS, Field, MessageLayout
from bridge.errors import Problem, ProfileError, Severity
from bridge.frames import EXTENDED

CLASSIC_BYTES = 8
"""Longest data of a classic CAN frame."""


def load_dbc(path: Path, shown: str | None = None) -> dict[str, MessageLayout]:
    """The layouts of all messages of a DBC file, by name.

    A message longer than a classic frame is kept, since a file may hold messages nobody maps: whoever
    maps one refuses it (`too_long`).

    Args:
        path: the file, in UTF-8 or Windows-1252.
        shown: what to call the file in problems; the path if None.

    Raises:
        ProfileError: with every problem found, if the file cannot be read or understood, a name or an
            identifier is used twice, or a signal overlaps another, lies outside its message, or has a
            format or factor that cannot be computed with.
    """
    name = shown if shown is not None else str(path)
    database = _parsed(_text(path, name), name)
    problems = [*_doubles(database, name)]
    for message in database.messages:
        problems += _message_problems(message, name)
    if problems:
        raise ProfileError(problems)
    return {message.name: _layout(message) for message in database.messages}


def too_long(layout: MessageLayout) -> bool:
    """Whether the message does not fit a classic CAN frame."""
    return layout.length > CLASSIC_BYTES


def _problem(file: str, key: str, found: str, allowed: str) -> Problem:
    return Problem(Severity.FAIL, file, key, found, allowed)


def _text(path: Path, name: str) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise ProfileError([_problem(name, "file", reason, "a readable DBC file")]) from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


@contextmanager
def _silence() -> Iterator[None]:
    """Keeps the library's warnings, which repeat what is reported here as problems, out of the log."""
    logger = logging.getLogger("cantools")
    before = logger.disabled
    logger.disabled = True
    try:
        yield
    finally:
        logger.disabled = before


def _parsed(text: str, name: str) -> Database:
    # not strict: overlaps are found here, all of them, and named by message and signal
    try:
        database = cantools.database.load_string(text, "dbc", strict=False)
    except Exception as error:
        # the parser lets plain ValueError, KeyError, IndexError and AssertionError through as well
        where = re.search(r"line (\d+)", str(error))
        found = " ".join(str(error).split()) or type(error).__name__
        key = f"line {where[1]}" if where else "file"
        raise ProfileError([_problem(name, key, found, "a valid DBC file")]) from None
    if not isinstance(database, Database):
        raise ProfileError([_problem(name, "file", type(database).__name__, "a CAN database")])
    return database


def _key(message: Message) -> int:
    return message.frame_id | (EXTENDED if message.is_extended_frame else 0)


def _doubles(database: Database, name: str) -> Iterator[Problem]:
    """Two messages of one name, or of one identifier of the same length."""
    for title, count in Counter(message.name for message in database.messages).items():
        if count > 1:
            yield _problem(name, title, f"{count} messages of this name", "one")
    by_key: dict[int, str] = {}
    for message in database.messages:
        first = by_key.setdefault(_key(message), message.name)
        if first != message.name:
            bits = 29 if message.is_extended_frame else 11
            found = f"{bits}-bit identifier {message.frame_id} is also that of {first}"
            yield _problem(name, message.name, found, "one message for each identifier")


def _message_problems(message: Message, name: str) -> Iterator[Problem]:
    for title, count in Counter(signal.name for signal in message.signals).items():
        if count > 1:
            yield _problem(name, f"{message.name}.{title}", f"{count} signals of this name", "one")
    bits = {signal.name: _bits(signal) for signal in message.signals}
    for signal in message.signals:
        key = f"{message.name}.{signal.name}"
        if max(bits[signal.name]) >= 8 * message.length:
            yield _problem(
                name, key, f"reaches beyond the {message.length} bytes of the message", "within it"
            )
        for found, allowed in _signal_problems(signal, message):
            yield _problem(name, key, found, allowed)
    chains = {signal.name: dict(_chain(signal, message)) for signal in message.signals}
    for index, signal in enumerate(message.signals):
        for other in message.signals[:index]:
            if bits[signal.name] & bits[other.name] and _together(chains[signal.name], chains[other.name]):
                key = f"{message.name}.{signal.name}"
                yield _problem(name, key, f"overlaps {message.name}.{other.name}", "bits of its own")


def _signal_problems(signal: Signal, message: Message) -> Iterator[tuple[str, str]]:
    factor, offset = signal.conversion.scale, signal.conversion.offset
    if signal.conversion.is_float and signal.length not in FLOATS:
        yield f"a float of {signal.length} bits", "16, 32 or 64 bits"
    elif signal.length > 64:
        yield f"{signal.length} bits", "1 to 64 bits"
    if factor == 0 or not isfinite(factor) or not isfinite(offset):
        yield f"factor {factor}, offset {offset}", "finite numbers, factor not 0"
    elif not isfinite(float(factor) * 2.0**64 + offset):
        yield f"factor {factor}, offset {offset}", "numbers that 64 bits do not overflow"
    if signal.multiplexer_ids is not None and signal.multiplexer_signal is None:
        yield "multiplexed, but by no signal", "a multiplexer signal in the message"
    above = {other.name: other for other in message.signals}.get(signal.multiplexer_signal or "")
    if signal.multiplexer_signal is not None and (above is None or above.conversion.is_float):
        yield f"multiplexed by {signal.multiplexer_signal}", "an integer signal of the message"


def _bits(signal: Signal) -> frozenset[int]:
    """The bits the signal lies on, numbered as a DBC does: 8 * byte + bit, bit 0 the lowest."""
    if signal.byte_order == "little_endian":
        return frozenset(range(signal.start, signal.start + signal.length))
    first = signal.start // 8 * 8 + 7 - signal.start % 8
    return frozenset(8 * (n // 8) + 7 - n % 8 for n in range(first, first + signal.length))


def _chain(signal: Signal, message: Message) -> Iterator[tuple[str, frozenset[int]]]:
    """The chain of multiplexer conditions, outermost first."""
    by_name = {other.name: other for other in message.signals}
    chain: dict[str, frozenset[int]] = {}
    here: Signal | None = signal
    while here is not None and here.multiplexer_signal is not None and here.multiplexer_signal not in chain:
        chain[here.multiplexer_signal] = frozenset(here.multiplexer_ids or ())
        here = by_name.get(here.multiplexer_signal)
    yield from reversed(chain.items())


def _together(one: Mapping[str, frozenset[int]], two: Mapping[str, frozenset[int]]) -> bool:
    """Whether one frame can carry both: no common multiplexer tells them apart."""
    return all(one[name] & two[name] for name in one.keys() & two.keys())


def _layout(message: Message) -> MessageLayout:
    fields = tuple(_field(signal, message) for signal in message.signals)
    return MessageLayout(message.name, _key(message), message.length, fields)


def _field(signal: Signal, message: Message) -> Field:
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
        mux=tuple(_chain(signal, message)),
        choices=tuple((raw, str(text)) for raw, text in (conversion.choices or {}).items()),
        initial_raw=_initial(signal),
    )


def _initial(signal: Signal) -> int:
    start = signal.raw_initial or 0
    if signal.conversion.is_float:
        return int.from_bytes(FLOATS[signal.length].pack(start), "little")
    return int(start)
