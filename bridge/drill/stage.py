"""Where one fault is rehearsed: the daemon itself, in a simulated site on the virtual clock."""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from bridge.core.failsafe import State
from bridge.core.plan import SECOND_US
from bridge.drill.budget import Budget
from bridge.drill.fault import Fault, View
from bridge.drill.result import Outcome, Result
from bridge.drill.rules import Rules
from bridge.errors import EXIT_OK
from bridge.frames import Frame
from bridge.profile.load import LoadedProfile, load_profile
from bridge.quantities import LIMITS
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.simulate.coder import Library
from bridge.simulate.inverter import Wish
from bridge.simulate.node import Speech
from bridge.simulate.site import BankView, Listener, Site
from bridge.simulate.world import Killed, VirtualWorld
from bridge.words import SHORT, amount

PROBE_US: Final = 50_000
"""How often the inverters are looked at between frames."""

TINY_S: Final = 1e-6

CHARGE: Final = 0.55
TEMPERATURE_C: Final = 25.0
"""The pack in the middle of its charge, at a temperature that suits every chemistry."""


class Stage:
    """One run of one fault. Use it once.

    Attributes:
        loaded: the profile.
        budget: its times.
        site, world: everything outside the daemon.
        dead_s: how long the process is gone when it is killed.
    """

    def __init__(self, loaded: LoadedProfile, library: Library, start_us: int) -> None:
        self.loaded = loaded
        self.budget = Budget(loaded.plan)
        limits = loaded.plan.limits
        self.site = Site(
            loaded,
            start_us,
            charge=CHARGE,
            wish=lambda _: Wish(0.6 * limits.charge_a, 0.0),
            temperature_c=TEMPERATURE_C,
            library=library,
        )
        self.world = VirtualWorld(self.site, start_us)
        self.dead_s = 0.0
        self.lines: list[str] = []
        self._profile: Callable[[], LoadedProfile] = lambda: loaded
        self._wall: tuple[Callable[[], float], Callable[[], int]] | None = None
        self._start_us = start_us
        self._rules = Rules(loaded.plan, self.budget)
        self._fault: Fault | None = None
        self._act_us = self._healed_us = 2**62
        self._before: dict[str, dict[str, float]] = {}
        self._since_us: int | None = None
        self._wrong: list[str] = []
        self._heals: list[Callable[[], None]] = []

    # ── what a fault may do ─────────────────────────────────────────────────────────────────────────

    def speeches(self, owner: str | None = None) -> list[Speech]:
        """The messages of one bank or inverter; of all banks."""
        owners = self.site.views if owner is None else (owner,)
        return [one for talker in self.site.talkers if talker.owner in owners for one in talker.speeches]

    def speech(self, number: int) -> Speech:
        """The message at one position of the plan's sources."""
        return next(one for talker in self.site.talkers for one in talker.speeches if one.number == number)

    def view(self, bank: str) -> BankView:
        """What a bank's monitor measures."""
        return self.site.views[bank]

    def later(self, seconds: float, action: Callable[[], None]) -> None:
        """Does something so many seconds from now."""
        self.world.at(self.world.t_us + round(seconds * SECOND_US), action)

    def on_heal(self, action: Callable[[], None]) -> None:
        """Does something when the fault is healed."""
        self._heals.append(action)

    def slide(self, first: float, last: float, seconds: float) -> Callable[[int], float]:
        """A value that moves evenly from now on, and back when the fault is healed."""
        begin_us, span_us = self.world.t_us, max(round(seconds * SECOND_US), 1)
        back: list[int] = []
        self._heals.append(lambda: back.append(self.world.t_us))

        def value(t_us: int) -> float:
            share = min((t_us - begin_us) / span_us, 1.0)
            if back:
                share = 1.0 - min((t_us - back[0]) / span_us, 1.0)
            return first + share * (last - first)

        return value

    def spoil_profile(self) -> None:
        """From now on the profile on the disk has a section nobody knows."""

        def load() -> LoadedProfile:
            with tempfile.TemporaryDirectory() as folder:
                copy = Path(folder) / self.loaded.path.name
                copy.write_bytes(self.loaded.path.read_bytes() + b"\n[no_such_section]\nfine = false\n")
                return load_profile(copy)

        self._profile = load

    def step_wall_clock(self, seconds: float) -> None:
        """From now on this process is told another time of day."""
        real = self._wall = (time.time, time.time_ns)
        setattr(time, "time", lambda: real[0]() + seconds)  # noqa: B010
        setattr(time, "time_ns", lambda: real[1]() + round(seconds * 1e9))  # noqa: B010
        self._heals.append(self._restore_wall_clock)

    def _restore_wall_clock(self) -> None:
        if self._wall is not None:
            setattr(time, "time", self._wall[0])  # noqa: B010
            setattr(time, "time_ns", self._wall[1])  # noqa: B010
            self._wall = None

    # ── the run ─────────────────────────────────────────────────────────────────────────────────────

    def run(self, fault: Fault) -> Result:
        """Rehearses a fault."""
        self._fault = fault
        world, budget = self.world, self.budget
        begin_us = self._start_us + round(budget.warm_s * SECOND_US)
        self._act_us = begin_us + round(fault.acts_after_s * SECOND_US)
        end_us = self._act_us + round(max(fault.lasts_s, fault.allowed_s + 1.0) * SECOND_US)
        over_us = end_us + round((fault.acts_after_s + budget.recovery_s) * SECOND_US)
        world.on_sent = self._sent
        world.at(begin_us, lambda: self._begin(fault))
        if fault.self_heals:
            world.at(self._act_us, lambda: self._over(fault))
        world.at(end_us, lambda: self._heal(fault))
        world.at(over_us, world.kill)  # what happens at an orderly stop is another matter
        saw, took_s = "", None
        try:
            self._live(over_us)
        except Exception as problem:
            self._wrong.append(f"the daemon ended: {type(problem).__name__}: {problem}")
        finally:
            self._restore_wall_clock()
        saw, took_s = self._saw
        self._judge(fault, took_s)
        shown_s = None if fault.wanted.throughout else took_s
        return Result(
            fault.name,
            fault.injected,
            fault.wanted.text,
            saw,
            shown_s,
            None if fault.wanted.throughout else round(fault.allowed_s, 3),
            Outcome.FAIL if self._wrong else Outcome.PASS,
            tuple(dict.fromkeys(self._wrong)),
        )

    _saw: tuple[str, float | None] = ("nothing", None)

    def _live(self, over_us: int) -> None:
        """The daemon's life, or lives."""
        while True:
            journal = Journal(make_logger("plain", self.lines.append))
            self._daemon = Daemon(self.loaded, self.world, journal, load=lambda: self._profile())
            try:
                code = self._daemon.run()
            except Killed:
                if self.world.t_us >= over_us:
                    return
                self.world.skip_to(self.world.t_us + round(self.dead_s * SECOND_US))
                self._forget()
                self.world.gone = False
            else:
                if code != EXIT_OK or self.world.t_us < over_us:
                    told = self.lines[-1] if self.lines else ""
                    self._wrong.append(f"the daemon ended with exit code {code}: {told}")
                return

    def _begin(self, fault: Fault) -> None:
        decision = self._daemon.engine.decision
        if decision.state is not State.FOLLOWING:
            self._wrong.append(f"no healthy start: {decision.state.name.lower()}, {decision.cause}")
        elif not decision.charge_current.value and not decision.discharge_current.value:
            self._wrong.append("no healthy start: both currents are at zero")
        self._before = {one.name: dict(one.latest) for one in self.site.listeners}
        self._rules.begin(self.site.listeners, steady=fault.lost)
        self.lines.clear()
        fault.inject(self)
        self._probe()

    def _heal(self, fault: Fault) -> None:
        self._look(None)
        took_s = None
        if self._since_us is not None:
            took_s = max(0.0, (self._since_us - self._act_us) / SECOND_US)
        self._saw = (self._seen(), took_s)
        self._healed_us = self.world.t_us
        for speech in self.speeches() + [s for n in self.site.listeners for s in self.speeches(n.name)]:
            speech.heal()
        for heal in self._heals:
            heal()
        if not fault.self_heals:
            self._over(fault)

    def _over(self, fault: Fault) -> None:
        if fault.silence:
            self._forget()
        self._rules.end(self.world.t_us)

    def _forget(self) -> None:
        for listener in self.site.listeners:
            for ear in listener.ears.values():
                ear.forget()

    # ── looking ─────────────────────────────────────────────────────────────────────────────────────

    def _probe(self) -> None:
        if self.world.t_us < self._healed_us:
            self._look(None)
            self.world.at(self.world.t_us + PROBE_US, self._probe)

    def _sent(self, t_us: int, frame: Frame) -> None:
        self._rules.sent(t_us, frame)
        decision = self._daemon.engine.decision
        for listener in self.site.listeners:
            if listener.seen and listener.seen[-1].t_us == t_us and listener.seen[-1].frame is frame:
                self._rules.seen(listener.name, listener.seen[-1], decision)
                if self._before and t_us < self._healed_us:
                    self._look(listener)

    def _look(self, told: Listener | None) -> None:
        """Notes since when every inverter sees what is wanted."""
        fault, t_us = self._fault, self.world.t_us
        if fault is None:
            return
        met = True
        for listener in self.site.listeners:
            fresh = listener.limits_us is not None and listener.limits_us >= self._act_us
            view = View(listener.latest, self._before[listener.name], listener.timed_out(t_us), fresh)
            this = fault.wanted.met(view)
            met = met and this
            limit_came = listener is told and any(name in listener.seen[-1].values for name in LIMITS)
            if not this and (fault.wanted.throughout or (fault.wanted.at_once and limit_came and fresh)):
                after_s = (t_us - self._act_us) / SECOND_US
                self._wrong.append(f"{after_s:.2f} s on, {listener.name} saw {describe(listener, t_us)}")
        if not met:
            self._since_us = None
        elif self._since_us is None:
            self._since_us = t_us

    def _seen(self) -> str:
        texts = [describe(listener, self.world.t_us) for listener in self.site.listeners]
        if len(texts) == 1:
            return texts[0]
        names = [listener.name for listener in self.site.listeners]
        return "; ".join(f"{name}: {text}" for name, text in zip(names, texts, strict=True))

    def _judge(self, fault: Fault, took_s: float | None) -> None:
        wrong = self._wrong
        if self._before and not fault.wanted.throughout:
            if took_s is None:
                wrong.append(f"{fault.wanted.text}: not seen")
            elif took_s > fault.allowed_s + TINY_S:
                wrong.append(f"took {took_s:.2f} s; allowed: {fault.allowed_s:.2f} s")
        if fault.says and not any(fault.says in line for line in self.lines):
            wrong.append(f"the journal does not say {fault.says!r}")
        wrong += self._rules.wrong
        for listener in self.site.listeners:
            before = self._before.get(listener.name, {})
            for name in ("charge_current_limit", "discharge_current_limit"):
                if name in before and listener.latest[name] < 0.9 * before[name]:
                    now = amount(name, listener.latest[name])
                    wrong.append(f"not recovered: {SHORT[name]} {now}; before: {amount(name, before[name])}")


def describe(listener: Listener, t_us: int) -> str:
    """What an inverter knows, in words: `charge 0.0 A, draw 0.0 A, up to 53.60 V`."""
    told = [
        f"{word} {amount(name, listener.latest[name])}"
        for word, name in (
            ("charge", "charge_current_limit"),
            ("draw", "discharge_current_limit"),
            ("up to", "charge_voltage_limit"),
        )
        if name in listener.latest
    ]
    if listener.timed_out(t_us):
        told.append("nothing new: stopped by itself")
    return ", ".join(told) or "nothing"
