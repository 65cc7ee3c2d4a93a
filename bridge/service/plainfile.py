"""Reading and locking small files that may be anything: nothing of it blocks, whatever lies there."""

import errno
import fcntl
import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import Final

LONGEST: Final = 1_000_000
"""A longer file was not written by this program, bytes."""


def read_plain(path: Path) -> bytes:
    """The content of a plain file.

    Raises:
        FileNotFoundError: there is none.
        ValueError: it is something else, cannot be read, or is too long; in words.
    """
    try:
        number = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise ValueError(f"cannot be read ({error.strerror or error})") from None
    try:
        kind = os.fstat(number).st_mode
        if not stat.S_ISREG(kind):
            raise ValueError(f"is {_named(kind)}; allowed: a plain file")
        parts, size = [], 0
        while size <= LONGEST and (part := os.read(number, LONGEST + 1 - size)):
            parts.append(part)
            size += len(part)
    except OSError as error:
        raise ValueError(f"cannot be read ({error.strerror or error})") from None
    finally:
        os.close(number)
    if size > LONGEST:
        raise ValueError(f"more than {LONGEST} bytes")
    return b"".join(parts)


def _named(kind: int) -> str:
    for is_one, name in (
        (stat.S_ISDIR, "a folder"),
        (stat.S_ISFIFO, "a pipe"),
        (stat.S_ISSOCK, "a socket"),
    ):
        if is_one(kind):
            return name
    return "a device"


class Taken(Exception):
    """Another process holds the lock; `str` says which, as far as it is known."""


class Lock:
    """Holds a file for this process alone, until `close` or its end, however it ends.

    Args:
        path: made if need be; holds the number of the process.

    Raises:
        Taken: another one holds it.
        OSError: it cannot be made, or not locked.
    """

    def __init__(self, path: Path) -> None:
        flags = os.O_RDWR | os.O_CREAT | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC
        number = os.open(path, flags, 0o600)
        try:
            if not stat.S_ISREG(os.fstat(number).st_mode):
                raise OSError(errno.EINVAL, "not a plain file")
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with suppress(OSError):  # a full card can hold a lock, too
                os.ftruncate(number, 0)
                os.pwrite(number, f"{os.getpid()}\n".encode(), 0)
        except BlockingIOError:
            holder = _number(number)
            os.close(number)
            raise Taken(f"process {holder}" if holder else "another process") from None
        except OSError:
            os.close(number)
            raise
        self._number = number

    def close(self) -> None:
        """Lets go of it."""
        with suppress(OSError):
            os.close(self._number)


def _number(file: int) -> str:
    with suppress(OSError):
        text = os.pread(file, 32, 0).decode("ascii", "replace").strip()
        if text.isascii() and text.isdigit():
            return text
    return ""
