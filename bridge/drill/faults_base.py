"""What all tables of faults of the pack know: its messages, slots and banks, and what is wanted."""

import math
from collections.abc import Collection, Iterator

from bridge.core.plan.plan import SECOND_US, Bank, Plan, Slot, Source, Target
from bridge.drill.budget import Budget
from bridge.drill.fault import CLOSED, TINY, Fault, Wanted, not_applicable
from bridge.drill.stage import Stage
from bridge.simulate.node import Origin, Speech
from bridge.simulate.site import Site


class PackFaults:
    """A table of faults of the pack or its data.

    Args:
        plan: the profile.
        site: a site of it that is only looked at: messages, pages, cells at rest.
    """

    def __init__(self, plan: Plan, site: Site) -> None:
        self._plan = plan
        self._budget = Budget(plan)
        self._site = site
        self._banks = {bank.name: bank for bank in plan.banks}
        self._speeches = [one for t in site.talkers if t.owner in site.views for one in t.speeches]
        self._speeches.sort(key=lambda speech: speech.number)

    def _wanted(self, bank: str) -> Wanted:
        """Zero currents; or what the other banks bear, where that is the stated policy."""
        return without_banks(self._plan, {bank})

    @property
    def _reduces(self) -> bool:
        """Whether the other banks go on when one is lost."""
        return len(self._plan.banks) > 1 and self._plan.options.reduce_on_lost_bank

    def _guarded(self) -> list[Speech]:
        """Messages in which something is required, so that damage to them must show."""
        return [one for one in self._speeches if any(s.required for s in self._slots(one, one.origins))]

    def _needed(self, speech: Speech) -> list[Origin]:
        """Readings of a message that are required: any other that cannot be believed costs itself alone."""
        slots = self._slots(speech, speech.origins)
        return [origin for origin, slot in zip(speech.origins, slots, strict=True) if slot.required]

    def _source(self, speech: Speech) -> Source:
        return self._plan.sources[speech.number]

    def _owner(self, speech: Speech) -> str:
        return self._source(speech).owner

    def _target(self, speech: Speech, origin: Origin) -> Target:
        return next(
            target
            for target in self._source(speech).targets
            if target.signal == origin.signal and self._plan.slots[target.slot].quantity == origin.quantity
        )

    def _slots(self, speech: Speech, origins: "list[Origin] | tuple[Origin, ...]") -> list[Slot]:
        return [self._plan.slots[self._target(speech, origin).slot] for origin in origins]

    def _slots_of(self, bank: Bank, quantity: str) -> list[Slot]:
        """Slots of a quantity of a bank: of its cells, or of its extremes."""
        names = (quantity, f"{quantity}_min", f"{quantity}_max")
        return [slot for slot in self._plan.slots if slot.owner == bank.name and slot.quantity in names]

    def _slide_s(self, bank: Bank, quantity: str, distance: float) -> float:
        """So long a value has to slide that no reading of it jumps."""
        longest_s = 0.0
        for speech in self._speeches:
            if self._owner(speech) != bank.name:
                continue
            round_s = speech.period_us * len(speech.pages) / SECOND_US
            for origin in speech.origins:
                jump = self._target(speech, origin).jump
                moves = origin.quantity.startswith(quantity) or (
                    quantity == "cell_voltage" and origin.quantity == "pack_voltage"
                )
                if jump is not None and moves:
                    longest_s = max(longest_s, math.ceil(distance / (0.6 * jump)) * round_s)
        return longest_s

    def _name(self, speech: Speech) -> str:
        return speech.coder.name

    def _of(self, bank: Bank) -> str:
        return f" in {bank.name}" if len(self._plan.banks) > 1 else ""


def without_banks(plan: Plan, lost: Collection[str]) -> Wanted:
    """What is wanted when these banks are lost: zero currents, or what the others bear."""
    others = [one for one in plan.banks if one.name not in lost]
    if not others or not plan.options.reduce_on_lost_bank:
        return CLOSED
    charge_a = min(sum(one.charge.max_a for one in others), plan.limits.charge_a)
    draw_a = min(sum(one.discharge.max_a for one in others), plan.limits.discharge_a)
    return Wanted(
        f"no more than the other banks bear: charge {charge_a:g} A, draw {draw_a:g} A",
        lambda view: (
            view.timed_out
            or (
                view.total.get("charge_current_limit", 0.0) <= charge_a + TINY
                and view.total.get("discharge_current_limit", 0.0) <= draw_a + TINY
            )
        ),
    )


def or_not(name: str, why: str, found: Iterator[Fault]) -> list[Fault]:
    """These faults; if there are none, a line that says why."""
    return list(found) or [not_applicable(name, why)]


def shortest_age_s(slots: list[Slot]) -> float:
    """The shortest allowed age of these, in seconds."""
    return min(slot.max_age_us for slot in slots) / SECOND_US


def mute(stage: Stage, owner: str | None) -> None:
    """Nothing comes any more from one bank or inverter, or from all banks."""
    for speech in stage.speeches(owner):
        speech.muted = True
