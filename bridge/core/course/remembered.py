"""What an engine knows that outlives it: handed to the next one at its start, as an input like any other.

Nothing of it loosens a limit beyond what a fresh start would come to by itself: what was learnt is where
learning begins, a cut-off that had tripped stays so, a pack that rested goes on resting.
"""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from bridge.core.bounds.current import cut_offs
from bridge.core.cells.resistance import LEAST
from bridge.core.cells.resistance import MOST as MOST_OHMS
from bridge.core.charging.charge_charger import LEAST_LAG_S, MOST_LAG_S
from bridge.core.charging.charge_offset import LEAST_V, MOST_V
from bridge.core.charging.charge_settings import Learnt
from bridge.core.pack.lost import lost_bank
from bridge.core.plan.plan import Bank, Plan

MOST: Final = 5000.0
"""Largest believable current, A, and more than any voltage."""

DIGITS: Final = 3
"""What was learnt is kept to so many decimals: finer changes are not worth a write to the disk."""


class Going(NamedTuple):
    """How things stood a moment ago, where the profile lets a restart go on from there.

    Attributes:
        trusted_us: engine time at which the pack was last followed.
        limits: what was sent last: charge voltage, V, charge and discharge current, A, floor, V.
        heard: names of what was known and is not required: until it is heard again it counts as lost.
    """

    trusted_us: int
    limits: tuple[float, float, float, float]
    heard: frozenset[str] = frozenset()


class Kept(NamedTuple):
    """What is kept.

    Attributes:
        last_full_us: engine time at which the last full charge ended; `None`: not known.
        resting: the pack rested, charged.
        full: to its target, by all criteria.
        commissioned_us: stated end of the commissioning that has ended; `None`: none has.
        tripped: names of the cut-offs that had tripped.
        lost: banks and readings that were gone and had bounded the limits.
        caps: what no limit was to be looser than until they are back: charge voltage, V, charge and discharge
            current, A, floor, V.
        learnt: what each bank's charge law has learnt.
        drawn: what each bank's discharge law has learnt: resistances, as multiples of what is expected.
        going: see `Going`; `None`: begin from zero.
    """

    last_full_us: int | None = None
    resting: bool = False
    full: bool = False
    commissioned_us: int | None = None
    tripped: frozenset[str] = frozenset()
    lost: frozenset[str] = frozenset()
    caps: tuple[float, float, float, float] | None = None
    learnt: Mapping[str, Learnt] = MappingProxyType({})
    drawn: Mapping[str, tuple[float, ...]] = MappingProxyType({})
    going: Going | None = None

    @property
    def facts(self) -> dict[str, Any]:
        """The same as what JSON can say; `read` takes it back, to the last digit."""
        learnt = {bank: {**one._asdict(), "ohms": list(one.ohms)} for bank, one in self.learnt.items()}
        caps = None if self.caps is None else list(self.caps)
        sets = {"tripped": sorted(self.tripped), "lost": sorted(self.lost)}
        drawn = {bank: list(ohms) for bank, ohms in self.drawn.items()}
        facts = {**self._asdict(), **sets, "caps": caps, "learnt": learnt, "drawn": drawn}
        del facts["going"]
        if self.going is not None:
            now = self.going
            facts["going"] = {**now._asdict(), "limits": list(now.limits), "heard": sorted(now.heard)}
        return facts

    def of_another(self, plan: Plan) -> "Kept":
        """What of it holds for a pack whose banks or messages are not the same: what tightens, by name.

        But for cut-offs that no reading could release any more.
        """
        tripped = {name for bank in plan.banks for name in cut_offs(bank)}
        lost = {lost_bank(bank.name) for bank in plan.banks} | {str(one) for one in plan.slots}
        left = self.lost & lost
        return Kept(tripped=self.tripped & tripped, lost=left, caps=self.caps if left else None)


NOTHING: Final = Kept()
"""Nothing is known from before."""


def rounded_ohms(ohms: Sequence[float]) -> tuple[float, ...]:
    """What of learnt resistances is worth keeping."""
    return tuple(round(factor, DIGITS) for factor in ohms)


def rounded(learnt: Learnt) -> Learnt:
    """What of it is worth keeping."""
    offset_v, lag_s = learnt.offset_v, learnt.lag_s
    return Learnt(
        rounded_ohms(learnt.ohms),
        None if offset_v is None else round(offset_v, DIGITS),
        round(learnt.offset_a, 1),
        None if lag_s is None else round(lag_s, 1),
        learnt.ignores,
    )


def read(facts: Mapping[str, Any], plan: Plan, t_us: int) -> Kept:
    """What was kept, if all of it fits a plan and could be true at `t_us`.

    Raises:
        ValueError: with the key, what was found and what is allowed.
    """
    facts = {"going": None, **facts}  # seldom there
    _keys("", facts, Kept._fields)
    named = {bank.name: bank for bank in plan.banks}
    learnt, drawn = facts["learnt"], facts["drawn"]
    for key, tables in (("learnt", learnt), ("drawn", drawn)):
        if not isinstance(tables, dict) or not all(name in named for name in tables):
            raise _wrong(key, tables, f"something for each of {', '.join(named)}")
    resting, full = _flag("resting", facts["resting"]), _flag("full", facts["full"])
    if full and not resting:
        raise _wrong("full", full, "only while resting")
    return Kept(
        _time("last_full_us", facts["last_full_us"], t_us),
        resting,
        full,
        _time("commissioned_us", facts["commissioned_us"], None),
        _names("tripped", facts["tripped"], {name for bank in plan.banks for name in cut_offs(bank)}),
        _names("lost", facts["lost"], {lost_bank(bank) for bank in named} | {str(one) for one in plan.slots}),
        _four(facts["caps"]),
        {name: _learnt(f"learnt.{name}", one, named[name]) for name, one in learnt.items()},
        {name: _ohms(f"drawn.{name}", one, named[name], alone=True) for name, one in drawn.items()},
        None if facts["going"] is None else read_going(facts["going"], plan, t_us),
    )


def read_going(facts: Any, plan: Plan, t_us: int) -> Going:
    """How things stood, if it fits a plan and could be true at `t_us`. Raises ValueError as `read`."""
    if not isinstance(facts, dict):
        raise _wrong("going", facts, "a table")
    _keys("going.", facts, Going._fields)
    trusted_us, limits = _time("going.trusted_us", facts["trusted_us"], t_us), _four(facts["limits"])
    if trusted_us is None or limits is None:
        raise _wrong("going", facts, "a time and four limits")
    return Going(trusted_us, limits, _names("going.heard", facts["heard"], {str(one) for one in plan.slots}))


def _names(key: str, names: Any, known: set[str]) -> frozenset[str]:
    if not isinstance(names, list) or not all(isinstance(name, str) and name in known for name in names):
        raise _wrong(key, names, "names of the profile's")
    return frozenset(names)


def _four(caps: Any) -> tuple[float, float, float, float] | None:
    if caps is None:
        return None
    if not isinstance(caps, list) or len(caps) != 4:
        raise _wrong("caps", caps, "four numbers, or none")
    volts, charge, draw, floor = (_number("caps", one, 0.0, MOST) for one in caps)
    return volts, charge, draw, floor


def _learnt(key: str, facts: Any, bank: Bank) -> Learnt:
    if not isinstance(facts, dict):
        raise _wrong(key, facts, "a table")
    _keys(f"{key}.", facts, Learnt._fields)
    return Learnt(
        _ohms(f"{key}.ohms", facts["ohms"], bank),
        _maybe(f"{key}.offset_v", facts["offset_v"], LEAST_V, MOST_V),
        _number(f"{key}.offset_a", facts["offset_a"], -MOST, MOST),
        _maybe(f"{key}.lag_s", facts["lag_s"], LEAST_LAG_S, MOST_LAG_S),
        _flag(f"{key}.ignores", facts["ignores"]),
    )


def _ohms(key: str, ohms: Any, bank: Bank, *, alone: bool = False) -> tuple[float, ...]:
    """Of all cells; or of the lowest and the highest, where no others are known; or of one `alone`."""
    few = 1 if alone else 2
    if not isinstance(ohms, list) or len(ohms) not in (0, few, bank.cells):
        raise _wrong(key, ohms, f"one for each of {bank.cells} cells, or {few}, or none")
    return tuple(_number(key, one, LEAST, MOST_OHMS) for one in ohms)


def _keys(where: str, facts: Mapping[str, Any], allowed: tuple[str, ...]) -> None:
    if set(facts) != set(allowed):
        raise _wrong(f"{where}keys", sorted(facts), ", ".join(allowed))


def _number(key: str, value: Any, low: float, high: float) -> float:
    if type(value) not in (int, float) or not low <= value <= high:  # not a number lies nowhere
        raise _wrong(key, value, f"a number from {low:g} to {high:g}")
    return float(value) + 0.0  # of two zeros the plain one


def _maybe(key: str, value: Any, low: float, high: float) -> float | None:
    return None if value is None else _number(key, value, low, high)


def _flag(key: str, value: Any) -> bool:
    if type(value) is not bool:
        raise _wrong(key, value, "true or false")
    return value


def _time(key: str, value: Any, latest_us: int | None) -> int | None:
    if value is None:
        return None
    if type(value) is not int or value < 0 or (latest_us is not None and value > latest_us):
        raise _wrong(key, value, "microseconds since 1970, in the past")
    return value


def _wrong(key: str, found: Any, allowed: str) -> ValueError:
    return ValueError(f"{key}: {str(found)[:60]}; allowed: {allowed}")
