"""Watches the inverters during one fault, wherever it is rehearsed, and judges what they saw."""

from collections import deque
from collections.abc import Mapping
from math import inf

from bridge.core.plan.plan import SECOND_US, Plan
from bridge.core.told.decision import Decision
from bridge.drill.budget import Budget
from bridge.drill.fault import DIRECTION, TINY, Fault, View
from bridge.drill.result import Outcome, Result
from bridge.drill.rules import Rules
from bridge.frames import Frame
from bridge.quantities import LIMITS
from bridge.simulate.site import Listener, Site
from bridge.words import SHORT, amount

TINY_S = 1e-6
FOLLOWED = 1.1
"""What is followed may rise so far while a fault acts on something else (own choice)."""

BY_ITSELF_S = 0.1
"""An inverter that nothing reaches stops so long after its time-out, at the latest: it is looked at often."""

NEVER_US = 2**62


class Watch:
    """What is seen of one fault.

    Attributes:
        act_us: when the fault acts; set it before `begin`.
        healed_us: when it was healed.
        wrong: everything that was not as it should be.
    """

    def __init__(
        self, plan: Plan, site: Site, fault: Fault, late_s: float = 0.0, *, patient: bool = True
    ) -> None:
        """Watches from now on.

        Args:
            plan: the profile.
            site: its inverters are watched.
            fault: what will be injected.
            late_s: so much later than its stamp a frame may be seen, on a real bus.
            patient: it is watched until also what is remembered of the fault is over.
        """
        self.fault = fault
        self.site = site
        self.act_us = self.healed_us = NEVER_US
        self.wrong: list[str] = []
        self._budget = Budget(plan)
        self._rules = Rules(plan, self._budget, late_s)
        self._late_s = late_s
        self._patient = patient
        self._before: dict[str, dict[str, float]] = {}
        self._since_us: dict[str, int] = {}
        self._took_s: dict[str, float] = {}
        self._first: dict[str, dict[str, float]] = {one.name: {} for one in site.listeners}
        self._saw = "nothing"
        self._recent: deque[tuple[int, dict[str, float]]] = deque()
        self._most_together: dict[str, float] = {}
        self._higher: dict[str, str] = {}
        self._old: dict[str, str] = {}
        self._flows: set[tuple[str, str]] = set()
        self._back: set[tuple[str, str]] = set()

    def begin(self) -> None:
        """The fault begins: what is known now is what it is compared with."""
        self._before = {one.name: dict(one.latest) for one in self.site.listeners}
        for name in DIRECTION:
            self._most_together[name] = max((total[name] for _, total in self._recent), default=inf)
        fall_from_us = 0
        if self.fault.follows:
            fall_from_us = NEVER_US
        elif self.fault.lost and not self.fault.self_heals:
            # So long what was read last is still fresh, and the law goes on following it.
            fresh_s = self.fault.allowed_s - self._budget.hold_s - self._budget.reaction_s
            fall_from_us = self.act_us + round(max(0.0, fresh_s) * SECOND_US)
        self._rules.begin(self.site.listeners, fall_from_us, steady=self.fault.lost)

    def sent(self, t_us: int, frame: Frame, decision: Decision | None) -> None:
        """A frame left the bridge and was heard; made from `decision`, where that is known."""
        self._rules.sent(t_us, frame)
        if not self._before:
            self._note_total(t_us, decision)
        for listener in self.site.listeners:
            if listener.seen and listener.seen[-1].frame is frame:
                self._rules.seen(listener.name, listener.seen[-1], decision)
                if t_us < self.healed_us:
                    self.look(t_us, listener)
                    self._look_for_old(t_us, listener)
                else:
                    self._note_recovery(t_us, listener)
        self._rules.together(t_us, self.site.listeners, decision)

    def _look_for_old(self, t_us: int, listener: Listener) -> None:
        """What has grown too old is not shown as if it were so now."""
        after_s = (t_us - self.act_us) / SECOND_US
        for name in self.fault.gone.intersection(listener.seen[-1].values):
            if after_s > self.fault.gone_after_s + self._late_s and name not in self._old:
                self._old[name] = f"{after_s:.2f} s on, {listener.name} was told {name}, which is too old"

    def _note_total(self, t_us: int, decision: Decision | None) -> None:
        """What is decided for all of late; while their shares move, they may be told less together."""
        total = self._total(t_us)
        if decision is not None:
            total = {name: max(amps, decision.limits[name].value) for name, amps in total.items()}
        self._recent.append((t_us, total))
        while self._recent[0][0] < t_us - 2 * self._budget.reaction_s * SECOND_US:
            self._recent.popleft()

    def _note_recovery(self, t_us: int, listener: Listener) -> None:
        """A current counts as back once it was: afterwards the charge law may test the charger again."""
        before = self._before.get(listener.name, {})
        recovery_s = self.fault.acts_after_s + self._budget.recovery_s
        soon = not self._patient or t_us <= self.healed_us + recovery_s * SECOND_US
        for name in DIRECTION:
            if name in before and soon and (listener.latest[name] > TINY or before[name] <= TINY):
                self._flows.add((listener.name, name))
            short_a = self._rules.drift[name] / 2  # a rise by less than the deadband is not made
            if name in before and listener.latest[name] >= self.fault.back * before[name] - short_a:
                self._back.add((listener.name, name))

    def look(self, t_us: int, told: Listener | None = None) -> None:
        """Notes since when every inverter sees what is wanted; `told` has just been told something."""
        if not self._before:
            return
        wanted = self.fault.wanted
        total = self._total(t_us)
        for listener in self.site.listeners:
            name, told_now = listener.name, listener.seen[-1].values if listener is told else {}
            if told_now and t_us >= self.act_us:
                first = {one: told_now[one] for one in LIMITS if one in told_now}
                if self._trusted(t_us):  # what comes for the first time now may have risen before
                    first = dict.fromkeys(first, 0.0)
                self._first[name] = first | self._first[name]
                self._none_higher(total)
            view = self._view(listener, t_us, total)
            met = wanted.met(view)
            if (wanted.throughout and not met) or (listener is told and wanted.never(view)):
                after_s = (t_us - self.act_us) / SECOND_US
                self.wrong.append(f"{after_s:.2f} s on, {name} saw {describe(listener, t_us)}")
            if not met:
                self._since_us.pop(name, None)
            else:
                self._since_us.setdefault(name, t_us)

    def _none_higher(self, total: Mapping[str, float]) -> None:
        """While a fault acts, all inverters together are told no more than before; a limit may drift.

        More so where it follows true data: other currents are shared otherwise.
        """
        rise = FOLLOWED if self.fault.follows else 1.02
        for name in DIRECTION:
            drift_a = len(self.site.listeners) * self._rules.steps.get(name, 0.0) + self._rules.drift[name]
            most_a = rise * self._most_together[name] + drift_a + TINY
            if total[name] > most_a:
                self._higher.setdefault(
                    name,
                    f"all were told together: {SHORT[name]} {amount(name, total[name])}; "
                    f"before the fault: {amount(name, self._most_together[name])}",
                )

    def _view(self, listener: Listener, t_us: int, total: Mapping[str, float]) -> View:
        return View(
            listener.name,
            listener.latest,
            self._before[listener.name],
            listener.timed_out(t_us),
            frozenset(self._first[listener.name]),
            self._first[listener.name],
            self._trusted(t_us),
            self._rules.steps,
            self._rules.drift,
            total,
        )

    def _trusted(self, t_us: int) -> bool:
        """Whether data may have been steady again for its time, where the fault is over when it acts."""
        if not (self.fault.self_heals and self.fault.lost):
            return False
        steady_s = self._budget.steady_s - self._budget.tick_s - self._late_s
        return t_us >= self.act_us + steady_s * SECOND_US

    def _total(self, t_us: int) -> dict[str, float]:
        active = [one.heeded for one in self.site.listeners if not one.timed_out(t_us)]
        return {name: sum(heeded.get(name, 0.0) for heeded in active) for name in DIRECTION}

    def allowed_s(self, listener: Listener) -> float:
        """How soon an inverter must see what is wanted: before it gives up by itself, unless it must."""
        timeout_s = listener.timeout_us / SECOND_US
        if listener.name in self.fault.alone:
            return self.fault.alone_after_s + timeout_s + BY_ITSELF_S
        if self.fault.comes_and_goes:
            return self.fault.allowed_s
        return min(self.fault.allowed_s, timeout_s)

    @property
    def longest_s(self) -> float:
        """How soon the last inverter must see it."""
        return max(self.allowed_s(listener) for listener in self.site.listeners)

    def healed(self, t_us: int) -> None:
        """The fault is healed: what the inverters know now is the result."""
        self.look(t_us)
        for listener in self.site.listeners if self._before else ():
            if not self.fault.wanted.at_end(self._view(listener, t_us, self._total(t_us))):
                self.wrong.append(
                    f"{self.fault.wanted.text}: at the end, {listener.name} saw {describe(listener, t_us)}"
                )
        for name, since_us in self._since_us.items():
            self._took_s[name] = max(0.0, (since_us - self.act_us) / SECOND_US)
        texts = {one.name: describe(one, t_us) for one in self.site.listeners}
        alone = len(texts) == 1
        self._saw = "; ".join(text if alone else f"{name}: {text}" for name, text in texts.items())
        self.healed_us = t_us

    def over(self, t_us: int) -> None:
        """The fault acts no more: recovery may begin."""
        if self.fault.silence:
            self.forget()
        self._rules.end(t_us - round(self.fault.early_s * SECOND_US))

    def forget(self, words_until_us: int = 0) -> None:
        """The bridge starts anew, or frames were lost: counters may go on anywhere. Last words until then."""
        for listener in self.site.listeners:
            for ear in listener.ears.values():
                ear.forget()
        self._rules.forget(words_until_us)

    def recovered(self) -> bool:
        """Whether both currents have been back, or nearly, since the fault was healed.

        Where it is not waited until what is remembered of it is over, it is enough that they flow.
        """
        seen = self._flows if self.fault.remembers_s and not self._patient else self._back
        return self._all_of(seen)

    def _all_of(self, seen: set[tuple[str, str]]) -> bool:
        return all(
            (one.name, name) in seen
            for one in self.site.listeners
            for name in DIRECTION
            if name in self._before.get(one.name, {})
        )

    def result(self, lines: list[str]) -> Result:
        """The row for the table; `lines` is what the journal said since the fault began."""
        fault, wrong = self.fault, list(self.wrong)
        timed = not fault.wanted.throughout
        took_s, allowed_s = self._worst() if timed and self._before else (None, self.longest_s + self._late_s)
        if self._before and timed:
            if took_s is None:
                wrong.append(f"{fault.wanted.text}: not seen")
            elif took_s > allowed_s + TINY_S:
                wrong.append(f"took {took_s:.2f} s; allowed: {allowed_s:.2f} s")
        if self._before and fault.says and not any(fault.says in line for line in lines):
            wrong.append(f"the journal does not say {fault.says!r}")
        wrong += self._rules.wrong
        wrong += [*self._higher.values(), *self._old.values()]
        if self._before and not self._all_of(self._flows):
            wrong += self._not_recovered(self._flows)
        elif self._before and not self.recovered():
            wrong += self._not_recovered(self._back)
        return Result(
            fault.name,
            fault.injected,
            fault.wanted.text,
            self._saw,
            took_s if timed else None,
            round(allowed_s, 3) if timed else None,
            Outcome.FAIL if wrong else Outcome.PASS,
            tuple(dict.fromkeys(wrong)),
        )

    def _worst(self) -> tuple[float | None, float]:
        """What the inverter that came off worst took, `None` if it never saw it, and was allowed."""
        rows = [(self._took_s.get(one.name), self.allowed_s(one)) for one in self.site.listeners]
        took_s, allowed_s = max(rows, key=lambda row: inf if row[0] is None else row[0] - row[1])
        return took_s, allowed_s + self._late_s

    def _not_recovered(self, seen: set[tuple[str, str]]) -> list[str]:
        return [
            f"not recovered: {SHORT[name]} {amount(name, one.latest[name])}; "
            f"before: {amount(name, before[name])}"
            for one in self.site.listeners
            for before in [self._before[one.name]]
            for name in DIRECTION
            if name in before and (one.name, name) not in seen
        ]


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
