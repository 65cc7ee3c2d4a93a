"""Flags and the shown state of charge."""

import pytest

from bridge.core.bounds.requests import Allowed, ChargeRequest, shown_soc
from bridge.core.plan.plan import PackLimits, ShownSoc
from tests.core.plans import SECOND, pack_limits


def test_a_direction_is_allowed_from_a_hundredth_of_the_cap_until_zero() -> None:
    """With hysteresis, and not at first."""
    allowed = Allowed(100.0)
    limits_a = [0.0, 0.99, 1.0, 0.5, 0.0, 0.5, 100.0]
    assert [allowed.update(limit_a) for limit_a in limits_a] == [False, False, True, True, False, False, True]


class Hungry:
    """A request and its clock: a reading stands for ten minutes."""

    def __init__(self, limits: PackLimits) -> None:
        self.request = ChargeRequest(limits)
        self.t_us = 0

    def ask(self, soc: float | None, low_v: float | None, seconds: int = 600) -> bool:
        """The answer at the end of a stretch of the same readings."""
        for _ in range(seconds + 1):
            answer = self.request.update(self.t_us, soc, low_v)
            self.t_us += SECOND
        return answer

    def settled(self) -> bool:
        """Whether it waits for nothing but other readings."""
        return self.request.settled


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ([(9.0, 3.2), (12.0, 3.2), (15.0, 3.2)], [True, True, False]),
        ([(50.0, 2.94), (50.0, 3.09), (50.0, 3.10)], [True, True, False]),
        ([(9.0, None), (12.0, None), (20.0, None)], [True, True, False]),
        ([(None, 2.9), (None, None), (None, 3.2)], [True, True, False]),
        ([(9.0, 3.2), (None, 3.2), (14.9, 3.3), (15.0, 3.3)], [True, True, True, False]),
        ([(9.0, 2.9), (50.0, 2.9), (50.0, 3.3), (12.0, 3.3)], [True, True, False, False]),
        ([(20.0, 3.2)], [False]),
    ],
)
def test_asks_for_charge_until_what_starved_it_is_fed(
    readings: list[tuple[float | None, float | None]], expected: list[bool]
) -> None:
    """By state of charge, by the lowest cell; a reading that goes missing feeds nothing."""
    hungry = Hungry(pack_limits())
    assert [hungry.ask(*reading) for reading in readings] == expected


def test_a_cell_that_is_back_only_while_it_is_charged_is_not_fed() -> None:
    """Ten minutes on end, or it begins anew; the engine has to ask again meanwhile."""
    hungry = Hungry(pack_limits())
    assert hungry.ask(50.0, 2.9, 0)
    assert hungry.settled()
    for dip in (3.09, None, 2.9):
        assert hungry.ask(50.0, 3.3, 599)
        assert not hungry.settled()
        assert hungry.ask(50.0, dip, 0)
        assert hungry.settled()
    assert hungry.ask(50.0, 3.3, 599)
    assert not hungry.ask(50.0, 3.3, 0)
    assert hungry.settled()


def test_asks_by_cell_alone_where_the_profile_has_no_charge_bound() -> None:
    """An empty pack by its own count does not ask then."""
    limits = pack_limits()._replace(request_below_soc=None, request_until_soc=None)
    hungry = Hungry(limits)
    assert [hungry.ask(*reading) for reading in ((1.0, 3.2), (1.0, 2.9), (1.0, None))] == [False, True, True]


def test_a_missing_upper_bound_is_the_lower_one() -> None:
    """Without an end of its own the request ends where it began."""
    hungry = Hungry(pack_limits()._replace(request_until_soc=None))
    assert [hungry.ask(soc, 3.2) for soc in (9.0, 10.0)] == [True, False]


@pytest.mark.parametrize(
    ("soc", "t_us", "expected"),
    [(10.0, 0, 25.0), (50.0, 0, 50.0), (99.0, 0, 90.0), (99.0, 100, 99.0), (None, 0, None), (10.0, 99, 25.0)],
)
def test_a_window_is_shown_until_it_ends(soc: float | None, t_us: int, expected: float | None) -> None:
    """Clipped before, passed through from its end on."""
    assert shown_soc(ShownSoc(25.0, 90.0, 100), soc, t_us) == expected


def test_a_fixed_value_needs_no_reading_and_ends_too() -> None:
    """Shown while the pack's own is not known; without a wish it is passed through."""
    wish = ShownSoc(20.0, 20.0, 100)
    assert [shown_soc(wish, None, 99), shown_soc(wish, 80.0, 99), shown_soc(wish, 80.0, 100)] == [
        20.0,
        20.0,
        80.0,
    ]
    assert shown_soc(None, 33.0, 0) == 33.0


def test_a_small_limit_does_not_allow_at_first() -> None:
    """Less than a hundredth of the cap is not worth it until the direction is allowed."""
    assert not Allowed(100.0).update(0.5)


def test_a_cell_just_at_the_bound_asks_for_nothing_and_waits_for_nothing() -> None:
    """Below it counts; a pack that is fed has nothing to wait for."""
    hungry = Hungry(pack_limits())
    assert not hungry.ask(50.0, 2.95, 0)
    assert not hungry.ask(50.0, 3.2, 1)
    assert hungry.settled()


def test_ten_minutes_are_ten_minutes() -> None:
    """To the microsecond."""
    request = ChargeRequest(pack_limits())
    assert request.update(0, None, 2.9)
    assert request.update(1, None, 3.2)
    assert request.update(600 * SECOND, None, 3.2)
    assert not request.update(600 * SECOND + 1, None, 3.2)
