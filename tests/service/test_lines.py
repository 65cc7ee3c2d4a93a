"""Lines to a sink that is full, gone, or not read: nobody waits, nothing raises, what is lost is counted."""

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from bridge.service.lines import LONGEST, MOST, LineWriter, encoding_of, fill_standard_files, never_waiting
from tests.service.fakes import ROOT

FULL_DISK = Path("/dev/full")


def read_all(descriptor: int) -> str:
    """All that is left in a pipe whose other end is closed."""
    data = b""
    while part := os.read(descriptor, 65536):
        data += part
    return data.decode()


def test_lines_arrive_in_order() -> None:
    """All of them, whole."""
    out, into = os.pipe()
    writer = LineWriter(into)
    for number in range(500):
        writer(f"line {number}")
    writer.close()
    os.close(into)
    assert read_all(out).splitlines() == [f"line {number}" for number in range(500)]
    os.close(out)


def test_a_pipe_that_nobody_reads_holds_nobody_up_and_what_was_dropped_is_told() -> None:
    """The queue has an end, and so has the wait at the end; once the pipe is read, the number is told."""
    out, into = os.pipe()
    writer = LineWriter(into)
    begin_s = time.monotonic()
    sent = 3 * MOST
    for number in range(sent):
        writer(f"{number} " + 200 * "x")
    assert time.monotonic() - begin_s < 2.0
    begin_s = time.monotonic()
    writer.close(0.1)
    assert time.monotonic() - begin_s < 2.0

    text: list[str] = []
    reader = threading.Thread(target=lambda: text.append(read_all(out)))
    reader.start()
    again = LineWriter(into)  # the first one ends by itself, now that it can
    time.sleep(0.5)
    again.close()
    os.close(into)
    reader.join()
    os.close(out)
    assert sent - 2 * MOST <= len(text[0].splitlines()) <= MOST + 700


def test_what_was_dropped_is_told_before_the_next_line() -> None:
    """With its number, as soon as lines are taken again."""
    out, into = os.pipe()
    writer = LineWriter(into)
    count = 2 * MOST
    for _ in range(count):
        writer(300 * "x")
    read: list[str] = []

    def read_until_it_is_told() -> None:
        text = ""
        while "after it" not in text:
            text += os.read(out, 65536).decode()
        read.extend(text.splitlines())

    reader = threading.Thread(target=read_until_it_is_told)
    reader.start()
    end_s = time.monotonic() + 20.0
    while writer._lines.qsize() and time.monotonic() < end_s:
        time.sleep(0.01)
    writer("after it")
    reader.join(20.0)
    writer.close()
    os.close(into)
    os.close(out)
    taken = sum(line.startswith("x") for line in read)
    told = next(line for line in read if "dropped" in line)
    assert told == f"! {count - taken} lines were dropped: nobody took them"
    assert taken >= MOST


@pytest.mark.skipif(not FULL_DISK.exists(), reason="no /dev/full here")
def test_a_full_disk_costs_lines_and_nothing_else() -> None:
    """Every write fails: the writer lives on, and ends at once."""
    full = os.open(FULL_DISK, os.O_WRONLY)
    writer = LineWriter(full)
    for number in range(100):
        writer(str(number))
    writer.close()
    assert not writer._thread.is_alive()
    assert writer._lost == 100
    os.close(full)


def test_a_line_that_was_torn_is_ended_before_the_next_one() -> None:
    """A disk that took half a line, and has room again later."""
    out, into = os.pipe()
    writer = LineWriter(into)
    writer("whole")
    writer.close()
    writer._descriptor = -1
    with pytest.raises(OSError, match="Bad file descriptor"):
        writer._write("lost")
    writer._lost, writer._torn = 1, True
    writer._descriptor = into
    writer._write("next")
    os.close(into)
    assert read_all(out) == "whole\n\n! 1 lines were dropped: nobody took them\nnext\n"
    os.close(out)


def test_a_pipe_that_does_not_wait_is_waited_for_by_the_thread_alone() -> None:
    """The other side may have made it non-blocking: a full one is no lost line."""
    out, into = os.pipe()
    os.set_blocking(into, False)
    writer = LineWriter(into)
    for _ in range(1000):
        writer(400 * "y")
    text: list[str] = []
    time.sleep(0.1)
    reader = threading.Thread(target=lambda: text.append(read_all(out)))
    reader.start()
    writer.close(20.0)
    os.close(into)
    reader.join()
    os.close(out)
    assert text[0].splitlines() == [400 * "y"] * 1000


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8", "punycode", "no such encoding"])
def test_no_letter_is_too_strange(encoding: str) -> None:
    """What an encoding lacks is an escape; half a pair of surrogates, too."""
    out, into = os.pipe()
    writer = LineWriter(into, encoding=encoding)
    writer("3.3 V\u20133.4 V, 5 \u00b5s, \udcff")
    writer("next")
    writer.close()
    os.close(into)
    data = b""
    while part := os.read(out, 65536):
        data += part
    os.close(out)
    assert data.endswith(b"next\n") or encoding == "punycode"
    assert writer._lost == 0


def test_a_line_has_an_end() -> None:
    """Nobody needs a megabyte of one."""
    out, into = os.pipe()
    writer = LineWriter(into)
    writer("z" * 3 * LONGEST)
    writer.close()
    os.close(into)
    assert len(read_all(out)) == LONGEST + 1
    os.close(out)


def test_the_encoding_is_the_standard_stream_s() -> None:
    """As locale or wish say; UTF-8 where there is none to be asked."""

    class Odd:
        encoding = "no such encoding"

    assert encoding_of(sys.__stdout__)
    assert encoding_of(None) == "utf-8"
    assert encoding_of(Odd()) == "utf-8"


def test_what_libraries_print_does_not_wait_either(capfd: pytest.CaptureFixture[str]) -> None:
    """Standard output and error go the same way while it lasts."""
    with never_waiting():
        print("from a library")
        print("and a complaint", file=sys.stderr)
    assert capfd.readouterr() == ("from a library\n", "and a complaint\n")


def test_closed_standard_files_are_no_trap_for_the_next_file() -> None:
    """A CAN socket never gets the number of standard output, nor what is printed."""
    program = (
        "import os; os.close(0); os.close(1)\n"
        "from bridge.service.lines import fill_standard_files\n"
        "fill_standard_files(); print('nothing')\n"
        "number = os.open('/dev/null', os.O_RDONLY); os.write(2, str(number).encode())"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert int(done.stderr) > 2
    fill_standard_files()  # with all open it does nothing
