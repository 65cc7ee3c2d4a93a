"""`run --demo`: the daemon itself, with a simulated pack and inverter, telling the story of one afternoon.

It starts in the sun with a pack that is nearly full, fills it, takes an evening's load, and pulls the cable
of the cell monitors. Everything but the pack line is told by the daemon.
"""

import os
import re
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final

from bridge.core.plan.plan import SECOND_US
from bridge.errors import EXIT_OK
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.load import LoadedProfile
from bridge.replay.recorder import Recorder
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.simulate.inverter import Wish
from bridge.simulate.site import Site
from bridge.simulate.world import VirtualWorld
from bridge.words import amount

SPEED: Final = 120.0
"""Simulated seconds a second, where nothing happens quickly."""

CLOSE_UP: Final = 12.0
"""So many times slower it goes where something does."""

DAY_US: Final = 86_400 * SECOND_US
START_US: Final = 15 * 3600 * SECOND_US
"""Time of day at the start."""

CLOUDS_S: Final = 2400.0
PULLED_S: Final = 3120.0
PLUGGED_S: Final = 3150.0
END_S: Final = 3900.0
"""The story, in simulated seconds from the start: the sun goes, the cable is pulled, and is back."""

CLOSE_UPS_S: Final = ((0.0, 36.0), (PULLED_S - 4.0, PLUGGED_S + 40.0))

TOLD_S: Final = 2.5
"""The pack line comes this often, and a sentence with other numbers is repeated this often: real seconds."""


class Story:
    """What happens when, and how fast it is told.

    Args:
        loaded: the profile.
        speed: simulated seconds a second.
    """

    def __init__(self, loaded: LoadedProfile, speed: float) -> None:
        limits = loaded.plan.limits
        self.speed = speed
        self.sun_a = 1.1 * limits.charge_a
        self.evening_a = 0.4 * limits.discharge_a
        capacity_ah = sum(bank.capacity_ah for bank in loaded.plan.banks)
        # Full of sun it should be at the knee after a quarter of an hour.
        self.charge = min(max(0.96 - 0.25 * limits.charge_a / capacity_ah, 0.5), 0.95)

    def wish(self, t_s: float) -> Wish:
        """Sun and loads, by seconds since the start."""
        return Wish(self.sun_a, 0.0) if t_s < CLOUDS_S else Wish(0.0, self.evening_a)

    def pace(self, t_s: float) -> float:
        """Simulated seconds a second, by seconds since the start."""
        near = any(first <= t_s < last for first, last in CLOSE_UPS_S)
        return max(self.speed / CLOSE_UP, 1.0) if near else self.speed


class Narrator(Journal):
    """The daemon's journal, which does not repeat a sentence too soon with only other numbers in it."""

    def __init__(self, write: Callable[[str], object], quiet_us: Callable[[int], float]) -> None:
        super().__init__(make_logger("plain", write), time_of_day)
        self._quiet_us = quiet_us
        self._said: dict[str, int] = {}

    def say(self, t_us: int, text: str, level: str = "info", **values: Any) -> None:
        """One line, unless its like was told a moment ago."""
        like = re.sub(r"\d+(\.\d+)?", "#", text)
        if t_us - self._said.get(like, -DAY_US) >= self._quiet_us(t_us):
            self._said[like] = t_us
            values.pop("state", None)
            super().say(t_us, text, level, **values)


class Pacer:
    """Sleeps so that what was asked for in total has passed, whatever the work in between took."""

    def __init__(
        self, sleep: Callable[[float], None] = time.sleep, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._sleep = sleep
        self._clock = clock
        self._due_s = clock()

    def __call__(self, seconds: float) -> None:
        """Lets some more seconds pass; short waits are saved up."""
        self._due_s += seconds
        left_s = self._due_s - self._clock()
        if left_s > 0.01:
            self._sleep(left_s)


class Demo:
    """One run of the demonstration; see `run_demo`."""

    def __init__(
        self,
        loaded: LoadedProfile,
        speed: float,
        write: Callable[[str], object],
        sleep: Callable[[float], None],
    ) -> None:
        self._loaded = loaded
        self._write = write
        self._start_us = time.time_ns() // 1000 // DAY_US * DAY_US + START_US
        self._story = Story(loaded, speed)
        self._site = Site(loaded, self._start_us, charge=self._story.charge, wish=self._story.wish)
        self.world = VirtualWorld(
            self._site,
            self._start_us,
            end_us=self._start_us + round(END_S * SECOND_US),
            pace=lambda t_us: self._story.pace((t_us - self._start_us) / SECOND_US),
            sleep=sleep,
        )
        self.highest_v = 0.0
        self._told_us = self._start_us

    def run(self, record: Path | None = None) -> int:
        """Tells the story; returns the daemon's exit code."""
        plan, write = self._loaded.plan, self._write
        write(f"{plan.name}: everything is simulated, {self._story.speed:g} times as fast as life")
        journal = Narrator(write, lambda t_us: TOLD_S * SECOND_US * self._pace(t_us))
        recorder = Recorder(record) if record is not None else None
        self._daemon = Daemon(self._loaded, self.world, journal, load=lambda: self._loaded, recorder=recorder)
        self._schedule()
        try:
            code = self._daemon.run()
        except KeyboardInterrupt:
            code = EXIT_OK
        self._summary()
        return code

    def _pace(self, t_us: int) -> float:
        return self._story.pace((t_us - self._start_us) / SECOND_US)

    def _schedule(self) -> None:
        story = self._story
        events = (
            (0.0, f"the sun would give {story.sun_a:.0f} A", None),
            (CLOUDS_S, f"evening: the sun is gone, the loads take {story.evening_a:.0f} A", None),
            (PULLED_S, "the cable of the cell monitors is pulled", True),
            (PLUGGED_S, "the cable is plugged in again", False),
        )
        for t_s, text, muted in events:
            self.world.at(self._start_us + round(t_s * SECOND_US), partial(self._event, text, muted))
        self.world.at(self._start_us + SECOND_US, self._watch)

    def _event(self, text: str, muted: bool | None) -> None:
        self._write(f"{time_of_day(self.world.t_us)} ── {text}")
        if muted is not None:
            for talker in self._site.talkers:
                if talker.owner in self._site.views:
                    for speech in talker.speeches:
                        speech.muted = muted

    def _watch(self) -> None:
        cells_v = (cell for view in self._site.views.values() for cell in view.bank.true_cell_voltages_v)
        self.highest_v = max(self.highest_v, *cells_v)
        if self.world.t_us - self._told_us >= TOLD_S * SECOND_US * self._pace(self.world.t_us):
            self._told_us = self.world.t_us
            self._pack_line()
        self.world.at(self.world.t_us + SECOND_US, self._watch)

    def _pack_line(self) -> None:
        t_us, pack = self.world.t_us, self._site.pack
        cells_v = [cell for view in self._site.views.values() for cell in view.cells_v(t_us)]
        latest = self._site.listeners[0].latest
        limits = ", ".join(
            f"{word} {amount(name, latest.get(name))}"
            for word, name in (
                ("up to", "charge_voltage_limit"),
                ("charge", "charge_current_limit"),
                ("draw", "discharge_current_limit"),
            )
        )
        self._write(
            f"{time_of_day(t_us)}    pack {pack.voltage_v:.2f} V {round(pack.current_a, 1) + 0.0:+.1f} A "
            f"{pack.state_of_charge:.0f} %, cells {min(cells_v):.3f} to {max(cells_v):.3f} V │ "
            f"told: {limits} │ {self._daemon.engine.decision.state.name.lower()}"
        )

    def _summary(self) -> None:
        chemistry = CHEMISTRIES[self._loaded.profile.pack.chemistry]
        minutes = (self.world.t_us - self._start_us) / 60 / SECOND_US
        target_v = self._loaded.plan.limits.cell_target_v
        self._write(
            f"{minutes:.0f} simulated minutes, {len(self.world.sent)} frames sent. The highest cell reached "
            f"{self.highest_v:.3f} V (wanted: {target_v:.2f} V, it bears {chemistry.cell_max_v:.2f} V)."
        )


def run_demo(
    loaded: LoadedProfile,
    *,
    speed: float | None = None,
    record: Path | None = None,
    write: Callable[[str], object] | None = None,
    sleep: Callable[[float], None] | None = None,
) -> int:
    """Runs the daemon against a simulated site for some 45 s, ends by itself, and returns the exit code.

    Args:
        loaded: the profile.
        speed: simulated seconds a second; default `SPEED`.
        record: every frame in and out is written to this file.
        write: takes each line; standard output by default.
        sleep: lets real seconds pass; for tests.
    """
    out = write if write is not None else _print
    return Demo(loaded, speed or SPEED, out, sleep if sleep is not None else Pacer()).run(record)


def time_of_day(t_us: int) -> str:
    """Simulated time of day."""
    seconds = t_us % DAY_US // SECOND_US
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _print(line: str) -> None:
    """Raises SystemExit where nobody listens any more: then there is nobody to show it to."""
    try:
        print(line, flush=True)
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        sys.exit(EXIT_OK)
