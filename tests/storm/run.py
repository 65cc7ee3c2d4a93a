"""Runs a storm: the real daemon, engine, journal, store, notifier and recorder, in a world of faults."""

import hashlib
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Final

from bridge.errors import EXIT_OK, AmpweirError
from bridge.profile.load import LoadedProfile
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.notify import Notifier
from bridge.service.store import Store
from bridge.service.world import Aborted, Request
from bridge.simulate.coder import Library
from bridge.simulate.inverter import Wish
from bridge.simulate.site import Site
from tests.storm.book import Book
from tests.storm.calm import Odd
from tests.storm.faults import FATAL, Rig, apply
from tests.storm.observer import Broken, Observer
from tests.storm.scenario import Scenario, Sites, drawn
from tests.storm.seams import FakeSocket, Lines, disk_of
from tests.storm.site import START_S, text_of, variant
from tests.storm.world import Hung, Killed, StormWorld

START_US: Final = START_S * 1_000_000
WATCHDOG_US: Final = 10_000_000
RESTART_S: Final = 2.0
"""The service manager starts the program again after so long."""

HELD_AGAINST_S: Final = 90.0
"""A current that no limit allowed is held against its direction for no longer than this."""

REBUILT_US: Final = 1_000_000
"""A bus that is up again is in use again so soon."""

LINES: Final = 400

WITHHELD: Final = 40
"""So many lines back a frame may have been withheld."""


@dataclass
class Outcome:
    """What came of a storm.

    Attributes:
        broken: the invariants that did not hold.
        digest: of every frame the inverters saw, and when.
        seconds: simulated.
        cpu_s: processor time it took.
        lives: how often the program started.
        frames: how many frames of it were seen.
        lines: the last of the journal.
        told: what each inverter was told last.
    """

    scenario: Scenario
    broken: list[Broken]
    digest: str
    seconds: float
    cpu_s: float
    lives: int
    frames: int
    lines: list[str]
    told: dict[tuple[str, str], float]


class _End(BaseException):
    """The storm is over, whatever the program is doing."""


class Storm:
    """One storm, from its scenario to its outcome."""

    def __init__(self, scenario: Scenario, sites: Sites, folder: Path, *, hasty: bool = False) -> None:
        self.scenario = scenario
        self._hasty = hasty
        self._sites = sites
        self._folder = folder
        tables = scenario.tables
        self._home = text_of(tables)
        self._on_disk = self._home
        self._home_loaded = sites.load(self._home)
        self._channels = {one["channel"]: one["name"] for one in tables["bus"]} | {"spare0": "spare0"}
        self._books: dict[str, Book] = {}
        self._plans: dict[int, str] = {}
        self.observer = Observer(self._book(self._home), START_US)
        self.site = self._site()
        self._digest = hashlib.sha256()
        self.frames = 0
        self.lines: list[str] = []
        self.world = StormWorld(self.site, START_US, self._channels, self)
        self.world.watchdog_us = WATCHDOG_US
        self.rig = Rig(
            self.world,
            self.site,
            tables,
            Random(f"faults/{scenario.seed}"),
            self._put_on_disk,
            self._ask_stop,
        )
        self.world.transform = self.rig.transform
        self._daemon: Daemon | None = None
        self._asked_stop: float | None = None
        self._over_us = START_US + round(scenario.total_s * 1e6)

    def _book(self, text: str) -> Book:
        if text not in self._books:
            self._books[text] = Book(text, self._channels)
        return self._books[text]

    def _site(self) -> Site:
        day, limits = self.scenario.day, self.scenario.tables["limits"]
        wishes = day.wishes

        def wish(t_s: float) -> Wish:
            _, sun, load = max(one for one in wishes if one[0] <= t_s)
            return Wish(sun * limits["charge_current_a"], load * limits["discharge_current_a"])

        return Site(
            self._home_loaded,
            START_US,
            charge=day.charge,
            wish=wish,
            temperature_c=day.warmth_c,
            seed=day.pack_seed,
            step_us=1_000_000,
            library=_LIBRARY,
        )

    # ── the watcher: what happens, to the observer and to the digest ────────────────────────────────

    def delivered(self, t_us: int, wire: str, key: int, data: bytes, *, genuine: bool) -> None:
        """See `Watcher.delivered`."""
        self.observer.delivered(t_us, wire, key, data, genuine=genuine)

    def left(self, t_us: int, wire: str, key: int, data: bytes) -> None:
        """See `Watcher.left`."""
        self._digest.update(f"{t_us} {wire} {key:X} {data.hex()}\n".encode())
        self.frames += 1
        self.observer.left(t_us, wire, key, data)

    def unsent(self, wire: str, key: int | None) -> None:
        """See `Watcher.unsent`."""
        self.observer.unsent(wire, key)

    def stood_still(self, t_us: int, seconds: float) -> None:
        """See `Watcher.stood_still`."""
        self.observer.stood_still(t_us, seconds)
        if self._hasty and self.observer.broken:
            self.world.over = True
            raise _End
        if self._daemon is not None:
            accepted = self._plans.get(id(self._daemon._loaded.plan), self._home)
            working = self._plans.get(id(self._daemon.engine.plan), accepted)
            self.observer.profiles(t_us, self._book(working), self._book(accepted))

    def let_go(self, t_us: int, wire: str) -> None:
        """See `Watcher.let_go`."""
        if wire not in self.world.down and wire not in self.world.full:
            self.observer.let_go(t_us, wire)

    def held_up(self, t_us: int, seam: str) -> None:
        """See `Watcher.held_up`."""
        self.observer.say(t_us, "never waits", f"the program waits for the {seam}")

    def second_sender(self, t_us: int, wire: str, key: int, *, there: bool) -> None:
        """See `Watcher.second_sender`."""
        self.observer.second_sender(t_us, wire, key, there=there)

    def rival(self, t_us: int) -> None:
        """See `Watcher.rival`."""
        self.observer.rival(t_us)

    # ── a storm ─────────────────────────────────────────────────────────────────────────────────────

    def run(self) -> Outcome:
        """Runs it to its end."""
        began_s = time.process_time()
        world = self.world
        for fault in self.scenario.faults:
            world.at(START_US + round(fault.at_s * 1e6), lambda fault=fault: apply(self.rig, fault))  # type: ignore[misc]
        storm_end_us = START_US + round(self.scenario.storm_s * 1e6)
        world.at(storm_end_us, self._calm)
        world.at(self._over_us, self._stop_all)
        with disk_of(world, self.observer), suppress(_End):
            self._lives()
        return Outcome(
            self.scenario,
            self.observer.broken,
            self._digest.hexdigest()[:16],
            (world.t_us - START_US) / 1e6,
            time.process_time() - began_s,
            world.lives,
            self.frames,
            self.lines[-LINES:],
            {which: told.value for which, told in self.observer.known.told.items()},
        )

    def _calm(self) -> None:
        """All faults are over: whatever was still to spring is taken away, and the home profile is back."""
        self.world.traps.clear()
        self.world.steady.clear()
        if self._on_disk != self._home and not self._harmless(self._on_disk):
            self._on_disk = self._home
            self.world.request(Request.RELOAD)

    def _harmless(self, text: str) -> bool:
        """Whether what is on the disk can be run, on the wires where everyone is."""
        try:
            self._sites.load(text)
        except Exception:
            return False
        book = self._book(text)
        wires = [*(one.wire for one in book.said), *(one.wire for one in book.heard)]
        return all(wire in self.world.site_wires for wire in wires)

    def _stop_all(self) -> None:
        faults = self.scenario.faults
        cells = any(fault.kind == "cell" for fault in faults)
        order = any(fault.kind == "link" and fault.how in ("reorder", "late") for fault in faults)
        kinds = ("forge", "twin", "beyond", "cold", "cold back")
        words = any(fault.kind in kinds or fault.how == "stuck" for fault in faults)
        late_s = self.scenario.total_s - HELD_AGAINST_S
        current = any(
            (fault.kind == "beyond" or fault.how in ("stuck", "freeze"))
            and fault.at_s + fault.lasts_s > late_s
            for fault in faults
        )
        if self.scenario.total_s > self.scenario.storm_s:
            self.observer.finish(self.world.t_us, Odd(cells, words, current, order))
        self.world.over = True
        if self._daemon is not None:
            limits = self._daemon.engine.decision.limits.values()
            self.lines.append(f"at the end: {[(one.value, one.binding.reason.name) for one in limits]}")
        raise _End

    def _lives(self) -> None:
        """One life after another."""
        while True:
            try:
                loaded = self._sites.load(self._on_disk)
                self.world.begin(loaded.buses)
            except (_End, Killed):
                raise
            except Exception:
                self.world.end()
                self.world.skip(RESTART_S)
                if self.world.t_us > START_US + round(self.scenario.storm_s * 1e6):
                    self._on_disk = self._home
                continue
            self._live(loaded)

    def _live(self, loaded: LoadedProfile) -> None:
        """From a start to its end, whichever it is."""
        world, observer = self.world, self.observer
        self._plans = {id(loaded.plan): self._on_disk}
        observer.began(world.t_us, self._book(self._on_disk))
        self._asked_stop = None
        code: int | None = None
        try:
            with self._program(loaded) as daemon:
                self._daemon = daemon
                code = daemon.run()
        except Killed:
            self._daemon = None
            observer.killed(world.t_us)
            world.end()
            world.skip(self.rig.dead_s)
            self.rig.dead_s = RESTART_S
            return
        except Hung as hung:
            observer.say(world.t_us, "hangs", str(hung))
            raise _End from None
        except (Exception, Aborted) as problem:
            self.lines.append(f"raised {type(problem).__name__}: {problem}")
            if not self.rig.excused and not world.starved:
                observer.say(world.t_us, "ends", f"{type(problem).__name__}: {problem}")
            if isinstance(problem, AmpweirError):
                code = problem.exit_code
        self._ended(code)

    def _ended(self, code: int | None) -> None:
        world, observer = self.world, self.observer
        self._daemon = None
        used = set(world.wires.values())
        observer.ended(world.t_us, code, sendable=used - world.down - world.full)
        self.lines.append(f"ended with {code}")
        if code == EXIT_OK and self._asked_stop is None:
            observer.say(world.t_us, "ends", "exit code 0, and nobody had asked")
        elif (
            code != EXIT_OK
            and not (self.rig.excused or world.starved or world.down or world.full)
            and world.t_us - world.up_us > REBUILT_US
        ):
            observer.say(world.t_us, "ends", f"exit code {code}: {self.lines[-2] if self.lines[1:] else ''}")
        # What no frame can express leaves nobody, and the service manager is to know.
        if world.starved and not any("!! withheld" in line for line in self.lines[-WITHHELD:]):
            observer.say(world.t_us, "alive", "no sign of life: the service manager ended it")
        self.rig.excused = any(trap.how == "raise" and trap.seam in FATAL for _, trap in world.traps)
        world.end()
        world.skip(RESTART_S if self._asked_stop is None else self._asked_stop)

    @contextmanager
    def _program(self, loaded: LoadedProfile) -> Iterator[Daemon]:
        """What `ampweir run` puts together."""
        world = self.world
        lines = Lines(world, self._told)
        journal = Journal(make_logger("plain", lines.writer))
        notifier = Notifier({"NOTIFY_SOCKET": "/nobody", "WATCHDOG_USEC": str(WATCHDOG_US)})
        real, notifier._socket = notifier._socket, None
        waits = real is None or real.getblocking()
        notifier.close()
        if real is not None:
            real.close()
        notifier._socket = FakeSocket(world, waits=waits)  # type: ignore[assignment]
        store = Store(self._folder, Path("site.toml"), wall=self._wall_us, up=self._up_us)
        store.lock()
        recorder = None
        if self.scenario.records:
            from bridge.replay.recorder import Recorder

            recorder = Recorder(self._folder / f"life{world.lives}.log")
        try:
            yield Daemon(
                loaded,
                world,
                journal,
                load=self._load,
                recorder=recorder,
                store=store,
                notifier=notifier,
                beside=True,
            )
        finally:
            store.release()

    # ── seams ───────────────────────────────────────────────────────────────────────────────────────

    def _told(self, line: str) -> None:
        self.lines.append(f"{(self.world.t_us - START_US) / 1e6:8.2f} {line}")
        if len(self.lines) > 4 * LINES:
            del self.lines[:-LINES]

    def _wall_us(self) -> int:
        self.world.enter("wall")
        return self.world.t_us + round(self.rig.clock_s * 1e6)

    def _up_us(self) -> int:
        return self.world.t_us

    def _load(self) -> LoadedProfile:
        text = self._on_disk
        self.world.enter("load")
        loaded = self._sites.load(text)
        self._plans[id(loaded.plan)] = text
        self.observer.reload_asked(self.world.t_us)
        return loaded

    def _put_on_disk(self, kind: str) -> None:
        self._on_disk = variant(self.scenario.tables, kind)

    def _ask_stop(self, seconds: float) -> None:
        self._asked_stop = seconds
        self.world.request(Request.STOP)


_LIBRARY: Final = Library()


def run(seed: int, sites: Sites, scenario: Scenario | None = None, *, hasty: bool = False) -> Outcome:
    """The storm of a seed, or of a scenario made from it; a hasty one ends once something is broken."""
    scenario = scenario or drawn(seed, sites)
    with tempfile.TemporaryDirectory(prefix="storm-", dir=_MEMORY) as folder:
        return Storm(scenario, sites, Path(folder), hasty=hasty).run()


_MEMORY: Final = "/dev/shm" if Path("/dev/shm").is_dir() else None


def report(outcome: Outcome) -> str:
    """For people."""
    scenario = outcome.scenario
    rows = [
        f"seed {scenario.seed}: {scenario.tables['name']}, {outcome.seconds:.0f} s, {outcome.lives} lives"
    ]
    rows += [f"  {(one.t_us - START_US) / 1e6:8.2f} s  {one.rule}: {one.text}" for one in outcome.broken]
    rows.append("  faults:")
    rows += [f"    {n}: {fault}" for n, fault in enumerate(scenario.faults)]
    return "\n".join(rows)
