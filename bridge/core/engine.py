"""The sans-I/O engine: frames and time in, decisions and frames out.

    receive(t_us, frame)   a frame came in
    poll(t_us)             frames due up to now
    unsent(due)            one of them did not leave
    resume(t_us)           the program was late or stood still: missed slots are skipped
    next_deadline_us       when to call poll next

Time is cut into ticks of fixed length from the start. A decision is made at every tick from what was received
before it, and every frame is built at its own deadline, whenever the call that gets there happens. So what is
sent, and its stamp, depends only on the inputs and their stamps: a recorded run replays bit for bit.
"""

from collections.abc import Iterable, Mapping, Sequence

from bridge.core.course.course import Course
from bridge.core.course.remembered import NOTHING, Going, Kept
from bridge.core.failsafe.machine import FailSafe, State
from bridge.core.failsafe.owing import Owing
from bridge.core.failsafe.rivals import Rivals
from bridge.core.limits.compose import FREE, Bounds, Limits
from bridge.core.notes import Due, Note
from bridge.core.pack.circulation import Circulation
from bridge.core.pack.heartbeats import Heartbeats
from bridge.core.pack.lost import LostBanks, lost_bank
from bridge.core.pack.merge import merge
from bridge.core.pack.sign import Signs, without
from bridge.core.pack.state import Doubt, Facts, PackState, Reading, Trouble
from bridge.core.plan.plan import Plan, Source, same_senses
from bridge.core.plan.shares import shared
from bridge.core.told.allot import Allotment
from bridge.core.told.decision import Decision
from bridge.core.told.reports import Reports, reporting
from bridge.core.told.values import Told
from bridge.core.wire.frame_maker import FrameMaker
from bridge.core.wire.schedule import Schedule
from bridge.errors import FrameRefused, NeverSeen, NotExpressible
from bridge.frames import Frame

__all__ = ["Due", "Engine", "Note", "same_senses"]


class Engine:
    """One pack's engine. Deterministic: the same calls give the same answers.

    Args:
        plan: the compiled profile.
        start_us: engine time of the start; ticks and deadlines are counted from it.
        kept: what is known from before.
        leader: the engine that sends meanwhile. This one only looks on, as if it had sent the same, until it
            takes over (see `bridge.core.succession`).
    """

    def __init__(
        self, plan: Plan, start_us: int, kept: Kept = NOTHING, leader: "Engine | None" = None
    ) -> None:
        self.plan = plan
        self.start_us = start_us
        self._pack = PackState(plan, kept.lost)
        self._failsafe = FailSafe(plan.times)
        self._limits = Limits(plan, kept)
        self._schedule = Schedule(() if leader else plan.transmissions, start_us)
        self._maker = FrameMaker(plan.transmissions)
        self._keeping = frozenset(i for i, one in enumerate(plan.transmissions) if one.keeps_readings)
        self._allotment = Allotment(plan, start_us, self._pack) if shared(plan) else None
        self._rivals = Rivals(plan, start_us)
        self._reports = Reports(plan, self._pack) if reporting(plan) else None
        self._sources: dict[tuple[str, int], list[Source]] = {}
        for source in plan.sources:
            self._sources.setdefault((source.bus, source.key), []).append(source)
        self._lost_banks = LostBanks(plan, kept.lost)
        self._told = Told(plan, start_us)
        self._course = Course(plan, kept)
        self._signs = Signs(plan.banks)
        self._circulation = Circulation(plan)
        self._looked_at: Sequence[Facts] = ()
        self._active_banks: list[bool] = []
        self._joined = [True] * len(plan.banks)
        self._notes: list[Note] = []
        self._due: list[Due] = []
        self._latest_us = start_us
        self._called = False
        self._inputs: object = None
        self._heartbeats = Heartbeats(plan, start_us, self._pack)
        self._owing = Owing(plan)
        if kept.going is not None and leader is None:
            self._go_on(kept.going)
        self._leader = leader
        self._ahead, self._ahead_says = FREE, ""
        if leader is not None:
            self._limits.look_on(leader._limits, same=same_senses(plan, leader.plan))
        self.decision = self._tick(start_us)
        self._next_tick_us = start_us + plan.tick_us

    # ── inputs ──────────────────────────────────────────────────────────────────────────────────────

    def receive(self, t_us: int, frame: Frame) -> bool:
        """Takes one received frame. Returns whether it was one of the pack's or inverter's and was taken.

        Args:
            t_us: when it came in; never before the last call (an earlier stamp counts as the latest).
            frame: what came in. One of ours is somebody else's; any other that no source asks for is ignored.
        """
        t_us = self._advance(t_us)
        sources = self._sources.get((frame.bus, frame.key))
        if sources is None:
            self._rivals.hear(t_us, frame)
            return False
        taken = False
        for source in sources:
            try:
                for name, why in self._pack.take(source, t_us, frame.data).items():
                    text = f"{source.name}: {why}; the rest of the frame is taken"
                    self._notes.append(Note(t_us, "left out", name, text))
                taken = True
            except FrameRefused as refusal:
                self._notes.append(Note(t_us, "refused", source.name, str(refusal)))
        return taken

    def poll(self, t_us: int) -> list[Due]:
        """The frames whose deadline came since the last call, in order of deadline; nothing while silent."""
        self._advance(t_us)
        due, self._due = self._due, []
        return due

    def unsent(self, due: Due) -> None:
        """A frame that `poll`, `resume` or `close` gave did not leave; before the next of these calls.

        What follows from it counts from a tick after the frame's deadline, whenever it is told.
        """
        self._owing.unsent(due.frame)
        if self._allotment is not None:
            self._allotment.unsent(due.t_us, due.frame)

    def resume(self, t_us: int) -> list[Due]:
        """Like `poll`, after a gap in the program's own running: each missed message goes out once.

        A gap longer than the stated stall time counts as a restart: back to `starting`, currents at zero, and
        frames that were built before it are dropped.
        """
        t_us = max(t_us, self._latest_us)
        gap_us = t_us - self._latest_us
        if gap_us > self.plan.times.stall_us:
            text = f"stood still for {gap_us / 1e6:.3f} s; allowed: {self.plan.times.stall_us / 1e6:g} s"
            self._notes.append(Note(t_us, "stalled", "the program", text))
            self._failsafe.restart(f"the program {text}")
            self._lost_banks.restart()
            for dropped in self._due:
                self.unsent(dropped)
            self._due.clear()
            self._next_tick_us += (t_us - self._next_tick_us) // self.plan.tick_us * self.plan.tick_us
        missed = self._schedule.skip_to(t_us)
        self._advance(t_us)
        self._build(t_us, missed)
        due, self._due = self._due, []
        return due

    def close(self, t_us: int) -> list[Due]:
        """For an orderly stop: zero currents, one last frame of every page that carries limits.

        Nothing while silent: an inverter left to its own time-out must not be woken by it. But what is owed.
        """
        due = self.poll(t_us)
        limits = [i for i, one in enumerate(self.plan.transmissions) if one.carries_limits]
        if self.decision.state is State.SILENT:
            limits = self._owing.owed(limits)
        self._failsafe.restart("stopping")
        self.decision = self._tick(self._latest_us, Doubt(Trouble.STOPPING, "the program"))
        for i in limits:
            self._build(self._latest_us, [i] * len(self.plan.transmissions[i].pages))
        last, self._due = self._due, []
        return due + last

    def heed(self, ahead: Bounds, says: str) -> None:
        """From the next tick on no limit is looser than `ahead` either; `says` is a warning, "" for none."""
        self._ahead, self._ahead_says = ahead, says

    def lead(self, t_us: int) -> None:
        """From now on what this engine makes is what is sent; see `bridge.core.handover`."""
        self._leader = None
        self._rivals.began(t_us)
        self._inputs = None
        self.decision = self._tick(t_us)

    def make(self, i: int, values: Mapping[str, float | None]) -> Frame:
        """The next frame of the `i`th transmission, of `values` in place of the decision's: for last words.

        Raises:
            NotExpressible: such a frame must not leave.
        """
        return self._maker.make(i, values)

    @property
    def latest_us(self) -> int:
        """Engine time reached: the latest stamp of any call; just before the start while there was none."""
        return self._latest_us if self._called else self.start_us - 1

    @property
    def kept(self) -> Kept:
        """What is worth handing to the next engine of this plan."""
        return self._course.keep(self._limits.kept)

    @property
    def going(self) -> Going | None:
        """How things stand, for a restart that goes on from there; `None` where it must begin from zero."""
        now = self.decision
        if now.state is State.FOLLOWING:
            since_us = now.t_us
        elif now.state is State.HOLDING:
            since_us = self._failsafe.since_us
        else:
            return None
        four = now.charge_voltage, now.charge_current, now.discharge_current, now.discharge_floor
        volts_v, charge_a, draw_a, floor_v = (limit.value for limit in four)
        return Going(since_us, (volts_v, charge_a, draw_a, floor_v), self._pack.known(now.t_us))

    @property
    def owed(self) -> frozenset[tuple[str, int]]:
        """While it is silent: the messages, by bus and key, that were to say zero and have not left."""
        return self._owing.messages

    @property
    def weighty(self) -> object:
        """What must not be forgotten for a moment: written at once where it is another than before."""
        return self._limits.weighty

    @property
    def next_deadline_us(self) -> int:
        """Engine time at which `poll` should be called next."""
        return min(self._next_tick_us, self._schedule.next_us)

    def take_notes(self) -> list[Note]:
        """What happened since the last call, in order."""
        notes, self._notes = self._notes, []
        return notes

    def _go_on(self, going: Going) -> None:
        """Begins as after a pause: what was sent last is held, for no longer than it may be."""
        times = self.plan.times
        if times.goes_on and 0 <= self.start_us - going.trusted_us <= times.hold_us:
            self._failsafe.go_on(going.trusted_us, self.start_us, "the program was started anew")
            self._limits.go_on(going)
            if self._allotment is not None:
                self._allotment.go_on(self.start_us, going.limits[1:3])
            self._pack.lost_before(going.heard)

    # ── time ────────────────────────────────────────────────────────────────────────────────────────

    def _advance(self, t_us: int) -> int:
        """Does all that is due up to `t_us`, in order; returns the time reached."""
        t_us = max(t_us, self._latest_us)
        self._latest_us, self._called = t_us, True
        schedule = self._schedule
        while True:
            if self._next_tick_us <= min(schedule.next_us, t_us):
                tick_us = self._next_tick_us
                self._next_tick_us += self.plan.tick_us
                self.decision = self._tick(tick_us)
            elif schedule.next_us <= t_us:
                slot_us = schedule.next_us
                self._build(slot_us, schedule.pop())
            else:
                return t_us

    def _tick(self, t_us: int, doubt: Doubt | None = None) -> Decision:
        decision = self._decide(t_us, doubt)
        self._owing.look(decision.state)
        if self._allotment is not None:
            decision = decision._replace(parts=self._allotment.look(t_us, decision.values))
        if self._reports is not None:
            decision = decision._replace(reports=self._reports.now)
        return decision

    def _decide(self, t_us: int, doubt: Doubt | None) -> Decision:
        plan, pack = self.plan, self._pack
        readings = [pack.read(bank, t_us) for bank in plan.banks]
        said = [reading.facts for reading in readings]
        active = self._active(t_us, readings, said)
        lost = self._lost(t_us, active)
        if doubt is None:
            doubt = next((r.doubt for r, on in zip(readings, active, strict=True) if on and r.doubt), None)
        state, cause, rivals = self._rivals.step(t_us, self._failsafe, doubt)
        unheard = self._heartbeats.unheard(t_us)
        course = self._course.step(t_us, plan.tick_us, state, readings, active)
        if self._course.news:
            self._notes += [Note(t_us, "told", *news) for news in self._course.take_news()]
        wrong = self._signs.wrong(t_us, readings)
        beside = self._beside(t_us, state, readings, active)
        inputs = (
            said,
            active,
            lost,
            state,
            cause,
            unheard,
            self._limits.wishes(t_us),
            self._told.wish_lasts(t_us),
            course,
            wrong,
            beside,
            rivals,
            self._ahead,
            self._ahead_says,
        )
        if self._leader is not None:
            self._limits.follow(self._leader._limits)
        elif inputs == self._inputs and self._limits.settled(t_us, readings) and self._told.settled:
            return Decision(t_us, *self.decision[1:])
        self._inputs = inputs
        limits = self._limits.decide(
            t_us,
            plan.tick_us / 1e6,
            state if self._leader is None or state is State.FOLLOWING else State.HOLDING,
            without(readings, wrong),
            active,
            lost,
            inverter_silent=any(inverter.zero_when_silent for inverter in unheard),
            course=course,
            ahead=self._ahead,
            faded=() if state is State.FOLLOWING else self._pack.faded(plan.banks, t_us),
        )
        alarms = self._limits.alarms
        warnings = [*alarms, *(f"{name} is lost" for name in lost)]
        warnings += [f"inverter {inverter.name} is not heard" for inverter in unheard]
        warnings += [*self._limits.warnings, *self._signs.warnings(wrong), *beside]
        warnings += filter(None, (rivals, self._ahead_says))
        known = merge(plan.banks, readings, active)
        flags = self._told.causes.flags(
            t_us, state, readings, active, limits, known, self._limits, self._lost_banks.names, lost, unheard
        )
        values = self._told.values(t_us, state, limits, known, warnings, course, flags, alarm=bool(alarms))
        words = tuple(warnings), course.sentence, course.progress
        return Decision(t_us, state, cause, *limits, values, *words)

    def _beside(
        self, t_us: int, state: State, readings: Sequence[Reading], active: Sequence[bool]
    ) -> tuple[str, ...]:
        """Warnings of banks apart, and of inverters that are out of reach, or of another mind."""
        found = self._circulation.warnings(t_us, readings)
        if self._allotment is not None:
            found += self._allotment.warnings
        if self._reports is not None:
            found += self._reports.look(t_us, state, readings, active)
            self._notes += [Note(t_us, "told", *news) for news in self._reports.take_news()]
        return found

    # ── parts of a tick ─────────────────────────────────────────────────────────────────────────────

    def _active(self, t_us: int, readings: Sequence[Reading], said: Sequence[Facts]) -> list[bool]:
        """Which banks count: those that are connected, less the lost ones unless they are all there are."""
        if not self._lost_banks.reduces and said == self._looked_at:
            return self._active_banks
        self._looked_at = said
        joined = [not reading.apart for reading in readings]
        self._tell_joined(t_us, joined)
        kept = self._lost_banks.active(t_us, readings)
        both = [on and here for on, here in zip(kept, joined, strict=True)]
        self._active_banks = both if any(both) else joined
        return self._active_banks

    def _tell_joined(self, t_us: int, joined: list[bool]) -> None:
        for bank, before, now in zip(self.plan.banks, self._joined, joined, strict=True):
            if before is not now:
                text = "joined to the others" if now else "not connected: it takes no share of the current"
                self._notes.append(Note(t_us, "told", f"bank {bank.name}", text))
        self._joined = joined

    def _lost(self, t_us: int, active: list[bool]) -> list[str]:
        """What once bounded the limits and is gone, without the pack being in doubt."""
        lost = [lost_bank(name) for name in sorted(self._lost_banks.names)]
        for bank, on in zip(self.plan.banks, active, strict=True):
            if on:
                lost += self._pack.lost(bank, t_us)
        return lost

    def _build(self, t_us: int, due: Iterable[int]) -> None:
        """Builds the frames of the transmissions `due`, or notes why one must not leave.

        While silent only those that say zero and have not left yet.
        """
        allotment = self._allotment
        for i in self._owing.owed(due) if self.decision.state is State.SILENT else due:
            page, made = self._maker.page(i), False
            values = self._told.kept if i in self._keeping else self.decision.values
            if allotment is not None:
                values = allotment.values(i, t_us, values)
            try:
                self._due.append(Due(t_us, self._maker.make(i, values)))
                self._owing.made(i)
                made = True
            except NotExpressible as refusal:
                kind = "waiting" if isinstance(refusal, NeverSeen) else "withheld"
                text = self._told.waits(t_us, str(refusal))
                self._notes.append(Note(t_us, kind, self.plan.transmissions[i].name, text))
            if allotment is not None:
                allotment.made(i, page, t_us, failed=not made)
            if self._reports is not None and made:
                self._reports.told(t_us, i, values)
