"""Sun and loads: bounded, repeatable, and what their names say."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.simulate.inverter import DAY_S, Wish
from bridge.simulate.sky import LOADS, SUN_SHARE, WEATHERS, clear_sun, made_day

HOUR_S = 3600.0


def _wishes(weather: str, load: str, seed: int = 1, sun_a: float | None = None) -> list[Wish]:
    day = made_day(weather, load, seed=seed, capacity_ah=280.0, sun_a=sun_a, end_s=DAY_S)
    return [day(60.0 * minute) for minute in range(1440)]


@pytest.mark.parametrize(("weather", "load"), list(itertools.product(WEATHERS, LOADS)))
def test_currents_are_bounded_and_repeat_with_the_seed(weather: str, load: str) -> None:
    """Sun and loads are magnitudes within a clear noon and 1C; the seed decides them."""
    wishes = _wishes(weather, load)

    assert wishes == _wishes(weather, load)
    assert all(0.0 <= wish.solar_a <= SUN_SHARE * 280.0 for wish in wishes)
    assert all(0.0 <= wish.load_a <= 280.0 for wish in wishes)
    assert max(wish.solar_a for wish in wishes) > 0.2 * 280.0
    if weather == "clouds" or load == "steps":
        assert wishes != _wishes(weather, load, seed=2)


def test_clouds_take_some_of_the_sun_and_move_in_seconds() -> None:
    """A clouded day has less sun; a cloud is no jump."""
    clear, clouded = _wishes("clear", "none"), _wishes("clouds", "none")
    share = sum(w.solar_a for w in clouded) / sum(w.solar_a for w in clear)
    day = made_day("clouds", "none", seed=1, capacity_ah=280.0, sun_a=None, end_s=DAY_S)
    noon = [day(12 * HOUR_S + second).solar_a for second in range(7200)]

    assert 0.3 < share < 0.95
    assert max(abs(b - a) for a, b in itertools.pairwise(noon)) < 5.0
    assert min(noon) < 0.65 * max(noon)


def test_the_sun_can_be_chosen() -> None:
    """`sun_a` is what a clear noon gives."""
    assert max(w.solar_a for w in _wishes("clear", "none", sun_a=120.0)) == pytest.approx(120.0, rel=1e-3)
    assert {w.solar_a for w in _wishes("clear", "none", sun_a=0.0)} == {0.0}


def test_loads_come_when_they_should() -> None:
    """The evening is heavy, the steps are many and sudden, and none is none."""
    evening, steps = _wishes("clear", "evening"), _wishes("clear", "steps")
    assert evening[20 * 60].load_a > 8 * evening[12 * 60].load_a > 0.0
    assert {w.load_a for w in _wishes("clear", "none")} == {0.0}
    base_a = steps[0].load_a
    assert sum(b.load_a > a.load_a for a, b in itertools.pairwise(steps)) > 10
    assert {w.load_a for w in steps[: 7 * 60]} == {base_a}


@given(st.floats(0.0, 10 * DAY_S))
def test_the_sun_is_a_share(t_s: float) -> None:
    """Between nothing and the noon, and nothing at night."""
    assert 0.0 <= clear_sun(t_s) <= 1.0
    if not 6.0 <= t_s % DAY_S / HOUR_S <= 20.0:
        assert clear_sun(t_s) == 0.0
