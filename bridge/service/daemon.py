"""The daemon: carries inputs to the engine and frames to the world. It computes no limit of its own.

Safe first, talkative second: what leaves on the bus never waits for what is said, recorded or kept, and none
of that can end the loop.
"""

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from bridge.core.course.remembered import NOTHING, Kept
from bridge.core.engine import Due, Engine
from bridge.core.failsafe.machine import State
from bridge.core.succession import Succession
from bridge.errors import (
    EXIT_INTERNAL,
    AmpweirError,
    BusError,
)
from bridge.frames import Frame
from bridge.profile.fingerprint import fingerprint
from bridge.service.beside import Beside
from bridge.service.contained import contained
from bridge.service.journal import Journal
from bridge.service.lastwords import PATIENCE_US, LastWords, Unsent, attempt, send_patiently, tell_unsent
from bridge.service.leaving import Leaving
from bridge.service.loading import Fresh, Loading, Refused
from bridge.service.notify import Notifier
from bridge.service.others import Others
from bridge.service.seam import both, goes_on
from bridge.service.shown import ShownFrames
from bridge.service.world import Aborted, Batch, Request, World
from bridge.words import status_line

if TYPE_CHECKING:
    from bridge.profile.load import LoadedProfile
    from bridge.replay.recorder import Recorder
    from bridge.service.store import Store

LIVELY: Final = 4
"""So many signs of life in the time the service manager waits: one may be lost, and a pause may follow."""

STATUS_US: Final = 1_000_000
"""How often the service manager is told the status line."""


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
        beside: load in a thread of its own, so that the loop goes on.
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
        beside: bool = False,
    ) -> None:
        self._loaded = loaded
        self._world = world
        self._dry = dry
        self._status_every_us = status_every_us
        self._t_us = 0
        self._beside = Beside(journal, recorder, store, notifier, lambda: self._t_us)
        self._journal, self._notifier = self._beside.journal, self._beside.notifier
        self._store = self._beside.store
        self._others = Others(self._journal)
        self._owed: list[Frame] = []
        self._owed_us = 0
        self._asked: tuple[Request, ...] = ()
        self._last = LastWords(loaded.plan)
        self._t_us = start_us = world.now_us()
        kept = NOTHING
        if self._store is not None and (found := self._store.load(loaded, start_us)) is not None:
            kept = found.kept
            if found.told:
                self._journal.say(start_us, found.told, "warning" if found.bad else "info")
        if dry:
            self._store = None  # a dry run has learnt nothing of a charger
        self._leaving = Leaving(loaded.plan, start_us)
        self._engine = Succession(loaded.plan, start_us, kept)
        self._begin_with(loaded, start_us)
        self._loading = Loading(load, beside=beside)
        self._coming: Fresh | None = None
        self._said_status_us = self._told_us = self._fed_us = self._judged_us = start_us
        self._ready = False
        if self._beside.recorder is not None:
            self._beside.recorder.start(start_us, loaded, kept)

    @property
    def engine(self) -> Succession:
        """The engine at work, and the one that is to follow it."""
        return self._engine

    def _begin_with(self, loaded: "LoadedProfile", t_us: int) -> None:
        """What is looked after follows from the plan whose frames leave."""
        self._leaving = Leaving(loaded.plan, t_us, self._leaving.told_on)
        self._shown = contained(ShownFrames(loaded.plan), self._beside.not_told) if self._dry else None

    # ── the loop ────────────────────────────────────────────────────────────────────────────────────

    def run(self) -> int:
        """Runs until asked to stop; returns the exit code. On any fault, sends the safe frames first."""
        try:
            self._tell_ready()
            while (code := self._turn()) is None:
                pass
            return code
        except (Exception, KeyboardInterrupt, SystemExit, Aborted) as fault:
            self._give_up(fault)
            if isinstance(fault, KeyboardInterrupt | SystemExit):
                raise
            return fault.exit_code if isinstance(fault, AmpweirError) else EXIT_INTERNAL
        finally:
            self._notifier.tell("STOPPING=1")
            self._beside.end_recording()

    def _turn(self) -> int | None:
        """One wait, and all that follows from it. Returns the exit code once all is over."""
        engine = self._engine.at_work
        wanted_us = engine.next_deadline_us
        batch = self._world.wait(wanted_us)
        self._t_us = batch.t_us
        before = engine.decision
        if batch.t_us > wanted_us and batch.t_us - wanted_us > engine.plan.tick_us:
            if self._beside.recorder is not None:
                self._beside.recorder.resumed(batch.t_us, engine.latest_us)
            due = engine.resume(batch.t_us)
        else:
            due = engine.poll(batch.t_us)
        if self._coming is not None:
            self._look_for_successor(batch.t_us)
        unsent = self._dispatch(due) if due else []
        if unsent or self._owed:
            self._pay(unsent)
        self._take(batch, engine)
        decision = engine.decision
        if decision is not before:
            self._judged_us = batch.t_us
            if self._store is not None and decision.limits_differ(before):
                self._store.look(self._loaded, engine, batch.t_us)
            self._journal.decision(decision)
        for note in engine.take_notes():
            self._journal.note(note)
        requests, self._asked = (*self._asked, *batch.requests), ()
        if Request.STOP in requests:
            return self._stop(batch.t_us)
        self._supervise(batch.t_us)
        for request in requests:
            self._answer(request)
        if self._loading.busy:
            self._reload(batch.t_us)
        return None

    def _take(self, batch: Batch, engine: "Engine | Succession") -> None:
        for frame in batch.frames:
            if not (self._dry and self._others.sent(engine.plan, batch.t_us, frame)):
                engine.receive(batch.t_us, frame)
            if self._beside.recorder is not None:
                self._beside.recorder.received(batch.t_us, frame)
        for notice in batch.notices:
            self._journal.notice(batch.t_us, notice)

    def _dispatch(self, due: list[Due]) -> list[Due]:
        """Sends what is due; returns what did not leave. One that does not leave delays no other."""
        unsent = []
        for item in due:
            trouble: BusError | None = None
            if self._shown is None:
                try:
                    self._world.send(item.frame)
                except BusError as problem:
                    trouble = problem
                    unsent.append(item)
                    self._engine.unsent(item)
            if trouble is None:
                news = self._leaving.left(item)
            else:
                news = self._leaving.refused(item, trouble)
            if self._beside.recorder is not None:
                self._beside.recorder.sent(item)
                if trouble is not None:
                    self._beside.recorder.unsent(item, str(trouble))
            if news is not None:
                self._journal.notice(item.t_us, news)
            if self._shown is not None and (line := self._shown.line(item)):
                self._journal.say(item.t_us, line)
        return unsent

    def _pay(self, unsent: list[Due]) -> None:
        """Last frames of messages that are no longer sent are tried again, for as long as those of a stop."""
        sent = {(one.bus, one.layout.key) for one in self._engine.plan.transmissions}
        owed = [due.frame for due in unsent if (due.frame.bus, due.frame.key) not in sent]
        if owed and not self._owed:
            self._owed_us = self._t_us
        why: dict[str, str] = {}
        self._owed = attempt(self._world, self._owed + owed, why)
        if self._owed and self._t_us - self._owed_us >= PATIENCE_US:
            self._owed = []
            self._tell_unsent(Unsent(why))

    # ── supervision ─────────────────────────────────────────────────────────────────────────────────

    def _supervise(self, t_us: int) -> None:
        notifier, decision = self._notifier, self._engine.decision
        if notifier.watchdog_us is not None and t_us - self._fed_us >= notifier.watchdog_us // LIVELY:
            leaves = decision.state is State.SILENT or self._leaving.well(t_us)
            judged = t_us - self._judged_us <= 2 * self._engine.plan.tick_us
            if leaves and judged and notifier.tell("WATCHDOG=1"):
                self._fed_us = t_us
        if not self._ready:
            self._tell_ready()
        if t_us - self._told_us >= STATUS_US:
            self._told_us = t_us
            self._last.learn(decision.values)
            notifier.tell(f"STATUS={self._status()}")
            if self._beside.recorder is not None and (trouble := self._beside.recorder.flush()):
                self._journal.say(t_us, f"recording ended: {trouble}", "error")
            if self._store is not None and (trouble := self._store.save(self._loaded, self._engine, t_us)):
                self._journal.say(t_us, trouble, "warning")
            self._beside.tell_untold()
        if self._status_every_us and t_us - self._said_status_us >= self._status_every_us:
            self._said_status_us = t_us
            self._journal.status(decision)

    def _tell_ready(self) -> None:
        """Until the service manager has taken it: without it, it would end the program."""
        self._ready = self._notifier.tell("READY=1", f"STATUS={self._status()}")

    def _status(self) -> str:
        try:
            text = status_line(self._engine.decision)
        except Exception as problem:
            self._beside.not_told("status", problem)
            text = "no words for the status"
        stuck = self._leaving.stuck(self._t_us)
        return f"{text}; no frame leaves on {', '.join(stuck)}" if stuck else text

    # ── what is asked ───────────────────────────────────────────────────────────────────────────────

    def _answer(self, request: Request) -> None:
        if request is Request.STATUS:
            self._journal.status(self._engine.decision)
        elif request is Request.RELOAD:
            self._notifier.reloading()
            self._loading.ask()

    def _reload(self, t_us: int) -> None:
        """Takes a changed profile once it is loaded, or changes nothing and says why."""
        found = self._loading.take()
        if found is None:
            return
        if isinstance(found, Refused):
            for line in found.lines:
                self._not_taken(t_us, line)
        elif goes_on(self._engine.plan, self._loaded.buses, found.loaded.buses):
            self._replace(found, t_us)
        else:
            self._move(found, t_us)
        self._tell_ready()

    def _not_taken(self, t_us: int, why: str) -> None:
        self._journal.say(t_us, f"profile not taken, nothing changed: {why}", "error")

    def _replace(self, fresh: Fresh, t_us: int) -> None:
        """The new profile holds, and its engine takes over from the one at work, which goes on meanwhile."""
        loaded = fresh.loaded
        try:
            self._world.reopen(both(self._loaded.buses, loaded.buses))
        except BusError as problem:
            self._not_taken(t_us, str(problem))
            return
        kept = self._handed_on(loaded)
        self._engine.replace(t_us, loaded.plan, kept)
        self._coming = fresh
        if self._beside.recorder is not None:
            self._beside.recorder.replaced(t_us, loaded, kept)
        text = "it takes over once its readings are trusted; until then no limit is looser than it allows"
        self._journal.say(t_us, f"profile taken: {loaded.plan.name}" + (f"; {text}" * self._engine.waits))
        self._look_for_successor(t_us)

    def _look_for_successor(self, t_us: int) -> None:
        """Whether the engine of the new profile has taken over."""
        if self._coming is not None and not self._engine.waits:
            self._loaded, self._last = self._coming
            self._coming = None
            self._begin_with(self._loaded, t_us)
            self._keep(t_us)

    def _move(self, fresh: Fresh, t_us: int) -> None:
        """Where limits leave by another bus: zeros leave on the old one first, then the new one is opened."""
        loaded = fresh.loaded
        kept = self._handed_on(loaded)
        lost = self._close(t_us)
        self._asked = lost.requests  # while it waited for a bus
        self._tell_unsent(lost)
        try:
            self._world.reopen(loaded.buses)
        except BusError as problem:
            self._not_taken(t_us, f"{problem}; currents begin at zero anew")
            loaded, kept = self._loaded, self._engine.kept
        else:
            self._leaving.renamed(self._loaded.buses, loaded.buses)
            self._loaded, self._last = fresh
            self._journal.say(t_us, f"profile taken: {loaded.plan.name}; currents begin at zero")
        self._coming = None
        self._engine.restart(t_us, loaded.plan, kept)
        self._begin_with(loaded, t_us)
        self._keep(t_us)
        if self._beside.recorder is not None:
            self._beside.recorder.reloaded(t_us, loaded, kept)

    def _keep(self, t_us: int) -> None:
        """What is kept is bound to the sensors and messages of the profile that is in force from now on."""
        if self._store is not None:
            self._store.look(self._loaded, self._engine, t_us)

    def _handed_on(self, loaded: "LoadedProfile") -> Kept:
        kept = self._engine.kept
        same = fingerprint(loaded) == fingerprint(self._loaded)
        return kept if same else kept.of_another(loaded.plan)

    # ── the end ─────────────────────────────────────────────────────────────────────────────────────

    def _stop(self, t_us: int) -> int:
        """Zero currents first; then what is to be told and kept. Returns the exit code."""
        lost = self._close(t_us)
        self._notifier.tell("WATCHDOG=1")  # what is still to be kept may wait for the disk
        self._journal.say(t_us, "stopping: currents to zero")
        if self._beside.recorder is not None:
            self._beside.recorder.stopped(t_us)
        code = self._tell_unsent(lost)
        if self._store is not None and (trouble := self._store.close(self._loaded, self._engine, t_us)):
            self._journal.say(t_us, trouble, "warning")
        return code

    def _close(self, t_us: int) -> Unsent:
        """Zero currents leave; returns which did not."""
        silent = self._engine.decision.state is State.SILENT
        due = self._engine.close(t_us)
        frames = self._owed + [item.frame for item in self._dispatch(due)]
        self._owed = []
        if not silent and not self._dry:
            frames += self._last.beside(item.frame for item in due)
        self._notifier.tell("WATCHDOG=1")  # a pause may lie behind, and a bus that is down is waited for
        return self._send_zeros(frames)

    def _give_up(self, fault: BaseException) -> None:
        """After a fault inside: frames that say zero currents, before any word."""
        owed: frozenset[tuple[str, int]] | None = None
        with suppress(Exception):  # better a word too many
            owed = self._engine.owed if self._engine.decision.state is State.SILENT else None
        lost = Unsent({})
        if not self._dry:
            if self._coming is not None and self._engine.plan is self._coming.loaded.plan:
                self._last = self._coming.last  # it has taken over in the very moment of the fault
            last = self._last.frames(self._engine)
            last = [frame for frame in last if owed is None or (frame.bus, frame.key) in owed]
            lost = self._send_zeros(self._owed + last)
        text = f"internal fault, currents to zero: {type(fault).__name__}: {fault}"
        self._journal.say(self._t_us, text, "error")
        self._tell_unsent(lost)
        if self._store is not None:
            self._store.forget_limits()
            self._store.wait()

    def _send_zeros(self, frames: list[Frame]) -> Unsent:
        return send_patiently(self._world, frames, worth=self._leaving.told_on.__contains__)

    def _tell_unsent(self, lost: Unsent) -> int:
        return tell_unsent(self._journal, self._t_us, lost, self._leaving.told_on)
