"""Daemons that are hurt, each on an interface of its own, all at once; what `candump` saw of them.

One process has everything imported and forks each daemon, because starting an interpreter is slow in the
userspace kernel. A daemon is the command line itself, with output and environment as a case wants it.
"""

import contextlib
import fcntl
import multiprocessing
import os
import pty
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

from bridge.core.engine import Engine
from bridge.profile.buses import BusConfig
from bridge.service.bus import Bus, open_bus
from tests.service.fakes import CABIN, ROOT, cabin_inverter, healthy

BOUNDS: Final = cabin_inverter().get_message_by_name("PackBounds")
CURRENTS: Final = ("charge_amps_most", "draw_amps_most")
_SIOCSIFFLAGS: Final = 0x8914
PRELOADED: Final = ["bridge.cli", "bridge.service.start", "bridge.service.socketcan", "tests.vcan.hurting"]


class Told(NamedTuple):
    """One frame of limits on the bus: when, and whether it allows any current."""

    t_s: float
    permissive: bool


@dataclass
class Case:
    """One daemon.

    Attributes:
        name: what happens to it.
        channel: its interface.
        folder: its files.
        output: path its standard output is opened at.
        environment: what is set for it.
        setup: runs in it before it starts.
        act: hurts it, given its process id; the time just before is `acted_s`.
        ends: it ends by this; otherwise it is asked to by SIGTERM in the end.
        told: what candump saw.
    """

    name: str
    act: Callable[["Case"], None]
    setup: str = ""
    ends: bool = False
    output: str = "/dev/null"
    environment: dict[str, str] = field(default_factory=dict)
    channel: str = ""
    folder: Path = Path()
    process: multiprocessing.process.BaseProcess | None = None
    acted_s: float = 0.0
    asked_s: float = 0.0
    ended_s: float = 0.0
    code: int | None = None
    told: list[Told] = field(default_factory=list)

    @property
    def pid(self) -> int:
        """Of the daemon."""
        assert self.process is not None
        assert self.process.pid is not None
        return self.process.pid

    def kill(self, number: int) -> None:
        """Sends it a signal."""
        os.kill(self.pid, number)


def child(profile: str, output: str, environment: dict[str, str], setup: str, mark: str) -> None:
    """A daemon's life, in a process of its own."""
    os.environ.update(environment)
    os.chdir(ROOT)
    descriptor = os.open(output, os.O_WRONLY | os.O_CREAT | os.O_NOCTTY)
    os.dup2(descriptor, 1)
    os.dup2(descriptor, 2)
    os.close(descriptor)
    if setup:
        SETUPS[setup](Path(mark))
    sys.argv = ["ampweir", "run", profile]
    from bridge.cli import main

    main()


def _ascii(_: Path) -> None:
    """As with LC_ALL=C and PYTHONIOENCODING=ascii."""
    for stream in (sys.__stdout__, sys.__stderr__):
        stream.reconfigure(encoding="ascii", errors="strict")  # type: ignore[union-attr]


def _fill(_: Path) -> None:
    """Fills the pipe, so that the first line already finds no room."""
    os.set_blocking(1, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(1, b"\n" * 4096)
    os.set_blocking(1, True)


def _fault(mark: Path) -> None:
    """Once the file is there, the core fails, and notes when."""
    poll = Engine.poll

    def failing(self: Engine, t_us: int) -> object:
        if mark.exists():
            if not mark.stat().st_size:
                mark.write_text(str(time.time()))
            raise ZeroDivisionError("planted")
        return poll(self, t_us)

    Engine.poll = failing  # type: ignore[assignment,method-assign]


SETUPS: Final[dict[str, Callable[[Path], None]]] = {"ascii": _ascii, "fill": _fill, "fault": _fault}


class Scene:
    """All of them."""

    def __init__(self, cases: list[Case], folder: Path) -> None:
        self._cases = cases
        self._folder = folder
        self._log = folder / "seen.log"
        self._read = 0
        self._by_channel = {}
        for number, case in enumerate(cases):
            case.channel = f"vcan{10 + number}"
            case.folder = folder / case.channel
            case.folder.mkdir()
            self._by_channel[case.channel] = case
            ip("add", case.channel, "type", "vcan")
            ip("set", case.channel, "up")

    def play(self, seconds: float) -> None:
        """Starts them, waits until each allows a current, hurts each, and watches them to their end.

        Args:
            seconds: how long those that go on are watched before they are asked to stop.
        """
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(PRELOADED)
        with _candump(self._log), _feeding([case.channel for case in self._cases]):
            for case in self._cases:
                self._start(case, context)
            self._wait("each allows a current", lambda case: any(one.permissive for one in case.told))
            for case in self._cases:
                case.acted_s = time.time()
                case.act(case)
            self._wait("the hurt ones have ended", lambda case: not case.ends or case.code is not None)
            time.sleep(max(0.0, seconds - (time.time() - self._cases[-1].acted_s)))
            for case in self._cases:
                if case.code is None and not case.ends:
                    case.asked_s = time.time()
                    case.kill(signal.SIGTERM)
            self._wait("all have ended", lambda case: case.code is not None)
            time.sleep(1.0)
            self._look()

    def _start(self, case: Case, context: multiprocessing.context.ForkServerContext) -> None:
        profile = case.folder / "mine.toml"
        text = CABIN.read_text().replace('"../dbc_own/', f'"{ROOT}/dbc_own/')
        profile.write_text(text.replace('"vcan0"', f'"{case.channel}"'))
        mark = case.folder / "mark"
        args = (str(profile), case.output, case.environment, case.setup, str(mark))
        case.process = context.Process(target=child, args=args)
        case.process.start()

    def _wait(self, what: str, so: Callable[[Case], bool], seconds: float = 120.0) -> None:
        end_s = time.monotonic() + seconds
        while True:
            self._look()
            late = [case.name for case in self._cases if not so(case)]
            if not late:
                return
            if time.monotonic() > end_s:
                raise AssertionError(f"not so within {seconds:g} s: {what}: {late}")
            time.sleep(0.02)

    def _look(self) -> None:
        """Reads what candump has written, and who has ended."""
        for case in self._cases:
            if case.code is None and case.process is not None and not case.process.is_alive():
                case.ended_s, case.code = time.time(), case.process.exitcode
        with self._log.open("rb") as file:
            file.seek(self._read)
            data = file.read()
        data = data[: data.rfind(b"\n") + 1]
        self._read += len(data)
        for row in data.decode().splitlines():
            stamp, channel, frame = row.split()[:3]
            key, _, text = frame.partition("#")
            case_ = self._by_channel.get(channel)
            if case_ is not None and int(key, 16) == BOUNDS.frame_id:
                values = BOUNDS.decode(bytes.fromhex(text))
                assert isinstance(values, dict)
                permissive = any(float(str(values[one])) for one in CURRENTS)
                case_.told.append(Told(float(stamp.strip("()")), permissive))


def ip(*words: str) -> None:
    """Changes an interface."""
    subprocess.run(["ip", "link", *words], check=True, timeout=30)


def switch(channel: str, *, up: bool) -> None:
    """Sets an interface up or down, at once: netdevice(7)."""
    with socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW) as any_socket:
        fcntl.ioctl(any_socket, _SIOCSIFFLAGS, struct.pack("16sh14x", channel.encode(), int(up)))


@contextlib.contextmanager
def _candump(log: Path) -> Iterator[None]:
    command = ["stdbuf", "-oL", "candump", "-L", "any"]
    with log.open("wb") as out, subprocess.Popen(command, stdout=out) as process:
        time.sleep(0.5)
        try:
            yield
        finally:
            process.terminate()


@contextlib.contextmanager
def _feeding(channels: list[str]) -> Iterator[None]:
    """A healthy pack on each interface, twice a second."""
    stop = threading.Event()

    def feed() -> None:
        buses: list[Bus] = [open_bus(BusConfig("x", "socketcan", one, keys=frozenset())) for one in channels]
        beat = 0
        while not stop.wait(0.5):
            beat += 1
            frames = healthy(beat)
            for bus in buses:
                for frame in frames:
                    try:
                        bus.send(frame)
                    except Exception:
                        bus.tend(time.monotonic_ns() // 1000)
        for bus in buses:
            bus.close()

    thread = threading.Thread(target=feed)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def unread_socket(path: Path) -> socket.socket:
    """A service manager that hears nothing."""
    server = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    server.bind(str(path))
    return server


def terminal() -> tuple[int, str]:
    """The side of the person who looks, and the path of the other one."""
    person, program = pty.openpty()
    return person, os.ttyname(program)
