"""The stage on the virtual clock: the daemon itself, in a simulated site."""

import os
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Final, NamedTuple

from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import SECOND_US
from bridge.drill.fault import Fault
from bridge.drill.forks import Forks
from bridge.drill.result import Result, died, never_began
from bridge.drill.stage import BAD_PROFILE, Stage, build_site, heal_site
from bridge.drill.watch import Watch
from bridge.errors import EXIT_INTERNAL, EXIT_OK
from bridge.frames import Frame
from bridge.profile.load import LoadedProfile, load_profile
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.lines import LineWriter
from bridge.service.seam import NoticeKind
from bridge.service.store import Store
from bridge.service.world import Request
from bridge.simulate.coder import Library
from bridge.simulate.world import Killed, VirtualWorld

PROBE_US: Final = 50_000
"""How often the inverters are looked at between frames."""


DISK_S: Final = 60.0
"""So long a disk may take in real time for what takes no time here: on a busy machine it is slow."""


LOOK_S: Final = 0.5
"""So often a disk that fails is waited for, and words are asked for that cannot be told."""

LOOKS: Final = 12
LOOKS_S: Final = 5.0
STEADY: Final = 1.01
"""Faults begin once the limits have risen by no more than this factor since the last look, or after all."""

PIPE: Final = 4096
"""A pipe is filled by so many bytes at a time."""


class Rehearsed(NamedTuple):
    """What came of a fault; `sent` stands for every frame that was sent meanwhile."""

    result: Result
    sent: str


class VirtualStage(Stage):
    """The daemon itself, in a simulated site on the virtual clock. Use it once.

    Attributes:
        world: the world the daemon runs in.
    """

    def __init__(self, loaded: LoadedProfile, library: Library, start_us: int) -> None:
        super().__init__(loaded, build_site(loaded, start_us, library))
        self.world = VirtualWorld(self.site, start_us)
        self.world.wires = {bus.name: bus.channel for bus in loaded.buses}
        self._load: Callable[[], LoadedProfile] = lambda: loaded
        self._lines: list[str] = []
        self._start_us = start_us
        self._dead_s = 0.0
        self._crash_code: int | None = None
        self._deaf = False
        self._clogged: LineWriter | None = None
        self._forks = Forks()
        self._over_us = start_us
        self._parted = False
        self._calm_us: int | None = None

    def now_us(self) -> int:
        """See `Stage.now_us`."""
        return self.world.t_us

    # ── the run ─────────────────────────────────────────────────────────────────────────────────────

    def run(self, faults: Sequence[Fault], jobs: int, done: Callable[[int, Rehearsed], None]) -> None:
        """Rehearses faults, each from the same healthy site, some side by side.

        Args:
            faults: what to rehearse.
            jobs: so many at a time.
            done: is told the place of a fault, and what came of it.
        """
        self._watch = Watch(self.loaded.plan, self.site, faults[0])
        begin_us = self._start_us + round(self.budget.warm_s * SECOND_US)
        self.world.on_sent = self._sent
        self.world.at(begin_us, lambda: self._once_steady(lambda: self._branch(faults, jobs, done)))
        self._over_us = begin_us
        with tempfile.TemporaryDirectory(prefix="drill-") as folder:
            self._store = Store(Path(folder), self.loaded.path, wall=self.now_us, up=self.now_us)
            try:
                self._live()
            except Exception as problem:
                self._watch.wrong.append(f"the daemon ended: {type(problem).__name__}: {problem}")
            except BaseException:
                if self._forks.child is not None:
                    self._forks.answer(None)
                raise
            if not self._parted:
                for task, fault in enumerate(faults):
                    done(task, Rehearsed(never_began(fault, self._watch.wrong), ""))
            if self._forks.child is not None:
                with suppress(Exception):
                    self.slides.heal()
                sent = sha256(repr(self.world.sent).encode()).hexdigest()
                self._forks.answer(Rehearsed(self._watch.result(self._lines), sent))

    def _once_steady(self, go: Callable[[], None], before: Sequence[float] = (), looks: int = LOOKS) -> None:
        """Goes on once no current limit rises by itself any more, or after so many looks."""
        decision = self._daemon.engine.decision
        now = decision.charge_current.value, decision.discharge_current.value
        if not looks or (before and all(a <= STEADY * b for a, b in zip(now, before, strict=True))):
            go()
            return
        self._over_us = self.world.t_us + round(LOOKS_S * SECOND_US)
        self.world.at(self._over_us, lambda: self._once_steady(go, now, looks - 1))

    def _branch(self, faults: Sequence[Fault], jobs: int, done: Callable[[int, Rehearsed], None]) -> None:
        """Here the ways part: each fault goes on in a process of its own."""

        def answered(task: int, rehearsed: Rehearsed | None) -> None:
            done(task, rehearsed or Rehearsed(died(faults[task]), ""))

        self._parted = True
        self._store.wait(DISK_S)
        self._forks.branch(len(faults), jobs, answered)
        if self._forks.child is None:
            self.world.kill()
            return
        folder = self._store.path.parent / str(self._forks.child)
        folder.mkdir()
        self._store.move(folder)
        self._begin(faults[self._forks.child])

    def _live(self) -> None:
        """The daemon's life, or lives."""
        while True:
            journal = Journal(make_logger("plain", self._write))
            self._daemon = Daemon(
                self.loaded, self.world, journal, load=lambda: self._load(), store=self._store
            )
            try:
                code = self._daemon.run()
            except Killed:
                if self.world.t_us >= self._over_us:
                    return
                self.world.skip_to(self.world.t_us + round(self._dead_s * SECOND_US))
                self._watch.forget()
                self.world.gone = False
            else:
                if code == self._crash_code:
                    self._crash_code = None
                    self.world.skip_to(self.world.t_us + round(self._dead_s * SECOND_US))
                    self._watch.forget()
                    continue
                if code != EXIT_OK or self.world.t_us < self._over_us:
                    told = self._lines[-1] if self._lines else ""
                    self._watch.wrong.append(f"the daemon ended with exit code {code}: {told}")
                return

    def _begin(self, fault: Fault) -> None:
        world, watch = self.world, self._watch
        watch.fault, watch.act_us = fault, world.t_us + round(fault.acts_after_s * SECOND_US)
        lasts_s = max(fault.lasts_s, watch.longest_s + 1.0)
        watched_s = self.watched_s(lasts_s, back_at_once=fault.self_heals and fault.lost)
        end_us = watch.act_us + round(watched_s * SECOND_US)
        recovery_s = fault.acts_after_s + self.budget.recovery_s + fault.remembers_s
        self._over_us = end_us + round(recovery_s * SECOND_US)
        if fault.self_heals:
            world.at(watch.act_us, lambda: watch.over(self.world.t_us))
        world.at(end_us, lambda: self._heal(fault))
        world.at(self._over_us, world.kill)  # what happens at an orderly stop is another matter
        decision = self._daemon.engine.decision
        if decision.state is not State.FOLLOWING:
            watch.wrong.append(f"no healthy start: {decision.state.name.lower()}, {decision.cause}")
        elif not decision.charge_current.value and not decision.discharge_current.value:
            watch.wrong.append("no healthy start: both currents are at zero")
        self._lines.clear()
        watch.begin()
        fault.inject(self)
        self._probe()

    def _heal(self, fault: Fault) -> None:
        self._watch.healed(self.world.t_us)
        heal_site(self.site)
        self.slides.heal()
        if not fault.self_heals:
            self._watch.over(self.world.t_us)
        if not fault.twin:
            # Once currents are back, and a while has passed in which they might have come too soon.
            calm_s = fault.acts_after_s + self.budget.steady_s + self.budget.reaction_s
            self._calm_us = self.world.t_us + round(calm_s * SECOND_US)

    def _end_early(self) -> None:
        if self._calm_us is not None and self.world.t_us >= self._calm_us and self._watch.recovered():
            self._over_us = self.world.t_us
            self._calm_us = None
            self.world.kill()

    def _probe(self) -> None:
        if self.world.t_us < self._watch.healed_us:
            self._watch.look(self.world.t_us)
            self.world.at(self.world.t_us + PROBE_US, self._probe)

    def _sent(self, t_us: int, frame: Frame) -> None:
        self._watch.sent(t_us, frame, self._daemon.engine.decision)
        self._end_early()

    # ── what a fault may do ─────────────────────────────────────────────────────────────────────────

    def later(self, seconds: float, action: Callable[[], None]) -> None:
        """See `Stage.later`."""
        self.world.at(self.world.t_us + round(seconds * SECOND_US), action)

    def fill_queue(self, bus: str, seconds: float) -> None:
        """See `Stage.fill_queue`."""
        self.world.full.add(bus)
        self.later(seconds, lambda: self.world.full.discard(bus))

    def bus_off(self, bus: str, seconds: float) -> None:
        """See `Stage.bus_off`."""
        self.world.down.add(bus)
        self.world.notice(bus, NoticeKind.BUS_OFF, "bus off: the controller has left the bus")
        self.later(seconds, lambda: self._bring_up(bus, NoticeKind.RESTARTED))

    def take_down(self, bus: str) -> None:
        """See `Stage.take_down`."""
        self.world.down.add(bus)
        self.world.notice(bus, NoticeKind.DOWN, "the interface is down")
        self.slides.on_heal(lambda: self._bring_up(bus, NoticeKind.UP))

    def _bring_up(self, bus: str, kind: NoticeKind) -> None:
        self.world.down.discard(bus)
        self.world.notice(bus, kind, "the interface is up again")

    def stall(self, seconds: float) -> None:
        """See `Stage.stall`."""
        self.world.stall(seconds)

    def kill(self, dead_s: float) -> None:
        """See `Stage.kill`. What was being written is: the clock here runs faster than a disk."""
        self._store.wait(DISK_S)
        self._dead_s = dead_s
        self.world.kill()

    def crash(self, dead_s: float) -> None:
        """See `Stage.crash`."""
        self._dead_s, self._crash_code = dead_s, EXIT_INTERNAL
        self._watch.forget(self.now_us() + SECOND_US)  # frames kept for this, said more than once
        self.world.broken = RuntimeError("a fault on purpose")

    def deafen(self) -> None:
        """See `Stage.deafen`."""
        self._deaf = True
        self.slides.on_heal(lambda: setattr(self, "_deaf", False))
        self._ask_on()

    def clog(self) -> None:
        """See `Stage.clog`: a pipe that is full, and the very part of the program that writes to one."""
        into, out = os.pipe()
        os.set_blocking(out, False)
        with suppress(BlockingIOError):
            while True:
                os.write(out, bytes(PIPE))
        os.set_blocking(out, True)
        self._clogged = LineWriter(out)
        self._ask_on()
        self.slides.on_heal(lambda: self._unclog(into))

    def _ask_on(self) -> None:
        """Something is to be said meanwhile: how things stand is asked for again and again."""
        over: list[bool] = []

        def ask() -> None:
            if not over:
                self.world.request(Request.STATUS)
                self.later(LOOK_S, ask)

        self.slides.on_heal(lambda: over.append(True))
        ask()

    def _unclog(self, into: int) -> None:
        os.close(into)  # whoever still writes is told that nobody reads
        self._clogged = None

    def fail_disk(self) -> None:
        """See `Stage.fail_disk`: its folder has gone. It is waited for, for the clock here runs faster."""
        right = self._store.path
        self._store.path = right.parent / "gone" / right.name

        def restore() -> None:
            self._store.path = right

        def wait() -> None:
            self._store.wait(DISK_S)
            if self._store.path != right:
                self.later(LOOK_S, wait)

        self.slides.on_heal(restore)
        wait()

    def hang_driver(self, bus: str, seconds: float) -> None:
        """See `Stage.hang_driver`."""
        # The held frame has left when the fault is over: where it falls in the count is the driver's doing.
        self.world.hang(bus, seconds - 0.001)

    def _write(self, line: str) -> None:
        if self._deaf:
            raise OSError("no space left on device")
        if self._clogged is not None:
            self._clogged(line)
        self._lines.append(line)

    def speak_as_bridge(self, frame: Frame) -> None:
        """See `Stage.speak_as_bridge`."""
        self.world.hear(frame)

    def step_wall_clock(self, seconds: float) -> None:
        """See `Stage.step_wall_clock`. Only this process is told another time."""
        real, real_ns = time.time, time.time_ns
        setattr(time, "time", lambda: real() + seconds)  # noqa: B010
        setattr(time, "time_ns", lambda: real_ns() + round(seconds * 1e9))  # noqa: B010

        def restore() -> None:
            setattr(time, "time", real)  # noqa: B010
            setattr(time, "time_ns", real_ns)  # noqa: B010

        self.slides.on_heal(restore)

    def reload_bad(self) -> None:
        """See `Stage.reload_bad`."""

        def load() -> LoadedProfile:
            with tempfile.TemporaryDirectory() as folder:
                copy = Path(folder) / self.loaded.path.name
                copy.write_bytes(self.loaded.path.read_bytes() + BAD_PROFILE)
                return load_profile(copy)

        self._load = load
        self.world.request(Request.RELOAD)

    def reload_tighter(self) -> None:
        """See `Stage.reload_tighter`."""
        plan = self.loaded.plan
        options = plan.options._replace(inhibit_charge=True, inhibit_charge_until_us=None)
        self._reload_as(replace(self.loaded, plan=plan._replace(options=options)))
        self.slides.on_heal(lambda: self._reload_as(self.loaded))

    def reload_moved(self, bus: str) -> None:
        """See `Stage.reload_moved`."""
        moved = tuple(
            one._replace(channel=f"{one.channel}_moved") if one.name == bus else one
            for one in self.loaded.buses
        )
        self._move_as(replace(self.loaded, buses=moved))
        self.slides.on_heal(lambda: self._move_as(self.loaded))

    def _move_as(self, loaded: LoadedProfile) -> None:
        until_us = self.now_us() + SECOND_US  # the last words of one engine, and the first of the next
        self._watch.forget(until_us)
        self._reload_as(loaded)
        self.later(0.001, lambda: self._watch.forget(until_us))

    def _reload_as(self, loaded: LoadedProfile) -> None:
        self._load = lambda: loaded
        self.world.request(Request.RELOAD)
