"""The disk of a recording: slow, stuck or full, it holds nobody up."""

import threading
import time
from pathlib import Path

from bridge.replay.disk import MOST, Behind, Piece
from bridge.replay.recorder import Recorder, events_path
from tests.replay.live import START_US, profile
from tests.replay.test_recorder import FRAME


def test_a_thread_writes_the_same_as_the_loop_would(tmp_path: Path) -> None:
    """Byte for byte, and all of it when it is closed."""
    for name, behind in (("a.log", False), ("b.log", True)):
        recorder = Recorder(tmp_path / name, behind=behind)
        recorder.start(START_US, profile("cabin"))
        for beat in range(50):
            recorder.received(START_US + 100_000 * beat, FRAME)
        recorder.stopped(START_US + 5_000_000)
        assert recorder.close() is None
        assert recorder.close() is None
    assert (tmp_path / "a.log").read_bytes() == (tmp_path / "b.log").read_bytes()
    assert events_path(tmp_path / "a.log").read_bytes() == events_path(tmp_path / "b.log").read_bytes()


def test_a_disk_that_is_stuck_holds_nobody_up_and_ends_the_recording() -> None:
    """Pieces wait, up to a number; then it is told once and for all. Closing waits a moment."""
    stuck = threading.Event()

    def append(_: Piece) -> str:
        stuck.wait(20.0)
        return ""

    begin_s = time.monotonic()
    behind = Behind(append, lambda: None)
    told = [behind.append(([], ["x"])) for _ in range(MOST + 10)]
    assert time.monotonic() - begin_s < 1.0
    assert told[: MOST // 2] == [""] * (MOST // 2)
    assert told[-1] == "the disk does not take it as fast as it comes"
    assert behind.close() == told[-1]
    assert 0.4 < time.monotonic() - begin_s < 5.0
    stuck.set()


def test_what_the_disk_says_is_told_with_the_next_piece() -> None:
    """Whatever it is; later pieces are not written any more."""
    written: list[Piece] = []

    def append(piece: Piece) -> str:
        written.append(piece)
        if len(written) == 1:
            return ""
        raise MemoryError

    closed: list[bool] = []
    behind = Behind(append, lambda: closed.append(True))
    for number in range(10):
        behind.append(([], [str(number)]))
        time.sleep(0.01)
    assert behind.close() == "MemoryError: "
    assert behind.append(([], ["late"])) == "MemoryError: "
    assert len(written) == 2
    assert closed == [True]
