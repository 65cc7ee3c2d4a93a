"""The packs a simulation draws: each kind is what it says, and the same seed draws the same."""

from statistics import mean
from typing import Any

import pytest

from bridge.profile.chemistry import CHEMISTRIES
from bridge.simulate.cell import LFP_HYSTERESIS_V
from bridge.simulate.pack import BankModel
from bridge.simulate.packs import KINDS, PackWish, drawn_pack

LFP = CHEMISTRIES["lfp"]
BANK = [(16, 280.0)]


def _bank(kind: str, seed: int = 1, **more: Any) -> BankModel:
    return drawn_pack(PackWish(kind, seed, **more), LFP, BANK)[0]


@pytest.mark.parametrize("kind", KINDS)
def test_a_seed_decides_everything(kind: str) -> None:
    """The same seed gives the same cells and sensors; another seed others; two banks differ."""
    one, again, other = (_bank(kind, seed) for seed in (7, 7, 8))

    assert [(c.parameters, c.charge) for c in one.cells] == [(c.parameters, c.charge) for c in again.cells]
    assert one.cell_voltages_v == again.cell_voltages_v
    assert [c.charge for c in one.cells] != [c.charge for c in other.cells]
    first, second = drawn_pack(PackWish(kind), LFP, [*BANK, *BANK])
    assert [c.charge for c in first.cells] != [c.charge for c in second.cells]


@pytest.mark.parametrize("kind", KINDS)
def test_the_mean_charge_is_the_one_asked_for(kind: str) -> None:
    """However the cells differ, the pack as a whole starts where it should."""
    assert mean(cell.charge for cell in _bank(kind, charge=0.42).cells) == pytest.approx(0.42, abs=1e-12)


def test_each_kind_is_what_it_says() -> None:
    """A runner stands out by charge, a weak cell by capacity, a bad contact by resistance, groups are two."""
    charges = {kind: sorted(c.charge for c in _bank(kind).cells) for kind in KINDS}
    assert charges["balanced"][-1] - charges["balanced"][0] < 0.003
    assert charges["runner"][-1] - charges["runner"][-2] > 0.02
    assert charges["two-groups"][8] - charges["two-groups"][7] > 0.015

    capacities = sorted(c.parameters.capacity_ah for c in _bank("weak").cells)
    assert capacities[0] < 0.91 * 280.0 < capacities[1]

    contact = sorted(_bank("contact").cells, key=lambda c: c.parameters.series_ohm)
    assert contact[-1].parameters.series_ohm > 3.0 * contact[-2].parameters.series_ohm
    assert contact[-1].parameters.branches[0].resistance_ohm < 1.3 * 0.0001


def test_sensors_are_within_their_error_and_on_their_steps() -> None:
    """Every reading is a whole step within error and half a step of the truth, and not all are right."""
    bank = _bank("spread", sensor_step_v=0.010, sensor_error_v=0.004)
    errors_v = [a - b for a, b in zip(bank.cell_voltages_v, bank.true_cell_voltages_v, strict=True)]

    assert max(map(abs, errors_v)) <= 0.009 + 1e-9
    assert all(v * 100 == pytest.approx(round(v * 100), abs=1e-9) for v in bank.cell_voltages_v)
    assert len({round(error_v, 6) for error_v in errors_v}) > 3


def test_only_lfp_has_hysteresis_and_cold_cells_resist() -> None:
    """Hysteresis is a matter of the chemistry, resistance one of the temperature."""
    nmc = drawn_pack(PackWish("balanced"), CHEMISTRIES["nmc"], BANK)[0]
    assert {c.parameters.hysteresis_v for c in nmc.cells} == {0.0}
    assert {c.parameters.hysteresis_v for c in _bank("balanced").cells} == {LFP_HYSTERESIS_V}
    assert _bank("balanced", temperature_c=2.0).resistance_ohm > 1.35 * _bank("balanced").resistance_ohm


@pytest.mark.parametrize("name", sorted(CHEMISTRIES))
def test_every_chemistry_rests_within_what_it_bears(name: str) -> None:
    """From 10 to 95 % of charge, an average cell at rest is inside the chemistry's span."""
    chemistry = CHEMISTRIES[name]
    for charge in (0.1, 0.3, 0.5, 0.8, 0.95):
        bank = drawn_pack(PackWish("balanced", charge=charge), chemistry, BANK)[0]
        assert chemistry.cell_min_v < min(bank.true_cell_voltages_v)
        assert max(bank.true_cell_voltages_v) < chemistry.cell_max_v


def test_worn_cells_hold_less_and_resist_more_and_the_monitor_does_not_know() -> None:
    """80 % health and twice the resistance: the time constants and what the charge counter believes stay."""
    new, worn = _bank("spread"), _bank("spread", health=0.8, resistance=2.0)

    for one, other in zip(new.cells, worn.cells, strict=True):
        assert other.parameters.capacity_ah == pytest.approx(0.8 * one.parameters.capacity_ah)
        assert other.parameters.series_ohm == pytest.approx(2.0 * one.parameters.series_ohm)
        for a, b in zip(one.parameters.branches, other.parameters.branches, strict=True):
            assert b.resistance_ohm == pytest.approx(2.0 * a.resistance_ohm)
            assert b.resistance_ohm * b.capacitance_f == pytest.approx(a.resistance_ohm * a.capacitance_f)
    assert (new.nominal_ah, worn.nominal_ah) == (280.0, 280.0)
