"""What the laws are held to, and what of it one scenario's figures miss.

mV over the target or under the floor; % of what the oracle takes or delivers; multiples of its time; changes
of direction an hour of both limits together; a step in µs here, or in messages decoded.
"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from tests.bench.charge_run import Outcome
from tests.bench.charge_scenarios import Scenario
from tests.bench.draw_run import DrawOutcome
from tests.bench.draw_scenarios import DrawScenario

CHARGE_MEDIAN, CHARGE_P1 = 99.85, 99.75
TIME_MEDIAN, TIME_P95 = 1.008, 1.025
ENERGY_P1: Final = 99.3
TURNS_MEAN, TURNS_P99 = 6.0, 12.0
STEP_US, STEP_DECODES = 60.0, 15.0

COARSE_V, COARSE_S = 0.01, 10
"""Sensors in such steps, or read so seldom, are coarse: what they cost in time is stated, not limited."""

OPEN_MV, IGNORED_MV = 5.0, 2.0
"""With coarse sensors, a bad contact, or clouds where a limit is ignored, a law may pass its target by so
much (and open its own margin); the latter where a limit is ignored otherwise."""


def charge_misses(scenario: Scenario, o: Outcome, decode_us: float) -> list[str]:
    """In words, each with what was asked; empty if all is reached."""
    coarse = scenario.cell_step_v >= COARSE_V or scenario.every_s >= COARSE_S
    obeys = scenario.obeys_voltage and scenario.obeys_current
    opens = coarse or scenario.kind == "contact" or (scenario.clouds and not obeys)
    misses = [*_above("trips", o.tripped.sum(), 0.0)]
    if scenario.no_current or scenario.start is not None:  # beyond what is asked: no harm is enough
        return [*misses, *_above("over", o.over_mv.max(), OPEN_MV)]
    misses += [
        *_above("over", o.over_mv.max(), OPEN_MV if opens else 0.0 if obeys else IGNORED_MV),
        *_below("charge, median", np.median(o.charge), CHARGE_MEDIAN),
        *_below("charge, p1", np.percentile(o.charge, 1), CHARGE_P1),
        *_wire(o, decode_us),
    ]
    if not coarse:
        misses += _above("time, median", np.median(o.time), TIME_MEDIAN)
        misses += _above("time, p95", np.percentile(o.time, 95, method="lower"), TIME_P95)
    return misses


def draw_misses(scenario: DrawScenario, o: DrawOutcome, decode_us: float) -> list[str]:
    """The same of a discharge; of an ignored limit only a quiet wire is asked."""
    misses = list(_wire(o, decode_us))
    if scenario.obeys_floor and scenario.obeys_current:
        misses += _above("under", o.under_mv.max(), 0.0)
        misses += _above("trips", o.tripped.sum(), 0.0)
        misses += _below("energy, p1", np.percentile(o.energy, 1), ENERGY_P1)
    return misses


def _wire(o: Outcome | DrawOutcome, decode_us: float) -> Iterator[str]:
    yield from _above("turns, mean", o.reversals_per_hour.mean(), TURNS_MEAN)
    yield from _above("turns, p99", np.percentile(o.reversals_per_hour, 99), TURNS_P99)
    if o.step_us > STEP_US:
        yield from _above("decodes a step", o.step_us / decode_us, STEP_DECODES)


def _above(what: str, found: float, most: float) -> Iterator[str]:
    if not found <= most:
        yield f"{what} {found:.6g} (at most {most:g})"


def _below(what: str, found: float, least: float) -> Iterator[str]:
    if not found >= least:
        yield f"{what} {found:.6g} (at least {least:g})"
