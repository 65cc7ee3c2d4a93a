"""Sun and loads, second by second."""

from typing import Final

import numpy as np

from tests.homes.cells import Array, Flags

APPLIANCES: Final = (
    # on and off for so many seconds, at least and at most; in C at least and at most
    ((3.0, 20.0), (10.0, 150.0), (0.03, 0.30)),
    ((2.0, 8.0), (4.0, 40.0), (0.02, 0.15)),
    ((30.0, 300.0), (60.0, 900.0), (0.05, 0.35)),
    ((60.0, 600.0), (200.0, 1500.0), (0.05, 0.30)),
    ((1200.0, 5400.0), (600.0, 3600.0), (0.02, 0.20)),
)
TOGETHER: Final = 0.4
"""So many of the appliances come and go with another, within two seconds."""

MOST_LOAD_C: Final = 0.6


def clouds(random: np.random.Generator, seconds: int, cloudy: Flags) -> Array:
    """Share of the sun: clouds come and go, each within some seconds."""
    homes = len(cloudy)
    every_s = random.uniform(40.0, 300.0, homes)
    pace = random.uniform(0.1, 0.5, homes)
    clear, level = np.ones(homes), np.ones(homes)
    sky = np.empty((seconds, homes))
    for n in range(seconds):
        flips = cloudy & (random.random(homes) < 1.0 / every_s)
        clear = np.where(flips, np.where(clear < 1.0, 1.0, random.uniform(0.05, 0.6, homes)), clear)
        level += (clear - level) * pace
        sky[n] = level
    return sky


def _times(
    random: np.random.Generator, seconds: int, on: tuple[float, float], off: tuple[float, float]
) -> Array:
    """When one appliance is on: 0 or 1 by second."""
    found = np.zeros(seconds)
    on_s, off_s = random.uniform(*on), random.uniform(*off)
    t = random.uniform(-on_s, off_s)
    while t < seconds:
        end = t + on_s * random.uniform(0.5, 1.5)
        found[max(int(t), 0) : max(int(end), 0)] = 1.0
        t = end + off_s * random.uniform(0.5, 1.5)
    return found


def loads_c(random: np.random.Generator, seconds: int, switching: Flags) -> Array:
    """What the loads draw, in C, by second and home: a little always, and what is switched."""
    total = np.tile(random.uniform(0.002, 0.02, len(switching)), (seconds, 1))
    for home in np.flatnonzero(switching):
        before: Array | None = None
        for _ in range(random.integers(3, 7)):
            on, off, size = APPLIANCES[random.integers(len(APPLIANCES))]
            if before is not None and random.random() < TOGETHER:
                times = np.roll(before, random.integers(0, 3))
            else:
                times = _times(random, seconds, on, off)
            before = times
            total[:, home] += times * random.uniform(*size)
    return np.minimum(total, MOST_LOAD_C)


def ripples(random: np.random.Generator, seconds: int, size_a: Array) -> Array:
    """A current that goes to and fro, whatever the limits are: half of it in a period, half without any."""
    t = np.arange(seconds)[:, None]
    period_s, phase = random.uniform(1.3, 9.0, len(size_a)), random.uniform(0.0, 6.3, len(size_a))
    wave = np.sin(2.0 * np.pi * t / period_s + phase)
    return np.asarray(size_a * (0.5 * wave + 0.5 * random.uniform(-1.0, 1.0, wave.shape)))
