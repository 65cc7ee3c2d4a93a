"""Faults of a cell that is far below what it should ever be: charged gently, and below that not at all."""

from collections.abc import Iterator
from functools import partial
from typing import Final

from bridge.core.plan.plan import Bank, Deep, Target
from bridge.drill.fault import CELLS_S, DIRECTION, TINY, Fault, Wanted, not_applicable
from bridge.drill.faults_base import PackFaults, shortest_age_s
from bridge.drill.faults_cells import move_cell

NEAR_V: Final = 0.02
"""So far from where a rule begins a cell is put (own choice)."""

SUNKEN: Final = 0.5
"""So much of a current is back at least: no real cell rises by a volt in seconds, and what the laws take from
that stays until the current moves (own choice)."""

SENSOR_V: Final = 0.01
"""What the sensor's steps may make of it (own choice)."""


class DeepFaults(PackFaults):
    """The part of the fault table about deeply discharged cells."""

    def table(self) -> list[Fault]:
        """All of them, in order."""
        return [fault for bank in self._plan.banks for fault in self._of_bank(bank)]

    def _of_bank(self, bank: Bank) -> Iterator[Fault]:
        several, deep = self._of(bank), bank.charge.deep
        low_v = max((target.low for target in self._lows(bank)), default=None)
        rows = (("cell deeply discharged", NEAR_V), ("cell lost", -NEAR_V))
        for name, off_v in rows:
            if deep is None or low_v is None:
                yield not_applicable(f"{name}{several}", "the lowest cell is not read")
            elif deep.lost_v + off_v < low_v:
                why = f"no cell below {low_v:g} V is believed"
                yield not_applicable(f"{name}{several}", why)
            else:
                wanted = self._gently(bank, deep, deep.lost_v + off_v) if off_v > 0.0 else _NOTHING
                yield self._sunken(f"{name}{several}", bank, deep.lost_v + off_v, wanted)

    def _sunken(self, name: str, bank: Bank, to_v: float, wanted: Wanted) -> Fault:
        cells_v = self._site.views[bank.name].cells_v(0)
        at = cells_v.index(min(cells_v))
        slide_s = self._slide_s(bank, "cell_voltage", abs(to_v - cells_v[at]))
        return Fault(
            name,
            f"cell {at + 1} reads {to_v:.3f} V",
            wanted,
            self._budget.read(shortest_age_s(self._slots_of(bank, "cell_voltage"))),
            partial(move_cell, bank=bank.name, at=at, to_v=to_v, seconds=slide_s),
            acts_after_s=slide_s,
            follows=True,
            remembers_s=CELLS_S,
            back=SUNKEN,
        )

    def _gently(self, bank: Bank, deep: Deep, at_v: float) -> Wanted:
        """What the profile says such a cell bears of the charge, and nothing is drawn."""
        together_ah = sum(one.capacity_ah for one in self._plan.banks)
        alone_a = bank.charge.max_a * deep.by_lowest.at(at_v + SENSOR_V)
        most_a = alone_a * together_ah / bank.capacity_ah
        return Wanted(
            f"charge with no more than {most_a:.2f} A together, draw at zero",
            lambda view: (
                view.at_zero("discharge_current_limit")
                and view.total.get("charge_current_limit", 0.0) <= most_a + TINY
            ),
        )

    def _lows(self, bank: Bank) -> list[Target]:
        """Where the lowest cell is read."""
        names = ("cell_voltage", "cell_voltage_min")
        return [
            target
            for source in self._plan.sources
            for target in source.targets
            if source.owner == bank.name
            and self._plan.slots[target.slot].quantity in names
            and self._plan.slots[target.slot].required
        ]


_NOTHING: Final = Wanted("both currents at zero", lambda view: view.at_zero(*DIRECTION))
