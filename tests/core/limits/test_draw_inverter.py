"""What is seen of the inverter while the pack is drawn from."""

from bridge.core.limits.draw_inverter import Inverter
from bridge.core.limits.draw_settings import DrawSettings

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
