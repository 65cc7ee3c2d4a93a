"""What is seen of the inverter while the pack is drawn from."""

from bridge.core.draw.draw_inverter import Inverter
from bridge.core.draw.draw_settings import DrawSettings

LFP = DrawSettings(16, 280.0, 2.90, 3.05, 140.0)


def looked(drawn_a: float, sent_a: float, seconds: int, seen: Inverter | None = None) -> Inverter:
    """So many seconds of one current under one limit."""
    seen = seen or Inverter(LFP)
    for _ in range(seconds):
        seen.look(drawn_a, sent_a, 1.0, 1.0, 2.0)
    return seen


def test_one_that_stays_under_the_limit_is_not_said_to_ignore_it() -> None:
    """Nor one that is above by no more than its sensor and its own needs."""
    assert not looked(60.0, 60.0, 600).ignores
    assert not looked(62.8, 60.0, 600).ignores
    assert not looked(5.6, 0.0, 600).ignores


def test_one_that_draws_more_for_long_ignores() -> None:
    """Two seconds beyond the time it may take, five time constants and what is unseen: 17 s."""
    seen = looked(60.0, 140.0, 30)
    assert not looked(60.0, 40.0, 17, seen).ignores
    assert looked(60.0, 40.0, 2, seen).ignores
    assert looked(0.0, 40.0, 60, seen).ignores


def test_a_moment_above_the_limit_is_no_disobedience() -> None:
    """What counts is an unbroken time."""
    seen = looked(60.0, 60.0, 30)
    for _ in range(20):
        looked(70.0, 60.0, 1, seen)
        looked(60.0, 60.0, 1, seen)
    assert not seen.ignores


def test_without_new_readings_nothing_is_concluded() -> None:
    """Only the limits that were sent are remembered."""
    seen = looked(60.0, 40.0, 17)
    for _ in range(60):
        seen.look(60.0, 40.0, 1.0, 0.0, 2.0)
    assert not seen.ignores
    assert looked(60.0, 40.0, 2, seen).ignores


def test_what_was_sent_before_leaving_does_not_count_later() -> None:
    """It takes the whole time again."""
    seen = looked(60.0, 40.0, 17)
    seen.leave()
    assert not looked(60.0, 40.0, 17, seen).ignores


def test_what_was_said_of_it_stays_said() -> None:
    """That it draws less later does not show that it obeys."""
    seen = looked(60.0, 40.0, 60)
    assert seen.ignores
    assert looked(30.0, 40.0, 600, seen).ignores


def test_the_share_counts_for_large_currents_and_the_own_needs_for_small_ones() -> None:
    """A hundredth of what is drawn and 0.01C; 0.02C and 0.01C where nothing is allowed."""
    assert not looked(136.1, 132.0, 60).ignores  # 132 + 2.8 + 1.36 = 136.16
    assert looked(136.3, 132.0, 60).ignores
    assert not looked(8.4, 0.0, 60).ignores  # 5.6 + 2.8 + 0.084 = 8.484
    assert looked(8.6, 0.0, 60).ignores


def test_the_largest_limit_of_the_time_it_may_take_counts() -> None:
    """Seventeen limits back, and no farther."""
    for back, ignores in ((15, False), (17, False), (18, True), (40, True)):
        seen = looked(60.0, 140.0, 1)
        assert looked(60.0, 40.0, back, seen).ignores is ignores


def test_the_time_is_counted_to_the_second() -> None:
    """Seventeen limits must be known; then two seconds; anew after a moment below, or after leaving."""
    assert not looked(60.0, 40.0, 17).ignores
    assert looked(60.0, 40.0, 18).ignores
    seen = looked(40.0, 40.0, 1, looked(60.0, 40.0, 17))
    assert not looked(60.0, 40.0, 1, seen).ignores
    assert looked(60.0, 40.0, 1, seen).ignores
    left = looked(60.0, 40.0, 17)
    left.leave()
    assert not looked(60.0, 40.0, 17, left).ignores
    assert looked(60.0, 40.0, 1, left).ignores


def test_the_steps_may_be_long() -> None:
    """17 s are six steps of 3 s, and no less than two limits are looked at."""
    for step_s, steps in ((3.0, 6), (60.0, 2)):
        seen = Inverter(LFP)
        for n in range(1, steps + 1):
            seen.look(60.0, 40.0, step_s, step_s, 2.0)
            assert seen.ignores is (n == steps)
