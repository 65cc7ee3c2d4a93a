"""The limits do not swing by themselves: how often they turn on the wire in an hour at the top."""

import random
from itertools import pairwise

import pytest

from tests.histories.strings import AH, CELLS, MOST_A, OHM, Drawn, Second, Story

HOUR_S = 3600


class Turns:
    """Counts changes of direction of at least a step."""

    def __init__(self, step: float, value: float) -> None:
        self._step, self._value, self._way = step - 1e-6, value, 0
        self.count = 0

    def take(self, value: float) -> None:
        """Takes the next value."""
        way = (value > self._value) - (value < self._value)
        turned = abs(value - self._value) >= self._step and way != self._way
        self.count += turned and self._way != 0
        if turned or way == self._way:
            self._way, self._value = way, value


def drawn(seed: int, **others: float) -> Drawn:
    """A pack at the foot of its knee; `contact`: how many times one cell's resistance."""
    draw = random.Random(seed)
    charges = [0.95 + draw.uniform(-0.015, 0.015) for _ in range(CELLS)]
    ohms = [0.67 * OHM * draw.uniform(0.85, 1.15) for _ in range(CELLS)]
    ohms[draw.randrange(CELLS)] *= others.pop("contact", 1.0)
    return Drawn(tuple(charges), tuple(ohms), slow=1.7, tau_s=100.0).but(**others)


def clouds(seed: int) -> list[float]:
    """What the sun gives, A: full, or some of it for two minutes or so."""
    draw, found = random.Random(seed), list[float]()
    clear = level = 1.0
    for _ in range(HOUR_S):
        if draw.random() < 1.0 / 120.0:
            clear = draw.uniform(0.1, 0.6) if clear == 1.0 else 1.0
        level += 0.25 * (clear - level)
        found.append(level * MOST_A)
    return found


def turns(pack: Drawn, sun_a: list[float], load_a: list[float], seed: int) -> tuple[int, int, Story]:
    """How often the charge voltage turned in an hour, and the charge current; and what it has come to."""
    draw = random.Random(seed)
    errors = tuple(draw.uniform(-0.002, 0.002) for _ in range(CELLS))
    story = Story(pack)
    volts, amps = Turns(0.1, 0.0), Turns(0.02 * AH, 0.0)
    for sun, load in zip(sun_a, load_a, strict=True):
        story.second(Second(sun, load, errors))
        volts.take(story.sent[0])
        amps.take(story.sent[1])
    return volts.count, amps.count, story


@pytest.mark.parametrize(
    ("others", "sun"),
    [
        ({"contact": 4.0}, [MOST_A] * HOUR_S),
        ({"step_v": 0.010}, [MOST_A] * HOUR_S),
        ({}, [0.07 * AH] * HOUR_S),
        ({}, clouds(3)),
    ],
    ids=["bad contact", "10 mV steps", "little sun", "clouds"],
)
def test_nothing_swings_by_itself(others: dict[str, float], sun: list[float]) -> None:
    """At most 12 turns an hour, of both limits together."""
    volts, amps, _ = turns(drawn(1, **others), sun, [0.0] * HOUR_S, 1)
    assert volts + amps <= 12


def test_loads_move_the_limits_but_wind_nothing_up() -> None:
    """Loads of one to five minutes each, some above what the sun gives.

    Two turns of each limit a change, besides three of the first search. The current that comes back when a
    load goes is no answer to a trial of the voltage: the offset stays at the drop along the cable, 0.28 V.
    """
    draw, load_a = random.Random(1), list[float]()
    while len(load_a) < HOUR_S:
        load_a += [draw.choice([0.0, 0.0, 40.0, 200.0])] * draw.choice([60, 200, 300])
    del load_a[HOUR_S:]
    changes = sum(before != after for before, after in pairwise(load_a))
    volts, amps, story = turns(drawn(1), [MOST_A] * HOUR_S, load_a, 1)
    assert max(volts, amps) <= 2 * changes + 3
    assert (story.limits.kept.learnt["bank1"].offset_v or 0.0) <= 0.35
