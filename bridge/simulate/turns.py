"""The turning points of a simulated day: what governs the current, and why; milestones of the cells."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import SECOND_US, Plan
from bridge.core.plan.reasons import Contribution, Limit, Reason
from bridge.core.told.decision import Decision
from bridge.simulate.inverter import FORBIDDEN, LEAST, STALE, TIMED_OUT, WISH
from bridge.simulate.pack import PackModel
from bridge.simulate.site import Site
from bridge.words import STATES, why

BLOCK_US: Final = 300 * SECOND_US
SIDE_BLOCK_US: Final = 3600 * SECOND_US
"""What governs, and whether sun or loads are stronger, is judged by blocks of this length: what held longest
in one counts."""

FREE: Final = "no limit binds: sun and loads get what they ask for"
SUN_RULES: Final = "the sun gives more than the loads take"
LOADS_RULE: Final = "the loads take more than the sun gives"

CUT: Final = "the cable to the inverter is cut: it hears nothing of the program any more"
JOINED: Final = "the cable to the inverter is whole again"

STANDS: Final = "the inverter has heard no limits for too long and stands still"
RESTARTED: Final = "the inverter has restarted unasked: it goes by the last limits it heard"

OUTSIDE: Final = frozenset((SUN_RULES, LOADS_RULE, CUT, JOINED))
"""What sun, loads and cables do."""

NEAR_V: Final = 0.020
"""A cell this near its target counts as full, this near its floor as empty."""

TAIL_SHARE: Final = 0.05
"""Full also means: no more than this share of the capacity flows in (1/h)."""

FULL_US: Final = 60 * SECOND_US
"""And all this for so long."""

BACK_PCT: Final = 5.0
"""A milestone comes again only after the charge has moved so far back, %."""

MOST_TIMES: Final = 6
"""The same turn is told this often."""

QUIET_US: Final = 600 * SECOND_US
"""Balancing counts as over when it has been quiet for this long."""


class Turn(NamedTuple):
    """One turning point.

    Attributes:
        t_us: when.
        text: what, and why.
        pack_v, pack_a, soc_pct, low_v, high_v: the pack then; the two cells are the true ones.
        apart_ah: how far they are from top balance, see `apart_ah`; `None` while no cell is bled.
    """

    t_us: int
    text: str
    pack_v: float
    pack_a: float
    soc_pct: float
    low_v: float
    high_v: float
    apart_ah: float | None


class Look(NamedTuple):
    """The pack after one step; voltages and temperatures of cells are the true ones."""

    t_us: int
    pack_v: float
    pack_a: float
    wanted_a: float
    soc_pct: float
    low_v: float
    high_v: float
    governor: str
    met: bool
    bleeding: bool
    coldest_c: float
    hottest_c: float
    apart_ah: float | None
    joined: tuple[str, ...]
    circulating_a: float


_LIMITS: Final[Mapping[str, str]] = {
    "charge_current_limit": "charge current limit",
    "charge_voltage_limit": "charge voltage limit",
    "discharge_current_limit": "discharge current limit",
    "discharge_voltage_floor": "discharge voltage floor",
}


def cause_of(name: str, limit: Limit) -> Contribution:
    """What makes a limit what it is: the contribution that binds, or, where a small rise is being withheld,
    the one that would bind otherwise.
    """
    if limit.binding.reason is not Reason.NOT_WORTH_IT:
        return limit.binding
    others = [one for one in limit.contributions if one is not limit.binding]
    return (max if name == "discharge_voltage_floor" else min)(others, key=lambda one: one.value)


def governor_of(held_by: str, wanted_a: float, decision: Decision) -> str:
    """What holds the current where it is, and why, in words."""
    limit = decision.limits.get(held_by)
    if limit is not None:
        return f"the {_LIMITS[held_by]} governs: {why(cause_of(held_by, limit))}"
    if held_by == FORBIDDEN:
        charging = wanted_a > 0.0
        limit = decision.charge_current if charging else decision.discharge_current
        way = "charging" if charging else "drawing"
        if limit.binding.reason is Reason.NOT_WORTH_IT:
            cause = cause_of("", limit)
            return f"{way} waits: {cause.value:.1f} A would be too little for a change: {why(cause)}"
        return f"{way} is not allowed: {why(limit.binding)}"
    if held_by == TIMED_OUT:
        return STANDS
    if held_by == STALE:
        return RESTARTED
    if held_by == LEAST:
        return "the charger cannot go lower: it takes its least current"
    assert held_by == WISH
    return FREE


class _Majority:
    """Turns a flickering text into the one that held longest in each block of time."""

    def __init__(self, block_us: int) -> None:
        self._block_us = block_us
        self._end_us = 0
        self._seen: dict[str, tuple[int, Look]] = {}
        self._since: tuple[str, Look] | None = None
        self._latest = ""

    def add(self, text: str, now: Look) -> tuple[str, Look] | None:
        """One step; gives a new text, and since when it held, at the end of a block."""
        if self._since is None or self._since[0] != text:
            self._since = text, now
        found = self.close() if now.t_us > self._end_us else None
        if not self._seen:
            self._end_us = now.t_us + self._block_us
        count, first = self._seen.get(text, (0, self._since[1]))
        self._seen[text] = count + 1, first
        return found

    def close(self) -> tuple[str, Look] | None:
        """The block is over."""
        found = None
        if self._seen:
            text, (_, first) = max(self._seen.items(), key=lambda item: item[1][0])
            found = None if text == self._latest else (text, first)
            self._latest = text
        self._seen = {}
        return found


class Turns:
    """Finds the turning points, step by step.

    Attributes:
        found: so far, in order once `finish` was called.
        full_us, empty_us: when the pack was first full, and first down to its floor; `None`: never.
    """

    def __init__(self, plan: Plan) -> None:
        self.found: list[Turn] = []
        self.full_us: int | None = None
        self.empty_us: int | None = None
        self._limits = plan.limits
        self._tail_a = TAIL_SHARE * sum(bank.capacity_ah for bank in plan.banks)
        self._governor = _Majority(BLOCK_US)
        self._side = _Majority(SIDE_BLOCK_US)
        self._state: State | None = None
        self._near_us = 0
        self._full_at_pct: float | None = None
        self._empty_at_pct: float | None = None
        self._bled_us: int | None = None
        self._requested = False
        self._silent = False
        self._alone: str | None = None  # not before it has heard limits once
        self._warnings: tuple[str, ...] = ()
        self._joined: tuple[str, ...] | None = None

    def look(self, now: Look, decision: Decision, news: Sequence[str] = (), *, silent: bool = False) -> None:
        """One step is over. `news`: of the course of the charge; `silent`: the inverters heard nothing."""
        if silent is not self._silent:
            self._silent = silent
            self._turn(now, CUT if silent else JOINED)
        self._banks(now)
        if decision.state is not self._state:
            self._state = decision.state
            cause = f" ({decision.cause})" if decision.cause else ""
            self._turn(now, f"{decision.state.name.lower()}: {STATES[decision.state]}{cause}")
        for text in news:
            self._turn(now, text)
        self._govern(now)
        self._cells(now)
        self._balancing(now)
        requested = bool(decision.values.get("charge_requested"))
        if requested is not self._requested:
            self._requested = requested
            text = "the pack asks to be charged" if requested else "the pack asks no longer to be charged"
            waits = not requested and not decision.values.get("charge_allowed")
            self._turn(now, f"{text}: charging is not allowed" if waits else text)
        if decision.warnings != self._warnings:
            self._warnings = decision.warnings
            self._turn(now, f"warning: {'; '.join(decision.warnings) or 'over'}")

    def finish(self) -> None:
        """The day is over."""
        self._tell(self._governor.close())
        self._tell(self._side.close())
        # What is found at the end of a block began earlier. Of one moment, what comes from outside is first.
        self.found.sort(key=lambda turn: (turn.t_us, turn.text not in OUTSIDE))

    def _turn(self, at: Look, text: str) -> None:
        self.found.append(
            Turn(at.t_us, text, at.pack_v, at.pack_a, at.soc_pct, at.low_v, at.high_v, at.apart_ah)
        )

    def _govern(self, now: Look) -> None:
        alone = now.governor if now.governor in (STANDS, RESTARTED) else ""
        if alone and self._alone is not None and alone != self._alone:
            self._turn(now, alone)  # at once, however short
        if not alone:
            self._tell(self._governor.add(now.governor, now))
        if not alone or self._alone is not None:
            self._alone = alone
        if now.wanted_a:
            self._tell(self._side.add(SUN_RULES if now.wanted_a > 0.0 else LOADS_RULE, now))

    def _tell(self, found: tuple[str, Look] | None) -> None:
        if found is not None:
            self._turn(found[1], found[0])

    def _banks(self, now: Look) -> None:
        before = now.joined if self._joined is None else self._joined
        self._joined = now.joined
        for name in before:
            if name not in now.joined:
                self._turn(now, f"bank {name} leaves")
        for name in now.joined:
            if name not in before:
                text = f"bank {name} joins: {now.circulating_a:.1f} A circulate between the banks"
                self._turn(now, text)

    def _cells(self, now: Look) -> None:
        limits = self._limits
        if self._full_at_pct is not None and now.soc_pct < self._full_at_pct - BACK_PCT:
            self._full_at_pct = None
        if self._empty_at_pct is not None and now.soc_pct > self._empty_at_pct + BACK_PCT:
            self._empty_at_pct = None
        near = now.high_v >= limits.cell_target_v - NEAR_V and 0.0 <= now.pack_a <= self._tail_a
        if not near or not self._near_us:
            self._near_us = now.t_us
        if self._full_at_pct is None and now.t_us - self._near_us >= FULL_US:
            self._full_at_pct = now.soc_pct
            self.full_us = self.full_us or now.t_us
            self._turn(now, "FULL: the highest cell is at its target, and little flows in")
        if self._empty_at_pct is None and now.low_v <= limits.cell_floor_v + NEAR_V and not now.met:
            self._empty_at_pct = now.soc_pct
            self.empty_us = self.empty_us or now.t_us
            self._turn(now, "EMPTY: the lowest cell is at its floor, the loads get less than they ask for")

    def _balancing(self, now: Look) -> None:
        if now.bleeding:
            if self._bled_us is None:
                self._turn(now, "balancing begins: cells that stand out are bled")
            self._bled_us = now.t_us
        elif self._bled_us is not None and now.t_us - self._bled_us >= QUIET_US:
            self._bled_us = None
            self._turn(now, f"no cell has been bled for {QUIET_US // SECOND_US // 60} minutes")


def folded(turns: Sequence[Turn]) -> list[Turn]:
    """For people: what happens again and again is told `MOST_TIMES`, then how often it comes after that."""
    counts = Counter(turn.text for turn in turns)
    seen: Counter[str] = Counter()
    found = []
    for turn in turns:
        seen[turn.text] += 1
        more = counts[turn.text] - MOST_TIMES
        if seen[turn.text] == MOST_TIMES and more > 1:
            found.append(turn._replace(text=f"{turn.text} … and {more} times more"))
        elif seen[turn.text] <= MOST_TIMES or more <= 1:
            found.append(turn)
    return found


def looked(t_us: int, site: Site, decision: Decision) -> Look:
    """The pack after a step."""
    pack, models = site.pack, [listener.model for listener in site.listeners]
    wanted_a = sum(model.wanted_a for model in models)
    held_by = next((model.held_by for model in models if model.held_by != WISH), WISH)
    bleeding = any(bank.balancing for bank in pack.banks)
    return Look(
        t_us,
        pack.voltage_v,
        pack.current_a,
        wanted_a,
        pack.state_of_charge,
        min(min(bank.true_cell_voltages_v) for bank in pack.banks),
        max(max(bank.true_cell_voltages_v) for bank in pack.banks),
        governor_of(held_by, wanted_a, decision),
        held_by in (WISH, STALE),
        bleeding,
        *pack.temperature_span_c,
        apart_ah(pack) if bleeding else None,
        tuple(name for name, view in site.views.items() if view.joined),
        pack.circulating_a,
    )


def apart_ah(pack: PackModel) -> float:
    """How far the cells of the worst bank are from top balance: what the last still lacks when the first is
    full, in Ah.
    """
    lacks = [
        [(1.0 - cell.charge) * cell.parameters.capacity_ah for cell in bank.cells] for bank in pack.banks
    ]
    return max(max(bank) - min(bank) for bank in lacks)
