"""The age and period of readings: what a law has to look ahead for."""

import pytest

from bridge.core.cells.reading_clock import ReadingClock


def test_what_is_not_seen_grows_until_new_readings_come() -> None:
    """The delay and the period, 1 s until one has been seen; the age once that is more than the period."""
    clock = ReadingClock(0.5)
    told = [(clock.advance(2.0, fresh=fresh), clock.unseen_s) for fresh in (True, False, False, True)]
    assert told == [(2.0, 1.5), (0.0, 2.5), (0.0, 4.5), (6.0, 6.5)]
    foreseen = [(clock.advance(3.0, fresh=False), clock.unseen_s) for _ in range(3)]
    assert foreseen == [(0.0, 6.5), (0.0, 6.5), (0.0, 9.5)]


def test_a_longer_period_counts_at_once_and_is_slowly_forgotten() -> None:
    """By 2 % a reading, down to what the period is now."""
    clock = ReadingClock(0.0)
    clock.advance(1.0, fresh=True)
    seen = []
    for dt_s in (10.0, 1.0, 1.0):
        clock.advance(dt_s, fresh=True)
        seen.append(clock.period_s)
    assert seen == pytest.approx([10.0, 9.8, 9.604])
    for _ in range(200):
        clock.advance(1.0, fresh=True)
    assert clock.period_s == 1.0


def test_cells_that_come_in_turns_are_as_old_as_the_oldest() -> None:
    """Each page comes every 4 s, one a second: news every second, of which the oldest is 3 s old."""
    clock = ReadingClock(1.0)
    for _ in range(9):
        assert clock.advance(1.0, fresh=True, age_s=3.0, waited_s=4.0) == 1.0
    assert (clock.age_s, clock.period_s, clock.unseen_s) == (3.0, 4.0, 5.0)
    clock.advance(2.0, fresh=False)
    assert (clock.age_s, clock.unseen_s) == (5.0, 6.0)


def test_what_was_not_looked_at_does_not_make_the_pack_seem_slow() -> None:
    """Nothing was limited for 12 s; looked at once a second, cells that come every 0.1 s are 1 s old."""
    clock = ReadingClock(0.0)
    clock.advance(1.0, fresh=True, waited_s=0.1)
    assert clock.advance(12.0, fresh=True, waited_s=0.1) == 12.0
    assert clock.period_s == 1.0
    clock.advance(0.2, fresh=True, waited_s=0.1)
    assert clock.period_s == 0.98


def test_before_any_readings_only_time_has_passed() -> None:
    """As long as the delay and the first second."""
    assert ReadingClock(0.5).unseen_s == 1.5
    assert ReadingClock(0.5).age_s == 0.0
