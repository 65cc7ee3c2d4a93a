"""The laws that are tried on homes, side by side.

A law of a home is made from what is told of it once, and takes one second at a time. To put in another, add
it to `LAWS`; one that has the calls of `ChargeLaw`, for each bank, needs a line: see `Banked`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from bridge.core.bounds.banks import Shares, heeded_a, whole_a
from bridge.core.charge.law import PartsLaw
from bridge.core.charging.bank_charge import RISE_SHARE_PER_S
from bridge.core.charging.charge_law import ChargeLaw, ChargeSettings
from tests.core.plans import CHARGE, Builder


@dataclass(frozen=True)
class HomeFacts:
    """What a law is told of its home once.

    Attributes:
        cells: in series; `banks_ah`: of each bank in parallel.
        most_a: into all banks together; into each by its capacity.
        target_v: of the highest cell; `usual`: it is that of the days between full charges.
        lag_s, delay_s: as in `bridge.core.plan.plan.PackFacts`.
    """

    cells: int
    banks_ah: tuple[float, ...]
    most_a: float
    target_v: float
    usual: bool = False
    lag_s: float = 3.0
    delay_s: float = 1.0

    @property
    def ceiling_v(self) -> float:
        """Charge voltage that is never passed."""
        return self.cells * self.target_v


class BankSeen(NamedTuple):
    """What is told of a bank in one second: V, A, °C; and when each cell came in, s."""

    cells_v: list[float]
    came_s: list[float]
    pack_v: float
    current_a: float
    coldest_c: float


class Answer(NamedTuple):
    """Charge voltage and current of the whole home, and which limit is believed to be ignored."""

    voltage_v: float
    current_a: float
    current_ignored: bool = False
    voltage_ignored: bool = False


class HomeLaw(Protocol):
    """Once a second: what is seen of each bank, and what was sent last."""

    def step(self, t_s: int, banks: Sequence[BankSeen], sent_v: float, sent_a: float, /) -> Answer:
        """One second further."""
        ...


class StringLimits(Protocol):
    """What the law of one bank answers."""

    @property
    def voltage_v(self) -> float:
        """Its limit."""
        ...

    @property
    def current_a(self) -> float:
        """Its limit."""
        ...

    @property
    def current_ignored(self) -> bool:
        """Whether it is believed to be ignored."""
        ...

    @property
    def voltage_ignored(self) -> bool:
        """Whether it is believed to be ignored."""
        ...


class StringLaw(Protocol):
    """The law of one bank, called as `ChargeLaw` is."""

    def step(
        self,
        dt_s: float,
        cells_v: Sequence[float],
        pack_v: float | None,
        current_a: float | None,
        *,
        fresh: bool = ...,
        age_s: float = ...,
        waited_s: float | None = ...,
        coldest_c: float | None = ...,
        sent_v: float,
        sent_a: float,
    ) -> StringLimits:
        """One step further."""
        ...


def settings(facts: HomeFacts, ah: float, target_v: float) -> ChargeSettings:
    """Of one bank, as the engine would tell them."""
    most_a = facts.most_a * ah / sum(facts.banks_ah)
    return ChargeSettings(
        cells=facts.cells,
        capacity_ah=ah,
        target_v=target_v,
        knee_v=3.40,
        ceiling_v=facts.cells * target_v,
        most_a=most_a,
        rise_a_per_s=RISE_SHARE_PER_S * most_a,
        lag_s=facts.lag_s,
        delay_s=facts.delay_s,
    )


class Ages:
    """How old the readings of one bank are, as the core would tell its law."""

    def __init__(self) -> None:
        self._oldest_s, self._waited_s = -1.0, 1.0

    def look(self, t_s: int, came_s: Sequence[float]) -> tuple[bool, float, float]:
        """Whether all have been renewed, how old the oldest is, and how old it had become before."""
        oldest_s = min(came_s)
        fresh = oldest_s > self._oldest_s
        if fresh:
            self._waited_s, self._oldest_s = t_s - self._oldest_s, oldest_s
        return fresh, t_s - oldest_s, self._waited_s


class Banked:
    """A law for each bank, and of what they say the tightest, as the core composes it."""

    def __init__(self, facts: HomeFacts, make: Callable[[HomeFacts, float], StringLaw]) -> None:
        self._laws = [make(facts, ah) for ah in facts.banks_ah]
        count = len(self._laws)
        plan = Builder(banks=count, capacities_ah=facts.banks_ah, charge=CHARGE).plan()
        self._shares = Shares(plan.banks)
        self._active = [True] * count
        self._ages = [Ages() for _ in facts.banks_ah]

    def step(self, t_s: int, banks: Sequence[BankSeen], sent_v: float, sent_a: float) -> Answer:
        """Every bank's law once; what it is told of ages is what the core would tell it."""
        currents = [bank.current_a for bank in banks]
        shares = self._shares.update(currents, self._active, 1.0)
        together_a = whole_a(currents, self._active)
        found = []
        for i, (law, bank, share) in enumerate(zip(self._laws, banks, shares, strict=True)):
            fresh, age_s, waited_s = self._ages[i].look(t_s, bank.came_s)
            found.append(
                law.step(
                    1.0,
                    bank.cells_v,
                    bank.pack_v,
                    bank.current_a,
                    fresh=fresh,
                    age_s=age_s,
                    waited_s=waited_s,
                    coldest_c=bank.coldest_c,
                    sent_v=sent_v,
                    sent_a=heeded_a(sent_a, share, bank.current_a, together_a),
                )
            )
        return Answer(
            min(one.voltage_v for one in found),
            min(one.current_a / share for one, share in zip(found, shares, strict=True)),
            any(one.current_ignored for one in found),
            any(one.voltage_ignored for one in found),
        )


class Ours(Banked):
    """The project's law; the usual target is to it a target as any."""

    def __init__(self, facts: HomeFacts) -> None:
        super().__init__(facts, lambda told, ah: ChargeLaw(settings(told, ah, facts.target_v)))


class Parts(Banked):
    """The law in three parts; a usual target is a target as any other."""

    def __init__(self, facts: HomeFacts) -> None:
        super().__init__(facts, lambda told, ah: PartsLaw(settings(told, ah, told.target_v)))


class Plain:
    """Eight lines: the current that takes the highest cell to 3 mV below its target within some seconds.

    R is the nominal one, the slope that of the usual knee; it rises by a fiftieth of the most a second.
    """

    def __init__(self, facts: HomeFacts) -> None:
        self._facts = facts
        self._ohm = [0.084 / ah for ah in facts.banks_ah]
        self._share = [ah / sum(facts.banks_ah) for ah in facts.banks_ah]
        self._amps = 0.0

    def step(self, t_s: int, banks: Sequence[BankSeen], sent_v: float, sent_a: float) -> Answer:
        """One second further."""
        del t_s, sent_v, sent_a
        facts, least = self._facts, self._facts.most_a
        for bank, ohm, share, ah in zip(banks, self._ohm, self._share, facts.banks_ah, strict=True):
            high_v, amps = max(bank.cells_v), max(bank.current_a, 0.0)
            slope = 0.7 * max(high_v - ohm * amps - 3.335, 0.0) / (0.0097 * 3600.0 * ah)
            span_s = 1.0 + facts.delay_s + 2.0 * facts.lag_s
            least = min(
                least, (facts.target_v - 0.003 - high_v + ohm * amps) / (ohm + slope * span_s) / share
            )
        self._amps = max(min(least, self._amps + 0.02 * facts.most_a), 0.0)
        return Answer(facts.ceiling_v, self._amps)


class Taper:
    """A guarded taper: in a straight line from 50 mV below the target to 2 mV below it; down at once, up
    slowly.

    It rises only for 2 % of the most, so that noise does not turn it.
    """

    def __init__(self, facts: HomeFacts) -> None:
        self._facts = facts
        self._amps = 0.0

    def step(self, t_s: int, banks: Sequence[BankSeen], sent_v: float, sent_a: float) -> Answer:
        """By the highest cell alone."""
        del t_s, sent_v, sent_a
        facts = self._facts
        high_v = max(max(bank.cells_v) for bank in banks)
        goal = facts.most_a * min(max((facts.target_v - 0.002 - high_v) / 0.048, 0.0), 1.0)
        if goal <= self._amps:
            self._amps = goal
        elif goal > self._amps + 0.02 * facts.most_a:
            self._amps = min(goal, self._amps + 0.02 * facts.most_a)
        return Answer(facts.ceiling_v, self._amps)


LAWS: dict[str, Callable[[HomeFacts], HomeLaw]] = {
    "ours": Ours,
    "parts": Parts,
    "plain": Plain,
    "taper": Taper,
}
