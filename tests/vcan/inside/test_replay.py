"""A live run on real SocketCAN, recorded by the daemon, replays bit for bit; candump is the witness."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from bridge.profile.load import LoadedProfile
from bridge.replay.candump import CaptureReader, LogWriter
from bridge.replay.compare import compare_capture
from bridge.replay.recorder import events_path
from bridge.replay.replay import Run, replay
from tests.replay.live import START_US, channels, profile, session, world

ROOT = Path(__file__).parents[3]
PLAYED_S = 12
LONG_S = 60.0


def pack_log(loaded: LoadedProfile, path: Path) -> None:
    """A capture of what a sound pack and inverter say."""
    named = channels(loaded)
    outside = world(loaded, PLAYED_S)
    with LogWriter(path) as log:
        for i in range(1, PLAYED_S * 1000):
            t_us = START_US + i * 1000
            for frame in outside.site.advance(t_us):
                log.write(t_us, named[frame.bus], frame.key, frame.data, sent=False)


@contextmanager
def daemon(loaded: LoadedProfile, capture: Path, said: Path) -> Iterator["subprocess.Popen[bytes]"]:
    """The daemon as a user starts it, from the moment on at which it sends."""
    command = [sys.executable, "-m", "bridge", "run", str(loaded.path), "--record", str(capture)]
    with said.open("wb") as out:
        process = subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=subprocess.STDOUT)
    try:
        wait_for(lambda: capture.exists() and b"running" in said.read_bytes(), said)
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def wait_for(condition: Callable[[], bool], said: Path) -> None:
    """Waits until something is so, or fails with what the daemon said."""
    end = time.monotonic() + LONG_S
    while not condition():
        if time.monotonic() > end:
            pytest.fail(f"not so within {LONG_S} s; the daemon said:\n{said.read_text()}")
        time.sleep(0.05)


@contextmanager
def candump(path: Path, channel: str) -> Iterator[None]:
    """What an outside listener sees."""
    with path.open("wb") as out, subprocess.Popen(["candump", "-L", channel], stdout=out) as process:
        time.sleep(0.3)
        try:
            yield
        finally:
            time.sleep(0.3)
            process.terminate()


def replayed(capture: Path, loaded: LoadedProfile) -> Run:
    """The replay of a recording."""
    return replay(loaded.plan, session(capture, loaded).steps())


@pytest.mark.slow
@pytest.mark.parametrize("name", ["cabin", "boathouse"])
def test_a_recorded_live_run_replays_bit_for_bit(tmp_path: Path, name: str) -> None:
    """Fed by canplayer, stopped for a while by a signal, garbage in between: the very frames come back."""
    loaded, capture, said = profile(name), tmp_path / "run.log", tmp_path / "said"
    pack_log(loaded, tmp_path / "pack.log")
    buses = sorted(set(channels(loaded).values()))
    ours = {(sent.bus, sent.layout.key) for sent in loaded.plan.transmissions}

    with ExitStack() as stack:
        for channel in buses:
            stack.enter_context(candump(tmp_path / f"{channel}.dump", channel))
        process = stack.enter_context(daemon(loaded, capture, said))
        player = subprocess.Popen(["canplayer", "-I", tmp_path / "pack.log"])
        time.sleep(PLAYED_S / 2)
        process.send_signal(signal.SIGSTOP)
        time.sleep(0.7)
        process.send_signal(signal.SIGCONT)
        source = loaded.plan.sources[0]
        garbage = f"{source.key & 0x1FFF_FFFF:0{8 if source.key >> 31 else 3}X}#00"
        subprocess.run(["cansend", channels(loaded)[source.bus], garbage], check=True, timeout=LONG_S)
        player.wait(timeout=LONG_S)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=LONG_S) == os.EX_OK, said.read_text()

    result = compare_capture(capture, loaded)
    assert result.verdict is not None
    assert result.verdict.mismatches == ()
    assert result.identical
    assert result.verdict.checked > 20
    assert '"resume"' in events_path(capture).read_text()
    run = replayed(capture, loaded)
    assert run.segments[0].closed
    assert run.segments[0].taken > 50
    assert "refused" in {note.kind for note in run.notes}
    # What candump saw of us is what the replay makes, in this order.
    for bus, channel in channels(loaded).items():
        seen = [(line.key, line.data) for line in CaptureReader(tmp_path / f"{channel}.dump")]
        made = [(due.frame.key, due.frame.data) for due in run.frames if due.frame.bus == bus]
        assert [pair for pair in seen if (bus, pair[0]) in ours] == made


@pytest.mark.slow
def test_what_a_killed_daemon_recorded_replays_bit_for_bit(tmp_path: Path) -> None:
    """Killed outright, the recording ends somewhere; up to there everything comes back."""
    loaded, capture, said = profile("cabin"), tmp_path / "run.log", tmp_path / "said"
    pack_log(loaded, tmp_path / "pack.log")
    with daemon(loaded, capture, said) as process:
        player = subprocess.Popen(["canplayer", "-I", tmp_path / "pack.log"])
        time.sleep(PLAYED_S / 2)
        process.kill()
        process.wait()
        player.kill()
        player.wait()
    result = compare_capture(capture, loaded)
    assert result.verdict is not None
    assert result.verdict.mismatches == ()
    assert result.verdict.checked > 5
