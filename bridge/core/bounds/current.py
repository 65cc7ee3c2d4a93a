"""What bounds the current of one bank in one direction: charging and discharging mirror each other."""

from collections.abc import Collection
from typing import Final

from bridge.core.bounds.shape import CutOff
from bridge.core.plan.plan import Bank, CurrentSide, Deep
from bridge.core.plan.reasons import Contribution, Reason

_TEMPERATURES: Final = ("cell_temperature", "cell_temperature_min", "cell_temperature_max")
_CHARGING: Final = {
    "charge cell": ("cell_voltage", "cell_voltage_max"),
    "charge cold": _TEMPERATURES,
    "charge hot": _TEMPERATURES,
    "charge denied": ("charge_permitted",),
    "charge lost": ("cell_voltage", "cell_voltage_min"),
}
_DRAWING: Final = {
    "discharge cell": ("cell_voltage", "cell_voltage_min"),
    "discharge cold": _TEMPERATURES,
    "discharge hot": _TEMPERATURES,
    "discharge denied": ("discharge_permitted",),
}
"""The cut-offs of either direction, and the readings that trip and release them."""


def cut_offs(bank: Bank) -> tuple[str, ...]:
    """Names of the cut-offs of a bank: of those that something it says can trip, and can release again."""
    said = set(bank.slots)
    said |= {"cell_voltage"} if bank.cell_slots else set()
    said |= {"cell_temperature"} if bank.probe_slots else set()
    by = {**_CHARGING, **_DRAWING}
    return tuple(f"{bank.name} {what}" for what, readings in by.items() if not said.isdisjoint(readings))


class CurrentLaw:
    """All bounds on one direction of one bank's current. Remembers only which cut-offs are tripped."""

    def __init__(self, bank: str, side: CurrentSide, *, charging: bool) -> None:
        self._bank = bank
        self._side = side
        self._charging = charging
        self._by_cell = Reason.HIGHEST_CELL if charging else Reason.LOWEST_CELL
        self._configured = Contribution(Reason.CONFIGURED, side.max_a, bank)
        self._cell = CutOff(side.cell_trip_v, side.cell_release_v)
        self._cold = CutOff(side.coldest_c, side.coldest_c + side.release_c)
        self._hot = CutOff(side.hottest_c, side.hottest_c - side.release_c)
        # The pack's word counts until it says otherwise, also when it falls silent and over a restart.
        self._denied = CutOff(0.0, 1.0)
        found = [self._cell, self._cold, self._hot, self._denied]
        self._deep: tuple[Deep, CutOff] | None = None
        if charging and side.deep is not None:
            self._deep = side.deep, CutOff(side.deep.lost_v, side.deep.release_v)
            found.append(self._deep[1])
        names = (f"{bank} {what}" for what in (_CHARGING if charging else _DRAWING))
        self._cut_offs = dict(zip(names, found, strict=False))

    @property
    def tripped(self) -> frozenset[str]:
        """Names of the cut-offs that are tripped."""
        return frozenset(name for name, cut_off in self._cut_offs.items() if cut_off.tripped)

    def trip(self, names: Collection[str]) -> None:
        """Trips the named ones of its cut-offs, as they were before a restart."""
        for name in self._cut_offs.keys() & names:
            self._cut_offs[name].tripped = True

    @property
    def alarms(self) -> list[str]:
        """What a person must see to: cells outside what they bear."""
        found, (way, which) = [], ("charged", "highest") if self._charging else ("discharged", "lowest")
        if self._cell.tripped:
            found.append(
                f"bank {self._bank}: a cell is past its cut-off, {self._side.cell_trip_v:g} V; "
                f"not {way} until the {which} is back at {self._side.cell_release_v:g} V"
            )
        if self._deep is not None and self._deep[1].tripped:
            lost_v, release_v = self._deep[0].lost_v, self._deep[0].release_v
            found.append(
                f"bank {self._bank}: a cell was at or below {lost_v:g} V, where its makers call it lost; "
                f"not charged until the lowest stands at {release_v:g} V again"
            )
        return found

    def bounds(
        self,
        cell_v: float | None,
        coldest_c: float | None,
        hottest_c: float | None,
        soc: float | None,
        permitted: float | None,
        permitted_a: float | None,
        *,
        lowest_v: float | None = None,
        whole: bool = True,
    ) -> list[Contribution]:
        """Every bound on this bank's current, A. What is not known bounds nothing: the fail-safe state does.
        A cut-off that has tripped, though, stays so while its reading is not known.

        Args:
            cell_v: highest cell when charging, lowest when discharging.
            coldest_c, hottest_c: extremes of temperature.
            soc: state of charge, %.
            permitted: the pack's own permission, 0 or 1.
            permitted_a: the pack's own limit, A.
            lowest_v: lowest cell, when charging: what a deeply discharged one bears.
            whole: no reading of cells or temperatures is missing; else no cut-off is released, because what
                is missing may be what tripped it.
        """
        side, bank, top = self._side, self._bank, self._side.max_a
        found = [self._configured]
        if cell_v is not None:
            found.append(Contribution(self._by_cell, top * side.by_cell.at(cell_v), bank))
        if self._cell.update(cell_v, may_release=whole):
            found.append(Contribution(Reason.CELL_CUT_OFF, 0.0, bank))
        if self._deep is not None:
            deep, lost = self._deep
            if lowest_v is not None and (share := deep.by_lowest.at(lowest_v)) < 1.0:
                found.append(Contribution(Reason.DEEPLY_DISCHARGED, top * share, bank))
            if lost.update(lowest_v, may_release=whole):
                found.append(Contribution(Reason.CELL_LOST, 0.0, bank))
        for reason, curve, cut_off, cell_c in (
            (Reason.COLDEST_CELL, side.by_coldest, self._cold, coldest_c),
            (Reason.HOTTEST_CELL, side.by_hottest, self._hot, hottest_c),
        ):
            if cell_c is not None:
                found.append(Contribution(reason, top * curve.at(cell_c), bank))
            if cut_off.update(cell_c, may_release=whole):
                found.append(Contribution(Reason.TEMPERATURE_CUT_OFF, 0.0, bank))
        if soc is not None and side.by_soc is not None:
            found.append(Contribution(Reason.STATE_OF_CHARGE, top * side.by_soc.at(soc), bank))
        if self._denied.update(permitted):
            found.append(Contribution(Reason.NOT_PERMITTED, 0.0, bank))
        if permitted_a is not None:
            found.append(Contribution(Reason.PERMITTED_CURRENT, permitted_a, bank))
        return found
