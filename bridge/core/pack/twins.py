"""Two senders of one message: a second monitor with the same identifiers, or an old recording played back.

Three things give them away. Their counters run side by side, so that a frame continues an earlier one and not
the last. Their readings go to and fro between two levels, where one pack's would not. And their frames come
in pairs: each sender keeps the period, and they stand unevenly between each other's. A sender that is merely
fast, or irregular, or sends each frame twice, shows none of it; nor does one that restarts.

What is certain is doubt. Long before, at the first frame that came too soon or went back, the worst that is
still fresh counts of every reading.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from math import inf
from operator import ge, itemgetter, sub
from typing import Final

from bridge.core.plan.plan import Plan, Slot, Source, Target

Readings = list[tuple[int, float]]

WATCHED_US: Final = 5_000_000
"""So long after the last sign the worst of what is fresh counts, and a doubt lasts (own choice)."""

SOON: Final = 0.6
"""A frame that comes within this share of the period is one too soon (own choice)."""

BLUR: Final = 0.2
"""A period is kept, and two gaps are uneven, by this share of it (own choice)."""

PAIRS: Final = 14
MISSED: Final = 4
"""So many frames must stand in pairs, and one that does not takes so many off the count (own choice)."""

BACK: Final = 4
FRAMES: Final = 12
"""Readings went to and fro so often among so many frames (own choice)."""

COUNTS: Final = 3
COUNTED: Final = 8
"""And counters continued an earlier frame so often among so many (own choice)."""

USUAL: Final = 0.1
"""And a gap that differs from it by no more than this share is as usual (own choice)."""

SETTLED: Final = 20
"""Frames after which a period is known, if it is one (own choice)."""

MEMORY: Final = 32
REGULAR: Final = 0.25
"""A period is the mean of some such number of gaps; they differ from it by no more than this share."""

STEPS: Final = {
    "state_of_charge": 5.0,
    "cell_voltage": 0.15,
    "cell_voltage_min": 0.15,
    "cell_voltage_max": 0.15,
    "cell_temperature": 3.0,
    "cell_temperature_min": 3.0,
    "cell_temperature_max": 3.0,
}
"""No reading of these goes so far and back again from frame to frame, time after time (own choice)."""


_SLOT, _READING = itemgetter(0), itemgetter(1)


class _Page:
    """What is remembered of the frames of one page.

    Attributes:
        t_us, readings: the last frame.
        gap_us: between it and the one before.
        least_us, most_us: a gap within these is as usual; none is while the period is not known.
        seen, mean_us, dev_us: what the usual gap was learnt from.
        run: so many frames stand in pairs, `period_us` apart.
        slots, steps: each reading of the page, and what no such reading goes to and fro by.
        last, second, third: what the last three frames said in these.
    """

    __slots__ = (
        "dev_us",
        "gap_us",
        "last",
        "least_us",
        "mean_us",
        "most_us",
        "period_us",
        "readings",
        "run",
        "second",
        "seen",
        "slots",
        "steps",
        "t_us",
        "third",
    )

    def __init__(self, t_us: int) -> None:
        self.t_us = t_us
        self.readings: Readings = []
        self.gap_us = self.seen = self.run = 0
        self.period_us = self.mean_us = self.dev_us = 0.0
        self.least_us, self.most_us = inf, -inf
        self.slots: list[int] = []
        self.steps: list[float] = []
        self.last: list[float] = []
        self.second: list[float] = []
        self.third: list[float] = []

    def usual(self, gap_us: int) -> bool:
        """Whether this gap and the one before are as usual."""
        return self.least_us <= gap_us <= self.most_us and self.least_us <= self.gap_us <= self.most_us

    def remember(self, t_us: int, readings: Readings, values: list[float]) -> None:
        """The frame is the last one from now on."""
        self.t_us, self.readings = t_us, readings
        self.third, self.second, self.last = self.second, self.last, values


class Twin:
    """Watches one source. Mutable; owned by one engine.

    Args:
        source: what is watched.
        quantities: of each slot.

    Attributes:
        watched_until_us: the worst counts until then.
        doubted_until_us: and it is doubted until then.
        why: what gave them away.
    """

    __slots__ = (
        "_back",
        "_counters",
        "_counts",
        "_expected",
        "_pages",
        "_recent",
        "_source",
        "_steps",
        "_usual",
        "doubted_until_us",
        "watched_until_us",
        "why",
    )

    def __init__(self, source: Source, quantities: dict[int, str]) -> None:
        self._source = source
        self._steps = {t.slot: STEPS[quantities[t.slot]] for t in source.targets if _slow(t, quantities)}
        self._pages: dict[int, _Page] = {}
        self._counters: deque[int] = deque(maxlen=4)
        self._usual = 1
        self._counts: deque[bool] = deque(maxlen=COUNTED)
        self._back: deque[bool] = deque(maxlen=FRAMES)
        self._expected: int | None = None
        self._recent: deque[tuple[int, Readings]] = deque()
        self.watched_until_us = self.doubted_until_us = 0
        self.why = ""

    # ── a frame ─────────────────────────────────────────────────────────────────────────────────────

    def hear(self, t_us: int, counter: float | None, readings: Readings) -> bool:
        """Takes the readings of a frame that was believed, and its counter where it has one.

        Returns:
            Whether the frame was looked at closely, and so may have shown something.
        """
        if not readings:
            return False
        page = self._pages.get(readings[0][0])
        if page is None:
            page = self._pages[readings[0][0]] = _Page(t_us)
            self._look(t_us, page, counter, readings, first=True)
        elif not (
            page.usual(t_us - page.t_us)
            and t_us > self.watched_until_us
            and counter == self._expected
            and self._is_near(page, readings)
        ):
            self._look(t_us, page, counter, readings, first=False)
        else:  # in no way odd, as nearly all are
            page.gap_us = t_us - page.t_us
            self._back.append(False)
            page.remember(t_us, readings, [*map(_READING, readings)])
            if counter is not None:
                self._counted(int(counter))
            return False
        return True

    @staticmethod
    def _is_near(page: _Page, readings: Readings) -> bool:
        """Whether all readings are the same ones as before, and near the last."""
        gone = map(abs, map(sub, map(_READING, readings), page.last))
        return [*map(_SLOT, readings)] == page.slots and not any(map(ge, gone, page.steps))

    def _look(
        self, t_us: int, page: _Page, counter: float | None, readings: Readings, *, first: bool
    ) -> None:
        soon = not first and self._keeps_time(page, t_us, readings)
        values = self._aligned(page, readings)
        back = bool(self._steps) and self._goes_back(page, values)
        twice = counter is not None and self._counts_twice(int(counter))
        if soon or back or twice:
            if t_us > self.watched_until_us and not first:
                self._recent.clear()
                self._recent.append((page.t_us, page.readings))
            self.watched_until_us = t_us + WATCHED_US
        if t_us <= self.watched_until_us:
            self._recent.append((t_us, readings))
            while len(self._recent) > MEMORY * max(len(self._pages), 1):
                self._recent.popleft()
        page.remember(t_us, readings, values)
        self._judge(t_us, page, back=back, twice=twice)

    def _judge(self, t_us: int, page: _Page, *, back: bool, twice: bool) -> None:
        if twice and sum(self._counts) >= COUNTS:
            self._doubt(t_us, "its counter continues earlier frames, not the last")
        elif back and sum(self._back) >= BACK:
            self._doubt(t_us, "its readings go to and fro")
        elif page.run >= PAIRS:
            self._doubt(t_us, "its frames come in pairs")

    def _doubt(self, t_us: int, why: str) -> None:
        self.doubted_until_us = t_us + WATCHED_US
        self.why = f"{self._source.name} ({why})"

    def _keeps_time(self, page: _Page, t_us: int, readings: Readings) -> bool:
        """Whether the frame is one too soon; learns the period, and counts the frames that stand in pairs."""
        gap_us, before_us, usual = t_us - page.t_us, page.gap_us, page.usual(t_us - page.t_us)
        page.gap_us = gap_us
        if usual:  # no pair, nothing to learn
            return False
        period_us = page.mean_us if self._regular(page) else self._source.cycle_us
        if page.run:
            period_us = page.period_us
        in_pairs = (
            period_us > 0
            and abs(gap_us + before_us - period_us) <= BLUR * period_us
            and abs(gap_us - before_us) >= BLUR * period_us
        )
        # The same twice contradicts nothing: some senders repeat each frame.
        if not in_pairs or (gap_us < before_us and readings == page.readings):
            page.run = max(0, page.run - MISSED)
        else:
            page.run, page.period_us = min(page.run + 1, PAIRS), period_us
        page.seen += 1
        share = 1.0 / min(page.seen, MEMORY)
        page.dev_us += share * (abs(gap_us - page.mean_us) - page.dev_us)
        page.mean_us += share * (gap_us - page.mean_us)
        page.least_us, page.most_us = inf, -inf
        if not page.run and self._regular(page):
            page.least_us, page.most_us = (1.0 - USUAL) * page.mean_us, (1.0 + USUAL) * page.mean_us
        return gap_us < SOON * period_us

    @staticmethod
    def _regular(page: _Page) -> bool:
        return page.seen >= SETTLED and page.dev_us <= REGULAR * page.mean_us

    def _aligned(self, page: _Page, readings: Readings) -> list[float]:
        """What a frame says in the slots of its page; where it says nothing, what was said last."""
        said = dict(readings)
        for slot, reading in readings:
            if slot not in page.slots:
                page.slots.append(slot)
                page.steps.append(self._steps.get(slot, inf))
                for history in (page.last, page.second, page.third):
                    history.append(reading)
        return [said.get(slot, last) for slot, last in zip(page.slots, page.last, strict=True)]

    def _goes_back(self, page: _Page, values: Sequence[float]) -> bool:
        """Whether a slow reading went far from the last one, back to one of the two before."""
        rows = zip(values, page.last, page.second, page.third, page.steps, strict=True)
        found = any(
            abs(now - last) >= step and (abs(now - second) <= step / 2 or abs(now - third) <= step / 2)
            for now, last, second, third, step in rows
            if step < inf
        )
        self._back.append(found)
        return found

    def _counts_twice(self, counter: int) -> bool:
        """Whether the counter continues a frame before the last one."""
        span, before = self._source.counter_span, self._counters
        found = False
        if span and before:
            step = (counter - before[-1]) % span
            if len(before) > 1 and step == (before[-1] - before[-2]) % span:
                self._usual = step
            earlier = [*before][-2 : -2 - span // 4 : -1]
            found = step != self._usual and any((counter - one) % span == self._usual for one in earlier)
        self._counted(counter)
        self._counts.append(found)
        return found

    def _counted(self, counter: int) -> None:
        """The counter of the last frame; of an odd one, all signs are looked at again."""
        self._counters.append(counter)
        span = self._source.counter_span
        self._expected = (counter + self._usual) % span if span and not any(self._counts) else None

    # ── what counts ─────────────────────────────────────────────────────────────────────────────────

    def fresh(self, t_us: int, slots: Sequence[Slot]) -> Readings:
        """While watched: every reading that is still fresh, whoever sent it."""
        if t_us > self.watched_until_us:
            return []
        return [
            (slot, reading)
            for came_us, readings in self._recent
            for slot, reading in readings
            if came_us + slots[slot].max_age_us >= t_us
        ]


def _slow(target: Target, quantities: dict[int, str]) -> bool:
    return target.truth is None and quantities[target.slot] in STEPS


class Twins:
    """Watches all messages of all banks. Mutable; owned by one engine."""

    def __init__(self, plan: Plan) -> None:
        self._slots = plan.slots
        self._of: dict[str, list[Twin]] = {bank.name: [] for bank in plan.banks}
        self._watched_us = dict.fromkeys(self._of, 0)
        self._by_source: dict[int, Twin] = {}
        for source in plan.sources:
            if source.owner in self._of:
                twin = Twin(source, {t.slot: plan.slots[t.slot].quantity for t in source.targets})
                self._by_source[id(source)] = twin
                self._of[source.owner].append(twin)

    def hear(self, source: Source, t_us: int, numbers: Sequence[float | int | None], said: Readings) -> None:
        """Takes a frame that was believed: all its numbers, and the readings."""
        twin, counter = self._by_source.get(id(source)), source.counter
        if twin is None:
            return
        counted = None if counter is None or not source.counter_span else numbers[counter]
        if twin.hear(t_us, counted, said) and twin.watched_until_us > self._watched_us[source.owner]:
            self._watched_us[source.owner] = twin.watched_until_us

    def watches(self, bank: str, t_us: int) -> bool:
        """Whether any message of the bank may have two senders."""
        return t_us <= self._watched_us[bank]

    def doubted(self, bank: str, t_us: int) -> str:
        """Which message has two senders, and what gives them away; "" for none."""
        if t_us > self._watched_us[bank]:
            return ""
        return next((twin.why for twin in self._of[bank] if t_us <= twin.doubted_until_us), "")

    def said(self, bank: str, t_us: int) -> Iterator[tuple[str, float]]:
        """All that is fresh of such messages, by quantity."""
        for twin in self._of[bank]:
            for slot, reading in twin.fresh(t_us, self._slots):
                yield self._slots[slot].quantity, reading
