"""Banks merged into one pack."""

from bridge.core.pack.merge import merge
from bridge.core.pack.state import Reading
from tests.core.plans import Builder

BANKS = Builder(banks=2, capacities_ah=(300.0, 100.0)).plan().banks
ONE = Reading(52.0, 10.0, 40.0, 3.2, 3.3, None, 10.0, 20.0, 1.0, 1.0, 50.0, 60.0, 0.0, None)
TWO = Reading(53.0, -4.0, 80.0, 3.1, 3.4, None, 12.0, 25.0, 0.0, 1.0, 20.0, 30.0, 1.0, None)


def test_the_worst_cell_of_all_and_the_sum_of_currents() -> None:
    """State of charge by capacity; a permission only if all give it."""
    assert merge(BANKS, [ONE, TWO], [True, True]) == {
        "pack_voltage": 52.5,
        "pack_current": 6.0,
        "state_of_charge": 50.0,
        "cell_voltage_min": 3.1,
        "cell_voltage_max": 3.4,
        "cell_temperature_min": 10.0,
        "cell_temperature_max": 25.0,
        "charge_permitted": 0.0,
        "discharge_permitted": 1.0,
        "charge_current_permitted": 70.0,
        "discharge_current_permitted": 90.0,
        "balancing": 1.0,
    }
    refused = merge(BANKS, [ONE._replace(discharge_permitted=0.0), TWO], [True, True])
    assert refused["discharge_permitted"] == 0.0


def test_a_bank_that_does_not_count_is_left_out() -> None:
    """One bank alone is shown as it is."""
    merged = merge(BANKS, [ONE, TWO], [False, True])
    assert (merged["pack_voltage"], merged["pack_current"], merged["state_of_charge"]) == (53.0, -4.0, 80.0)
    assert merged == merge(BANKS[1:], [TWO], [True])
    (small,) = Builder(capacities_ah=(3.0,)).plan().banks
    assert merge([small], [ONE._replace(soc=0.1)], [True])["state_of_charge"] == 0.1


def test_sums_and_permissions_need_every_bank() -> None:
    """A sum that misses a bank would be a wrong number, a permission of one bank not one of the pack."""
    unknown = Reading(*[None] * 14)
    merged = merge(BANKS, [ONE, unknown], [True, True])
    assert set(merged) == {
        "pack_voltage",
        "cell_voltage_min",
        "cell_voltage_max",
        "cell_temperature_min",
        "cell_temperature_max",
        "balancing",
    }
    assert merge(BANKS[:1], [unknown], [True]) == {}


def test_the_health_is_that_of_the_worst_bank_if_all_are_known() -> None:
    """An old bank beside a new one governs; one that says nothing might be worse still."""
    one, two = ONE._replace(health=98.0), TWO._replace(health=81.0)
    assert merge(BANKS, [one, two], [True, True])["state_of_health"] == 81.0
    assert merge(BANKS, [one, two], [True, False])["state_of_health"] == 98.0
    assert "state_of_health" not in merge(BANKS, [one, TWO], [True, True])
