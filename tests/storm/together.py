"""Faults that show something only together, and that chance alone would seldom bring together.

They are drawn beside all others, by a draw of their own.
"""

from random import Random
from typing import Any, Final

from tests.storm import sums
from tests.storm.fault import WARM_S, Fault

SHARE: Final = 0.4
"""Of the storms have some."""


SPOILT: Final = 0.1
SPOILT_S: Final = 9.0
SPOILT_LASTS_S: Final = 14.0
"""Of those with a message that has a checksum so many begin with one that is never right."""

TWINS_S: Final = 35.0
"""Two senders of a slow message are noticed within so long at most."""

COLD_S: Final = 4.0
"""A bank is cold from so early on that it can be trusted, lost, and still be lost after a kill."""

KILLED_S: Final = 55.0
"""A storm must last so long for that."""


def more(seed: int, tables: dict[str, Any], storm_s: float) -> list[Fault]:
    """What is added to the storm of a seed; over by its end."""
    draw = Random(f"storm/{seed}/together")
    return [*_spoilt(Random(f"storm/{seed}/spoilt"), tables, storm_s), *_together(draw, tables, storm_s)]


def _spoilt(draw: Random, tables: dict[str, Any], storm_s: float) -> list[Fault]:
    """A message whose sum is never right, before anything else is wrong, and for long."""
    sources = [one for one in tables["source"] if "checksum" in one and "inverter" not in one]
    summed = [one["message"] for one in sources if sums.known(one["checksum"])]
    if not summed or draw.random() >= SPOILT:
        return []
    return [
        Fault(
            SPOILT_S, "says", round(min(SPOILT_LASTS_S, storm_s - SPOILT_S), 3), draw.choice(summed), "spoil"
        )
    ]


def _together(draw: Random, tables: dict[str, Any], storm_s: float) -> list[Fault]:
    if draw.random() >= SHARE:
        return []
    at_s = round(draw.uniform(WARM_S, max(storm_s - 25.0, WARM_S + 1.0)), 3)
    left_s = round(storm_s - at_s, 3)
    kinds = [_inside, _stop_in_trouble, _disk_held, _beyond]
    if storm_s - WARM_S > TWINS_S:
        kinds += [_twins, _twins]
    if len(tables["bank"]) > 1:
        kinds += [_denied_and_lost, _denied_and_lost]
        if tables["pack"].get("lost_bank") == "reduce":
            kinds += [_cold_and_lost] * 10
    return draw.choice(kinds)(draw, tables, at_s, left_s)


def _inside(draw: Random, _: dict[str, Any], at_s: float, __: float) -> list[Fault]:
    """A fault inside while limits are open: zeros leave on every bus."""
    calls = float(draw.choice((1, 3, 5, 7)))
    return [Fault(at_s, "trap", 0.0, draw.choice(("send", "wait", "any")), "raise", calls)]


def _stop_in_trouble(draw: Random, tables: dict[str, Any], at_s: float, left_s: float) -> list[Fault]:
    """An orderly stop whose zeros cannot leave in time."""
    trouble = draw.choice(("bus down", "bus full"))
    wire = draw.choice([one["name"] for one in tables["bus"]])
    lasts_s = round(min(draw.uniform(3.0, 10.0), left_s), 3)
    stop = Fault(round(at_s + draw.uniform(0.0, 0.4), 3), "stop", 0.0, size=round(draw.uniform(0.0, 5.0), 2))
    return [Fault(at_s, trouble, lasts_s, wire), stop]


def _disk_held(draw: Random, tables: dict[str, Any], at_s: float, left_s: float) -> list[Fault]:
    """Something is to be written at once, and the disk does not answer."""
    bank = draw.choice([one["name"] for one in tables["bank"]])
    lasts_s = round(min(draw.uniform(12.0, 25.0), left_s), 3)
    trip = Fault(round(at_s + 0.5, 3), "cold", round(lasts_s - 0.5, 3), bank, "", -3.0)
    return [Fault(at_s, "seam", lasts_s, "disk", draw.choice(("block", "block", "raise")), 0.5), trip]


def _beyond(draw: Random, tables: dict[str, Any], at_s: float, left_s: float) -> list[Fault]:
    """A sensor that says for long what cannot be, and would forbid nothing if it were believed."""
    return [Fault(at_s, "beyond", left_s, draw.choice([one["name"] for one in tables["bank"]]))]


def _twins(draw: Random, tables: dict[str, Any], at_s: float, left_s: float) -> list[Fault]:
    """A second sender, which repeats how warm it was, long enough to be noticed for certain."""
    bank = draw.choice([one["name"] for one in tables["bank"]])
    lasts_s = round(left_s + at_s - WARM_S, 3)
    late = round(draw.uniform(0.1, 0.45), 2)
    cold = Fault(WARM_S + 1.0, "cold", round(lasts_s - 1.0, 3), bank, "", -5.0)
    return [Fault(WARM_S, "twin", lasts_s, bank, "cell_temperature", late), cold]


def _denied_and_lost(draw: Random, tables: dict[str, Any], at_s: float, left_s: float) -> list[Fault]:
    """What a bank forbade when it was lost still holds, also after a kill."""
    bank = draw.choice([one["name"] for one in tables["bank"]])
    denied = Fault(at_s, "deny", left_s, bank, draw.choice(("charge", "discharge")))
    silent_s = round(draw.uniform(3.0, 6.0), 3)
    silent = Fault(round(at_s + silent_s, 3), "bank silent", round(left_s - silent_s, 3), bank)
    if draw.random() < 0.3:
        return [denied, silent]
    kill_s = round(min(silent_s + draw.uniform(8.0, 14.0), left_s - 1.0), 3)
    return [
        denied,
        silent,
        Fault(round(at_s + kill_s, 3), "kill", 0.0, size=round(draw.uniform(0.5, 2.0), 2)),
    ]


def _cold_and_lost(draw: Random, tables: dict[str, Any], at_s: float, left_s: float) -> list[Fault]:
    """What a cold bank allowed when it was lost still bounds what the others are given, also after a kill."""
    bank = draw.choice([one["name"] for one in tables["bank"]])
    over_s, silent_s = at_s + left_s, round(draw.uniform(20.0, 23.0), 3)
    cold = Fault(COLD_S, "cold", round(over_s - COLD_S, 3), bank, "", round(draw.uniform(3.0, 8.0), 1))
    silent = Fault(silent_s, "bank silent", round(over_s - silent_s, 3), bank)
    if over_s < KILLED_S or draw.random() < 0.2:
        return [cold, silent]
    kill_s = round(silent_s + draw.uniform(15.0, 18.0), 3)
    return [cold, silent, Fault(kill_s, "kill", 0.0, size=round(draw.uniform(0.5, 2.0), 2))]
