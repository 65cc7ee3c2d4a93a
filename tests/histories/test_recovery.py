"""An hour of readings that are wrong, then honest ones: what was learnt is kept within bounds, and goes.

The lies are told to the limits alone; the pack lives on under what they answer.
"""

import random
from collections.abc import Callable

import pytest

from bridge.core.cells.resistance import LEAST, MOST
from bridge.core.charging.charge_offset import LEAST_V, MOST_V
from bridge.core.pack.state import Reading
from tests.histories.strings import CELLS, MOST_A, OHM, PLAN, Drawn, Second, Story, reading

Lie = Callable[[random.Random, int, list[float], float], Reading]
HONEST_S = 720
"""The charger is forgotten after 10 min; then the current rises."""


def contact(_: random.Random, second: int, cells_v: list[float], amps: float) -> Reading:
    """One cell has twenty times the resistance for 5 s, and none of it for 5 s."""
    bad_v = 20.0 * OHM * amps if second % 10 < 5 else 0.0
    return reading([cells_v[0] + bad_v, *cells_v[1:]], amps)


def stuck(_: random.Random, __: int, cells_v: list[float], amps: float) -> Reading:
    """One cell always shows the same, in the knee."""
    return reading([3.45, *cells_v[1:]], amps)


def noise(draw: random.Random, _: int, cells_v: list[float], amps: float) -> Reading:
    """Every reading is off by up to 20 mV."""
    return reading([round(v + draw.uniform(-0.02, 0.02), 3) for v in cells_v], amps)


def chaos(draw: random.Random, _: int, cells_v: list[float], amps: float) -> Reading:
    """Every cell shows anything between empty and full."""
    return reading([round(draw.uniform(3.0, 3.6), 3) for _ in cells_v], amps)


def drift(_: random.Random, second: int, cells_v: list[float], amps: float) -> Reading:
    """The current sensor shows half as much, and half as much again."""
    return reading(cells_v, round(amps * (0.5 + second % 20 / 20.0), 1))


def deceived(lie: Lie, seed: int, ohm: float) -> tuple[Story, float]:
    """A pack on its plateau after an hour of lies under a sun that comes and goes; and what flowed before."""
    draw = random.Random(seed)
    charges = tuple(0.20 + draw.uniform(-0.01, 0.01) for _ in range(CELLS))
    ohms = tuple(OHM * ohm * draw.uniform(0.85, 1.15) for _ in range(CELLS))
    story = Story(Drawn(charges, ohms, tau_s=100.0, reads_v=-0.1))
    for _ in range(120):
        story.second(Second())
    before_a, sun_a = story.pack.amps, MOST_A
    for n in range(3600):
        if draw.random() < 0.02:
            sun_a = draw.choice([0.0, MOST_A, draw.uniform(0.0, MOST_A)])
        cells_v, amps = story.seen
        story.second(Second(sun_a), told=lie(draw, n, [round(v, 3) for v in cells_v], round(amps, 1)))
        volts, limit_a, *_ = story.sent
        assert volts <= PLAN.limits.charge_voltage_v + 1e-6
        assert 0.0 <= limit_a <= MOST_A
    return story, before_a


@pytest.mark.parametrize(
    ("lie", "seed", "ohm"),
    [(contact, 2, 1.0), (stuck, 4, 0.67), (noise, 1, 1.0), (chaos, 1, 1.0), (drift, 2, 1.0)],
)
def test_an_hour_of_lies_is_over_after_twelve_minutes(lie: Lie, seed: int, ohm: float) -> None:
    """Then as much flows as before; and whatever was learnt lay within its bounds."""
    story, before_a = deceived(lie, seed, ohm)
    learnt = story.limits.kept.learnt["bank1"]
    assert all(LEAST <= factor <= MOST for factor in learnt.ohms)
    assert LEAST_V <= (learnt.offset_v or 0.0) <= MOST_V
    flows_a = []
    for _ in range(HONEST_S):
        story.second(Second())
        flows_a.append(story.pack.amps)
    assert sum(flows_a[-60:]) / 60.0 >= 0.97 * before_a
