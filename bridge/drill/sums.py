"""What all inverters together are told is never more than the pack bears, in any set of frames."""

from collections import deque
from typing import Final

from bridge.core.plan.plan import Plan
from bridge.core.told.decision import Decision
from bridge.core.wire.outgoing import QuantityItem
from bridge.simulate.node import Seen
from bridge.words import SHORT, amount

CURRENTS: Final = ("charge_current_limit", "discharge_current_limit")

TINY: Final = 1e-6
"""Two independent decoders may differ so much: limits are decided on a grid of 1e-6."""


class Sums:
    """Watches what was told to whom. A number counts until the next is due: one that did not come is another
    fault, and another rule.
    """

    def __init__(self, plan: Plan) -> None:
        self._takers = {
            CURRENTS[0]: {one.name for one in plan.inverters if one.charges},
            CURRENTS[1]: {one.name for one in plan.inverters if one.discharges},
        }
        caps_a = plan.limits.charge_a, plan.limits.discharge_a
        self._hard = dict(zip(CURRENTS, caps_a, strict=True))
        self._lasts_us = {name: _longest_us(plan, name) + plan.tick_us for name in CURRENTS}
        self._told: dict[str, dict[str, tuple[int, float]]] = {name: {} for name in CURRENTS}
        self._bore: dict[str, deque[tuple[int, float]]] = {name: deque() for name in CURRENTS}

    def seen(self, inverter: str, seen: Seen, decision: Decision | None) -> list[str]:
        """One frame, as an inverter understood it; returns what is wrong with the sum of all."""
        wrong = []
        for name in CURRENTS:
            if name in seen.values and inverter in self._takers[name]:
                bore = self._hard[name] if decision is None else decision.limits[name].value
                self._bore[name].append((seen.t_us, bore))
                self._told[name][inverter] = seen.t_us, seen.values[name]
                wrong += self._judge(name, seen.t_us)
        return wrong

    def _judge(self, name: str, t_us: int) -> list[str]:
        told = [one for one in self._told[name].values() if t_us - one[0] <= self._lasts_us[name]]
        first_us, bore = min(at_us for at_us, _ in told), self._bore[name]
        while len(bore) > 1 and bore[1][0] < first_us:
            bore.popleft()  # the last one before the set began still holds when it does
        most, all_told = max(value for _, value in bore), sum(value for _, value in told)
        if all_told <= most + TINY:
            return []
        return [
            f"all inverters were told: {SHORT[name]} {amount(name, all_told)}; decided: {amount(name, most)}"
        ]


def _longest_us(plan: Plan, name: str) -> int:
    """From one frame that carries a limit to the next, at most."""
    periods = [
        one.period_us * len(one.pages)
        for one in plan.transmissions
        if any(
            isinstance(item, QuantityItem) and item.quantity == name for page in one.pages for item in page
        )
    ]
    return max(periods, default=0)
