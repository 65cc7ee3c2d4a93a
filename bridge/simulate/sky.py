"""Sun and loads over a day, drawn from a seed: currents they would drive at the pack's terminals."""

import math
import random
from bisect import bisect_right
from collections.abc import Callable
from typing import Final

from bridge.simulate.inverter import DAY_S, Wish

HOUR_S: Final = 3600.0

WEATHERS: Final = {
    "clear": "clear sky",
    "clouds": "clouds pass, each for some minutes",
}

LOADS: Final = {
    "none": "no load",
    "evening": "little by day, a heavy load from 18:00 to 23:30",
    "steps": "little at all times, a large load for some minutes again and again from 07:00 to 23:00",
}
"""What can be chosen, in words."""

SUN_SHARE: Final = 0.25
BASE_SHARE: Final = 0.018
EVENING_SHARE: Final = 0.20
STEP_SHARES: Final = (0.1, 0.5)
"""Currents as a share of the capacity (1/h): the sun at noon unless stated, and the loads."""

SUNRISE_H: Final = 6.0
SUNSET_H: Final = 20.0
EDGE_S: Final = 20.0
"""A cloud takes this long to draw over."""


class _Wave:
    """A value over time that changes at given times, with or without an edge."""

    def __init__(self, points: list[tuple[float, float]], edge_s: float) -> None:
        self._times = [t_s for t_s, _ in points]
        self._values = [value for _, value in points]
        self._edge_s = edge_s

    def at(self, t_s: float) -> float:
        n = bisect_right(self._times, t_s) - 1
        if n < 0:
            return self._values[0]
        gone_s = t_s - self._times[n]
        if n == 0 or gone_s >= self._edge_s:
            return self._values[n]
        before = self._values[n - 1]
        return before + (self._values[n] - before) * gone_s / self._edge_s


def clear_sun(t_s: float) -> float:
    """Share of the noon sun at a time of day: a squared sine from 6 to 20 h."""
    hour = t_s % DAY_S / HOUR_S
    if not SUNRISE_H < hour < SUNSET_H:
        return 0.0
    return math.sin(math.pi * (hour - SUNRISE_H) / (SUNSET_H - SUNRISE_H)) ** 2


def made_day(
    weather: str, load: str, *, seed: int, capacity_ah: float, sun_a: float | None, end_s: float
) -> Callable[[float], Wish]:
    """Sun and loads by seconds since the midnight before the start.

    Args:
        weather: one of `WEATHERS`.
        load: one of `LOADS`.
        seed: the same seed gives the same clouds and loads.
        capacity_ah: of the pack; the loads are a share of it.
        sun_a: what a clear sun gives at noon; `SUN_SHARE` of the capacity if not given.
        end_s: when nobody looks any more.
    """
    peak_a = SUN_SHARE * capacity_ah if sun_a is None else sun_a
    clouds = _clouds(random.Random(f"{seed}/clouds"), end_s) if weather == "clouds" else None
    steps = _steps(random.Random(f"{seed}/steps"), end_s) if load == "steps" else None

    def wish(t_s: float) -> Wish:
        solar_a = peak_a * clear_sun(t_s)
        if clouds is not None and solar_a:
            solar_a *= clouds.at(t_s)
        if load == "none":
            return Wish(solar_a, 0.0)
        share = BASE_SHARE
        if steps is not None:
            share += steps.at(t_s)
        elif 18.0 <= t_s % DAY_S / HOUR_S < 23.5:
            share += EVENING_SHARE
        return Wish(solar_a, share * capacity_ah)

    return wish


def _clouds(draw: random.Random, end_s: float) -> _Wave:
    points, t_s = [(0.0, 1.0)], 0.0
    while t_s < end_s:
        t_s += draw.uniform(120.0, 1500.0)
        points.append((t_s, draw.uniform(0.1, 0.6)))
        t_s += draw.uniform(60.0, 600.0)
        points.append((t_s, draw.uniform(0.85, 1.0)))
    return _Wave(points, EDGE_S)


def _steps(draw: random.Random, end_s: float) -> _Wave:
    points, t_s = [(0.0, 0.0)], 0.0
    while t_s < end_s:
        t_s += draw.uniform(600.0, 2400.0)
        hour = t_s % DAY_S / HOUR_S
        if 7.0 <= hour < 23.0:
            points.append((t_s, draw.uniform(*STEP_SHARES)))
            t_s += draw.uniform(60.0, 480.0)
            points.append((t_s, 0.0))
    return _Wave(points, 0.0)
