"""How the pack's two current limits are shared out among several inverters and chargers.

A share is a whole number of parts of a whole that all shares of a site have in common, so that a part of a
limit on the 1e-6 grid is exact, and the sum of all parts is never more than the limit.
"""

from collections.abc import Sequence
from fractions import Fraction
from math import lcm
from typing import Final, NamedTuple

from bridge.core.plan.plan import Inverter, Plan

CHARGE: Final = 0
DRAW: Final = 1
WAYS: Final = (CHARGE, DRAW)
"""The two directions of current."""

FINE: Final = 1000
"""Shares by need are told apart this finely."""


class Shares(NamedTuple):
    """Who gets what.

    Attributes:
        whole: the parts that make up a limit.
        fixed: for charging and for discharging: the parts of each inverter.
    """

    whole: int
    fixed: tuple[tuple[int, ...], tuple[int, ...]]


def shares_of(inverters: Sequence[Inverter]) -> Shares:
    """The fixed shares of all inverters; those that are not stated are equal parts of what is left."""
    charge = _fractions([(one.charges, one.charge_share) for one in inverters])
    draw = _fractions([(one.discharges, one.discharge_share) for one in inverters])
    whole = FINE * lcm(*(share.denominator for share in (*charge, *draw)))
    parts = [tuple(int(share * whole) for share in row) for row in (charge, draw)]
    return Shares(whole, (parts[CHARGE], parts[DRAW]))


def _fractions(rows: Sequence[tuple[bool, Fraction | None]]) -> list[Fraction]:
    """One row for each inverter: whether it takes part, and its stated share."""
    stated = sum((share for takes, share in rows if takes and share is not None), Fraction(0))
    open_ = sum(takes and share is None for takes, share in rows)
    each = max(Fraction(1) - stated, Fraction(0)) / max(open_, 1)
    over = max(stated, Fraction(1))  # a plan that gives away more than there is must not do so
    return [Fraction(0) if not takes else each if share is None else share / over for takes, share in rows]


def shared(plan: Plan) -> bool:
    """Whether any inverter is told less than the whole of what the pack bears."""
    whole, fixed = shares_of(plan.inverters)
    return any(part != whole for row in fixed for part in row)
