"""Resting voltage by charge, from published tables: a smooth, rising curve through every point.

The tables are those of PyBaMM 26.10 (BSD-3), parameter sets Prada2013 (LFP), Chen2020 (NMC) and NCA_Kim2011
(NCA), their values retyped. Below 20 % the LFP table is not Prada's, which borrows its graphite from another
cell and falls some tenths of a volt under what is measured there. It is that of a measured cell of LFP and
graphite, 3 Ah (M. Naumann, doctoral thesis, TU Munich 2018, as kept by SimSES 1.3.4, BSD-3), less the 62 mV
by which that stands above Prada's at 20 % and at 30 %. At 0 % both are 2.0 V.
"""

import itertools
import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import Final

_CHARGE: Final = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)

_LFP_CHARGE: Final = (0.0, 0.01, 0.02, 0.03, 0.05, 0.07, 0.1, *_CHARGE[3:])
LFP_V: Final = (
    2.0,
    2.6887,
    2.8109,
    2.8871,
    2.9881,
    3.0571,
    3.1273,
    3.1685,
    3.2058,
    3.2525,
    3.266,
    3.2688,
    3.274,
    3.3097,
    3.3142,
    3.3164,
    3.6,
)
LFP_TABLE: Final = tuple(zip(_LFP_CHARGE, LFP_V, strict=True))
"""Charge and resting voltage of the LFP cell."""

NMC_V: Final = (
    2.5,
    3.1094,
    3.2959,
    3.4852,
    3.5814,
    3.667,
    3.7509,
    3.8406,
    3.9479,
    4.0421,
    4.0967,
    4.1236,
    4.2,
)
NCA_V: Final = (
    2.7,
    3.1939,
    3.2471,
    3.3721,
    3.4918,
    3.5978,
    3.6846,
    3.7678,
    3.8742,
    3.9803,
    4.0803,
    4.1354,
    4.2,
)
"""V at 0, 5, 10, 20 .. 90, 95 and 100 % of charge."""


class RisingCurve:
    """A monotone cubic through points (Fritsch and Butland: harmonic means as slopes), straight beyond them.

    Args:
        xs, ys: the points; both rise.
        last_slope: slope at the last point; that of the last piece if not given.
    """

    __slots__ = ("_slopes", "_xs", "_ys")

    def __init__(self, xs: Sequence[float], ys: Sequence[float], last_slope: float | None = None) -> None:
        self._xs, self._ys = tuple(xs), tuple(ys)
        rises = [
            (y1 - y0) / (x1 - x0)
            for (x0, x1), (y0, y1) in zip(itertools.pairwise(xs), itertools.pairwise(ys), strict=True)
        ]
        inner = [2.0 * a * b / (a + b) for a, b in itertools.pairwise(rises)]
        self._slopes = (rises[0], *inner, rises[-1] if last_slope is None else last_slope)

    def at(self, x: float) -> float:
        """The curve at `x`."""
        xs, ys, slopes = self._xs, self._ys, self._slopes
        if x <= xs[0]:
            return ys[0] + slopes[0] * (x - xs[0])
        if x >= xs[-1]:
            return ys[-1] + slopes[-1] * (x - xs[-1])
        n = bisect_right(xs, x) - 1
        width = xs[n + 1] - xs[n]
        u = (x - xs[n]) / width
        rest = 1.0 - u
        return (
            ys[n] * (1.0 + 2.0 * u) * rest * rest
            + ys[n + 1] * u * u * (3.0 - 2.0 * u)
            + width * u * rest * (slopes[n] * rest - slopes[n + 1] * u)
        )


_KNEE: Final = _CHARGE[-2]
_KNEE_V: Final = LFP_V[-2]
# The rise at the top follows an e-fold for each 0.97 % of charge, fitted to the same parameter set.
_E_FOLD: Final = 0.0097
_RISE_V: Final = (LFP_V[-1] - _KNEE_V) / math.expm1((1.0 - _KNEE) / _E_FOLD)
_FULL_SLOPE_V: Final = _RISE_V / _E_FOLD * math.exp((1.0 - _KNEE) / _E_FOLD)
_BELOW: Final = RisingCurve(_LFP_CHARGE[:-1], LFP_V[:-1], _RISE_V / _E_FOLD)

nmc_open_circuit_v: Final = RisingCurve(_CHARGE, NMC_V).at
"""Resting voltage of an NMC cell in volts at a charge of 0..1 (Chen2020)."""

nca_open_circuit_v: Final = RisingCurve(_CHARGE, NCA_V).at
"""Resting voltage of an NCA cell in volts at a charge of 0..1 (NCA_Kim2011)."""


def lfp_open_circuit_v(charge: float) -> float:
    """Return the resting voltage of an LFP cell in volts at a charge of 0..1.

    Smooth and strictly rising: a monotone cubic through the table up to 95 %, then an exponential to
    3.6 V at 100 %. Beyond either end it goes on along the tangent, so that an overcharged or emptied cell
    shows itself.
    """
    if charge < _KNEE:
        return _BELOW.at(charge)
    if charge >= 1.0:
        return LFP_V[-1] + _FULL_SLOPE_V * (charge - 1.0)
    return _KNEE_V + _RISE_V * math.expm1((charge - _KNEE) / _E_FOLD)
