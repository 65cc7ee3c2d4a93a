"""Cell envelopes and derating tables against published numbers and numpy.

Sources: IEC 62619:2022 5.6.2 [excerpt]: no cell above its own upper limit. LFP: cell makers' sheets
[excerpt]. Open-circuit voltages: parameter sets of PyBaMM 26.10 (BSD-3), a few points typed in here.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.plan.curve import Curve
from bridge.profile.chemistry import CHEMISTRIES, Chemistry

MAKERS_HIGHEST_V = {"lfp": 3.65, "nmc": 4.2, "nca": 4.2, "lto": 2.7, "sodium": 4.2}
MAKERS_LOWEST_V = {"lfp": 2.5, "nmc": 2.5, "nca": 2.7, "lto": 1.5, "sodium": 2.0}

any_chemistry = pytest.mark.parametrize("chemistry", CHEMISTRIES.values(), ids=CHEMISTRIES)


def curve(points: tuple[tuple[float, float], ...]) -> Curve:
    """The points as a curve."""
    return Curve([x for x, _ in points], [y for _, y in points])


def test_every_chemistry_is_checked_here() -> None:
    """A new chemistry needs its published envelope in this file."""
    assert set(CHEMISTRIES) == set(MAKERS_HIGHEST_V) == set(MAKERS_LOWEST_V)


@any_chemistry
def test_no_envelope_is_wider_than_the_makers(chemistry: Chemistry) -> None:
    """Makers' sheets and PyBaMM cut-offs (Chen2020, Mohtat2020, NCA_Kim2011); IEC 62619:2022 5.6.2."""
    assert chemistry.cell_max_v <= MAKERS_HIGHEST_V[chemistry.name]
    assert chemistry.cell_min_v >= MAKERS_LOWEST_V[chemistry.name]


def test_lfp_envelope_is_the_makers() -> None:
    """LFP cell makers' sheets [excerpt]: 2.5 to 3.65 V, charge 0 to 45 °C, discharge -20 to 60 °C."""
    lfp = CHEMISTRIES["lfp"]
    assert (lfp.cell_min_v, lfp.cell_max_v) == (2.5, 3.65)
    assert (lfp.charge_min_c, lfp.charge_max_c) == (0.0, 45.0)
    assert (lfp.discharge_min_c, lfp.discharge_max_c) == (-20.0, 60.0)


def test_lfp_is_not_taken_for_a_four_volt_cell() -> None:
    """4.2 V, right for NMC and NCA, is far outside what LFP bears, and 3.65 V outside LTO."""
    assert CHEMISTRIES["lfp"].cell_max_v < 4.2 <= CHEMISTRIES["nmc"].cell_max_v
    assert CHEMISTRIES["lto"].cell_max_v < CHEMISTRIES["lfp"].cell_max_v


@any_chemistry
def test_a_lost_cell_is_below_every_minimum_and_not_far_below(chemistry: Chemistry) -> None:
    """LFP, NMC and NCA that were below some 2.0 V are thrown away [practice]; others: own choice, tighter."""
    assert chemistry.cell_min_v - 0.8 < chemistry.lost_v < chemistry.cell_min_v
    assert chemistry.lost_v >= (2.0 if chemistry.name in ("lfp", "nmc", "nca") else 1.0)


@any_chemistry
def test_targets_lie_inside_the_envelope(chemistry: Chemistry) -> None:
    """Full, resting and empty stand in that order within what the cell bears [practice]."""
    order = (chemistry.cell_min_v, chemistry.floor_v, chemistry.resting_v, chemistry.target_v)
    assert list(order) == sorted(set(order))
    assert chemistry.target_v <= chemistry.cell_max_v
    assert chemistry.discharge_min_c <= chemistry.charge_min_c < chemistry.charge_max_c
    assert chemistry.charge_max_c <= chemistry.discharge_max_c


@any_chemistry
def test_derating_reaches_zero_at_every_edge_of_the_envelope(chemistry: Chemistry) -> None:
    """Makers' sheets: no charge at or beyond the charging temperatures or the highest voltage, no
    discharge at or beyond the discharging temperatures or the lowest voltage.
    """
    edges = [
        (chemistry.charge_by_highest_cell, chemistry.cell_max_v, 1.0),
        (chemistry.discharge_by_lowest_cell, chemistry.cell_min_v, -1.0),
        (chemistry.charge_by_coldest_cell, chemistry.charge_min_c, -1.0),
        (chemistry.charge_by_hottest_cell, chemistry.charge_max_c, 1.0),
        (chemistry.discharge_by_coldest_cell, chemistry.discharge_min_c, -1.0),
        (chemistry.discharge_by_hottest_cell, chemistry.discharge_max_c, 1.0),
    ]
    for points, edge, outwards in edges:
        assert [curve(points).at(edge + outwards * step) for step in (0.0, 0.001, 1.0, 50.0)] == [0.0] * 4


@given(st.floats(-40, 9.999))
def test_cold_lfp_is_charged_slowly(cold_c: float) -> None:
    """LFP makers' sheets [excerpt]: below 10 °C at most 0.2C, below 0 °C nothing; for a pack set to the
    0.5C that most sheets call the standard charge [practice].
    """
    share = curve(CHEMISTRIES["lfp"].charge_by_coldest_cell).at(cold_c)
    assert 0.5 * share <= 0.2
    assert cold_c > 0 or share == 0.0


@pytest.mark.parametrize(
    ("name", "at_20_v", "at_80_v", "full_v"),
    [
        ("lfp", 3.1685, 3.3097, 3.6),
        ("nmc", 3.4852, 4.0421, 4.2),
        ("nca", 3.3721, 3.9803, 4.2),
    ],
)
def test_floor_and_target_enclose_the_middle_of_the_charge(
    name: str, at_20_v: float, at_80_v: float, full_v: float
) -> None:
    """PyBaMM Prada2013, Chen2020, NCA_Kim2011: the floor lies below a cell at rest with 20 % left, the
    target above one with 80 %, and a cell that is quite full is still inside the envelope.
    """
    chemistry = CHEMISTRIES[name]
    assert chemistry.floor_v < at_20_v
    assert at_80_v < chemistry.target_v <= full_v <= chemistry.cell_max_v


def test_full_lfp_rests_above_its_plateau() -> None:
    """PyBaMM Prada2013: LFP rests at 3.31 to 3.32 V from 80 to 95 %, so the knee and the resting
    voltage must lie above that, or a half-full pack would count as nearly full.
    """
    lfp = CHEMISTRIES["lfp"]
    assert min(lfp.knee_v, lfp.resting_v) > 3.3164
    assert lfp.low_knee_v < 3.1685


numbers = st.floats(-1e6, 1e6, allow_subnormal=False)
curves = st.dictionaries(
    st.integers(-(10**6), 10**6).map(lambda n: n / 64), numbers, min_size=1, max_size=12
).map(lambda points: sorted(points.items()))


@given(curves, numbers)
def test_curve_agrees_with_numpy(points: list[tuple[float, float]], x: float) -> None:
    """numpy.interp: straight lines between the points, the end values beyond them."""
    xs, ys = [x for x, _ in points], [y for _, y in points]
    assert Curve(xs, ys).at(x) == pytest.approx(float(np.interp(x, xs, ys)), rel=1e-9, abs=1e-6)


@given(curves)
def test_curve_meets_its_points_and_clamps_like_numpy(points: list[tuple[float, float]]) -> None:
    """At every point, and on both sides outside, the values are those of numpy.interp to the last bit."""
    xs, ys = [x for x, _ in points], [y for _, y in points]
    derating = Curve(xs, ys)
    for x in (*xs, xs[0] - 1.0, xs[-1] + 1.0, float("-inf"), float("inf")):
        assert derating.at(x) == float(np.interp(x, xs, ys))
