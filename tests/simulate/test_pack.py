"""Cells in series, banks in parallel, balancers and sensors."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.simulate.cell import CellModel, CellParameters
from bridge.simulate.pack import Balancer, BankModel, PackModel, Spread, Switch, drawn_bank

NO_BALANCER = Balancer(bleed_a=0.0)
CURRENTS_A = st.floats(-300.0, 300.0)


def _two_banks(charge_one: float = 0.6, charge_two: float = 0.6, second_ah: float = 280.0) -> PackModel:
    small = CellParameters(capacity_ah=second_ah, series_ohm=0.0002 * 280.0 / second_ah)
    return PackModel([drawn_bank(1, charge_one), drawn_bank(2, charge_two, cell=small)])


def _high_cell_bank(balancer: Balancer) -> BankModel:
    """Return four cells at rest, one of them far up the knee."""
    charges = (0.9, 0.9, 0.999, 0.9)
    return BankModel([CellModel(CellParameters(), charge) for charge in charges], 280.0, balancer)


def test_same_seed_same_bank() -> None:
    """A seed decides every cell; another seed gives another bank."""
    one, again, other = drawn_bank(7, 0.5), drawn_bank(7, 0.5), drawn_bank(8, 0.5)

    assert [c.parameters for c in one.cells] == [c.parameters for c in again.cells]
    assert [c.charge for c in one.cells] == [c.charge for c in again.cells]
    assert [c.charge for c in one.cells] != [c.charge for c in other.cells]


def test_spread_stays_within_its_bounds_and_is_used() -> None:
    """Capacity, resistance and charge deviate by no more than stated, but by a good part of it."""
    bank = drawn_bank(3, 0.5, cell_count=200, spread=Spread(0.02, 0.15, 0.01))
    deviations = (
        [(c.parameters.capacity_ah / 280.0 - 1.0) / 0.02 for c in bank.cells],
        [(c.parameters.series_ohm / 0.0002 - 1.0) / 0.15 for c in bank.cells],
        [(c.charge - 0.5) / 0.01 for c in bank.cells],
    )

    for deviation in deviations:
        assert max(map(abs, deviation)) <= 1.0 + 1e-9
        assert min(deviation) < -0.9
        assert max(deviation) > 0.9


def test_spread_of_resistance_leaves_time_constants_alone() -> None:
    """A cell with more resistance is not slower: its capacitances shrink along."""
    taus_s = [
        [b.resistance_ohm * b.capacitance_f for b in c.parameters.branches] for c in drawn_bank(1, 0.5).cells
    ]

    for tau_s in taus_s:
        assert tau_s == pytest.approx([15.0, 300.0])


def test_bank_voltage_is_the_sum_of_its_cells() -> None:
    """Under a current, the voltage of a bank without wiring is the sum of its cells' voltages."""
    bank = drawn_bank(1, 0.6)
    bank.step(120.0, 30.0)

    assert bank.voltage_v == pytest.approx(sum(bank.true_cell_voltages_v))


def test_wiring_adds_to_the_bank_but_to_no_cell() -> None:
    """10 mOhm of wiring lift the bank by 1 V at 100 A, and leave the cells alone."""
    cells = [CellModel(CellParameters(), 0.6) for _ in range(16)]
    bank = BankModel(cells, 280.0, wiring_ohm=0.010)
    bank.step(100.0, 1.0)

    assert bank.voltage_v - sum(bank.true_cell_voltages_v) == pytest.approx(1.0)


def test_sensors_give_whole_millivolts() -> None:
    """Each reading is a multiple of 1 mV within half a step of the true voltage."""
    bank = drawn_bank(1, 0.6)
    bank.step(55.0, 10.0)

    for read_v, true_v in zip(bank.cell_voltages_v, bank.true_cell_voltages_v, strict=True):
        assert abs(read_v - true_v) <= 0.0005 + 1e-12
        assert read_v * 1000.0 == pytest.approx(round(read_v * 1000.0), abs=1e-9)


def test_only_cells_that_stand_out_are_bled() -> None:
    """One cell above 3.45 V is bled; low ones and an even string above it are not."""
    even = BankModel([CellModel(CellParameters(), 0.999) for _ in range(4)], 280.0)

    assert _high_cell_bank(Balancer()).bleeding == (False, False, True, False)
    assert even.bleeding == (False, False, False, False)
    assert _high_cell_bank(NO_BALANCER).bleeding == (False, False, False, False)


def test_balancer_burns_charge_of_the_high_cell_only() -> None:
    """At rest for 6 min, a 0.5 A balancer takes 0.05 Ah from the high cell and nothing from others."""
    bank = _high_cell_bank(Balancer(bleed_a=0.5))
    before = [cell.charge for cell in bank.cells]
    for _ in range(360):
        bank.step(0.0, 1.0)
    lost_ah = [280.0 * (start - cell.charge) for start, cell in zip(before, bank.cells, strict=True)]

    assert lost_ah == pytest.approx([0.0, 0.0, 0.05, 0.0], abs=1e-9)
    assert bank.bled_ah == pytest.approx(lost_ah, abs=1e-9)


def test_equal_banks_share_equally() -> None:
    """Two banks drawn alike carry half the current each."""
    pack = PackModel([drawn_bank(5, 0.6), drawn_bank(5, 0.6)])

    assert pack.shares_a(100.0) == pytest.approx((50.0, 50.0))


def test_bank_of_half_the_resistance_carries_twice_the_current() -> None:
    """At equal rest voltage the current divides inversely to the resistance."""
    cell = CellParameters()
    banks = [
        BankModel([CellModel(cell._replace(series_ohm=ohm), 0.6) for _ in range(16)], 280.0)
        for ohm in (0.0002, 0.0004)
    ]

    assert PackModel(banks).shares_a(-90.0) == pytest.approx((-60.0, -30.0))


def test_unlike_banks_drift_together_at_rest() -> None:
    """With no current outside, the fuller bank charges the emptier one until both rest alike."""
    pack = _two_banks(0.35, 0.25)
    first_a = pack.shares_a(0.0)
    gap_v = abs(pack.banks[0].emf_v - pack.banks[1].emf_v)
    pack.step(0.0, 3600.0)

    assert first_a[0] < -10.0
    assert first_a[1] > 10.0
    assert abs(pack.banks[0].emf_v - pack.banks[1].emf_v) < 0.2 * gap_v
    assert pack.banks[0].state_of_charge - pack.banks[1].state_of_charge < 5.0


def test_state_of_charge_counts_what_flowed() -> None:
    """28 Ah into 280 Ah nominal are 10 %; the display stops at 0 and 100."""
    bank = drawn_bank(1, 0.5, spread=Spread(0.0, 0.0, 0.0), balancer=NO_BALANCER)
    bank.step(28.0, 3600.0)
    counted = bank.state_of_charge
    bank.step(280.0, 3600.0)

    assert counted == pytest.approx(60.0)
    assert bank.state_of_charge == 100.0


def test_pack_weighs_state_of_charge_by_capacity() -> None:
    """A bank of 280 Ah at 80 % and one of 140 Ah at 50 % make a pack at 70 %."""
    even = Spread(0.0, 0.0, 0.0)
    small = CellParameters(capacity_ah=140.0)
    pack = PackModel([drawn_bank(1, 0.8, spread=even), drawn_bank(1, 0.5, cell=small, spread=even)])

    assert pack.state_of_charge == pytest.approx(70.0)


@given(st.floats(0.05, 1.0), st.floats(0.05, 1.0), st.floats(40.0, 400.0), CURRENTS_A)
def test_shares_add_up_and_meet_at_one_voltage(
    one: float, two: float, second_ah: float, current_a: float
) -> None:
    """Currents of the banks sum to the total, and every bank then has the terminal voltage."""
    pack = _two_banks(one, two, second_ah)
    shares_a = pack.shares_a(current_a)
    terminal_v = pack.emf_v + pack.resistance_ohm * current_a

    assert math.fsum(shares_a) == pytest.approx(current_a, abs=1e-6)
    for bank, share_a in zip(pack.banks, shares_a, strict=True):
        assert bank.emf_v + bank.resistance_ohm * share_a == pytest.approx(terminal_v, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.1, 0.95), st.lists(st.tuples(CURRENTS_A, st.floats(0.1, 60.0)), max_size=5))
def test_pack_conserves_charge(charge: float, steps: list[tuple[float, float]]) -> None:
    """What entered the terminals is in the cells of the banks or was bled; nothing turns NaN."""
    pack = _two_banks(charge, charge)
    before = [[cell.charge for cell in bank.cells] for bank in pack.banks]
    for current_a, dt_s in steps:
        pack.step(current_a, dt_s)

    held_ah = [
        [
            cell.parameters.capacity_ah * (cell.charge - start) + bled_ah
            for cell, start, bled_ah in zip(bank.cells, starts, bank.bled_ah, strict=True)
        ]
        for bank, starts in zip(pack.banks, before, strict=True)
    ]
    flowed_ah = math.fsum(current_a * dt_s for current_a, dt_s in steps) / 3600.0
    for one, two in zip(*held_ah, strict=True):
        assert one + two == pytest.approx(flowed_ah, abs=1e-6)
    assert math.isfinite(pack.voltage_v)
    assert all(math.isfinite(v) for bank in pack.banks for v in bank.cell_voltages_v)


def test_sensors_may_be_wrong_and_decide_what_is_bled() -> None:
    """A sensor that reads 30 mV high makes its balancer bleed a cell that stands out only by that."""
    cells = [CellModel(CellParameters(), 0.9985) for _ in range(4)]
    bank = BankModel(cells, 280.0, sensor_errors_v=(0.0, 0.0, 0.030, 0.0))

    assert bank.cell_voltages_v[2] - bank.cell_voltages_v[1] == pytest.approx(0.030, abs=1e-9)
    assert len(set(bank.true_cell_voltages_v)) == 1
    assert bank.bleeding == (False, False, True, False)


@given(CURRENTS_A, CURRENTS_A)
def test_a_bank_foresees_its_cells(first_a: float, then_a: float) -> None:
    """The voltages foreseen for a step, bleeding and all, are those after it."""
    bank = _high_cell_bank(Balancer())
    bank.step(first_a, 5.0)
    foreseen_v = bank.foreseen_v(then_a, 2.0)
    bank.step(then_a, 2.0)

    assert list(bank.true_cell_voltages_v) == pytest.approx(foreseen_v, abs=1e-9)


def test_stored_charge_is_what_flowed_less_what_was_bled() -> None:
    """True charge counts every ampere-hour: those that came in, less those the balancers burnt."""
    bank = _high_cell_bank(Balancer())
    before_ah = bank.stored_ah
    for _ in range(600):
        bank.step(3.0, 1.0)

    assert sum(bank.bled_ah) > 0.01
    gained_ah = bank.stored_ah - before_ah
    assert gained_ah == pytest.approx(3.0 * 600 / 3600 - sum(bank.bled_ah) / 4, abs=1e-9)


def test_a_bank_that_is_not_connected_rests_and_one_that_joins_takes_what_kirchhoff_says() -> None:
    """Until it joins the other carries all; then the difference over both resistances flows at once."""
    full, empty = drawn_bank(1, 0.35), drawn_bank(2, 0.25)
    pack = PackModel([full, empty], switches=[Switch(60.0, 1, True), Switch(120.0, 1, False)])
    pack.step(30.0, 60.0)
    assert full.current_a == pytest.approx(30.0)
    assert empty.current_a == 0.0
    assert [*pack.joined] == [full]
    assert (pack.emf_v, pack.circulating_a) == (full.emf_v, 0.0)
    expected_a = (full.emf_v - empty.emf_v) / (full.resistance_ohm + empty.resistance_ohm)
    pack.step(0.0, 0.001)
    assert [*pack.joined] == [full, empty]
    assert empty.current_a == pytest.approx(expected_a)
    assert empty.current_a > 10.0
    assert pack.circulating_a == pytest.approx(expected_a, rel=0.01)
    pack.step(0.0, 61.0)
    assert [*pack.joined] == [full]
    assert empty.current_a == 0.0


def test_wiring_is_behind_the_monitor() -> None:
    """What a monitor measures beside the cells is not what stands at the far end of the leads."""
    bank = BankModel(drawn_bank(1, 0.5).cells, 280.0, NO_BALANCER, wiring_ohm=0.002)
    bank.step(50.0, 1.0)
    assert bank.sensed_v == pytest.approx(sum(bank.true_cell_voltages_v))
    assert bank.voltage_v == pytest.approx(bank.sensed_v + 0.1)
