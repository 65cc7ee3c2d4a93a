"""The oracle: a charger that knows every true cell voltage, now and at the end of the step.

At every step it lets flow the largest current that keeps every true cell at or under its target, and takes
the largest that keeps every true cell at or above its floor, as far as sun and loads go, and within the
currents the profile configures (with their derating by temperature). It has no lag, no sensors and no wire.
No charger can know what it knows: what it reaches is a physical bound of this pack under this sun, not
something to be had.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from bridge.core.plan.plan import CurrentSide, Plan
from bridge.core.told.decision import Decision
from bridge.profile.load import LoadedProfile
from bridge.simulate.day import Setup, site_of, wish_of
from bridge.simulate.inverter import WISH
from bridge.simulate.pack import PackModel
from bridge.simulate.site import Site
from bridge.simulate.turns import governor_of

CLOSE_V: Final = 1e-6
"""So near the bound the search for the current ends, on the safe side of it."""

TAIL_SHARE: Final = 0.02
"""The oracle counts as full when the cells let in less than this share of the capacity (1/h)."""

AFTER_US: Final = 1800 * 1_000_000
"""What is stored is compared this long after the oracle was full."""

MOST_SHARE: Final = 0.99
"""Both are timed to this share of what the oracle has taken by then."""


class Bound:
    """The largest current the true cells bear for one step.

    Args:
        plan: the profile.
        step_s: length of the step.
    """

    def __init__(self, plan: Plan, step_s: float) -> None:
        self._target_v = plan.limits.cell_target_v
        self._floor_v = plan.limits.cell_floor_v
        self._step_s = step_s
        self._pack_a = plan.limits.charge_a, plan.limits.discharge_a
        self._sides = [bank.charge for bank in plan.banks], [bank.discharge for bank in plan.banks]

    def current_a(self, pack: PackModel, wanted_a: float) -> float:
        """What may flow of what is wanted, positive when charging; the pack is only looked at."""
        if wanted_a >= 0.0:
            return self._largest(pack, min(wanted_a, self.cap_a(pack, 1.0)), 1.0, self._target_v)
        return -self._largest(pack, min(-wanted_a, self.cap_a(pack, -1.0)), -1.0, self._floor_v)

    def cap_a(self, pack: PackModel, sign: float) -> float:
        """What is configured for pack and banks, as the banks share it now; 1 charges, -1 draws."""
        cap_a = self._pack_a[sign < 0.0]
        rows = zip(pack.banks, pack.shares_a(0.0), self._sides[sign < 0.0], strict=True)
        for bank, rest_a, side in rows:
            if bank not in pack.joined:
                continue
            most_a = _configured(side, pack.temperatures_c(bank))
            cap_a = min(cap_a, (most_a - sign * rest_a) * bank.resistance_ohm / pack.resistance_ohm)
        return max(cap_a, 0.0)

    def _largest(self, pack: PackModel, cap_a: float, sign: float, bound_v: float) -> float:
        if cap_a <= 0.0:
            return 0.0
        high_a = min(cap_a, _at_once_a(pack, sign, bound_v))
        if high_a <= 0.0:
            return 0.0
        high_v = self._beyond_v(pack, high_a, sign, bound_v)
        if high_v <= 0.0:
            return high_a
        low_a, low_v = 0.0, self._beyond_v(pack, 0.0, sign, bound_v)
        if low_v >= 0.0:
            return 0.0
        # Regula falsi (Illinois): the excess rises with the current.
        side = 0
        while low_v < -CLOSE_V and high_a - low_a > 1e-6:
            a = (low_a * high_v - high_a * low_v) / (high_v - low_v)
            v = self._beyond_v(pack, a, sign, bound_v)
            if v > 0.0:
                high_a, high_v = a, v
                low_v, side = (low_v / 2.0 if side == 1 else low_v), 1
            else:
                low_a, low_v = a, v
                high_v, side = (high_v / 2.0 if side == -1 else high_v), -1
        return low_a

    def _beyond_v(self, pack: PackModel, current_a: float, sign: float, bound_v: float) -> float:
        """How far the worst cell is beyond the bound at the end of the step, if so much flows."""
        shares_a = pack.shares_a(sign * current_a)
        return max(
            sign * (cell_v - bound_v)
            for bank, share_a in zip(pack.banks, shares_a, strict=True)
            if bank in pack.joined
            for cell_v in bank.foreseen_v(share_a, self._step_s)
        )


def _at_once_a(pack: PackModel, sign: float, bound_v: float) -> float:
    """The current at which the first cell is at the bound the moment it flows; each cell is linear then."""
    least_a = float("inf")
    for bank, rest_a in zip(pack.banks, pack.shares_a(0.0), strict=True):
        if bank not in pack.joined:
            continue
        part = pack.resistance_ohm / bank.resistance_ohm
        for cell in bank.cells:
            ohm = cell.parameters.series_ohm
            least_a = min(least_a, sign * (bound_v - cell.emf_v - ohm * rest_a) / (ohm * part))
    return least_a


def _configured(side: CurrentSide, cells_c: Sequence[float]) -> float:
    coldest_c, hottest_c = min(cells_c), max(cells_c)
    if not side.coldest_c < coldest_c <= hottest_c < side.hottest_c:
        return 0.0
    return side.max_a * min(side.by_coldest.at(coldest_c), side.by_hottest.at(hottest_c))


@dataclass(frozen=True, slots=True)
class OracleDay:
    """What the oracle made of the day.

    Attributes:
        stored_ah: true charge in the pack, for each row.
        current_a: what flowed in each step, positive when charging.
        full_us: when the cells let in less than `TAIL_SHARE`; `None`: never.
        charged_ah, charged_kwh, drawn_ah, drawn_kwh: at the terminals.
    """

    stored_ah: list[float]
    current_a: list[float]
    full_us: int | None
    charged_ah: float
    charged_kwh: float
    drawn_ah: float
    drawn_kwh: float


def run_oracle(loaded: LoadedProfile, setup: Setup) -> OracleDay:
    """Lets the oracle have the same pack, sun and loads."""
    pack, wish = site_of(loaded, setup).pack, wish_of(loaded, setup)
    step_s, hours = setup.step_us / 1e6, setup.step_us / 3.6e9
    bound = Bound(loaded.plan, step_s)
    tail_a = TAIL_SHARE * sum(bank.capacity_ah for bank in loaded.plan.banks)
    stored: list[float] = []
    currents_a: list[float] = []
    full_us = None
    ah, kwh = [0.0, 0.0], [0.0, 0.0]
    for t_us in range(setup.start_us + setup.step_us, setup.end_us + 1, setup.step_us):
        solar_a, load_a = wish((t_us - setup.start_us) / 1e6)
        wanted_a = solar_a - load_a
        current_a = bound.current_a(pack, wanted_a)
        if full_us is None and current_a < tail_a < min(wanted_a, bound.cap_a(pack, 1.0)):
            full_us = t_us
        pack.step(current_a, step_s)
        currents_a.append(current_a)
        ah[current_a < 0.0] += abs(current_a) * hours
        kwh[current_a < 0.0] += abs(current_a) * pack.voltage_v * hours / 1000.0
        if (t_us - setup.start_us) % setup.row_us == 0:
            stored.append(stored_ah(pack))
    return OracleDay(stored, currents_a, full_us, ah[0], kwh[0], ah[1], kwh[1])


def stored_ah(pack: PackModel) -> float:
    """True charge in the pack."""
    return sum(bank.stored_ah for bank in pack.banks)


@dataclass(slots=True)
class Cost:
    """What one reason cost: `ah` less than with the oracle, in `us` of time in which less flowed."""

    ah: float = 0.0
    us: int = 0


@dataclass(slots=True)
class Watch:
    """Goes along with the profile's own run: what flows less than with the oracle, and why.

    Attributes:
        oracle: its day.
        stored_ah: true charge in the pack, for each row.
        behind: by direction (charging?) and reason: how much less flowed than with the oracle, how long.
        ahead_ah: by direction: how much more flowed, later on; what is missing is the difference.
    """

    oracle: OracleDay
    setup: Setup
    stored_ah: list[float] = field(default_factory=list)
    behind: dict[tuple[bool, str], Cost] = field(default_factory=dict)
    ahead_ah: dict[bool, float] = field(default_factory=lambda: {True: 0.0, False: 0.0})

    def look(self, t_us: int, site: Site, decision: Decision) -> None:
        """One step is over."""
        setup, pack = self.setup, site.pack
        if (t_us - setup.start_us) % setup.row_us == 0:
            self.stored_ah.append(stored_ah(pack))
        models = [listener.model for listener in site.listeners]
        wanted_a = sum(model.wanted_a for model in models)
        charging = wanted_a > 0.0
        step = (t_us - setup.start_us) // setup.step_us - 1
        less_a = (self.oracle.current_a[step] - pack.current_a) * (1.0 if charging else -1.0)
        less_ah = less_a * setup.step_us / 3.6e9
        if less_ah <= 0.0:
            self.ahead_ah[charging] -= less_ah
            return
        held_by = next((model.held_by for model in models if model.held_by != WISH), WISH)
        text = governor_of(held_by, wanted_a, decision) if held_by != WISH else "the charger's lag"
        cost = self.behind.setdefault((charging, text), Cost())
        cost.ah += less_ah
        cost.us += setup.step_us


@dataclass(frozen=True, slots=True)
class Comparison:
    """The profile against the oracle.

    Attributes:
        watch: the oracle's day, and what the profile left undone, by its reason.
        ref_us: when what is stored is compared; `None`: the oracle was never full.
        taken_ah: charge taken from the start until then: profile, oracle.
        most_us: when each had taken `MOST_SHARE` of what the oracle had taken by then; `None`: never.
    """

    watch: Watch
    ref_us: int | None
    taken_ah: tuple[float, float] | None
    most_us: tuple[int | None, int | None] | None


def compared(setup: Setup, start_ah: float, watch: Watch) -> Comparison:
    """Puts the two runs side by side.

    Args:
        setup: of both.
        start_ah: charge stored at the start.
        watch: what went along with the profile's run.
    """
    oracle = watch.oracle
    if oracle.full_us is None:
        return Comparison(watch, None, None, None)
    ref_us = min(oracle.full_us + AFTER_US, setup.end_us)
    at = min((ref_us - setup.start_us) // setup.row_us, len(oracle.stored_ah)) - 1
    taken_ah = watch.stored_ah[at] - start_ah, oracle.stored_ah[at] - start_ah
    wanted_ah = start_ah + MOST_SHARE * taken_ah[1]

    def reached_us(stored: list[float]) -> int | None:
        n = next((n for n, ah in enumerate(stored) if ah >= wanted_ah), None)
        return None if n is None else setup.start_us + (n + 1) * setup.row_us

    most_us = reached_us(watch.stored_ah), reached_us(oracle.stored_ah)
    return Comparison(watch, ref_us, taken_ah, most_us)
