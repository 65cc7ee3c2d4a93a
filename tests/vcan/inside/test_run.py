"""The daemon itself on a real SocketCAN interface, with can-utils as the outside peers."""

import itertools
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bridge.profile.buses import BusConfig
from bridge.replay.candump import CaptureReader, LogLine, write_line
from bridge.service.bus import open_bus
from tests.service.fakes import CABIN, ROOT, cabin_inverter, healthy

BOUNDS = cabin_inverter().get_message_by_name("PackBounds")


@contextmanager
def daemon(*options: str, profile: Path = CABIN) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """The daemon as a user starts it, and the lines it prints; it has said that it runs."""
    command = [sys.executable, "-m", "bridge", "run", str(profile), *options]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    lines: list[str] = []
    assert process.stdout is not None
    stdout = process.stdout
    reader = threading.Thread(target=lambda: lines.extend(iter(stdout.readline, "")))
    reader.start()
    try:
        wait_for(lambda: any("running" in line or "dry run" in line for line in lines))
        yield process, lines
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        reader.join()
        stdout.close()


def wait_for(condition: Callable[[], bool], seconds: float = 30.0) -> None:
    """Waits until something is so."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            pytest.fail(f"not so within {seconds} s")
        time.sleep(0.05)


@contextmanager
def candump(log: Path, interface: str = "vcan0") -> Iterator[None]:
    """What an outside listener sees on the bus."""
    with log.open("wb") as out, subprocess.Popen(["candump", "-L", interface], stdout=out) as process:
        time.sleep(0.3)
        try:
            yield
        finally:
            time.sleep(0.3)
            process.terminate()


class Feeder(threading.Thread):
    """A healthy pack and inverter that speak twice a second."""

    def __init__(self) -> None:
        super().__init__()
        self.stop = threading.Event()

    def run(self) -> None:
        """Sends until stopped; a bus that is down loses the frames."""
        bus = open_bus(BusConfig("cabin", "socketcan", "vcan0", keys=frozenset()))
        beat = 0
        while not self.stop.wait(0.5):
            beat += 1
            for frame in healthy(beat):
                try:
                    bus.send(frame)
                except OSError:
                    continue
                except Exception:
                    bus.tend(time.monotonic_ns() // 1000)
        bus.close()


@contextmanager
def feeding() -> Iterator[None]:
    """A healthy pack on vcan0 while it lasts."""
    feeder = Feeder()
    feeder.start()
    try:
        yield
    finally:
        feeder.stop.set()
        feeder.join()


def bounds_in(lines: list[LogLine]) -> list[tuple[float, dict[str, float]]]:
    """The limits frames an outside decoder reads in a candump log, with their times."""
    found = []
    for line in lines:
        if line.key == BOUNDS.frame_id:
            decoded = BOUNDS.decode(line.data)
            assert isinstance(decoded, dict)
            found.append((line.t_us / 1e6, {key: float(str(value)) for key, value in decoded.items()}))
    return found


def test_candump_sees_our_frames_and_canplayer_feeds_the_pack(tmp_path: Path) -> None:
    """Ids, bytes and periods as the profile says; zero, then a ramp, then zero again at the end."""
    played = tmp_path / "pack.log"
    rows = [
        write_line(beat * 500_000, "vcan0", frame.key, frame.data, sent=False)
        for beat in range(30)
        for frame in healthy(beat)
    ]
    played.write_text("".join(f"{row}\n" for row in rows))
    log = tmp_path / "seen.log"

    with candump(log), daemon() as (process, lines):
        subprocess.run(["canplayer", "-I", str(played)], check=True, timeout=60)
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0

    seen = list(CaptureReader(log))
    assert {line.key for line in seen} >= {0xA6, 0x1BC, 0x531, 0x4EC}
    plate = next(line for line in seen if line.key == 0x4EC)
    assert plate.data == b"CABIN 16"
    bounds = bounds_in(seen)
    gaps = [b - a for (a, _), (b, _) in itertools.pairwise(bounds[:-1])]
    assert all(0.2 < gap < 0.8 for gap in gaps), gaps
    elapsed = bounds[-2][0] - bounds[0][0]
    assert abs(elapsed / (len(bounds) - 2) - 0.5) < 0.02
    began = bounds[0][0]
    assert all(values["charge_amps_most"] == 0 for t, values in bounds if t < began + 4.5)
    rising = [(t, values["charge_amps_most"]) for t, values in bounds[:-1] if t > began + 6]
    assert rising[-1][1] > 5
    # A twentieth of 140 A a second; what is stamped late on a busy board may be one period of ours.
    assert all(b - a <= 7.0 * (u - t + 0.5) for (t, a), (u, b) in itertools.combinations(rising, 2))
    assert bounds[-1][1]["charge_amps_most"] == 0
    assert bounds[-1][1]["draw_amps_most"] == 0
    assert any("stopping: currents to zero" in line for line in lines)


def test_a_pulled_cable_and_a_flood_do_not_end_the_daemon(tmp_path: Path) -> None:
    """Interface down and up: said, survived, zero currents first; a flood of other frames delays nothing."""
    log = tmp_path / "seen.log"
    with feeding(), daemon() as (process, lines):
        wait_for(lambda: any("following: limits follow" in line for line in lines))
        subprocess.run(["ip", "link", "set", "vcan0", "down"], check=True)
        try:
            wait_for(lambda: any("bus cabin" in line and "down" in line.lower() for line in lines))
            wait_for(lambda: any("safe: data is lost" in line for line in lines))
        finally:
            subprocess.run(["ip", "link", "set", "vcan0", "up"], check=True)
        began = len(lines)
        wait_for(lambda: any("following: limits follow" in line for line in lines[began:]))
        with candump(log):
            flood = subprocess.Popen(["cangen", "vcan0", "-g", "0.2", "-I", "7E1", "-L", "8", "-i"])
            time.sleep(4)
            flood.terminate()
            flood.wait()
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    bounds = bounds_in(list(CaptureReader(log)))
    gaps = [b - a for (a, _), (b, _) in itertools.pairwise(bounds)]
    assert len(bounds) >= 7
    assert max(gaps) < 1.0, gaps
    assert not any("stalled" in line for line in lines)


def test_a_dry_run_sends_nothing_and_a_bad_profile_at_reload_changes_nothing(tmp_path: Path) -> None:
    """Nothing leaves in a dry run; SIGHUP with a broken profile is told, and the daemon goes on."""
    profile = tmp_path / "mine.toml"
    text = CABIN.read_text().replace('"../dbc_own/', f'"{ROOT}/dbc_own/')
    profile.write_text(text)
    log = tmp_path / "seen.log"
    with candump(log), daemon("--dry", profile=profile) as (process, lines):
        profile.write_text(text.replace("cell_target_v = 3.50", "cell_target_v = 4.20"))
        process.send_signal(signal.SIGHUP)
        wait_for(lambda: any("profile not taken, nothing changed" in line for line in lines))
        assert process.poll() is None
        assert any("cell_target_v" in line and "3.65" in line for line in lines)
        profile.write_text(text)
        process.send_signal(signal.SIGHUP)
        wait_for(lambda: any("profile taken: lakeside cabin" in line for line in lines))
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    assert list(CaptureReader(log)) == [] if log.stat().st_size else True


def test_an_interface_that_does_not_exist_is_one_clear_error(tmp_path: Path) -> None:
    """Exit code 5, one line, no traceback."""
    profile = tmp_path / "mine.toml"
    text = CABIN.read_text().replace('"../dbc_own/', f'"{ROOT}/dbc_own/').replace('"vcan0"', '"can7"')
    profile.write_text(text)
    command = [sys.executable, "-m", "bridge", "run", str(profile)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 5
    assert "can7" in done.stderr
    assert "Traceback" not in done.stderr + done.stdout
