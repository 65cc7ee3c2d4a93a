"""What holds in every fault, whatever it is: the invariants, as an inverter can see them."""

from collections import deque
from collections.abc import Mapping
from math import inf
from typing import Final

from bridge.core.plan.plan import SECOND_US, Plan
from bridge.core.told.decision import Decision
from bridge.core.wire.outgoing import QuantityItem
from bridge.drill.budget import Budget
from bridge.drill.fault import DIRECTION, TINY
from bridge.drill.sums import Sums
from bridge.frames import Frame
from bridge.quantities import LIMITS
from bridge.simulate.node import Seen
from bridge.simulate.site import Listener
from bridge.words import SHORT, amount

FLOOR: Final = "discharge_voltage_floor"
PERMISSIONS: Final = ("charge_allowed", "discharge_allowed")

FRACTION_BITS: Final = {16: 10, 32: 23, 64: 52}
"""Of a floating-point number of so many bits (IEEE 754)."""


class Rules:
    """Watches one run.

    Attributes:
        wrong: every rule that was broken, in words, each once.
        steps: the coarsest step each limit is sent in.
        drift: a limit that is still followed may rise by so much at any moment.
    """

    def __init__(self, plan: Plan, budget: Budget, late_s: float = 0.0) -> None:
        limits = plan.limits
        self._budget = budget
        self._late_s = late_s
        self._hard = {
            "charge_voltage_limit": limits.charge_voltage_v,
            "charge_current_limit": limits.charge_a,
            "discharge_current_limit": limits.discharge_a,
            FLOOR: limits.discharge_floor_v,
        }
        self._rises = {
            "charge_voltage_limit": limits.rise_v_per_s,
            "charge_current_limit": limits.charge_rise_a_per_s,
            "discharge_current_limit": limits.discharge_rise_a_per_s,
            FLOOR: limits.rise_v_per_s,
        }
        self.steps = _steps(plan, self._hard)
        # A limit that is still followed may drift by what a ramp lets pass before it begins to rise, and what
        # moves by less than a step may pass from one step to the next.
        volts, amps = 2 * limits.voltage_deadband_v + TINY, 2 * limits.current_deadband_a + TINY
        self.drift = {
            "charge_voltage_limit": volts,
            "charge_current_limit": amps,
            "discharge_current_limit": amps,
            FLOOR: volts,
        }
        self.drift = {name: most + self.steps.get(name, 0.0) for name, most in self.drift.items()}
        # With the resting voltage a limit is closed, and a restart that has forgotten a lower one may say so.
        self._closed = {"charge_voltage_limit": limits.resting_v}
        self._periods = {(t.bus, t.layout.key): t for t in plan.transmissions}
        self._recent: dict[tuple[str, int], deque[int]] = {}
        self._ceiling: dict[tuple[str, str], float] = {}
        self._last: dict[tuple[str, str], tuple[int, float]] = {}
        self._draws_a: dict[str, float] = {}
        self._told_us: dict[tuple[str, str], int] = {}
        self._decided: dict[str, deque[tuple[int, float]]] = {}
        self._fall_from_us = self._rise_from_us = self._words_us = 0
        self._steady = False
        self._sums = Sums(plan)
        self.wrong: list[str] = []

    def begin(self, listeners: list[Listener], fall_from_us: int, *, steady: bool) -> None:
        """A fault begins: until `fall_from_us` limits may follow readings that are still fresh, and from then
        on nothing may rise until it is over; with `steady`, until data is steady again.
        """
        self._steady = steady
        self._fall_from_us, self._rise_from_us = fall_from_us, 2**62
        for listener in listeners:
            for name in LIMITS:
                if name in listener.latest:
                    loose = max(_looseness(name, listener.latest[name]), self._closed.get(name, -inf))
                    self._ceiling[listener.name, name] = loose

    def end(self, t_us: int) -> None:
        """The fault is over since `t_us`."""
        self._rise_from_us = t_us + (round(self._budget.steady_s * SECOND_US) if self._steady else 0)

    def forget(self, until_us: int) -> None:
        """The bridge starts anew, or says its last words, more than once: until then nothing is a burst, and
        counters begin anywhere.
        """
        self._recent.clear()
        self._words_us = max(self._words_us, until_us)

    def sent(self, t_us: int, frame: Frame) -> None:
        """No burst: of one message at most two frames within one period (one was late, one in time)."""
        transmission = self._periods.get((frame.bus, frame.key))
        if transmission is None:
            self._say(f"{frame} was sent, which no transmission makes")
            return
        if t_us < self._words_us:
            return
        recent = self._recent.setdefault((frame.bus, frame.key), deque(maxlen=3))
        recent.append(t_us)
        if len(recent) == 3 and recent[-1] - recent[0] < transmission.period_us - self._late_s * SECOND_US:
            self._say(
                f"burst: three frames of {transmission.name} within {transmission.period_us / 1e3:g} ms"
            )

    def seen(self, inverter: str, seen: Seen, decision: Decision | None) -> None:
        """One frame, as an inverter understood it, and the decision it was made from, if that is known."""
        gaps = seen.gaps if seen.t_us >= self._words_us else ()
        for fault in (*seen.faults, *gaps):
            self._say(f"{seen.name}: {fault}")
        for text in self._sums.seen(inverter, seen, decision):
            self._say(text)
        if decision is not None:
            for name in PERMISSIONS:
                if seen.values.get(name, 0.0) > (decision.values[name] or 0.0):
                    self._say(f"{name} was sent against the decision")
            for name in LIMITS:
                if name in seen.values:
                    self._against(name, seen.values[name], decision.limits[name].value, "decided")
        self._draws_a[inverter] = seen.values.get("discharge_current_limit", self._draws_a.get(inverter, 0.0))
        for name in LIMITS:
            if name in seen.values:
                self._told_us[inverter, name] = seen.t_us
                self._against(name, seen.values[name], self._hard[name], "the profile's own limit")
                # Where nothing may be drawn, a floor says nothing: after a restart it is the configured one.
                if name != FLOOR or abs(self._draws_a[inverter]) > TINY:
                    self._limit(inverter, seen.t_us, name, seen.values[name])

    def together(self, t_us: int, listeners: list[Listener], decision: Decision | None) -> None:
        """What all inverters may act on: within what the pack bears, and what was decided a moment ago.

        Whoever has not been reached since, goes on with what it was told last until its own time-out: then
        the others must have been told what that leaves of it.
        """
        if len(listeners) < 2:
            return
        window_us = round((self._budget.reaction_s + self._late_s) * SECOND_US)
        for name in DIRECTION:
            told = {
                one.name: one.heeded[name]
                for one in listeners
                if name in one.heeded and not one.timed_out(t_us)
            }
            total = sum(told.values())
            bound, whose = self._hard[name], "the profile's own limit"
            if decision is not None:
                recent = self._decided.setdefault(name, deque())
                recent.append((t_us, decision.limits[name].value))
                while recent[0][0] < t_us - window_us:
                    recent.popleft()
                stuck = sum(
                    value
                    for inverter, value in told.items()
                    if self._told_us.get((inverter, name), 0) < t_us - window_us
                )
                bound, whose = min(bound, max(stuck, *(a for _, a in recent))), "decided"
            if total > bound + len(told) * TINY:
                text = f"{SHORT[name]} {amount(name, total)}; {whose}: {amount(name, bound)}"
                self._say(f"all were told together: {text}")

    def _against(self, name: str, value: float, bound: float, whose: str) -> None:
        if _looseness(name, value) > _looseness(name, bound) + TINY:
            self._say(f"{_told(name, value)}; {whose}: {amount(name, bound)}")

    def _limit(self, inverter: str, t_us: int, name: str, value: float) -> None:
        loose = max(_looseness(name, value), self._closed.get(name, -inf))
        key = (inverter, name)
        if t_us < self._fall_from_us:
            self._ceiling[key] = loose
        elif t_us < self._rise_from_us and key in self._ceiling:
            self._ceiling[key] = min(loose, self._ceiling[key])
            if loose > self._ceiling[key] + self.drift[name]:
                self._say(f"{_told(name, value)}, looser again before it may")
        if key in self._last:
            then_us, before = self._last[key]
            seconds = (t_us - then_us) / SECOND_US + self._budget.tick_s + self._late_s
            most = before + self._rises[name] * seconds + self.steps.get(name, 0.0) + TINY
            if loose > most:
                self._say(f"{_told(name, value)}, {loose - before:g} more than {seconds:.2f} s before")
        self._last[key] = (t_us, loose)

    def _say(self, text: str) -> None:
        if text not in self.wrong and len(self.wrong) < 6:
            self.wrong.append(text)


def _looseness(name: str, value: float) -> float:
    """The larger, the looser."""
    return -value if name == FLOOR else value


def _told(name: str, value: float) -> str:
    return f"the inverter was told: {SHORT[name]} {amount(name, value)}"


def _steps(plan: Plan, most: Mapping[str, float]) -> dict[str, float]:
    """The coarsest step each limit is sent in: of a floating-point signal, that near the most."""
    steps: dict[str, float] = {}
    for transmission in plan.transmissions:
        for page in transmission.pages:
            for item in page:
                if isinstance(item, QuantityItem) and item.quantity in LIMITS:
                    field = item.grid.field
                    step = float(abs(item.grid.to_value(1) - item.grid.to_value(0)))
                    if field.is_float:
                        step = most[item.quantity] * 2.0 ** -FRACTION_BITS[field.length]
                    steps[item.quantity] = max(step, steps.get(item.quantity, 0.0))
    return steps
