"""Captures read and written: exact stamps, nothing but data frames, and errors that name the line."""

import gzip
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import CaptureError
from bridge.frames import EXTENDED
from bridge.replay.candump import CaptureReader, LogLine, LogWriter, write_line

GOOD = "(1700000000.000001) can0 1A3#0102"

keys = st.one_of(st.integers(0, 0x7FF), st.integers(EXTENDED, EXTENDED | 0x1FFF_FFFF))
channels = st.text(st.characters(codec="utf-8", exclude_characters="/"), min_size=1, max_size=15).filter(
    lambda name: not any(letter.isspace() for letter in name)
)
frames = st.tuples(st.integers(0, 10**18 - 1), channels, keys, st.binary(max_size=8), st.booleans())


def capture(folder: Path, text: str | bytes, name: str = "night.log") -> CaptureReader:
    """A reader of a new file that holds just this."""
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return CaptureReader(path)


def refusal(reader: CaptureReader) -> str:
    """The text of the error that reading the whole capture ends with."""
    with pytest.raises(CaptureError) as caught:
        list(reader)
    return str(caught.value)


@given(st.lists(frames, min_size=1, max_size=20))
def test_what_is_written_is_read_back_unchanged(
    tmp_path_factory: pytest.TempPathFactory, given_frames: list[tuple[int, str, int, bytes, bool]]
) -> None:
    """Any frames, in any stamps that do not fall, come back exactly, to the microsecond."""
    path = tmp_path_factory.mktemp("capture") / "night.log"
    ordered = sorted(given_frames, key=lambda frame: frame[0])
    with LogWriter(path) as writer:
        for t_us, channel, key, data, sent in ordered:
            writer.write(t_us, channel, key, data, sent=sent)
    assert list(CaptureReader(path)) == [LogLine(*frame, i) for i, frame in enumerate(ordered, start=1)]


def test_fields_of_a_line(tmp_path: Path) -> None:
    """Stamp, interface, identifier with its kind, data, direction and line number are taken as they stand."""
    text = "(1436509052.249713) can0 044#2A366C2BBA R\n(1436509052.249713) can1 00000044# T\n"
    assert list(capture(tmp_path, text)) == [
        LogLine(1436509052249713, "can0", 0x44, bytes.fromhex("2A366C2BBA"), False, 1),
        LogLine(1436509052249713, "can1", EXTENDED | 0x44, b"", True, 2),
    ]


def test_stamp_never_passes_through_a_float(tmp_path: Path) -> None:
    """A stamp with more digits than a binary float holds keeps its last microsecond."""
    text = "(099999999999.999999) can0 1A3#\n"
    assert [line.t_us for line in capture(tmp_path, text)] == [99999999999999999]


@pytest.mark.parametrize(
    "line",
    [
        "(1700000000.000001)   can0  1A3#0102",
        "(1700000000.000001) can0 1a3#0102 R",
        "(1700000000.000001999) can0 1A3#0102",
        "(1700000000.000001) can0 1A3#0102\r",
    ],
)
def test_harmless_variants_of_a_line_are_read(tmp_path: Path, line: str) -> None:
    """Padded columns, small hex, nanoseconds (cut) and a carriage return change nothing."""
    assert list(capture(tmp_path, line + "\n")) == [
        LogLine(1700000000000001, "can0", 0x1A3, b"\1\2", False, 1)
    ]


def test_raw_length_code_above_eight_is_no_more_data(tmp_path: Path) -> None:
    """A length code of 9 to F, written behind eight bytes, still means eight bytes."""
    text = "(1700000000.000001) can0 1A3#0102030405060708_C\n"
    assert [line.data for line in capture(tmp_path, text)] == [bytes(range(1, 9))]


def test_everything_but_data_frames_is_counted_and_left_out(tmp_path: Path) -> None:
    """Error, remote and FD frames are never handed over as data; counts start anew with each pass."""
    text = (
        "(1.000000) can0 20000004#0001000000000000\n"
        "(1.000001) can0 20000040#0000000000000000 R\n"
        "(1.000002) can0 200001FF#0000000000000000\n"
        "(1.000003) can0 1A3#R\n"
        "(1.000004) can0 000001A3#R4 T\n"
        "(1.000005) can0 1A3##1112233\n"
        "(1.000006) can0 1A3#11\n"
    )
    reader = capture(tmp_path, text)
    for _ in range(2):
        assert [line.line for line in reader] == [7]
        assert (reader.errors, reader.remote, reader.fd) == (3, 2, 1)


def test_gzipped_capture_is_read_like_a_plain_one(tmp_path: Path) -> None:
    """A `.gz` file is unpacked on the way."""
    reader = capture(tmp_path, gzip.compress(f"{GOOD}\n".encode()), "night.log.gz")
    assert [line.data for line in reader] == [b"\1\2"]


def test_last_line_without_its_end_is_taken_if_it_is_whole(tmp_path: Path) -> None:
    """A capture trimmed by hand often lacks the last line end; the frame is there all the same."""
    assert len(list(capture(tmp_path, f"{GOOD}\n{GOOD}"))) == 2


@pytest.mark.parametrize(
    "line",
    [
        "",
        "can0 1A3#0102",
        "(1700000000) can0 1A3#0102",
        "(1700000000.0001) can0 1A3#0102",
        "(-1.000000) can0 1A3#0102",
        "(1700000000.000001) can0 1A3",
        "(1700000000.000001) can0 1A3#012",
        "(1700000000.000001) can0 1A3#010203040506070809",
        "(1700000000.000001) can0 01A3#0102",
        "(1700000000.000001) can0 1A3#0102 X",
        "(1700000000.000001) can0 1A3#0102_9",
        "(1700000000.000001) can0 1G3#0102",
        "(1700000000.000001) can0 1A3#01 02",
        "(1700000000.000001)  1A3#0102",
    ],
)
def test_line_of_another_shape_is_an_error_with_its_number(tmp_path: Path, line: str) -> None:
    """What is no frame stops the reading; the message names file, line, what is there and what may be."""
    text = refusal(capture(tmp_path, f"{GOOD}\n{line}\n{GOOD}\n"))
    assert text.startswith(f"{tmp_path / 'night.log'}: line 2: {line!r}; allowed: (seconds.microseconds)")


@pytest.mark.parametrize(
    ("digits", "top"), [("800", "7FF"), ("FFF", "7FF"), ("40000001", "1FFFFFFF"), ("98FEF100", "1FFFFFFF")]
)
def test_identifier_out_of_range_is_an_error(tmp_path: Path, digits: str, top: str) -> None:
    """An identifier no frame can have is refused, not cut down to one that fits."""
    text = refusal(capture(tmp_path, f"(1700000000.000001) can0 {digits}#01\n"))
    assert f"line 1: identifier {digits}; allowed: up to {top} for that many digits" in text


def test_frames_before_a_bad_line_have_been_handed_over(tmp_path: Path) -> None:
    """Reading is a stream: the error comes when its line is reached."""
    lines = iter(capture(tmp_path, f"{GOOD}\nnonsense\n"))
    assert next(lines).line == 1
    with pytest.raises(CaptureError, match="line 2"):
        next(lines)


@pytest.mark.parametrize("cut", range(1, len(GOOD) - 4))
def test_capture_cut_off_within_its_last_line_says_so(tmp_path: Path, cut: int) -> None:
    """Wherever in its head the last line ends, the message says truncated, where, and what was fine."""
    text = refusal(capture(tmp_path, f"{GOOD}\n{GOOD}\n{GOOD[:cut]}"))
    assert "line 3: the capture is truncated here: " in text
    assert "; 2 lines before it could be read; allowed: whole lines" in text


def test_bytes_of_nothing_after_a_power_cut_are_a_truncation(tmp_path: Path) -> None:
    """A file system may leave zeros where the last lines were to be."""
    assert "line 2: the capture is truncated" in refusal(capture(tmp_path, f"{GOOD}\n".encode() + bytes(64)))


def test_gzipped_capture_cut_off_is_a_truncation(tmp_path: Path) -> None:
    """Compressed data that end too early are named as such."""
    packed = gzip.compress("".join(f"({i}.000000) can0 1A3#{i:04X}\n" for i in range(5000)).encode())
    assert "truncated here: compressed data that end too early" in refusal(
        capture(tmp_path, packed[: len(packed) // 2], "night.log.gz")
    )


def test_plain_text_named_gz_is_refused(tmp_path: Path) -> None:
    """A file that only claims to be compressed is an error, not a traceback."""
    assert "damaged gzip data" in refusal(capture(tmp_path, f"{GOOD}\n", "night.log.gz"))


@pytest.mark.parametrize(("place", "value"), [(10, 0x07), (-8, None)], ids=["block", "checksum"])
def test_damaged_gzip_data_are_refused(tmp_path: Path, place: int, value: int | None) -> None:
    """An impossible block, or a checksum that does not fit, is an error that names the file."""
    packed = bytearray(gzip.compress(f"{GOOD}\n".encode()))
    packed[place] = packed[place] ^ 0xFF if value is None else value
    text = refusal(capture(tmp_path, bytes(packed), "night.log.gz"))
    assert "night.log.gz: line " in text
    assert ": damaged gzip data (" in text


@pytest.mark.parametrize("content", [b"\x7fELF\x00\xff\xfe\n", bytes(range(128, 256)) * 200])
def test_binary_file_is_refused_at_its_first_line(tmp_path: Path, content: bytes) -> None:
    """A file that is no text at all is refused, its bytes shown escaped and not in full."""
    text = refusal(capture(tmp_path, content))
    assert "line 1: " in text
    assert "truncated" not in text
    assert text.isascii()
    assert len(text) < 700


def test_interface_name_that_is_not_text_is_refused(tmp_path: Path) -> None:
    """A good line but for bytes that are not UTF-8 in the name is still an error with its number."""
    text = refusal(capture(tmp_path, b"(1.000000) c\xff 1A3#01\n"))
    assert "line 1: an interface name that is not text" in text


def test_time_may_stand_still_but_not_go_back(tmp_path: Path) -> None:
    """Equal stamps are fine; a stamp before its predecessor is an error that shows both."""
    steady = "(5.000000) can0 1A3#\n(5.000000) can0 1A3#\n"
    assert len(list(capture(tmp_path, steady))) == 2
    text = refusal(capture(tmp_path, steady + "(4.999999) can0 20000004#00\n"))
    assert "line 3: time goes back from 0000000005.000000 to 0000000004.999999" in text


def test_empty_capture_is_refused(tmp_path: Path) -> None:
    """Nothing recorded is nothing to replay, and surely a mistake."""
    assert "night.log: file: the capture is empty" in refusal(capture(tmp_path, ""))


def test_missing_file_and_directory_are_refused(tmp_path: Path) -> None:
    """A path that cannot be read is an error of the user's input, with the system's reason."""
    assert "cannot be read (No such file or directory)" in refusal(CaptureReader(tmp_path / "none.log"))
    assert "cannot be read (Is a directory)" in refusal(CaptureReader(tmp_path))


def test_writer_never_overwrites(tmp_path: Path) -> None:
    """A file that exists is left as it is."""
    path = tmp_path / "night.log"
    path.write_text("precious")
    with pytest.raises(CaptureError, match=r"night\.log: file: exists already"):
        LogWriter(path)
    assert path.read_text() == "precious"


def test_writer_names_a_place_it_cannot_write_to(tmp_path: Path) -> None:
    """A folder that is not there is an error with the system's reason."""
    with pytest.raises(CaptureError, match=r"cannot be written \(No such file or directory\)"):
        LogWriter(tmp_path / "none" / "night.log")


def test_each_line_is_in_the_file_before_the_next_is_written(tmp_path: Path) -> None:
    """Whoever kills the recorder loses no line that was written, and finds none in half."""
    path = tmp_path / "night.log"
    with LogWriter(path) as writer:
        writer.write(1, "can0", 0x1A3, b"\1", sent=True)
        assert path.read_text() == "(0000000000.000001) can0 1A3#01 T\n"


def test_full_disk_is_reported(tmp_path: Path) -> None:
    """A line that cannot be stored is an error at once, not at some later flush."""
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("no /dev/full on this system")

    class OnFullDisk(LogWriter):
        """A writer whose new file happens to lie on a disk without room."""

        def __init__(self) -> None:
            super().__init__(tmp_path / "night.log")
            self._file.close()
            self._file = full.open("wb", buffering=0)

    with OnFullDisk() as writer, pytest.raises(CaptureError, match="No space left on device"):
        writer.write(1, "can0", 0x1A3, b"\1", sent=False)


def test_line_cut_short_by_the_system_is_reported(tmp_path: Path) -> None:
    """A disk that takes part of a line is an error too: the capture is damaged from there on."""

    class ShortFile:
        """Takes three bytes at a time."""

        def write(self, _line: bytes) -> int:
            """Pretend there was room for three."""
            return 3

        def close(self) -> None:
            """Do nothing."""

    writer = LogWriter(tmp_path / "night.log")
    writer.close()
    vars(writer)["_file"] = ShortFile()
    with pytest.raises(CaptureError, match="only 3 of 32 bytes"):
        writer.write(1, "can0", 0x1A3, b"\1", sent=False)


@pytest.mark.parametrize(
    ("t_us", "channel", "key", "data", "found"),
    [
        (-1, "can0", 0x1A3, b"", "stamp -1 us"),
        (10**18, "can0", 0x1A3, b"", "stamp 1000000000000000000 us"),
        (0, "", 0x1A3, b"", "interface name ''"),
        (0, "can 0", 0x1A3, b"", "interface name 'can 0'"),
        (0, "a/b", 0x1A3, b"", "interface name 'a/b'"),
        (0, "can0", 0x800, b"", "frame key 0x800"),
        (0, "can0", EXTENDED | 0x2000_0000, b"", "frame key 0xa0000000"),
        (0, "can0", -1, b"", "frame key -0x1"),
        (0, "can0", 0x1A3, bytes(9), "9 data bytes"),
    ],
)
def test_frame_that_could_not_be_read_back_is_not_written(
    t_us: int, channel: str, key: int, data: bytes, found: str
) -> None:
    """Arguments outside their range are errors that name the value."""
    with pytest.raises(ValueError, match=found):
        write_line(t_us, channel, key, data, sent=False)
