"""Shares by need: what one inverter does not use goes to those that do."""

from bridge.core.told.need import LEAST, Needs

WHOLE = 2000
EQUAL = ((1000, 1000), (1000, 1000))
SECOND = 1_000_000


def after(seconds: int, needs: Needs, *currents_a: float | None, start_us: int = 0) -> Needs:
    """The shares after some seconds in which each reports the same."""
    for second in range(1, seconds + 1):
        needs.look(start_us + second * SECOND, currents_a)
    return needs


def test_the_fixed_shares_hold_until_something_flows() -> None:
    """And while it is not worth speaking of."""
    needs = Needs(WHOLE, EQUAL, (100.0, 100.0), 0)
    assert needs.shares == EQUAL
    assert after(60, needs, 1.9, 0.0).shares == EQUAL
    assert after(60, Needs(WHOLE, EQUAL, (100.0, 100.0), 0), -1.9, 0.0).shares == EQUAL
    assert after(60, Needs(WHOLE, EQUAL, (100.0, 100.0), 0), 2.0, 0.0).shares != EQUAL


def test_what_one_does_not_use_goes_to_the_other() -> None:
    """But for a quarter of its share, by which it can show that it wants more."""
    charge, draw = after(60, Needs(WHOLE, EQUAL, (100.0, 100.0), 0), 50.0, 0.0).shares
    assert charge == (WHOLE - int(LEAST * 1000), int(LEAST * 1000))
    assert draw == EQUAL[1]
    assert after(60, Needs(WHOLE, EQUAL, (100.0, 100.0), 0), -20.0, 0.0).shares == (EQUAL[0], charge)


def test_shares_follow_slowly_and_come_back() -> None:
    """With a time constant of some seconds."""
    needs = after(60, Needs(WHOLE, EQUAL, (100.0, 100.0), 0), 50.0, 50.0)
    assert needs.shares[0] == (1000, 1000)
    after(1, needs, 50.0, 0.0, start_us=60 * SECOND)
    assert needs.shares[0] == (1038, 960)  # 50 A, and nine tenths of 50 A
    after(1, needs, 50.0, 0.0, start_us=61 * SECOND)
    after(120, needs, 50.0, 0.0, start_us=62 * SECOND)
    assert needs.shares[0] == (1748, 250)  # rounded down; what is left over is nobody's
    after(90, needs, 50.0, 50.0, start_us=182 * SECOND)
    assert abs(needs.shares[0][0] - 1000) <= 4


def test_they_are_looked_at_once_a_second() -> None:
    """Whatever comes in between."""
    needs = Needs(WHOLE, EQUAL, (100.0, 100.0), 0)
    needs.look(999_999, (50.0, 0.0))
    assert needs.shares == EQUAL
    needs.look(1_000_000, (50.0, 0.0))
    assert needs.shares[0] == (1750, 250)  # nothing is known from before


def test_in_doubt_the_fixed_shares_hold() -> None:
    """One that reports no current puts an end to it; what was known before is forgotten."""
    needs = after(60, Needs(WHOLE, EQUAL, (100.0, 100.0), 0), 50.0, 0.0)
    needs.look(61 * SECOND, (50.0, None))
    assert needs.shares == EQUAL
    needs.look(62 * SECOND, (0.0, 50.0))
    assert needs.shares[0] == (250, 1750)


def test_who_does_not_go_that_way_need_not_report() -> None:
    """A charger says nothing of what is drawn, and gets nothing of it."""
    fixed = ((1000, 1000, 0), (1000, 0, 1000))
    needs = after(60, Needs(WHOLE, fixed, (100.0, 100.0), 0), 50.0, None, 0.0)
    assert needs.shares == (fixed[0], fixed[1])
    needs = after(60, Needs(WHOLE, fixed, (100.0, 100.0), 0), 30.0, 30.0, -50.0)
    assert needs.shares == ((1000, 1000, 0), (250, 0, 1750))


def test_the_sum_is_never_more_than_the_whole() -> None:
    """Whatever flows; and stated shares that leave something leave it by need, too."""
    fixed = ((700, 300, 500), (1000, 0, 0))
    for amps in ((1.0, 2.0, 3.0), (0.1, 77.0, 3.3), (33.3, 33.3, 33.3), (0.0, 0.0, 5.0)):
        charge, draw = after(9, Needs(WHOLE, fixed, (100.0, 100.0), 0), *amps).shares
        assert 1490 <= sum(charge) <= 1500
        assert draw == fixed[1]


def test_after_a_pause_what_is_new_counts() -> None:
    """What was known longer ago than the time constant counts for nothing, not for less."""
    needs = after(60, Needs(WHOLE, EQUAL, (100.0, 100.0), 0), 50.0, 50.0)
    needs.look(90 * SECOND, (50.0, 0.0))
    assert needs.shares[0] == (1750, 250)
