"""A small capture of ours, with its lines marked in each way other programs write them."""

from collections.abc import Callable
from pathlib import Path

from bridge.replay.candump import LogWriter

SHELF, STOVE = 419, 2338748384
"""One message with 11 bits of identifier (1A3), one with 29 (0B6677E0)."""

Marked = Callable[[str], str]
MARKS: tuple[tuple[str, Marked], ...] = (
    ("as written", lambda line: line),
    ("no mark", lambda line: line.removesuffix(" T")),
    ("every line marked", lambda line: line if line.endswith(" T") else f"{line} R"),
)


def write_marked(path: Path, mark: Marked) -> Path:
    """A capture of three frames: received, sent, received without data; its lines marked by `mark`."""
    with LogWriter(path) as writer:
        writer.write(1_700_000_000_000_001, "can0", SHELF, b"\x11\x22", sent=False)
        writer.write(1_700_000_000_250_000, "can0", STOVE, b"\x7f", sent=True)
        writer.write(1_700_000_001_000_000, "can0", 0x7FF, b"", sent=False)
    path.write_text("".join(f"{mark(line)}\n" for line in path.read_text().splitlines()))
    return path
