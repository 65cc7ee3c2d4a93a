"""Captures in the log format of candump: `(seconds.microseconds) interface id#hex`, one frame a line.

Three hex digits are an 11-bit identifier, eight a 29-bit one. A trailing ` T` marks a frame the recorder
sent itself; ` R`, or nothing, one it received. Stamps are integers from end to end: a recorded run has
to come back with the very microsecond it was recorded with.
"""

import gzip
import re
import zlib
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Final, NamedTuple, Self, cast

from bridge.errors import CaptureError, Problem, Severity
from bridge.frames import EXTENDED

_LINE: Final = re.compile(
    rb"\((\d{1,12})\.(\d{6})(?:\d{3})?\)[ \t]+([^\s/]+)[ \t]+"
    rb"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#"
    rb"(?:((?:[0-9A-Fa-f]{2}){0,8})(?:(?<=#[0-9A-Fa-f]{16})_[9A-Fa-f])?|(R[0-8]?(?:_[9A-Fa-f])?)|(#[0-9A-Fa-f]+))"
    rb"(?:[ \t]+([TR]))?[ \t]*"
)
_SHAPE: Final = "(seconds.microseconds) interface id#hex, with 3 or 8 hex digits of id and 0 to 8 bytes"

_CONVERTED: Final = {".asc", ".blf", ".csv", ".trc", ".db"}
"""Kinds of files that python-can's own program turns into the format read here."""

_ERROR_FLAG: Final = 0x2000_0000
"""CAN_ERR_FLAG of linux/can.h: the line reports trouble on the bus, and is no data frame."""

_LONGEST_LINE: Final = 4096
"""Bytes. Bounds the memory a file without line ends can take; a real line has some 80."""

_SECONDS_END: Final = 10**12


class LogLine(NamedTuple):
    """One data frame of a capture.

    Attributes:
        t_us: stamp in whole microseconds.
        channel: interface as named in the capture.
        key: identifier, with bit 31 (`EXTENDED`) set if it has 29 bits.
        data: 0 to 8 bytes.
        sent: the recorder sent this frame itself.
        line: line number in the file, from 1.
    """

    t_us: int
    channel: str
    key: int
    data: bytes
    sent: bool
    line: int


class CaptureReader:
    """Reads a capture, plain or gzipped (`.gz`), line by line, as often as it is iterated over.

    Only data frames are handed over. What else candump records is counted, anew in each pass. Stamps
    with nanoseconds are cut to the microsecond, which keeps their order. A last line without its line
    end is taken if it is a whole frame.

    Iterating raises `CaptureError` if the file cannot be opened, is empty, is cut off, holds a line of
    any other shape, or goes back in time. Frames before that line have been handed over by then.

    Attributes:
        errors: error frames.
        remote: remote frames.
        fd: CAN FD frames.
    """

    def __init__(self, path: Path | str) -> None:
        self._path = Path(path)
        self.errors = 0
        self.remote = 0
        self.fd = 0

    def __iter__(self) -> Iterator[LogLine]:
        self.errors = self.remote = self.fd = 0
        number, latest_us = 0, -1
        for number, raw in enumerate(self._raw_lines(), start=1):
            match = _LINE.fullmatch(raw.rstrip(b"\r\n"))
            if match is None:
                raise self._malformed(number, raw)
            t_us = int(match[1] + match[2])
            if t_us < latest_us:
                raise self._error(
                    number,
                    f"time goes back from {_stamp(latest_us)} to {_stamp(t_us)}",
                    "stamps that never fall",
                )
            latest_us = t_us
            line = self._data_frame(number, t_us, match)
            if line is not None:
                yield line
        if number == 0:
            raise self._error(None, "the capture is empty", f"one line or more of {_SHAPE}")

    def _data_frame(self, number: int, t_us: int, match: re.Match[bytes]) -> LogLine | None:
        """The frame of a line, or None if it was counted instead."""
        _, _, channel, digits, data, remote, fd, direction = match.groups()
        extended = len(digits) == 8
        can_id = int(digits, 16)
        # First of all: an error frame looks like an ordinary 29-bit one but for this flag.
        if extended and can_id & _ERROR_FLAG:
            self.errors += 1
            return None
        top = 0x1FFF_FFFF if extended else 0x7FF
        if can_id > top:
            raise self._error(number, f"identifier {digits.decode()}", f"up to {top:X} for that many digits")
        if remote is not None:
            self.remote += 1
            return None
        if fd is not None:
            self.fd += 1
            return None
        try:
            name = channel.decode()
        except UnicodeDecodeError:
            raise self._error(number, f"an interface name that is not text: {channel!r}", "UTF-8") from None
        key = can_id | EXTENDED if extended else can_id
        return LogLine(t_us, name, key, bytes.fromhex(data.decode()), direction == b"T", number)

    def _raw_lines(self) -> Iterator[bytes]:
        """Lines with their line ends; failures of the file turned into `CaptureError`."""
        done = 0
        try:
            with self._open() as file:
                while raw := file.readline(_LONGEST_LINE):
                    yield raw
                    done += 1
        except EOFError:
            raise self._truncated(done + 1, "compressed data that end too early") from None
        except (gzip.BadGzipFile, zlib.error) as error:
            raise self._error(done + 1, f"damaged gzip data ({error})", "a gzip file") from None
        except OSError as error:
            raise self._error(
                None, f"cannot be read ({error.strerror or error})", "a readable file"
            ) from None

    def _open(self) -> BinaryIO:
        if self._path.suffix == ".gz":
            return cast(BinaryIO, gzip.open(self._path, "rb"))
        return self._path.open("rb")

    def _malformed(self, number: int, raw: bytes) -> CaptureError:
        # A chunk of a line that is too long has no line end either, but nothing was cut off there.
        if not raw.endswith(b"\n") and len(raw) < _LONGEST_LINE:
            return self._truncated(number, _shown(raw))
        allowed = _SHAPE
        if self._path.suffix.lower() in _CONVERTED:
            allowed += (
                f"; of this kind of file `can_logconvert {self._path.name} {self._path.stem}.log` makes it"
            )
        return self._error(number, _shown(raw.rstrip(b"\r\n")), allowed)

    def _truncated(self, number: int, found: str) -> CaptureError:
        return self._error(
            number,
            f"the capture is truncated here: {found}; {number - 1} lines before it could be read",
            f"whole lines of {_SHAPE}; without its last line the capture can be used",
        )

    def _error(self, number: int | None, found: str, allowed: str) -> CaptureError:
        return _error(self._path, "file" if number is None else f"line {number}", found, allowed)


class LogWriter:
    """Writes a capture. Each line goes to the operating system at once and whole, or the call fails.

    Raises:
        CaptureError: the file exists already (nothing is ever overwritten), or cannot be made.
    """

    def __init__(self, path: Path | str) -> None:
        self._path = Path(path)
        try:
            self._file = self._path.open("xb", buffering=0)
        except FileExistsError:
            raise _error(self._path, "file", "exists already", "a file name not yet in use") from None
        except OSError as error:
            raise self._failed(error.strerror or str(error)) from None

    def write(self, t_us: int, channel: str, key: int, data: bytes, *, sent: bool) -> None:
        """Append one frame; arguments as for `write_line`.

        Raises:
            CaptureError: the line could not be written, or only in part (a full disk).
            ValueError: as for `write_line`.
        """
        line = write_line(t_us, channel, key, data, sent=sent).encode() + b"\n"
        try:
            written = self._file.write(line)
        except OSError as error:
            raise self._failed(error.strerror or str(error)) from None
        if written != len(line):
            raise self._failed(f"only {written} of {len(line)} bytes of a line were taken")

    def close(self) -> None:
        """Close the file. More than once does no harm."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _failed(self, why: str) -> CaptureError:
        return _error(self._path, "file", f"cannot be written ({why})", "a writable place with room")


def write_line(t_us: int, channel: str, key: int, data: bytes, *, sent: bool) -> str:
    """One frame as a line of a capture, without its line end.

    A received frame gets no mark, as candump writes it by default; a sent one gets ` T`.

    Args:
        t_us: stamp in microseconds, 0 or more.
        channel: interface name; no white space, no slash, not empty (as the kernel has it).
        key: identifier, with bit 31 set if it has 29 bits.
        data: 0 to 8 bytes.
        sent: the recorder sent this frame itself.

    Raises:
        ValueError: an argument is out of its range; such a line could not be read back.
    """
    extended = bool(key & EXTENDED)
    can_id = key & ~EXTENDED
    if not 0 <= can_id <= (0x1FFF_FFFF if extended else 0x7FF):
        raise ValueError(f"frame key {key:#x}; allowed: up to 0x7ff, or 0x80000000 to 0x9fffffff")
    if len(data) > 8:
        raise ValueError(f"{len(data)} data bytes; allowed: 0 to 8")
    if not 0 <= t_us < _SECONDS_END * 1_000_000:
        raise ValueError(f"stamp {t_us} us; allowed: 0 or more, below {_SECONDS_END} s")
    if not channel or "/" in channel or any(letter.isspace() for letter in channel):
        raise ValueError(f"interface name {channel!r}; allowed: no white space, no slash, not empty")
    digits = 8 if extended else 3
    mark = " T" if sent else ""
    return f"({_stamp(t_us)}) {channel} {can_id:0{digits}X}#{data.hex().upper()}{mark}"


def _stamp(t_us: int) -> str:
    seconds, micros = divmod(t_us, 1_000_000)
    return f"{seconds:010d}.{micros:06d}"


def _shown(raw: bytes) -> str:
    """The start of a line for a message, with every byte that is not plain ASCII escaped."""
    text = ascii(raw[:60].decode("latin-1"))
    return text if len(raw) <= 60 else f"{text}..."


def _error(path: Path, key: str, found: str, allowed: str) -> CaptureError:
    return CaptureError([Problem(Severity.FAIL, str(path), key, found, allowed)])
