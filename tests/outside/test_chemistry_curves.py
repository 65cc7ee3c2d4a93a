"""What the chemistry presets tell the charge law of a cell's curve, against published open-circuit curves."""

import itertools
import math

import pytest

from bridge.profile.chemistry import CHEMISTRIES
from tests.outside.test_cell_model import CHEN_2020, KIM_2011, PRADA_2013

CHARGE = tuple(charge for charge, _ in PRADA_2013)


def test_lfp_rises_as_its_published_curve_does() -> None:
    """Prada2013: e-folds down from 3.600 V at 100 % lead to the 3.3164 V at 95 %, from a foot at 3.315 V.

    The plateau is that foot and some of the hysteresis (28 mV half gap, batmods-lite), never all of it.
    """
    lfp, foot_v = CHEMISTRIES["lfp"], 3.3148
    down = math.exp(-0.05 / lfp.e_fold)

    assert foot_v + (3.600 - foot_v) * down == pytest.approx(3.3164, abs=0.0005)
    assert 0.0 < lfp.plateau_v - foot_v < 0.028


@pytest.mark.parametrize(("name", "curve"), [("nmc", CHEN_2020), ("nca", KIM_2011)])
def test_nmc_and_nca_are_taken_to_rise_no_less_than_published(name: str, curve: tuple[float, ...]) -> None:
    """Chen2020, NCA_Kim2011: from the knee on no piece of the curve is steeper than at its lower end by the
    preset, and the preset never makes it more than three times as steep: it says something."""
    cell = CHEMISTRIES[name]
    pieces = [
        (max(v0, cell.knee_v), (v1 - v0) / (c1 - c0))
        for (c0, v0), (c1, v1) in itertools.pairwise(zip(CHARGE, curve, strict=True))
        if v1 > cell.knee_v
    ]

    assert len(pieces) >= 4
    for from_v, rise_v in pieces:
        assert rise_v <= (from_v - cell.plateau_v) / cell.e_fold
    assert (cell.cell_max_v - cell.plateau_v) / cell.e_fold < 3.0 * max(rise_v for _, rise_v in pieces)


@pytest.mark.parametrize("name", ["lto", "sodium"])
def test_without_a_published_curve_the_steepest_is_stretched(name: str) -> None:
    """LFP's place between floor and target, and its e-fold, to the hundredth of a volt."""
    lfp, cell = CHEMISTRIES["lfp"], CHEMISTRIES[name]
    share = (lfp.plateau_v - lfp.floor_v) / (lfp.target_v - lfp.floor_v)

    assert cell.e_fold == lfp.e_fold
    assert cell.plateau_v == pytest.approx(cell.floor_v + share * (cell.target_v - cell.floor_v), abs=0.006)


def test_every_plateau_is_below_its_knee() -> None:
    """The steep part begins above it."""
    for cell in CHEMISTRIES.values():
        assert cell.low_knee_v < cell.plateau_v < cell.knee_v
