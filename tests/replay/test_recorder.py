"""Recording: two files that hold a whole piece of the run, whatever the disk does."""

import json
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from bridge.core.engine import Due
from bridge.errors import CaptureError
from bridge.frames import EXTENDED, Frame
from bridge.replay.candump import CaptureReader
from bridge.replay.recorder import FLUSH_US, Recorder, events_path, origin_of
from tests.replay.live import START_US, profile

FRAME = Frame("cabin", 0x123, b"\x01\x02")


@contextmanager
def full_disk(room: int) -> Iterator[None]:
    """No file can grow beyond `room` bytes: a write is cut there, and the next one fails."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def events(path: Path) -> list[dict[str, Any]]:
    """All events of a recording."""
    return [json.loads(line) for line in events_path(path).read_text().splitlines()]


def started(path: Path) -> Recorder:
    """A recorder at work."""
    recorder = Recorder(path)
    recorder.start(START_US, profile("cabin"))
    return recorder


def test_frames_go_to_the_log_with_their_stamp_and_direction(tmp_path: Path) -> None:
    """Received frames stand plain, those of the engine are marked, under the name of the interface."""
    recorder = started(tmp_path / "a.log")
    recorder.received(START_US + 1, FRAME)
    recorder.sent(Due(START_US + 2, Frame("cabin", EXTENDED | 0x44, b"")))
    recorder.close()
    assert (tmp_path / "a.log").read_text() == (
        "(1750000000.123458) vcan0 123#0102\n(1750000000.123459) vcan0 00000044# T\n"
    )


def test_events_carry_their_place_among_the_lines(tmp_path: Path) -> None:
    """Each event says how many lines came before it, which gives one order of everything."""
    path = tmp_path / "a.log"
    recorder = started(path)
    recorder.received(START_US + 1, FRAME)
    recorder.resumed(START_US + 9, START_US + 4)
    recorder.sent(Due(START_US + 9, FRAME))
    recorder.unsent(Due(START_US + 9, FRAME), "queue full")
    recorder.reloaded(START_US + 10, profile("boathouse"))
    recorder.stopped(START_US + 11)
    recorder.close()

    found = events(path)

    assert [(event["event"], event["t_us"] - START_US, event["after_line"]) for event in found] == [
        ("start", 0, 0),
        ("resume", 9, 1),
        ("unsent", 9, 2),
        ("reload", 10, 2),
        ("stop", 11, 2),
    ]
    assert found[1]["latest_us"] == START_US + 4
    assert found[2]["why"] == "queue full"
    assert found[0]["buses"] == {"cabin": "vcan0"}
    assert found[3]["buses"] == {"landing": "vcan0", "house": "vcan1"}
    assert found[0]["profile_sha256"] == origin_of(profile("cabin")).profile_sha256
    assert len(found[0]["dbc_sha256"]) == 2
    assert found[0]["dry"] is False


def test_a_dry_run_says_so(tmp_path: Path) -> None:
    """What was made but never left is not passed off as sent."""
    recorder = Recorder(tmp_path / "a.log", dry=True)
    recorder.start(START_US, profile("cabin"))
    recorder.close()
    assert events(tmp_path / "a.log")[0]["dry"] is True


@pytest.mark.parametrize("taken", ["a.log", "a.log.events"])
def test_nothing_is_overwritten(tmp_path: Path, taken: str) -> None:
    """A recorder refuses to begin where one of its files exists, and leaves no file of its own behind."""
    (tmp_path / taken).write_text("precious")
    with pytest.raises(CaptureError, match="exists already; allowed: a file name not yet in use"):
        Recorder(tmp_path / "a.log")
    assert [path.name for path in tmp_path.iterdir()] == [taken]
    assert (tmp_path / taken).read_text() == "precious"


def test_a_folder_that_does_not_exist_is_named(tmp_path: Path) -> None:
    """A place that cannot be written to is an error of the user's file, not a crash."""
    with pytest.raises(CaptureError, match="cannot be made"):
        Recorder(tmp_path / "nowhere" / "a.log")


def test_frames_reach_the_disk_within_a_second_of_engine_time(tmp_path: Path) -> None:
    """Nothing is written for each frame; all is written once a second, and on demand."""
    path = tmp_path / "a.log"
    recorder = started(path)
    recorder.received(START_US + 1, FRAME)
    assert path.stat().st_size == 0
    recorder.received(START_US + FLUSH_US + 1, FRAME)
    assert len(path.read_text().splitlines()) == 2
    recorder.received(START_US + FLUSH_US + 2, FRAME)
    recorder.flush()
    assert len(path.read_text().splitlines()) == 3
    recorder.close()


def test_a_full_disk_ends_the_recording_and_is_told_once(tmp_path: Path) -> None:
    """Nothing raises; the last write is taken back whole; what happens later is not written."""
    path = tmp_path / "a.log"
    recorder = started(path)
    recorder.received(START_US + 1, FRAME)
    assert recorder.flush() is None
    before = path.read_bytes(), events_path(path).read_bytes()
    for i in range(100):
        recorder.received(START_US + 2 + i, FRAME)
    recorder.resumed(START_US + 200, START_US + 150)
    with full_disk(len(before[1]) + 200):
        told = recorder.flush()
    recorder.received(START_US + 300, FRAME)
    recorder.stopped(START_US + 301)
    again = recorder.flush()
    recorder.close()

    assert told is not None
    assert "File too large" in told
    assert "a.log" in told
    assert again is None
    assert (path.read_bytes(), events_path(path).read_bytes()) == before
    assert len(list(CaptureReader(path))) == 1


def test_a_full_disk_during_the_run_is_still_told_at_the_next_flush(tmp_path: Path) -> None:
    """A write that failed between two calls of `flush` is not forgotten."""
    recorder = started(tmp_path / "a.log")
    with full_disk(0):
        recorder.received(START_US + FLUSH_US + 1, FRAME)
    assert recorder.flush() is not None
    assert recorder.close() is None


@pytest.mark.parametrize(
    ("channels", "names"),
    [
        ({"a": "vcan0"}, {"a": "vcan0"}),
        ({"a": "/dev/ttyACM0"}, {"a": "a"}),
        ({"a": "my bus", "b": "0"}, {"a": "a", "b": "0"}),
        ({"a": "0", "b": "0"}, {"a": "0", "b": "b"}),
        ({"b": "0", "a": "b", "c": "0"}, {"b": "0", "a": "b", "c": "c"}),
        ({"b": "c", "c": "c", "a/x": "c"}, {"b": "c", "c": "c_", "a/x": "a_x"}),
    ],
)
def test_every_bus_gets_a_name_of_its_own_that_a_log_can_hold(
    channels: dict[str, str], names: dict[str, str]
) -> None:
    """The interface's name where it fits and is not taken, else the bus's, mended where needed."""
    from bridge.replay.recorder import _writable

    assert _writable(channels) == names
