"""Random senders of one message, honest and doubled, for the tests of `bridge.core.pack.twins`."""

from collections.abc import Iterator
from random import Random
from typing import NamedTuple

from bridge.core.pack.twins import Readings, Twin
from bridge.core.plan.plan import Source
from tests.core.plans import SECOND, Builder

QUANTITIES = {
    0: "cell_voltage_min",
    1: "cell_voltage_max",
    2: "cell_temperature_min",
    3: "cell_temperature_max",
    4: "pack_current",
    5: "state_of_charge",
}
PLAN = Builder().plan()


class Heard(NamedTuple):
    """One frame: when it came, its counter, what it says."""

    t_us: int
    counter: int | None
    readings: Readings


class Sender:
    """A cell monitor.

    Args:
        random: all chance.
        period_us: of its message.
        first_us: of its first frame.
        span: of its counter; 0 for none.
        apart: how far its cells are from another's, in steps of what no pack's do.
    """

    def __init__(self, random: Random, period_us: int, first_us: int, span: int, apart: float = 0.0) -> None:
        self._random, self.period_us, self._span = random, period_us, span
        self._grid_us = first_us
        self._count = random.randrange(span or 1)
        self._jitter = random.choice([0.0, 0.02, 0.05, 0.1])
        self._loss = random.choice([0.0, 0.0, 0.01, 0.05])
        self._walks = random.random() < 0.3
        self._cell_v = random.uniform(2.8, 3.5) + 0.15 * apart
        self._spread_v = random.uniform(0.0, 0.05)
        self._temperature_c = random.uniform(5.0, 30.0) + 3.0 * apart
        self._soc = min(100.0, random.uniform(10.0, 90.0) + 5.0 * apart)
        self._load = random.choice([0.0, 0.0, 0.01, 0.04])
        self._noise_v = random.choice([0.0005, 0.002, 0.005])

    def frames(self, until_us: int) -> Iterator[Heard]:
        """All its frames until then."""
        random = self._random
        while self._grid_us < until_us:
            late_us = int(abs(random.gauss(0.0, self._jitter)) * self.period_us)
            t_us = self._grid_us + min(late_us, self.period_us * 4 // 5)
            self._grid_us = t_us + self.period_us if self._walks else self._grid_us + self.period_us
            self._count += 1
            if random.random() < self._loss:
                continue
            yield self.said(t_us)

    def said(self, t_us: int) -> Heard:
        """What it says now."""
        random = self._random
        sag_v = self._load * random.choice([0.0, 1.0])
        low_v = self._cell_v - sag_v + random.gauss(0.0, self._noise_v)
        readings = [
            (0, round(low_v, 3)),
            (1, round(low_v + self._spread_v, 3)),
            (2, round(self._temperature_c + random.choice([0.0, 0.0, 0.1]), 1)),
            (3, round(self._temperature_c + 2.0, 1)),
            (4, round(random.gauss(50.0, 20.0), 1)),
            (5, self._soc),
        ]
        return Heard(t_us, self._count % self._span if self._span else None, readings)


def source(cycle_us: int, span: int) -> Source:
    """The message as the profile knows it."""
    first = PLAN.sources[1]
    targets = tuple(first.targets[0]._replace(slot=slot) for slot in QUANTITIES)
    return first._replace(targets=targets, cycle_us=cycle_us, counter_span=span)


def hear(twin: Twin, frames: list[Heard]) -> tuple[int | None, int]:
    """Plays frames in order of time; when it was first doubted, and for how many frames it was watched."""
    doubted, watched = None, 0
    last: int | None = None
    for t_us, counter, readings in sorted(frames, key=lambda one: one.t_us):
        if counter is not None and counter == last:  # refused before it comes here
            continue
        last = counter
        twin.hear(t_us, counter, readings)
        watched += t_us <= twin.watched_until_us
        if doubted is None and t_us <= twin.doubted_until_us:
            doubted = t_us
    return doubted, watched


def honest(seed: int) -> tuple[Twin, list[Heard]]:
    """A random honest sender, for a minute or several, and who watches it.

    Steady or by events, with loss, bursts after a congested bus, a restart, each frame sent twice, faster or
    slower than its definition says.
    """
    random = Random(seed)
    period_us = random.choice([100_000, 200_000, 250_000, 500_000, 1_000_000, 2_000_000])
    span = random.choice([0, 0, 4, 8, 16, 256])
    cycle_us = random.choice([0, period_us, period_us, period_us * 2, period_us // 2])
    until_us = 300 * period_us
    sender = Sender(random, period_us, SECOND, span)
    frames = list(sender.frames(until_us))
    kind = random.choice(["steady", "steady", "events", "bursts", "restart", "twice", "mode", "stall"])
    if kind == "events":  # and more frames when something changes
        more = [random.randrange(SECOND, until_us) for _ in range(random.randrange(10, 150))]
        frames += [Heard(t_us, None, sender.said(0).readings) for t_us in more]
        frames = [one._replace(counter=n % span if span else None) for n, one in enumerate(sorted(frames))]
    elif kind in ("bursts", "stall"):  # what was due meanwhile comes all at once
        for _ in range(random.randrange(1, 12)):
            begin = random.randrange(SECOND, until_us)
            end = begin + round(random.uniform(0.5, 8.0) * period_us)
            step = 300 if kind == "bursts" else 0
            late = [n for n, one in enumerate(frames) if begin <= one.t_us < end]
            for place, n in enumerate(late):
                frames[n] = frames[n]._replace(t_us=end + place * step)
    elif kind == "restart":
        middle = random.randrange(50, 250)
        shift = random.randrange(span or 1)
        frames = [
            one._replace(counter=(one.counter + shift) % span)
            if n > middle and one.counter is not None
            else one
            for n, one in enumerate(frames)
        ]
    elif kind == "twice" and not span:
        frames += [one._replace(t_us=one.t_us + 2_000) for one in frames]
    elif kind == "mode":  # it wakes, or goes to sleep
        factor = random.choice([2, 4, 5, 10])
        later = [one._replace(t_us=one.t_us * factor) for one in frames[:60]]
        offset = later[-1].t_us
        faster = [one._replace(t_us=offset + one.t_us) for one in frames]
        frames = later + faster if random.random() < 0.5 else faster
    return Twin(source(cycle_us, span), QUANTITIES), frames


def doubled(
    seed: int, *, apart: float | None = None, same: bool | None = None
) -> tuple[Twin, list[Heard], int]:
    """Two random senders, who watches them, and when the second began.

    Args:
        seed: of all chance.
        apart: see `Sender`; drawn if `None`.
        same: whether both have one period; drawn if `None`.
    """
    random = Random(seed)
    period_us = random.choice([100_000, 200_000, 250_000, 500_000, 1_000_000])
    same = random.random() < 0.6 if same is None else same
    other_us = period_us if same else round(period_us * random.uniform(0.4, 2.5))
    span = random.choice([0, 0, 4, 16, 256])
    cycle_us = random.choice([0, period_us])
    joins_us = random.choice([SECOND, SECOND + 60 * period_us]) + random.randrange(period_us)
    apart = random.choice([0.1, 0.5, 1.2, 3.0]) if apart is None else apart
    until_us = joins_us + 100 * period_us
    first = Sender(random, period_us, SECOND, span)
    second = Sender(random, other_us, joins_us, span, apart)
    second._cell_v = first._cell_v + 0.15 * apart
    second._temperature_c = first._temperature_c + 3.0 * apart
    second._soc = min(100.0, first._soc + 5.0 * apart)
    return (
        Twin(source(cycle_us, span), QUANTITIES),
        [*first.frames(until_us), *second.frames(until_us)],
        joins_us,
    )
