"""Files of the user's, read with a limit: never more than a stated size, and nothing that may wait for ever.

A path may name anything: a pipe that nobody writes to, a device that never ends, a folder, or no file at all.
"""

import os
import stat
from pathlib import Path
from typing import Final

from bridge.errors import Problem, ProfileError, Severity

PROFILE_BYTES: Final = 250_000
"""Largest profile: ten banks of 400 cells, each with a name, take less (own choice)."""

DBC_BYTES: Final = 1_000_000
"""Most message definitions of one profile, together: more take the parser too long (own choice)."""


def read_limited(path: Path, shown: str, most: int, what: str) -> bytes:
    """The bytes of a plain file.

    Args:
        path: where it is.
        shown: what to call it in problems.
        most: most bytes it may have.
        what: what it ought to be, for the problem.

    Raises:
        ProfileError: it cannot be read, is no plain file, or is larger.
    """
    try:
        # Without O_NONBLOCK a pipe that nobody writes to would be waited for here.
        number = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(number, "rb") as file:
            if not stat.S_ISREG(os.fstat(number).st_mode):
                raise refused(shown, "file", _kind(os.fstat(number).st_mode), what)
            data = file.read(most + 1)
    except OSError as error:
        raise refused(shown, "file", error.strerror or type(error).__name__, what) from None
    except ValueError:  # of the path, not of what is in the file
        raise refused(shown, "file", "a path that no file can have", what) from None
    if len(data) > most:
        raise refused(shown, "file", f"more than {most:,} bytes", f"at most {most:,}")
    return data


def _kind(mode: int) -> str:
    """What a path leads to that is no plain file."""
    kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"))
    return next((name for test, name in kinds if test(mode)), "a device")


def refused(file: str, key: str, found: str, allowed: str) -> ProfileError:
    """The error of one problem."""
    return ProfileError([Problem(Severity.FAIL, file, key, found, allowed)])
