"""Fakes for the daemon's seams: a scripted world on a virtual clock, a healthy cabin pack, a log."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import cantools.database
from cantools.database.can import Database

from bridge.errors import BusError
from bridge.frames import EXTENDED, Frame
from bridge.profile.buses import BusConfig
from bridge.service.seam import BusNotice
from bridge.service.world import Batch, Request

ROOT = Path(__file__).parents[2]
CABIN = ROOT / "profiles" / "cabin.toml"
SECOND_US = 1_000_000


@cache
def cabin_pack() -> Database:
    """The cabin's pack messages, by an independent codec."""
    database = cantools.database.load_file(ROOT / "dbc_own" / "cabin_pack.dbc")
    assert isinstance(database, Database)
    return database


@cache
def cabin_inverter() -> Database:
    """The cabin's inverter messages, by an independent codec."""
    database = cantools.database.load_file(ROOT / "dbc_own" / "cabin_inverter.dbc")
    assert isinstance(database, Database)
    return database


def encoded(database: Database, name: str, values: dict[str, float]) -> Frame:
    """A frame of the cabin's bus."""
    message = database.get_message_by_name(name)
    key = message.frame_id | (EXTENDED if message.is_extended_frame else 0)
    return Frame("cabin", key, message.encode(values))


def healthy(beat: int, cell_v: float = 3.32) -> list[Frame]:
    """All frames of a healthy cabin pack and its inverter, once."""
    pack, inverter = cabin_pack(), cabin_inverter()
    cells = {f"cell_{number:02d}": cell_v for number in range(1, 17)}
    frames = [
        encoded(pack, "PackOverview", {"pack_volts": 16 * cell_v, "pack_amps": 10.0, "charge_left": 50}),
        encoded(
            pack,
            "CellExtremes",
            {"highest_cell": cell_v, "lowest_cell": cell_v, "hottest_probe": 21, "coldest_probe": 20},
        ),
        encoded(pack, "PackSwitches", {"may_charge": 1, "may_draw": 1, "bleeding": 0, "count": beat % 16}),
        encoded(
            inverter,
            "InverterReport",
            {"beat": beat % 256, "mode": 1, "terminal_amps": 0, "terminal_volts": 53},
        ),
    ]
    for name in ("CellsA", "CellsB", "CellsC", "CellsD"):
        message = pack.get_message_by_name(name)
        frames.append(encoded(pack, name, {signal.name: cells[signal.name] for signal in message.signals}))
    return frames


@dataclass
class Event:
    """What the scripted world hands over at one instant."""

    t_us: int
    frames: list[Frame] = field(default_factory=list)
    notices: list[BusNotice] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)


class ScriptedWorld:
    """A world on a virtual clock that follows a script, and keeps what was sent.

    Args:
        script: events in order of time; after the last one the daemon is asked to stop.
        refuse: called with each frame before it is sent; may return an error to raise.
    """

    def __init__(
        self, script: Iterable[Event], refuse: Callable[[int, Frame], Exception | None] = lambda _, __: None
    ) -> None:
        self._script = list(script)
        self._refuse = refuse
        self._now_us = 0
        self.sent: list[tuple[int, Frame]] = []
        self.reopened: list[tuple[BusConfig, ...]] = []
        self.late: dict[int, int] = {}
        self.bad_buses = False

    def now_us(self) -> int:
        """The virtual clock."""
        return self._now_us

    def wait(self, until_us: int) -> Batch:
        """Jumps to the next event or `until_us`; an entry of `late` makes one wait overshoot."""
        for at_us, by_us in list(self.late.items()):
            if until_us >= at_us:
                del self.late[at_us]
                until_us += by_us
                self._now_us = until_us
                frames = [f for event in self._due(until_us) for f in event.frames]
                return Batch(until_us, frames, [], [])
        if not self._script:
            return Batch(self._now_us, [], [], [Request.STOP])
        if self._script[0].t_us > until_us:
            self._now_us = max(self._now_us, until_us)
            return Batch(self._now_us, [], [], [])
        event = self._script.pop(0)
        self._now_us = max(self._now_us, event.t_us)
        return Batch(self._now_us, event.frames, event.notices, event.requests)

    def _due(self, until_us: int) -> list[Event]:
        due = [event for event in self._script if event.t_us <= until_us]
        self._script = self._script[len(due) :]
        return due

    def send(self, frame: Frame) -> None:
        """Keeps the frame, or refuses it."""
        if problem := self._refuse(self._now_us, frame):
            raise problem
        self.sent.append((self._now_us, frame))

    def reopen(self, buses: tuple[BusConfig, ...]) -> None:
        """Keeps what was asked."""
        if self.bad_buses:
            raise BusError("bus 'cabin': no such interface")
        self.reopened.append(buses)

    def close(self) -> None:
        """Nothing to let go of."""

    def bounds(self) -> list[tuple[int, dict[str, float]]]:
        """Every limits frame that was sent, decoded independently."""
        message = cabin_inverter().get_message_by_name("PackBounds")
        return [
            (t_us, {key: float(str(value)) for key, value in _decoded(message, frame.data).items()})
            for t_us, frame in self.sent
            if frame.key == message.frame_id
        ]


def _decoded(message: Any, data: bytes) -> dict[str, Any]:
    decoded: dict[str, Any] = message.decode(data)
    return decoded


def healthy_script(seconds: float, cell_v: float = 3.32, *, every_us: int = 500_000) -> list[Event]:
    """A healthy pack that speaks twice a second, just after the tick."""
    count = int(seconds * SECOND_US // every_us)
    return [Event(beat * every_us + 1_000, healthy(beat, cell_v)) for beat in range(count)]


class Lines:
    """A sink for log lines."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def __call__(self, line: str) -> None:
        """Takes a line."""
        self.lines.append(line)

    def having(self, text: str) -> list[str]:
        """The lines that contain `text`."""
        return [line for line in self.lines if text in line]
