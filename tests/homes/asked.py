"""What a law is held to on the homes of a row, and what of it the figures of one law miss."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from tests.homes.drain_run import DrawFigures
from tests.homes.trial import Figures

STALL_S: Final = 120.0
CHARGE_MEDIAN, CHARGE_P1 = 99.9, 99.7
TURNS_MEAN, TURNS_P99 = 6.0, 12.0
LEAST_TURNS: Final = 1.0
"""Fewer turns an hour than this need not be fewer than a tenth of the taper's."""

CALLED_S: Final = 60.0
STEP_US, STEP_DECODES = 60.0, 15.0
"""Of one bank; either will do, for the machine may be busy."""

PLAIN: Final = ("plain", "taper")
"""Laws that are not held to it, but told beside the others."""


def misses(f: Figures) -> list[str]:
    """In words, each with what was asked; empty if all is reached.

    Over the target: nothing beyond what the oracle with the same delays comes over; 3 mV more with readings
    up to 2 s late or a dead time that was not told; 2 mV where a limit is ignored, 5 mV with loads, clouds
    or ripple; both together, the sum.
    """
    found = [*_above("trips", float(f.tripped.sum()), 0.0)]
    worst = int((f.beyond_mv - f.over_allowed_mv).argmax())
    found += _above(f"over in home {worst}", float(f.beyond_mv[worst]), float(f.over_allowed_mv[worst]))
    found += _above("stall in s", float(f.stall_s.max()), STALL_S)
    found += _below("charge, median", float(np.median(f.charge)), CHARGE_MEDIAN)
    found += _below("charge, p1", float(np.percentile(f.charge, 1)), CHARGE_P1)
    found += _above("turns, mean", float(f.turns.mean()), TURNS_MEAN)
    found += _above("turns, p99", float(np.percentile(f.turns, 99)), TURNS_P99)
    found += _above("hours wrongly believed", float(f.believed_h.sum()), 0.0)
    bound = ~np.isnan(f.called_s)
    if bound.any():
        found += _above("s until called", float(f.called_s[bound].max()), CALLED_S)
    if f.step_us > STEP_US:
        found += _above("decodes a step", f.step_us / f.decode_us, STEP_DECODES)
    return found


def draw_misses(f: DrawFigures, taper: DrawFigures) -> list[str]:
    """The same of a discharge.

    No cell under its floor, but for 3 mV with readings up to 2 s late or what was not told of the inverter,
    and where it ignores the current limit; energy as of the guarded taper, with a tenth of its turns.
    """
    found = [*_above("trips", float(f.tripped.sum()), 0.0)]
    worst = int((f.under_mv - f.allowed_mv).argmax())
    found += _above(f"under in home {worst}", float(f.under_mv[worst]), float(f.allowed_mv[worst]))
    found += _below("energy, median", float(np.median(f.energy)), float(np.median(taper.energy)))
    found += _below("energy, p1", float(np.percentile(f.energy, 1)), float(np.percentile(taper.energy, 1)))
    found += _above("turns, mean", float(f.turns.mean()), max(0.1 * float(taper.turns.mean()), LEAST_TURNS))
    found += _above("turns, p99", float(np.percentile(f.turns, 99)), TURNS_P99)
    found += _above("hours wrongly believed", float(f.believed_h.sum()), 0.0)
    if f.step_us > STEP_US:
        found += _above("decodes a step", f.step_us / f.decode_us, STEP_DECODES)
    return found


def _above(what: str, found: float, most: float) -> Iterator[str]:
    if not found <= most:
        yield f"{what} {found:.5g} (at most {most:g})"


def _below(what: str, found: float, least: float) -> Iterator[str]:
    if not found >= least:
        yield f"{what} {found:.6g} (at least {least:g})"
