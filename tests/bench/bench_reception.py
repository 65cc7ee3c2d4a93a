"""What receiving and decoding one frame costs, against python-can's Notifier with cantools.

    python -m tests.bench.bench_reception              CPU time a frame, frames lost, the ratio
    python -m tests.bench.bench_reception --syscalls   system calls a frame (strace; its times mean nothing)

Runs under the userspace kernel, which it boots itself. canplayer sends 4,000 frames a second for 10 s, in
bursts of 8; each receiver is a process of its own, decodes all signals of each frame, and counts gaps in
the frames' sequence number. System calls are slower in that kernel than in a real one.
"""

import asyncio
import os
import random
import select
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from tests.vcan.kernel import INSIDE, run_inside

RATE: Final = 4000
SLOW_RATE: Final = 400  # under strace, which leaves no time for more
SECONDS: Final = 10
BURST: Final = 8
SEED: Final = 2311
TARGET_RATIO: Final = 0.4
CHANNEL: Final = "vcan0"
IDLE_S: Final = 2.0

_DRAW = random.Random(SEED)
IDS: Final = tuple(sorted(_DRAW.sample(range(0x100, 0x700), 4)))

_SIGNAL = ' SG_ {name} : {start}|{length}@1{sign} ({factor},{offset}) [0|0] "{unit}" Vector__XXX\n'


def dbc_text() -> str:
    """Four messages as of a cell monitor: cells, a bank's values, flags; each with a sequence number."""

    def signals(*parts: tuple[str, int, str, str, str, str]) -> str:
        text, start = (
            _SIGNAL.format(name="sequence", start=0, length=16, sign="+", factor=1, offset=0, unit=""),
            16,
        )
        for name, length, sign, factor, offset, unit in parts:
            text += _SIGNAL.format(
                name=name, start=start, length=length, sign=sign, factor=factor, offset=offset, unit=unit
            )
            start += length
        return text

    cells = [(f"cell_{number}", 16, "+", "0.001", "0", "V") for number in range(6)]
    bank = [
        ("bank_voltage", 16, "+", "0.01", "0", "V"),
        ("bank_current", 16, "-", "0.1", "0", "A"),
        ("charge_left", 8, "+", "0.5", "0", "%"),
        ("coldest", 8, "+", "1", "-40", "C"),
    ]
    flags = [(f"flag_{number}", 1, "+", "1", "0", "") for number in range(8)]
    bodies = (signals(*cells[:3]), signals(*cells[3:]), signals(*bank), signals(*flags))
    return 'VERSION ""\n\nBU_: monitor\n\n' + "\n".join(
        f"BO_ {frame_id} message_{frame_id}: 8 monitor\n{body}"
        for frame_id, body in zip(IDS, bodies, strict=True)
    )


def log_text(rate: int) -> str:
    """The frames as a log for canplayer, in bursts; each of the four messages with its own count."""
    lines = []
    for number in range(rate * SECONDS):
        stamp = 1000 + number // BURST * BURST / rate
        sequence = (number // len(IDS) & 0xFFFF).to_bytes(2, "little")
        data = sequence + _DRAW.randbytes(6)
        lines.append(f"({stamp:.6f}) {CHANNEL} {IDS[number % len(IDS)]:03X}#{data.hex().upper()}\n")
    return "".join(lines)


class Count:
    """Counts frames and gaps in their sequence, and times the process from the first frame to the last."""

    def __init__(self) -> None:
        self.frames = self.gaps = 0
        self.started = self.ended = 0.0
        self.first_s = self.last_s = 0.0
        self._next = dict.fromkeys(IDS, 0)

    def add(self, frame_id: int, sequence: int) -> None:
        """One frame was received and decoded."""
        if not self.frames:
            self.started, self.first_s = time.process_time(), time.monotonic()
        self.frames += 1
        self.gaps += sequence - self._next[frame_id] & 0xFFFF
        self._next[frame_id] = sequence + 1 & 0xFFFF
        if self.frames % 100 == 0:
            self.ended, self.last_s = time.process_time(), time.monotonic()

    def report(self) -> str:
        """Frames, gaps, microseconds of CPU a frame, frames a second."""
        timed = self.frames - self.frames % 100
        cpu_us = (self.ended - self.started) / max(timed, 1) * 1e6
        return f"{self.frames} {self.gaps} {cpu_us:.2f} {timed / max(self.last_s - self.first_s, 1e-9):.0f}"


def receive_theirs(dbc: Path) -> Count:
    """python-can's Notifier on the asyncio loop, each frame decoded by cantools."""
    import can
    from cantools.database.can import Database

    database = Database()
    database.add_dbc_file(str(dbc))
    count = Count()

    def listener(message: can.Message) -> None:
        values = database.decode_message(message.arbitration_id, bytes(message.data), decode_choices=False)
        assert isinstance(values, dict)
        sequence = values["sequence"]
        assert isinstance(sequence, int)
        count.add(message.arbitration_id, sequence)

    async def run() -> None:
        with can.Bus(channel=CHANNEL, interface="socketcan") as bus:
            notifier = can.Notifier(bus, [listener], loop=asyncio.get_running_loop())
            print("ready", flush=True)
            seen = -1
            while seen != count.frames or not seen:
                seen = count.frames
                await asyncio.sleep(IDLE_S)
            notifier.stop()

    asyncio.run(run())
    return count


def receive_ours(dbc: Path) -> Count:
    """The program's own bus and decoders."""
    from bridge.core.wire.codec import Decoder
    from bridge.profile.buses import BusConfig
    from bridge.profile.dbc import load_dbc
    from bridge.service.bus import open_bus

    decoders = {}
    for layout in load_dbc(dbc).values():
        names = [field.name for field in layout.fields]
        decoders[layout.key] = (Decoder(layout, names).decode, names.index("sequence"))
    bus = open_bus(BusConfig("pack", "socketcan", CHANNEL, keys=frozenset(IDS)))
    count = Count()
    wakes = 0
    descriptor = bus.fileno()
    assert descriptor is not None
    print("ready", flush=True)
    while select.select([descriptor], [], [], IDLE_S if count.frames else 4 * IDLE_S)[0]:
        wakes += 1
        for frame in bus.read()[0]:
            decode, at = decoders[frame.key]
            count.add(frame.key, int(decode(frame.data)[at] or 0))
    print(f"wakes {wakes}", bus.tend(0), file=sys.stderr)
    bus.close()
    return count


RECEIVERS: Final[dict[str, Callable[[Path], Count]]] = {"theirs": receive_theirs, "ours": receive_ours}


def measure(who: str, folder: Path, syscalls: bool) -> float:
    """Run one receiver against the sender, print what it found, and give its CPU time a frame in us."""
    command = [sys.executable, "-m", "tests.bench.bench_reception", who, str(folder / "bench.dbc")]
    counts = folder / f"{who}.strace"
    if syscalls:
        command = ["strace", "-c", "-S", "calls", "-f", "-o", str(counts), *command]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as receiver:
        assert receiver.stdout is not None
        assert receiver.stdout.readline() == "ready\n"
        subprocess.run(["canplayer", "-I", str(folder / "frames.log")], check=True)
        frames, gaps, cpu_us, rate = receiver.stdout.readline().split()
    lost = (SLOW_RATE if syscalls else RATE) * SECONDS - int(frames)
    print(
        f"{who:7s}{cpu_us:>8s} us/frame, {rate} frames/s, {lost} lost, {gaps} missing in sequence", flush=True
    )
    if syscalls:
        for line in counts.read_text().splitlines()[2:10]:
            words = line.split()
            print(f"       {int(words[3]) / int(frames):6.2f} {words[-1]} a frame")
    return float(cpu_us)


def main(words: list[str]) -> int:
    """Boot the kernel and measure; inside it, be one of the processes."""
    if words and words[0] in RECEIVERS:
        print(RECEIVERS[words[0]](Path(words[1])).report())
        return 0
    syscalls = "--syscalls" in words
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        folder = Path(name)
        if INSIDE not in os.environ:
            run = run_inside([sys.executable, "-m", "tests.bench.bench_reception", *words], folder, 300)
            print(run.log, end="")
            return run.status
        (folder / "bench.dbc").write_text(dbc_text())
        (folder / "frames.log").write_text(log_text(SLOW_RATE if syscalls else RATE))
        cost = {who: measure(who, folder, syscalls) for who in ("theirs", "ours")}
    ratio = cost["ours"] / cost["theirs"]
    print(f"ratio  {ratio:8.3f} (target {TARGET_RATIO} at most)")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
