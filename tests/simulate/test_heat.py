"""Cells that warm up: energy is kept, surroundings are followed, and a warm cell resists less."""

import math

import pytest

from bridge.profile.chemistry import CHEMISTRIES
from bridge.simulate.cell import Branch, CellModel, CellParameters
from bridge.simulate.heat import CellHeat, Surroundings, Warmth, usual_heat
from bridge.simulate.pack import PackModel
from bridge.simulate.packs import PackWish, drawn_pack

HEAT = CellHeat(5400.0, 0.3)
PLAIN = CellParameters(branches=(Branch(0.000_30, 100_000.0),))


def _cell(start_c: float, around: Surroundings, heat: CellHeat = HEAT) -> tuple[CellModel, Warmth]:
    cell = CellModel(PLAIN, 0.5)
    return cell, Warmth([cell], heat, around, start_c)


def test_at_rest_a_cell_follows_its_surroundings() -> None:
    """Newton's law of cooling: after one time constant 63.2 % of the difference is gone."""
    cell, warmth = _cell(25.0, Surroundings(5.0))
    for _ in range(round(HEAT.capacity_j_k / HEAT.loss_w_k)):
        cell.step(0.0, 1.0)
        warmth.step([0.0], 1.0)

    assert warmth.temperatures_c[0] == pytest.approx(5.0 + 20.0 * math.exp(-1.0), abs=1e-6)


def test_every_joule_is_accounted_for() -> None:
    """Nearly insulated: what went in at the terminals is in the open-circuit voltage or in the warmth."""
    cell, warmth = _cell(20.0, Surroundings(20.0), CellHeat(5400.0, 1e-9))
    put_in_j = stored_j = 0.0
    for second in range(3600):
        current_a = 150.0 if second // 60 % 2 else -90.0
        cell.step(current_a, 1.0)
        put_in_j += current_a * cell.voltage_v(current_a)
        stored_j += current_a * PLAIN.open_circuit_v(cell.charge)
        warmth.step([current_a], 1.0)

    assert put_in_j - stored_j > 10_000.0
    assert 5400.0 * (warmth.temperatures_c[0] - 20.0) == pytest.approx(put_in_j - stored_j, rel=1e-6)


def test_a_warm_cell_resists_less() -> None:
    """A cell that warms from 0 °C loses resistance by Arrhenius' law, 1840 K."""
    cell, warmth = _cell(0.0, Surroundings(30.0))
    cold_ohm = cell.parameters.series_ohm
    for _ in range(3600):
        warmth.step([0.0], 10.0)
    warm_k = warmth.temperatures_c[0] + 273.15

    assert cell.parameters.series_ohm / cold_ohm == pytest.approx(
        math.exp(1840.0 * (1.0 / warm_k - 1.0 / 273.15))
    )


def test_surroundings_are_warmest_in_the_afternoon() -> None:
    """A cosine over the day: warmest at 15 h, coldest at 3 h."""
    around = Surroundings(12.0, 6.0, 6 * 3600.0)

    assert around.at(9 * 3600.0) == pytest.approx(18.0)
    assert around.at(21 * 3600.0) == pytest.approx(6.0)
    assert around.at(15 * 3600.0) == pytest.approx(12.0)


def test_a_cell_with_a_bad_contact_is_the_hottest_of_a_drawn_pack() -> None:
    """Each cell has its own temperature, and the resistances of bank and pack follow."""
    wish = PackWish("contact", temperature_c=10.0, surroundings=Surroundings(10.0))
    pack = PackModel(drawn_pack(wish, CHEMISTRIES["lfp"], [(16, 280.0)]), 10.0)
    before_ohm = pack.resistance_ohm
    for _ in range(1800):
        pack.step(140.0, 1.0)
    (bank,) = pack.banks
    cells_c = list(pack.temperatures_c(bank))
    worst = max(range(16), key=lambda n: bank.cells[n].parameters.series_ohm)

    assert cells_c[worst] == max(cells_c) > sorted(cells_c)[-2] + 1.0
    assert min(cells_c) > 11.0
    assert pack.resistance_ohm < before_ohm
    assert pack.resistance_ohm == pytest.approx(sum(cell.parameters.series_ohm for cell in bank.cells))


def test_at_rest_in_steady_surroundings_nothing_changes() -> None:
    """With heat, a pack that rests in air as warm as itself is the pack without."""
    usual = drawn_pack(PackWish(temperature_c=20.0), CHEMISTRIES["lfp"], [(16, 280.0)])[0]
    warm = drawn_pack(
        PackWish(temperature_c=20.0, surroundings=Surroundings(20.0)), CHEMISTRIES["lfp"], [(16, 280.0)]
    )[0]
    for _ in range(60):
        warm.step(0.0, 1.0)

    assert warm.resistance_ohm == pytest.approx(usual.resistance_ohm, rel=1e-12)
    assert warm.true_cell_voltages_v == pytest.approx(usual.true_cell_voltages_v, abs=1e-12)


def test_a_bigger_cell_takes_longer_to_warm_and_no_longer_to_settle() -> None:
    """Heat capacity and loss both grow with the size."""
    small, big = usual_heat(100.0), usual_heat(300.0)

    assert big.capacity_j_k == pytest.approx(3.0 * small.capacity_j_k)
    assert big.capacity_j_k / big.loss_w_k == pytest.approx(small.capacity_j_k / small.loss_w_k)
