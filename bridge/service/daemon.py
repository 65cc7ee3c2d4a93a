"""The daemon: carries inputs to the engine and frames to the world. It computes no limit of its own."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from bridge.core.engine import Due, Engine
from bridge.core.failsafe import State
from bridge.core.kept import NOTHING, Kept
from bridge.core.plan import Plan
from bridge.errors import EXIT_INTERNAL, EXIT_OK, AmpweirError, BusError, BusFull, InputError
from bridge.profile.fingerprint import fingerprint
from bridge.service.journal import Journal
from bridge.service.notify import Notifier
from bridge.service.seam import BusNotice, NoticeKind
from bridge.service.shown import ShownFrames
from bridge.service.world import Batch, Request, World
from bridge.words import status_line

if TYPE_CHECKING:
    from bridge.profile.load import LoadedProfile
    from bridge.replay.recorder import Recorder
    from bridge.service.store import Store

STATUS_US: Final = 1_000_000
"""How often the service manager is told the status line."""

QUEUE_QUIET_US: Final = 1_000_000
"""A transmit queue that refused a frame counts as full for this long."""

SILENCE_PERIODS: Final = 3
"""Frames count as leaving while the last one is no older than this many of the longest limit period."""


class Daemon:
    """Runs one profile in one world until it is asked to stop.

    Args:
        loaded: the profile, compiled.
        world: clock, inputs and way out.
        journal: where changes are told.
        load: loads the profile again, for a reload; raises InputError.
        recorder: keeps every input and output, exactly.
        store: keeps what a restart must not forget.
        notifier: tells the service manager.
        dry: compute and show, send nothing.
        status_every_us: print the status line this often; 0: only when asked.
    """

    def __init__(
        self,
        loaded: "LoadedProfile",
        world: World,
        journal: Journal,
        *,
        load: Callable[[], "LoadedProfile"],
        recorder: "Recorder | None" = None,
        store: "Store | None" = None,
        notifier: Notifier | None = None,
        dry: bool = False,
        status_every_us: int = 0,
    ) -> None:
        self._loaded = loaded
        self._world = world
        self._journal = journal
        self._load = load
        self._recorder = recorder
        self._notifier = notifier or Notifier({})
        self._dry = dry
        self._status_every_us = status_every_us
        self._last_resort = last_resort(loaded.plan)
        self._store = None if dry else store  # a dry run has learnt nothing of a charger
        start_us = world.now_us()
        kept = NOTHING
        if store is not None:
            found = store.load(loaded, start_us)
            kept = found.kept
            if found.told:
                journal.say(start_us, found.told, "warning" if found.bad else "info")
        self._start(loaded, start_us, kept)
        self._said_status_us = self._told_us = self._fed_us = self._judged_us = self._start_us
        if recorder is not None:
            recorder.start(self._start_us, loaded, kept)

    @property
    def engine(self) -> Engine:
        """The engine at work; another one after a reload."""
        return self._engine

    def _start(self, loaded: "LoadedProfile", t_us: int, kept: Kept) -> None:
        self._engine = Engine(loaded.plan, t_us, kept)
        self._start_us = t_us
        carrying = [t for t in loaded.plan.transmissions if t.carries_limits]
        self._left_us = {(t.bus, t.layout.key): t_us for t in carrying}
        self._leave_by_us = (
            SILENCE_PERIODS * max((t.period_us for t in carrying), default=0) + loaded.plan.tick_us
        )
        self._full_at: dict[str, int] = {}
        self._shown = ShownFrames(loaded.plan) if self._dry else None

    # ── the loop ────────────────────────────────────────────────────────────────────────────────────

    def run(self) -> int:
        """Runs until asked to stop; returns the exit code. On a fault inside, sends the safe frames first."""
        self._notifier.tell("READY=1", f"STATUS={status_line(self._engine.decision)}")
        try:
            while self._turn():
                pass
        except Exception as fault:
            self._give_up(fault)
            if isinstance(fault, AmpweirError):
                raise
            return EXIT_INTERNAL
        finally:
            self._notifier.tell("STOPPING=1")
            if self._recorder is not None:
                self._recorder.close()
        return EXIT_OK

    def _turn(self) -> bool:
        """One wait, and all that follows from it. Returns whether to go on."""
        wanted_us = self._engine.next_deadline_us
        batch = self._world.wait(wanted_us)
        before = self._engine.decision
        if batch.t_us - wanted_us > self._engine.plan.tick_us:
            if self._recorder is not None:
                self._recorder.resumed(batch.t_us, self._engine.latest_us)
            self._dispatch(self._engine.resume(batch.t_us))
        else:
            self._dispatch(self._engine.poll(batch.t_us))
        self._take(batch)
        if self._engine.decision is not before:
            self._judged_us = batch.t_us
            self._journal.decision(self._engine.decision)
        for note in self._engine.take_notes():
            self._journal.note(note)
        self._supervise(batch.t_us)
        return all(self._answer(request, batch.t_us) for request in batch.requests)

    def _take(self, batch: Batch) -> None:
        for frame in batch.frames:
            self._engine.receive(batch.t_us, frame)
            if self._recorder is not None:
                self._recorder.received(batch.t_us, frame)
        for notice in batch.notices:
            self._journal.notice(batch.t_us, notice)

    def _dispatch(self, due: list[Due]) -> None:
        """Sends what is due. One frame that does not leave does not delay the others."""
        for item in due:
            if self._recorder is not None:
                self._recorder.sent(item)
            if self._shown is not None:
                self._has_left(item)
                if line := self._shown.line(item):
                    self._journal.say(item.t_us, line)
                continue
            try:
                self._world.send(item.frame)
            except BusError as problem:
                if self._recorder is not None:
                    self._recorder.unsent(item, str(problem))
                if isinstance(problem, BusFull):
                    self._queue_full(item)
            else:
                self._has_left(item)
                self._queue_moves(item)

    def _has_left(self, item: Due) -> None:
        which = item.frame.bus, item.frame.key
        if which in self._left_us:
            self._left_us[which] = item.t_us

    def _queue_full(self, item: Due) -> None:
        bus = item.frame.bus
        if bus not in self._full_at:
            notice = BusNotice(
                bus,
                NoticeKind.QUEUE_FULL,
                "transmit queue full, a frame did not leave: is another node listening?",
            )
            self._journal.notice(item.t_us, notice)
        self._full_at[bus] = item.t_us

    def _queue_moves(self, item: Due) -> None:
        """A queue counts as moving again when none of its frames was refused for a while."""
        bus = item.frame.bus
        if bus in self._full_at and item.t_us - self._full_at[bus] >= QUEUE_QUIET_US:
            del self._full_at[bus]
            self._journal.notice(item.t_us, BusNotice(bus, NoticeKind.QUEUE_OK, "all frames leave again"))

    # ── supervision ─────────────────────────────────────────────────────────────────────────────────

    def _supervise(self, t_us: int) -> None:
        notifier, decision = self._notifier, self._engine.decision
        if notifier.watchdog_us is not None and t_us - self._fed_us >= notifier.watchdog_us // 2:
            # Every message that carries a limit must leave: one inverter served does not make up for another.
            leaves = (
                decision.state is State.SILENT
                or t_us - min(self._left_us.values(), default=t_us) <= self._leave_by_us
            )
            if leaves and t_us - self._judged_us <= 2 * self._engine.plan.tick_us:
                self._fed_us = t_us
                notifier.tell("WATCHDOG=1")
        if t_us - self._told_us >= STATUS_US:
            self._told_us = t_us
            notifier.tell(f"STATUS={status_line(decision)}")
            if self._recorder is not None and (trouble := self._recorder.flush()):
                self._journal.say(t_us, f"recording ended: {trouble}", "error")
            if self._store is not None and (trouble := self._store.save(self._loaded, self._engine, t_us)):
                self._journal.say(t_us, trouble, "warning")
        if self._status_every_us and t_us - self._said_status_us >= self._status_every_us:
            self._said_status_us = t_us
            self._journal.status(decision)

    def _answer(self, request: Request, t_us: int) -> bool:
        """Does what was asked; returns whether to go on."""
        if request is Request.STATUS:
            self._journal.status(self._engine.decision)
        elif request is Request.RELOAD:
            self._reload(t_us)
        else:
            self._journal.say(t_us, "stopping: currents to zero")
            self._dispatch(self._engine.close(t_us))
            if self._recorder is not None:
                self._recorder.stopped(t_us)
            if self._store is not None and (trouble := self._store.close(self._loaded, self._engine, t_us)):
                self._journal.say(t_us, trouble, "warning")
            return False
        return True

    def _reload(self, t_us: int) -> None:
        """Takes a changed profile, or changes nothing and says why."""
        self._notifier.reloading()
        try:
            loaded = self._load()
            last = last_resort(loaded.plan)
            self._world.reopen(loaded.buses)
        except InputError as problem:
            for line in problem.problems:
                self._journal.say(t_us, f"profile not taken, nothing changed: {line}", "error")
        except BusError as problem:
            self._journal.say(t_us, f"profile not taken, nothing changed: {problem}", "error")
        else:
            self._dispatch(self._engine.close(t_us))
            kept = self._engine.kept if fingerprint(loaded) == fingerprint(self._loaded) else NOTHING
            self._loaded, self._last_resort = loaded, last
            self._start(loaded, t_us, kept)
            if self._recorder is not None:
                self._recorder.reloaded(t_us, loaded, kept)
            self._journal.say(t_us, f"profile taken: {loaded.plan.name}")
        self._notifier.tell("READY=1")

    def _give_up(self, fault: Exception) -> None:
        """After a fault inside: the frames made at the start, when all was well, say zero currents."""
        t_us = self._engine.decision.t_us
        self._journal.say(t_us, f"internal fault, currents to zero: {type(fault).__name__}: {fault}", "error")
        if self._shown is None:
            for item in self._last_resort:
                try:
                    self._world.send(item.frame)
                except Exception as problem:
                    self._journal.say(t_us, f"a safe frame did not leave: {problem}", "error")


def last_resort(plan: Plan) -> list[Due]:
    """Frames that say zero currents, made without any input: for when the engine itself has failed.

    They also prove, before anything is sent, that the safe frames can be built at all.
    """
    engine = Engine(plan, 0)
    engine.poll(0)
    return engine.close(0)
