"""The rows: what every home of a row has, and how often a home has it where everything is drawn."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.homes.cells import Flags

SHARES: Final = {
    "switching": 0.5,
    "clouds": 0.3,
    "ripple": 0.2,
    "least": 0.2,
    "steps": 0.25,
    "banks": 0.2,
    "usual": 0.1,
    "rotation": 0.2,
    "sluggish": 0.3,
    "untold": 0.15,
    "seldom": 0.15,
    "weak": 0.1,
    "runner": 0.15,
    "cold": 0.15,
    "coarse": 0.2,
    "several": 0.2,
    "beside": 0.15,
    "current_ignored": 0.08,
    "voltage_ignored": 0.08,
}
"""Each thing that a home may have, and in how many of those of the last row it is.

switching: loads that come and go, several at once. clouds. ripple: of the current, whatever its limit.
least: the charger gives nothing below a minimum, and is back after a delay of its own. steps: it knows
coarse steps only.
banks: two unequal ones in parallel. usual: charged to `usual_cell_v`. rotation: the cells' readings are
renewed one after the other, and up to 2 s late. sluggish: the charger answers in the second order and after
a dead time;
untold: the laws are not told of that. seldom: it takes up a new limit only every few seconds, told of or not.
weak: a cell of less capacity. runner: one that is fuller. cold: 2 to 12 °C. coarse: a current sensor that
knows whole amperes. several: inverters. beside: charge-only devices beside an inverter. And one limit that
is ignored.
"""


@dataclass(frozen=True)
class Kind:
    """One row.

    Attributes:
        name: of the row.
        has: what every home of it has.
        everything: whatever else there is, each by its share.
    """

    name: str
    has: frozenset[str] = frozenset()
    everything: bool = False


def _kind(name: str, *has: str) -> Kind:
    return Kind(name, frozenset(has))


KINDS: Final = (
    _kind("plain sun"),
    _kind("switching loads", "switching"),
    _kind("minimum current", "least"),
    _kind("steps", "steps"),
    _kind("unequal banks", "banks"),
    _kind("banks and loads", "banks", "switching"),
    _kind("usual_cell_v", "usual"),
    _kind("rotation, late", "rotation"),
    _kind("rotation and loads", "rotation", "switching"),
    _kind("2nd order, dead, told", "sluggish"),
    _kind("2nd order, dead, untold", "sluggish", "untold"),
    _kind("obeys every 5 s", "seldom"),
    _kind("ripple", "ripple"),
    _kind("clouds", "clouds"),
    _kind("weak cell", "weak"),
    _kind("one runner", "runner"),
    _kind("several, charge-only", "several", "beside"),
    _kind("current ignored", "current_ignored"),
    _kind("current ignored, loads", "current_ignored", "switching"),
    _kind("current ignored, clouds", "current_ignored", "clouds"),
    _kind("voltage ignored", "voltage_ignored"),
    Kind("everything", everything=True),
)

DRAW_KINDS: Final = (
    _kind("plain load"),
    _kind("switching loads", "switching"),
    _kind("cold", "cold", "switching"),
    _kind("steps", "steps", "switching"),
    _kind("unequal banks", "banks"),
    _kind("banks and loads", "banks", "switching"),
    _kind("rotation and loads", "rotation", "switching"),
    _kind("2nd order, dead, told", "sluggish", "switching"),
    _kind("2nd order, dead, untold", "sluggish", "untold", "switching"),
    _kind("obeys every 5 s", "seldom", "switching"),
    _kind("ripple", "ripple"),
    _kind("weak cell", "weak", "switching"),
    _kind("one low cell", "runner", "switching"),
    _kind("current ignored", "current_ignored", "switching"),
    _kind("floor ignored", "voltage_ignored", "switching"),
    Kind("everything", everything=True),
)
"""Of discharging. The voltage limit is the floor; a runner is emptier; there are always loads."""


def traits(kind: Kind, random: np.random.Generator, homes: int) -> dict[str, Flags]:
    """Which homes have what, by the names of `SHARES`; the same number of draws whatever the row."""
    draws = {name: random.random(homes) < share for name, share in SHARES.items()}
    has = {
        name: drawn if kind.everything else np.full(homes, name in kind.has) for name, drawn in draws.items()
    }
    has["voltage_ignored"] &= ~has["current_ignored"]
    has["untold"] &= has["sluggish"]
    return has
