"""Random sites of several inverters, and an observer of what each of them may act on.

The observer shares nothing with the allotment: it reads the frames bit by bit, keeps what reached whom, and
adds up what all may act on, each until its own time-out.
"""

from collections import deque
from dataclasses import dataclass, field, replace
from fractions import Fraction
from random import Random

from bridge.core.engine import Due, Engine
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Inverter, Plan, Slot, Source, Target
from bridge.core.wire.codec import Decoder, MessageLayout
from bridge.core.wire.grid import Grid
from bridge.core.wire.outgoing import FixedItem, FlagItem, Item, QuantityItem, Transmission
from bridge.frames import Frame
from bridge.quantities import QUANTITIES
from tests.core.layouts import walk
from tests.core.plans import BUS, SECOND, Builder, intel, seen_before
from tests.core.rig import level

LIMITS = ("charge_current_limit", "discharge_current_limit")
STEP_US = 50_000
STEPS_A = (0.05, 0.1, 0.25, 1.0)


@dataclass
class Receiver:
    """One inverter as it really is.

    Attributes:
        told_a, told_us: what it heard last of each limit, and when.
        heard_us: when it heard any frame last.
        dead, mute: it neither hears nor says anything; it hears, but is not heard.
        uses: share of what it is told that it uses.
    """

    plan: Inverter
    report: MessageLayout | None
    every_us: int
    next_us: int
    told_a: dict[str, Fraction] = field(default_factory=dict)
    told_us: dict[str, int] = field(default_factory=dict)
    heard_us: int | None = None
    dead: bool = False
    mute: bool = False
    uses: float = 1.0

    def hear(self, t_us: int) -> None:
        """A frame reaches it. After its own time-out it takes nothing before it is told anew."""
        if self.heard_us is not None and t_us - self.heard_us > self.plan.timeout_us:
            self.told_a.clear()
        self.heard_us = t_us

    def acts_a(self, limit: str, t_us: int) -> Fraction:
        """What it may take of one limit now."""
        takes = self.plan.charges if limit == LIMITS[0] else self.plan.discharges
        if not takes or self.heard_us is None or t_us - self.heard_us > self.plan.timeout_us:
            return Fraction(0)
        return self.told_a.get(limit, Fraction(0))


@dataclass
class Site:
    """A plan and its receivers. `buses`: what the frames of each transmission go out on."""

    plan: Plan
    receivers: list[Receiver]
    step_a: float


def draw_site(rng: Random) -> Site:
    """One to four inverters of all roles, shares, periods, time-outs and layouts."""
    base = Builder(parts=frozenset({"totals", "extremes", "permits"})).plan()
    count = rng.choice((1, 2, 2, 3, 3, 4))
    by_need = count > 1 and rng.random() < 0.3
    broadcast = not by_need and rng.random() < 0.2
    slots, sources = list(base.slots), list(base.sources)
    inverters: list[Inverter] = []
    receivers: list[Receiver] = []
    stated = rng.random() < 0.5
    weights = [rng.randint(1, 9) for _ in range(count)]
    step_a = rng.choice(STEPS_A)
    for n in range(count):
        name, role = f"inverter{n}", rng.choice(("both", "both", "charges", "discharges"))
        if n == 0:
            role = "both"
        share = Fraction(weights[n], sum(weights)) if stated and rng.random() < 0.7 else None
        reports = by_need or rng.random() < 0.6
        layout: MessageLayout | None = None
        mine: dict[str, int] = {}
        if reports:
            layout = MessageLayout(
                f"Report{n}", 0x400 + n, 3, (intel("beat", 0, 8), intel("amps", 8, 16, 0.1, signed=True))
            )
            for quantity in ("inverter_heartbeat", "inverter_current"):
                mine[quantity] = len(slots)
                slots.append(Slot(quantity, name, 0, rng.choice((1, 2, 3)) * SECOND, required=False))
            targets = (
                Target(mine["inverter_heartbeat"], "beat", 1.0, 0.0, None, 0.0, 255.0, None),
                Target(mine["inverter_current"], "amps", 1.0, 0.0, None, -5000.0, 5000.0, None),
            )
            decoder = Decoder(layout, ["beat", "amps"])
            sources.append(Source(layout.name, BUS, layout.key, decoder, targets, None, None, None, name))
        inverters.append(
            Inverter(
                name,
                rng.randint(4, 15) * SECOND,
                mine.get("inverter_heartbeat"),
                zero_when_silent=rng.random() < 0.2,
                charges=role != "discharges",
                discharges=role != "charges",
                charge_share=share if role != "discharges" else None,
                discharge_share=share if role != "charges" else None,
                slots=mine,
            )
        )
        every_us = rng.choice((200_000, 500_000))
        receivers.append(Receiver(inverters[-1], layout, every_us, rng.randrange(every_us)))
    told: list[Transmission] = []
    numbers: list[int | None] = [None] if broadcast else list(range(count))
    for member in numbers:
        told += _transmissions(rng, member, step_a, len(told))
    plan = base._replace(
        slots=tuple(slots),
        sources=tuple(sources),
        inverters=tuple(inverters),
        transmissions=tuple(told),
        by_need=by_need,
    )
    return Site(plan, receivers, step_a)


def _transmissions(rng: Random, member: int | None, step_a: float, number: int) -> list[Transmission]:
    """Both limits and the permissions in one message, in two, or in the pages of one."""
    key, name = 0x200 + 16 * number, None if member is None else f"inverter{member}"
    period_us = rng.choice((50_000, 100_000, 200_000, 500_000, 1_000_000))

    def item(layout: MessageLayout, quantity: str) -> Item:
        place = layout.field(quantity)
        if quantity.endswith("allowed"):
            return FlagItem(quantity, quantity, 1, 0)
        return QuantityItem(quantity, quantity, Grid(place, rounding=QUANTITIES[quantity].rounding))

    def one(layout: MessageLayout, pages: list[list[Item]], at: int) -> Transmission:
        phase_us = rng.randrange(0, period_us, 10_000)
        return Transmission(
            layout.name, f"out{at % 2}", layout, period_us, phase_us, tuple(map(tuple, pages)), name
        )

    flags = (intel("charge_allowed", 48, 1), intel("discharge_allowed", 49, 1))
    limits = [intel(LIMITS[0], 8, 16, step_a), intel(LIMITS[1], 24, 16, step_a)]
    form = rng.choice(("one", "two", "pages"))
    if form == "one":
        layout = MessageLayout(f"Both{number}", key, 8, (*limits, *flags))
        return [one(layout, [[item(layout, place.name) for place in layout.fields]], number)]
    if form == "two":
        found = []
        for way in (0, 1):
            layout = MessageLayout(f"Way{number}{way}", key + 1 + way, 8, (limits[way], flags[way]))
            found.append(one(layout, [[item(layout, place.name) for place in layout.fields]], number + way))
        return found
    page = intel("page", 0, 8)
    fields = [replace(limits[way], mux=(("page", frozenset({way})),)) for way in (0, 1)]
    layout = MessageLayout(f"Paged{number}", key + 3, 8, (page, *fields))
    return [one(layout, [[FixedItem("page", way), item(layout, LIMITS[way])] for way in (0, 1)], number)]


class Life:
    """A site at work, and everything that goes wrong around it.

    Attributes:
        wrong: what was found against the rules.
        frames: how many were judged.
        most_used: the largest share of what the pack bears that all were told at once.
    """

    def __init__(self, seed: int, *, faults: bool = True) -> None:
        self.rng = Random(seed)
        self.site = draw_site(self.rng)
        self.faults = faults
        plan = self.site.plan
        self.engine = Engine(plan, 0, seen_before(plan))
        self.pack = level()
        self.t_us = 0
        self.wrong: list[str] = []
        self.frames = 0
        self.most_used = 0.0
        self.down: set[str] = set()
        self._bus_until: dict[str, int] = {}
        self._heal_us: list[tuple[int, Receiver]] = []
        self._members = {
            one.layout.key: [r for r in self.site.receivers if one.inverter in (None, r.plan.name)]
            for one in plan.transmissions
        }
        self._layouts = {one.layout.key: one.layout for one in plan.transmissions}
        self._reads: dict[tuple[int, bytes], dict[str, Fraction]] = {}
        round_us = max(one.period_us * len(one.pages) for one in plan.transmissions)
        ages_us = [plan.slots[r.plan.heartbeat].max_age_us for r in self.site.receivers if r.plan.heartbeat]
        self._round_us = round_us + 3 * plan.tick_us
        self._notice_us = self._round_us + (2 * round_us + max(ages_us, default=0) if faults else 0)
        self._recent: list[deque[tuple[int, float]]] = [deque(), deque()]
        self._sent_a: list[dict[str, tuple[Fraction, int]]] = [{}, {}]

    def run(self, seconds: float) -> None:
        """Lets time pass."""
        until_us = self.t_us + round(seconds * SECOND)
        while self.t_us < until_us and not self.wrong:
            self._step()

    def _step(self) -> None:
        rng, engine = self.rng, self.engine
        if rng.random() < 0.02:
            self.pack.charge_most_a = rng.choice((0.0, 1.0, 20.0, 60.0, 100.0)) * rng.random()
            self.pack.draw_most_a = rng.choice((0.0, 1.0, 20.0, 60.0, 120.0)) * rng.random()
        if self.faults:
            self._break()
        if self.t_us % 200_000 == 0:
            for frame in (self.pack.totals(), self.pack.extremes(), self.pack.permits()):
                engine.receive(self.t_us, frame)
        for receiver in self.site.receivers:
            self._report(receiver)
        # The daemon is a little late at times, but never by more than a tick.
        self.t_us += STEP_US if rng.random() < 0.9 else 2 * STEP_US
        for due in engine.poll(self.t_us):
            self._dispatch(due)
        self._judge()

    def _break(self) -> None:
        rng = self.rng
        if rng.random() < 0.004:
            bus = f"out{rng.randrange(2)}"
            self._bus_until[bus] = self.t_us + round(rng.random() * rng.choice((1, 20)) * SECOND)
        if rng.random() < 0.004:
            receiver = rng.choice(self.site.receivers)
            receiver.dead = receiver.plan.heartbeat is not None and rng.random() < 0.7
            receiver.mute = not receiver.dead
            # An absence that is shorter than the age allowed to a sign of life cannot be noticed.
            least_s = 0.0 if receiver.plan.heartbeat is None else 3.5
            self._heal_us.append((self.t_us + round((least_s + rng.random() * 25) * SECOND), receiver))
        if rng.random() < 0.02:
            rng.choice(self.site.receivers).uses = rng.random()
        for until_us, receiver in [one for one in self._heal_us if one[0] <= self.t_us]:
            receiver.dead = receiver.mute = False
            self._heal_us.remove((until_us, receiver))

    def _report(self, receiver: Receiver) -> None:
        while receiver.report is not None and receiver.next_us <= self.t_us:
            receiver.next_us += receiver.every_us
            if not receiver.dead and not receiver.mute:
                amps = receiver.acts_a(LIMITS[0], self.t_us) - receiver.acts_a(LIMITS[1], self.t_us)
                raw = round(float(amps) * receiver.uses * 10)
                data = bytes([receiver.next_us // receiver.every_us % 256]) + raw.to_bytes(
                    2, "little", signed=True
                )
                self.engine.receive(self.t_us, Frame(BUS, receiver.report.key, data))

    def _dispatch(self, due: Due) -> None:
        self.frames += 1
        lost = self._bus_until.get(due.frame.bus, 0) > self.t_us or (self.faults and self.rng.random() < 0.01)
        said = self._read(due.frame)
        if lost:
            self.engine.unsent(due)
            for way, limit in enumerate(LIMITS):
                if limit in said:  # this set of frames is not whole
                    for receiver in self._members[due.frame.key]:
                        self._sent_a[way].pop(receiver.plan.name, None)
            return
        for way, limit in enumerate(LIMITS):
            if limit in said:
                for receiver in self._members[due.frame.key]:
                    self._sent_a[way][receiver.plan.name] = said[limit], self.t_us
        for receiver in self._members[due.frame.key]:
            if not receiver.dead:
                receiver.hear(self.t_us)
                for name in LIMITS:
                    if name in said:
                        receiver.told_a[name], receiver.told_us[name] = said[name], self.t_us

    def _read(self, frame: Frame) -> dict[str, Fraction]:
        key = frame.key, frame.data
        if key not in self._reads:
            layout = self._layouts[frame.key]
            page = frame.data[0] if layout.fields[0].name == "page" else None
            self._reads[key] = {
                place.name: walk(place, frame.data) * Fraction(repr(place.factor))
                for place in layout.fields
                if not place.mux or page in place.mux[0][1]
            }
        return self._reads[key]

    def _judge(self) -> None:
        decision = self.engine.decision
        for way, limit in enumerate((decision.charge_current.value, decision.discharge_current.value)):
            recent = self._recent[way]
            recent.append((self.t_us, limit))
            while recent[0][0] < self.t_us - self._notice_us - self._round_us:
                recent.popleft()
            most_a = max(value for _, value in recent)
            # Whoever was told within a round can be told to take less. Who was not told for longer than it
            # takes to notice it counts, until it stops by itself. In between nothing is asked.
            fresh_a = stuck_a = Fraction(0)
            for r in self.site.receivers:
                acts_a = r.acts_a(LIMITS[way], self.t_us)
                age_us = self.t_us - r.told_us.get(LIMITS[way], 0)
                if age_us > self._notice_us:
                    stuck_a += acts_a
                elif age_us <= self._round_us:
                    fresh_a += acts_a
            if fresh_a and fresh_a + stuck_a > Fraction(repr(most_a)):
                found = f"{float(fresh_a)}, {float(stuck_a)} of those that cannot be told"
                self.wrong.append(f"{self.t_us}: {LIMITS[way]} {found}; the pack bore {most_a}")
            now_a = max(value for t_us, value in recent if t_us >= self.t_us - self._round_us)
            takers = [r.plan.name for r in self.site.receivers if (r.plan.charges, r.plan.discharges)[way]]
            sent = [self._sent_a[way][name] for name in takers if name in self._sent_a[way]]
            sent_a = sum(amps for amps, t_us in sent if self.t_us - t_us < self._round_us)
            if sent_a > Fraction(repr(now_a)):
                self.wrong.append(f"{self.t_us}: {LIMITS[way]} told {float(sent_a)}; the pack bore {now_a}")
            if now_a and decision.state is State.FOLLOWING:
                self.most_used = max(self.most_used, float(sent_a) / now_a)
