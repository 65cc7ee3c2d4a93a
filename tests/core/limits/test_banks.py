"""Shares of banks in parallel."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.bounds.banks import Shares, heeded_a
from tests.core.plans import Builder


def shares(*capacities_ah: float) -> Shares:
    """Shares of banks of these capacities."""
    return Shares(Builder(banks=len(capacities_ah), capacities_ah=capacities_ah).plan().banks)


def test_one_bank_takes_all() -> None:
    """Whatever its sensor says."""
    assert shares(100.0).update([None], [True], 0.1) == [1.0]


def test_capacities_count_until_currents_say_more() -> None:
    """Below a twentieth of C the sensors say nothing."""
    assert shares(300.0, 100.0).update([1.0, 9.0], [True, True], 0.1) == [0.75, 0.25]


def test_a_bank_that_takes_more_than_its_part_is_given_more_weight_and_none_less() -> None:
    """The measured share counts where it is larger; the other keeps what is expected of it."""
    assert shares(100.0, 100.0).update([70.0, 30.0], [True, True], 0.1) == [0.7, 0.5]


def test_the_measured_share_is_slow() -> None:
    """After one time constant in steps, about 63 % of the way."""
    two = shares(100.0, 100.0)
    two.update([50.0, 50.0], [True, True], 0.1)
    for _ in range(300):
        found = two.update([-90.0, -10.0], [True, True], 0.1)
    assert found[0] == pytest.approx(0.5 + 0.4 * 0.632, abs=0.01)
    assert found[1] == 0.5
    assert not two.settled


def test_an_unknown_current_teaches_nothing() -> None:
    """A missing sensor must not make another bank's share look larger or its own smaller."""
    two = shares(100.0, 100.0)
    before = two.update([80.0, 20.0], [True, True], 0.1)
    for _ in range(1000):
        after = two.update([None, 20.0], [True, True], 0.1)
    assert after == before
    assert two.settled


def test_the_rest_takes_all_when_a_bank_is_left_out() -> None:
    """Shares are of what counts."""
    assert shares(100.0, 100.0).update([None, 40.0], [False, True], 0.1) == [1.0, 1.0]


@given(st.lists(st.tuples(st.floats(-400, 400), st.floats(-400, 400)), max_size=20))
def test_shares_never_sum_to_less_than_the_whole(currents: list[tuple[float, float]]) -> None:
    """So the banks together never promise more than they bear."""
    two = shares(120.0, 80.0)
    for pair in currents:
        found = two.update(list(pair), [True, True], 1.0)
        assert sum(found) >= 1.0 - 1e-9
        assert all(0.0 < share <= 1.0 + 1e-12 for share in found)


def test_a_bank_that_is_left_out_neither_counts_nor_hinders() -> None:
    """Its current, known or not, is no part of the whole; with all left out nothing is divided."""
    three = shares(100.0, 100.0, 100.0)
    for unknown in (None, 500.0):
        assert three.update([80.0, 20.0, unknown], [True, True, False], 0.1) == [0.8, 0.5, 1.0]
    assert three.update([80.0, 20.0, 9.0], [False] * 3, 0.1) == [1.0] * 3


def test_one_bank_is_always_settled() -> None:
    """There is nothing to measure."""
    one = shares(100.0)
    one.update([90.0], [True], 0.1)
    assert one.settled


def test_what_is_measured_is_weighed_by_its_time() -> None:
    """A tenth of the way in 3 s, all of it in 30 s and in more; nothing at just a twentieth of C."""
    two = shares(100.0, 100.0)
    assert two.update([8.0, 2.0], [True, True], 99.0) == [0.5, 0.5]
    assert two.update([80.0, 20.0], [True, True], 0.1) == [0.8, 0.5]
    assert shares(100.0, 100.0).update([0.0, -90.0], [True, True], 0.1) == [0.5, 1.0]
    assert two.update([60.0, 40.0], [True, True], 3.0) == pytest.approx([0.78, 0.5])
    assert two.update([90.0, 10.0], [True, True], 45.0) == pytest.approx([0.9, 0.5])


def test_what_flows_between_banks_leaves_each_less_for_its_part() -> None:
    """A bank that is charged by another bears that beside its part of the whole."""
    assert shares(100.0, 100.0).update([40.0, -40.0], [True, True], 0.1) == [1.0, 1.0]
    assert shares(100.0, 100.0).update([-40.0, 20.0], [True, True], 0.1) == [1.0, 1.0]
    assert shares(100.0, 100.0, 200.0).update([30.0, -10.0, 30.0], [True] * 3, 0.1) == [0.6, 0.25, 0.6]
    assert shares(100.0, 100.0, 200.0).update([16.0, -16.0, 0.0], [True] * 3, 0.1) == [0.8, 0.8, 0.5]


def test_what_of_a_limit_is_for_a_bank() -> None:
    """Its share, or what it takes of a whole that heeds the limit; else no more than its part."""
    assert heeded_a(100.0, 0.5, 20.0, 80.0) == 50.0
    assert heeded_a(100.0, 0.5, 64.0, 80.0) == 80.0
    assert heeded_a(50.0, 0.5, 64.0, 80.0) == 40.0
    assert heeded_a(0.0, 0.5, 64.0, 80.0) == 0.0
    assert heeded_a(10.0, 0.5, 30.0, 0.0) == heeded_a(10.0, 0.5, 30.0, -5.0) == 30.0
    assert heeded_a(10.0, 0.5, 30.0, 0.5) == 600.0
    assert heeded_a(100.0, 0.5, 30.0, 0.0) == 50.0
    for unknown in ((None, 80.0), (64.0, None), (0.0, 80.0), (-3.0, -80.0)):
        assert heeded_a(100.0, 0.5, *unknown) == 50.0


def back(two: Shares, *currents_a: float | None, seconds: float, apart: int = 1) -> list[float]:
    """The shares after a bank was apart for two minutes, while others drew, and is back for a while."""
    away = [i == apart for i in range(len(currents_a))]
    for _ in range(120):
        two.update([0.0 if off else 60.0 for off in away], [not off for off in away], 1.0, away)
    for _ in range(round(seconds)):
        found = two.update(currents_a, [True] * len(away), 1.0, [False] * len(away))
    return found


def test_a_bank_without_a_sensor_that_is_back_does_not_hold_limits_down_for_ever() -> None:
    """Half a minute of everything to each, then bit by bit to what is expected, within five minutes."""
    found = [back(shares(200.0, 100.0), 40.0, None, seconds=after_s) for after_s in (30, 180, 330, 331)]
    assert found[0] == [1.0, 1.0]
    assert found[1] == [pytest.approx(1 - 1 / 3 * 0.5), pytest.approx(1 - 2 / 3 * 0.5)]
    assert found[2] == [pytest.approx(2 / 3, abs=0.002), pytest.approx(1 / 3, abs=0.003)]
    assert found[3] == [pytest.approx(2 / 3), pytest.approx(1 / 3)]


def test_what_was_learnt_without_a_bank_is_forgotten_once_it_is_back_and_at_rest() -> None:
    """All currents are known, and none flows to speak of: no bank feeds another."""
    two = shares(200.0, 100.0)
    assert back(two, 1.0, -1.0, seconds=30) == [1.0, 1.0]
    assert not two.settled
    for _ in range(31):
        found = two.update([1.0, -1.0], [True, True], 1.0, [False, False])
    assert found == [pytest.approx(2 / 3), pytest.approx(1 / 3)]
    assert two.settled


def test_what_flows_once_a_bank_is_back_says_it_sooner_and_stays() -> None:
    """Measured for two minutes it is known, and a rest takes nothing from it."""
    two = shares(100.0, 100.0)
    measured = back(two, 42.0, 18.0, seconds=120)
    assert measured == [pytest.approx(0.7, abs=0.02), 0.5]
    for _ in range(900):
        assert two.update([0.0, 0.0], [True, True], 1.0, [False, False]) == measured
        assert two.update([None, 0.0], [True, True], 1.0, [False, False]) == measured
    other = shares(100.0, 100.0)
    short = back(other, 42.0, 18.0, seconds=60)
    for _ in range(90):
        rested = other.update([0.0, 0.0], [True, True], 1.0, [False, False])
    assert 0.7 < short[0] < 0.8
    assert rested == [0.5, 0.5]


def test_a_bank_that_was_lost_and_is_found_leaves_no_share_of_the_others_behind() -> None:
    """It was not known to be apart; what the other took alone goes back all the same."""
    two = shares(100.0, 100.0)
    for _ in range(300):
        two.update([60.0, None], [True, False], 1.0)
    assert two.update([1.0, 1.0], [True, True], 1.0) == [1.0, 0.5]
    for _ in range(61):
        found = two.update([1.0, 1.0], [True, True], 1.0)
    assert found == [0.5, 0.5]


def test_a_bank_that_does_not_count_learns_nothing_of_its_share() -> None:
    """What flows in it is not known to be nothing."""
    two = shares(100.0, 100.0)
    for _ in range(300):
        two.update([18.0, 42.0], [True, True], 1.0)
    for _ in range(300):
        two.update([60.0, 0.0], [True, False], 1.0)
    assert two.update([0.0, 0.0], [True, True], 1.0)[1] == pytest.approx(0.7, abs=0.001)
