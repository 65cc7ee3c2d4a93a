"""The laws of discharging that are tried on homes; as in `laws`, to put in another add it to `DRAW_LAWS`."""

from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

from bridge.core.bounds.banks import Shares, heeded_a, whole_a
from bridge.core.draw.bank_draw import RISE_SHARE_PER_S as DRAW_RISE_PER_S
from bridge.core.draw.draw_law import DrawLaw, DrawSettings
from tests.core.plans import Builder
from tests.homes.laws import Ages, BankSeen, HomeFacts

KNEE_V = 3.05


class DrawAnswer(NamedTuple):
    """Discharge voltage floor and current of the whole home, and whether the current is believed ignored."""

    floor_v: float
    current_a: float
    current_ignored: bool = False


class HomeDrawLaw(Protocol):
    """Once a second: what is seen of each bank, and the current limit sent last. `target_v` is the floor."""

    def step(self, t_s: int, banks: Sequence[BankSeen], sent_a: float, /) -> DrawAnswer:
        """One second further."""
        ...


class OursDraw:
    """The project's law, one for each bank, and of what they say the tightest, as the core composes it."""

    def __init__(self, facts: HomeFacts) -> None:
        whole_ah, count = sum(facts.banks_ah), len(facts.banks_ah)
        self._configured_v = facts.ceiling_v
        self._laws = [
            DrawLaw(
                DrawSettings(
                    cells=facts.cells,
                    capacity_ah=ah,
                    floor_v=facts.target_v,
                    knee_v=KNEE_V,
                    most_a=facts.most_a * ah / whole_ah,
                    rise_a_per_s=DRAW_RISE_PER_S * facts.most_a * ah / whole_ah,
                    lag_s=facts.lag_s,
                    delay_s=facts.delay_s,
                )
            )
            for ah in facts.banks_ah
        ]
        self._shares = Shares(Builder(banks=count, capacities_ah=facts.banks_ah).plan().banks)
        self._active = [True] * count
        self._ages = [Ages() for _ in facts.banks_ah]

    def step(self, t_s: int, banks: Sequence[BankSeen], sent_a: float) -> DrawAnswer:
        """Every bank's law once."""
        currents = [bank.current_a for bank in banks]
        shares = self._shares.update(currents, self._active, 1.0)
        drawn = [-amps for amps in currents]
        together_a = whole_a(drawn, self._active)
        floors, amps, ignored = [self._configured_v], [], False
        for i, (law, bank, share) in enumerate(zip(self._laws, banks, shares, strict=True)):
            fresh, age_s, waited_s = self._ages[i].look(t_s, bank.came_s)
            found = law.step(
                1.0,
                bank.cells_v,
                bank.pack_v,
                bank.current_a,
                fresh=fresh,
                age_s=age_s,
                waited_s=waited_s,
                coldest_c=bank.coldest_c,
                sent_a=heeded_a(sent_a, share, drawn[i], together_a),
            )
            floors += [] if found.floor_v is None else [found.floor_v]
            amps.append(found.current_a / share)
            ignored |= found.current_ignored
        return DrawAnswer(max(floors), min(amps), ignored)


class TaperDraw:
    """A guarded taper: in a straight line from the knee to 2 mV above the floor; down at once, up slowly.

    It rises only for 2 % of the most, so that noise does not turn it.
    """

    def __init__(self, facts: HomeFacts) -> None:
        self._facts = facts
        self._amps = 0.0

    def step(self, t_s: int, banks: Sequence[BankSeen], sent_a: float) -> DrawAnswer:
        """By the lowest cell alone."""
        del t_s, sent_a
        facts = self._facts
        low_v = min(min(bank.cells_v) for bank in banks)
        share = (low_v - facts.target_v - 0.002) / (KNEE_V - facts.target_v)
        goal = facts.most_a * min(max(share, 0.0), 1.0)
        if goal <= self._amps:
            self._amps = goal
        elif goal > self._amps + 0.02 * facts.most_a:
            self._amps = min(goal, self._amps + 0.03 * facts.most_a)
        return DrawAnswer(facts.ceiling_v, self._amps)


DRAW_LAWS: dict[str, Callable[[HomeFacts], HomeDrawLaw]] = {"ours": OursDraw, "taper": TaperDraw}
