"""Faults of the pack itself: contradictions, a lost bank, a cell or a temperature beyond its bounds."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import Final

from bridge.core.plan.plan import SECOND_US
from bridge.drill.fault import (
    CELLS_S,
    MOVED,
    NO_CHARGE,
    NO_DRAW,
    NONE_HIGHER,
    TINY,
    Fault,
    Wanted,
    not_applicable,
)
from bridge.drill.faults_base import PackFaults, mute, or_not, shortest_age_s
from bridge.drill.stage import TEMPERATURE_C, Stage

LAW_S: Final = 1.0
"""The charge law may take so long to move the voltage (its pace); the current goes at once."""

SURELY: Final = 4.0
"""A bank's current surely is above its sensor's error where its limit is so many times that (own choice)."""


class CellFaults(PackFaults):
    """The part of the fault table that is about the pack itself."""

    def table(self) -> list[Fault]:
        """All of them, in order."""
        return [
            *or_not("sum of cells", "pack and cell voltages are not both read", self._mismatches()),
            *or_not("bank lost", "there is one bank", self._banks_lost()),
            *or_not(
                "apart",
                "no bank says whether it is connected, with a current above its sensor's error",
                self._apart(),
            ),
            *(cells := list(self._cells())),
            *or_not("disk failing", "no cell voltage in the profile", _without_a_disk(cells)),
            *or_not("pack forbids", "no charge_permitted in the profile", self._forbidden()),
            *or_not("too cold", "no temperature in the profile", self._temperatures()),
        ]

    def _mismatches(self) -> Iterator[Fault]:
        tolerance_v = self._plan.times.sum_tolerance_v
        for bank in self._plan.banks:
            all_cells = len(bank.cell_slots) == bank.cells
            if "pack_voltage" not in bank.slots or not (
                all_cells or {"cell_voltage_min", "cell_voltage_max"} <= set(bank.slots)
            ):
                continue
            cells_v = self._site.views[bank.name].cells_v(0)
            # Without single cells only what lies beyond the highest cell times their number is impossible.
            spread_v = 0.0 if all_cells else bank.cells * (max(cells_v) - min(cells_v) + 0.05)
            shift_v = 1.5 * tolerance_v + spread_v
            age_s = max(self._plan.slots[n].max_age_us for n in bank.slots.values()) / SECOND_US
            yield Fault(
                f"sum of cells{self._of(bank)}",
                f"the pack voltage reads {shift_v:.2f} V more than its cells give",
                self._wanted(bank.name),
                self._budget.contradicted(age_s),
                partial(_shift, bank=bank.name, shift_v=shift_v),
                lost=True,
                follows=self._reduces,
            )

    def _banks_lost(self) -> Iterator[Fault]:
        for bank in self._plan.banks if len(self._plan.banks) > 1 else ():
            age_s = min(age_us for _, age_us in bank.required) / SECOND_US
            yield Fault(
                f"bank {bank.name} lost",
                f"the monitor of {bank.name} says nothing any more",
                self._wanted(bank.name),
                self._budget.lost(age_s),
                partial(mute, owner=bank.name),
                lost=True,
                follows=self._reduces,
            )

    def _apart(self) -> Iterator[Fault]:
        """A bank that says it is not connected, while its current flows, is not believed."""
        for bank in self._plan.banks:
            if not {"bank_connected", "pack_current"} <= set(bank.slots):
                continue
            if self._plan.options.inhibit_charge or not self._plan.slots[bank.slots["pack_current"]].required:
                continue
            if bank.charge.max_a < SURELY * bank.charge.facts.current_zero_a:
                continue  # what flows might be its sensor's error: then the bank is believed
            age_s = max(self._plan.slots[n].max_age_us for n in bank.slots.values()) / SECOND_US
            yield Fault(
                f"apart{self._of(bank)}",
                "it says that it is not connected, and its current flows",
                NONE_HIGHER,
                0.0,
                partial(_part, bank=bank.name),
                lasts_s=self._budget.contradicted(age_s),
                follows=True,
            )

    def _cells(self) -> Iterator[Fault]:
        lower = Wanted(
            "charge current at zero, in the end charge voltage lowered",
            NO_CHARGE.met,
            at_end=lambda view: (
                view.values.get("charge_voltage_limit", 0.0)
                < view.before.get("charge_voltage_limit", 1.0) - TINY
            ),
        )
        for bank in self._plan.banks:
            cells_v = self._site.views[bank.name].cells_v(0)
            over_v, under_v = bank.charge.cell_trip_v + 0.02, bank.discharge.cell_trip_v - 0.02
            for name, to_v, wanted, charging in (
                ("one cell over", over_v, lower, True),
                ("one cell under", under_v, NO_DRAW, False),
            ):
                at = cells_v.index(max(cells_v) if charging else min(cells_v))
                slots = self._slots_of(bank, "cell_voltage")
                if not slots:
                    yield not_applicable(f"{name}{self._of(bank)}", "no cell voltage in the profile")
                    continue
                slide_s = self._slide_s(bank, "cell_voltage", abs(to_v - cells_v[at]))
                yield Fault(
                    f"{name}{self._of(bank)}",
                    f"cell {at + 1} reads {to_v:.3f} V",
                    wanted,
                    self._budget.read(shortest_age_s(slots)),
                    partial(move_cell, bank=bank.name, at=at, to_v=to_v, seconds=slide_s),
                    acts_after_s=slide_s,
                    lasts_s=self._budget.read(shortest_age_s(slots)) + LAW_S + self._budget.reaction_s,
                    follows=True,
                    remembers_s=CELLS_S,
                    back=MOVED,
                )

    def _forbidden(self) -> Iterator[Fault]:
        for bank in self._plan.banks:
            for quantity, name, wanted in (
                ("charge_permitted", "pack forbids to charge", NO_CHARGE),
                ("discharge_permitted", "pack forbids to draw", NO_DRAW),
            ):
                if quantity in bank.slots:
                    yield Fault(
                        f"{name}{self._of(bank)}",
                        f"{quantity} says no",
                        wanted,
                        self._budget.read(shortest_age_s([self._plan.slots[bank.slots[quantity]]])),
                        partial(_forbid, bank=bank.name, quantity=quantity),
                        follows=True,
                    )

    def _temperatures(self) -> Iterator[Fault]:
        for bank in self._plan.banks:
            slots = self._slots_of(bank, "cell_temperature")
            if not slots:
                continue
            for name, to_c, wanted in (
                ("too cold to charge", bank.charge.coldest_c - 1.0, NO_CHARGE),
                ("too hot to charge", bank.charge.hottest_c + 1.0, NO_CHARGE),
                ("too cold to draw", bank.discharge.coldest_c - 1.0, NO_DRAW),
                ("too hot to draw", bank.discharge.hottest_c + 1.0, NO_DRAW),
            ):
                slide_s = self._slide_s(bank, "cell_temperature", abs(to_c - TEMPERATURE_C))
                yield Fault(
                    f"{name}{self._of(bank)}",
                    f"every probe reads {to_c:g} °C",
                    wanted,
                    self._budget.read(shortest_age_s(slots)),
                    partial(_move_temperature, bank=bank.name, to_c=to_c, seconds=slide_s),
                    acts_after_s=slide_s,
                    follows=True,
                    remembers_s=CELLS_S,
                )


def _without_a_disk(cells: list[Fault]) -> Iterator[Fault]:
    """A cut-off that cannot be kept for a restart is told, and heeded all the same."""
    for fault in cells:
        if not fault.why_not:
            injected = f"{fault.injected}, and what is to be kept of it cannot be written"
            inject = partial(_fail_disk, besides=fault.inject)
            yield replace(
                fault, name="disk failing", injected=injected, inject=inject, says="nothing is kept"
            )
            return


def _fail_disk(stage: Stage, besides: Callable[[Stage], None]) -> None:
    stage.fail_disk()
    besides(stage)


def _shift(stage: Stage, bank: str, shift_v: float) -> None:
    stage.view(bank).shift_v = stage.slide(0.0, shift_v, 0.0)


def move_cell(stage: Stage, bank: str, at: int, to_v: float, seconds: float) -> None:
    """A cell slides to a voltage, and back when the fault is healed."""
    view = stage.view(bank)
    view.cell_v[at] = stage.slide(view.cells_v(0)[at], to_v, seconds)


def _move_temperature(stage: Stage, bank: str, to_c: float, seconds: float) -> None:
    stage.view(bank).temperature_c = stage.slide(TEMPERATURE_C, to_c, seconds)


def _part(stage: Stage, bank: str) -> None:
    view = stage.view(bank)
    view.apart = True
    stage.slides.on_heal(lambda: setattr(view, "apart", False))


def _forbid(stage: Stage, bank: str, quantity: str) -> None:
    view = stage.view(bank)
    view.forbidden.add(quantity)
    stage.slides.on_heal(view.forbidden.clear)
