"""The packs a simulation offers: kinds of unlikeness that a home-built pack may have, drawn from a seed."""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from bridge.profile.chemistry import CHEMISTRIES, Chemistry
from bridge.simulate.cell import LFP_HYSTERESIS_V, Branch, CellModel, CellParameters, at_temperature
from bridge.simulate.heat import Surroundings, Warmth, usual_heat
from bridge.simulate.open_circuit import lfp_open_circuit_v, nca_open_circuit_v, nmc_open_circuit_v
from bridge.simulate.pack import Balancer, BankModel

_CURVES: Final[dict[str, Callable[[float], float]]] = {
    "lfp": lfp_open_circuit_v,
    "nmc": nmc_open_circuit_v,
    "nca": nca_open_circuit_v,
}

SOURCES: Final[dict[str, str]] = {
    "lfp": "Prada2013, below 20 % Naumann 2018",
    "nmc": "Chen2020",
    "nca": "NCA_Kim2011",
}
"""What the open-circuit curve of a chemistry is from: parameter sets of PyBaMM, and a measured cell."""

STAND_INS: Final[dict[str, str]] = {
    name: f"A STAND-IN for {name}: that of LFP, stretched to lie between its floor and its target"
    for name in CHEMISTRIES
    if name not in SOURCES
}
"""Chemistries without one, and what is used instead, in words."""


def cell_of(chemistry: Chemistry, capacity_ah: float) -> CellParameters:
    """An average cell of a chemistry and size; resistances fall with the size.

    Where there is no published curve (LTO, sodium-ion), that of LFP is stretched to lie between the floor and
    the target, a rough stand-in that is flat in the middle and steep at the ends.
    """
    usual = CellParameters()
    size = capacity_ah / usual.capacity_ah
    branches = tuple(Branch(b.resistance_ohm / size, b.capacitance_f * size) for b in usual.branches)
    curve = _CURVES.get(chemistry.name)
    if curve is None:
        lfp = CHEMISTRIES["lfp"]
        stretch = (chemistry.target_v - chemistry.floor_v) / (lfp.target_v - lfp.floor_v)
        curve = partial(_stretched, lfp.floor_v, chemistry.floor_v, stretch)
    return CellParameters(capacity_ah, usual.series_ohm / size, branches, curve)


def _stretched(lfp_floor_v: float, floor_v: float, stretch: float, charge: float) -> float:
    return floor_v + (lfp_open_circuit_v(charge) - lfp_floor_v) * stretch


@dataclass(slots=True)
class _Draft:
    """One cell before it is built: factors on the average cell, and difference in charge."""

    capacity: float = 1.0
    resistance: float = 1.0
    series: float = 1.0
    charge: float = 0.0


def _spread(
    drafts: list[_Draft], draw: random.Random, capacity: float, resistance: float, charge: float
) -> None:
    for draft in drafts:
        draft.capacity *= 1.0 + draw.uniform(-capacity, capacity)
        draft.resistance *= 1.0 + draw.uniform(-resistance, resistance)
        draft.charge += draw.uniform(-charge, charge)


def _balanced(drafts: list[_Draft], draw: random.Random) -> None:
    _spread(drafts, draw, 0.005, 0.05, 0.001)


def _unlike(drafts: list[_Draft], draw: random.Random) -> None:
    _spread(drafts, draw, 0.02, 0.15, 0.015)


def _runner(drafts: list[_Draft], draw: random.Random) -> None:
    _spread(drafts, draw, 0.02, 0.15, 0.003)
    draw.choice(drafts).charge += 0.03


def _weak(drafts: list[_Draft], draw: random.Random) -> None:
    _spread(drafts, draw, 0.02, 0.15, 0.003)
    weak = draw.choice(drafts)
    weak.capacity *= 0.88
    weak.resistance *= 1.5


def _contact(drafts: list[_Draft], draw: random.Random) -> None:
    _spread(drafts, draw, 0.02, 0.15, 0.003)
    draw.choice(drafts).series *= 4.0


def _two_groups(drafts: list[_Draft], draw: random.Random) -> None:
    _spread(drafts, draw, 0.02, 0.15, 0.003)
    for draft in draw.sample(drafts, len(drafts) // 2):
        draft.charge -= 0.025


_KINDS: Final[dict[str, tuple[str, Callable[[list[_Draft], random.Random], None]]]] = {
    "balanced": ("cells nearly alike", _balanced),
    "spread": ("cells differ by 2 % in capacity, 15 % in resistance, 1.5 % in charge", _unlike),
    "runner": ("one cell holds 3 % more charge than the others", _runner),
    "weak": ("one cell has 12 % less capacity and half as much resistance again", _weak),
    "contact": ("one cell has a bad contact: 4 times the series resistance", _contact),
    "two-groups": ("half of the cells hold 2.5 % less charge than the others", _two_groups),
}

KINDS: Final[dict[str, str]] = {name: words for name, (words, _) in _KINDS.items()}
"""What each kind of pack is, in words."""


@dataclass(frozen=True, slots=True)
class PackWish:
    """What pack to draw.

    Attributes:
        kind: one of `KINDS`.
        seed: the same seed gives the same pack.
        charge: mean charge at the start, 0..1.
        temperature_c: of all cells at the start; all the time, if there are no `surroundings`.
        sensor_step_v, sensor_error_v: resolution of the cell sensors, and their largest error.
        health: what is left of the capacity in the profile, 1 for new cells; the monitors do not know.
        resistance: how many times that of new cells.
        surroundings: the cells warm up, and give their heat to these; `None`: their temperature stays.
    """

    kind: str = "spread"
    seed: int = 1
    charge: float = 0.2
    temperature_c: float = 20.0
    sensor_step_v: float = 0.001
    sensor_error_v: float = 0.002
    health: float = 1.0
    resistance: float = 1.0
    surroundings: Surroundings | None = None


def drawn_pack(
    wish: PackWish,
    chemistry: Chemistry,
    banks: list[tuple[int, float]],
    stated_ohm: Sequence[float | None] = (),
) -> list[BankModel]:
    """Draws the banks of a pack.

    Args:
        wish: which pack.
        chemistry: of all cells; only LFP has hysteresis.
        banks: cells in series and capacity in Ah of each.
        stated_ohm: resistance of each bank up to the common bars; what its cells do not have of it is in its
            leads. `None` or not given: none is.
    """
    models = []
    for n, (count, capacity_ah) in enumerate(banks):
        draw = random.Random(f"{wish.seed}/{n}")  # text: the same on every machine, unlike a tuple's hash
        drafts = [_Draft() for _ in range(count)]
        _KINDS[wish.kind][1](drafts, draw)
        average = _worn(cell_of(chemistry, capacity_ah), wish)
        if chemistry.name == "lfp":
            average = average._replace(hysteresis_v=LFP_HYSTERESIS_V)
        if wish.surroundings is None:
            average = at_temperature(average, wish.temperature_c)
        mean = sum(draft.charge for draft in drafts) / count
        cells = [CellModel(_cell(draft, average), wish.charge + draft.charge - mean) for draft in drafts]
        errors_v = [draw.uniform(-wish.sensor_error_v, wish.sensor_error_v) for _ in range(count)]
        stated = stated_ohm[n] if stated_ohm else None
        models.append(
            BankModel(
                cells,
                capacity_ah,
                Balancer(from_v=chemistry.target_v - 0.05),
                max((stated or 0.0) - count * average.series_ohm, 0.0),
                sensor_step_v=wish.sensor_step_v,
                sensor_errors_v=errors_v,
                warmth=_warmth(cells, capacity_ah, wish),
            )
        )
    return models


def _warmth(cells: list[CellModel], capacity_ah: float, wish: PackWish) -> Warmth | None:
    if wish.surroundings is None:
        return None
    return Warmth(cells, usual_heat(capacity_ah), wish.surroundings, wish.temperature_c)


def _worn(cell: CellParameters, wish: PackWish) -> CellParameters:
    return _cell(_Draft(capacity=wish.health, resistance=wish.resistance), cell)


def _cell(draft: _Draft, average: CellParameters) -> CellParameters:
    # A cell with more resistance is not slower: its capacitances shrink along.
    branches = tuple(
        branch._replace(
            resistance_ohm=branch.resistance_ohm * draft.resistance,
            capacitance_f=branch.capacitance_f / draft.resistance,
        )
        for branch in average.branches
    )
    return average._replace(
        capacity_ah=average.capacity_ah * draft.capacity,
        series_ohm=average.series_ohm * draft.resistance * draft.series,
        branches=branches,
    )
