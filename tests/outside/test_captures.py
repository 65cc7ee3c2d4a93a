"""Captures against other programs: what we write they read, and what they hand over we do too.

Sources: can-utils (log2asc; canplayer in tests/vcan/inside/test_captures.py, since it wants a CAN socket),
python-can and cantools, each run here on our lines; error flags from linux/can/error.h.
"""

import shutil
import subprocess
import sys
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.frames import EXTENDED
from bridge.replay.candump import CaptureReader, write_line
from tests.replay.marked import MARKS, Marked, write_marked

DBC = """VERSION ""
NS_ :
BS_:
BU_: Shed
BO_ 419 Shelf: 2 Shed
 SG_ Lamp : 0|8@1+ (1,0) [0|255] "" Shed
 SG_ Draught : 8|8@1+ (1,0) [0|255] "" Shed
BO_ 2338748384 Stove: 1 Shed
 SG_ Flue : 0|8@1+ (1,0) [0|255] "" Shed
"""
keys = st.one_of(st.integers(0, 0x7FF), st.integers(EXTENDED, EXTENDED | 0x1FFF_FFFF))


@pytest.fixture(params=[mark for _, mark in MARKS], ids=[name for name, _ in MARKS])
def written(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """The small capture, in each way to mark its lines."""
    mark: Marked = request.param
    return write_marked(tmp_path / "night.log", mark)


def _tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} of can-utils is not installed")
    return found


def test_log2asc_reads_our_captures(written: Path) -> None:
    """can-utils log2asc shows every frame: time since the first, identifier (x for 29 bits), data."""
    command = [_tool("log2asc"), "-I", str(written), "can0"]
    run = subprocess.run(command, capture_output=True, text=True, check=True, timeout=20)
    rows = [line.split() for line in run.stdout.splitlines()[3:]]
    # The direction in column 3 is left out: older releases know no marks and call every frame received.
    assert [[row[0], row[2], *row[4:]] for row in rows] == [
        ["0.000000", "1A3", "d", "2", "11", "22"],
        ["0.249999", "B6677E0x", "d", "1", "7F"],
        ["0.999999", "7FF", "d", "0"],
    ]


def test_cantools_decodes_our_captures(written: Path, tmp_path: Path) -> None:
    """`python -m cantools decode` finds the signals of both kinds of identifier."""
    (tmp_path / "shed.dbc").write_text(DBC)
    command = [sys.executable, "-m", "cantools", "decode", "--single-line", str(tmp_path / "shed.dbc")]
    text = written.read_text()
    run = subprocess.run(command, input=text, capture_output=True, text=True, check=True, timeout=60)
    assert "Shelf(Lamp: 17, Draught: 34)" in run.stdout
    assert "Stove(Flue: 127)" in run.stdout


def test_python_can_reads_our_captures(written: Path) -> None:
    """python-can's reader hands over the same frames, kinds of identifier and data."""
    with can.CanutilsLogReader(written) as reader:
        seen = [(m.arbitration_id, m.is_extended_id, bytes(m.data), m.channel) for m in reader]
    assert seen == [
        (0x1A3, False, b"\x11\x22", "can0"),
        (0x0B6677E0, True, b"\x7f", "can0"),
        (0x7FF, False, b"", "can0"),
    ]


@given(st.integers(0, 2**51 - 1), keys, st.binary(max_size=8), st.booleans())
def test_python_can_agrees_on_any_frame(
    tmp_path_factory: pytest.TempPathFactory, t_us: int, key: int, data: bytes, sent: bool
) -> None:
    """Any frame of ours read by python-can: stamp (rounded from its float), direction, data."""
    path = tmp_path_factory.mktemp("any") / "one.log"
    path.write_text(write_line(t_us, "can0", key, data, sent=sent) + "\n")
    with can.CanutilsLogReader(path) as reader:
        (seen,) = reader
    assert round(seen.timestamp * 1e6) == t_us
    assert (seen.arbitration_id, seen.is_extended_id) == (key & ~EXTENDED, key >= EXTENDED)
    assert (bytes(seen.data), seen.is_rx) == (data, not sent)


@given(st.lists(st.tuples(keys, st.binary(max_size=8), st.booleans()), min_size=1, max_size=5))
def test_what_python_can_writes_we_read(
    tmp_path_factory: pytest.TempPathFactory, frames: list[tuple[int, bytes, bool]]
) -> None:
    """python-can's writer, which marks every line, gives captures we read back frame by frame."""
    path = tmp_path_factory.mktemp("theirs") / "night.log"
    with can.CanutilsLogWriter(path, channel="can0") as writer:
        for i, (key, data, sent) in enumerate(frames):
            writer.on_message_received(
                can.Message(
                    timestamp=1_700_000_000.5 + i,
                    arbitration_id=key & ~EXTENDED,
                    is_extended_id=key >= EXTENDED,
                    data=data,
                    is_rx=not sent,
                )
            )
    seen = [(line.t_us, line.key, line.data, line.sent) for line in CaptureReader(path)]
    assert seen == [(1_700_000_000_500_000 + i * 10**6, *frame) for i, frame in enumerate(frames)]


@pytest.mark.parametrize("digits", ["20000004", "20000040", "20000100", "200000C0"])
def test_error_frames_of_a_capture_are_no_data(tmp_path: Path, digits: str) -> None:
    """linux/can/error.h: flag 0x20000000 with CRTL 4, BUSOFF 40, RESTARTED 100, BUSERROR 80 and more."""
    path = tmp_path / "night.log"
    path.write_text(f"(1700000000.000001) can0 {digits}#0000000000000000\n(1700000000.000002) can0 1A3#01\n")
    reader = CaptureReader(path)
    assert [line.key for line in reader] == [0x1A3]
    assert reader.errors == 1


def test_python_can_takes_a_bus_off_report_for_data(tmp_path: Path) -> None:
    """Why we do not read captures with python-can (4.6.1, run): bus-off comes as a frame 0x40 with data.

    When this fails, python-can has mended it; nothing of ours depends on it.
    """
    path = tmp_path / "night.log"
    path.write_text("(1700000000.000001) can0 20000040#0000000000000000\n")
    with can.CanutilsLogReader(path) as reader:
        (seen,) = reader
    assert (seen.arbitration_id, seen.is_extended_id, seen.is_error_frame) == (0x40, True, False)
