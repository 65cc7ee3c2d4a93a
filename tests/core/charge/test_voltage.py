"""The voltage limit, where it must carry the pack by itself."""

from itertools import pairwise

import pytest

from bridge.core.charge import constants as k
from bridge.core.charge.voltage import Voltage, Wanted
from tests.core.charge.plant import settings

OHM = 0.005
WORTH_A = 0.1 / OHM


def wanted(bound_a: float, current_a: float | None, spare_v: float = 0.05, rest_v: float = 13.2) -> Wanted:
    """A second; steps settle within four."""
    return Wanted(1.0, rest_v, OHM, bound_a, current_a, 4.0, spare_v)


def carried(voltage: Voltage, now: Wanted, seconds: int) -> float:
    """The limit after some seconds that are all alike."""
    for _ in range(seconds):
        voltage.carry(now)
    return voltage.value_v


def test_out_of_the_way_it_is_at_its_ceiling() -> None:
    """On the wire's grid."""
    voltage = Voltage(settings(ceiling_v=14.07))
    assert voltage.value_v == pytest.approx(14.0)
    assert voltage.rest() == pytest.approx(14.0)


def test_it_leads_to_the_string_at_rest_and_the_bound_through_its_resistance() -> None:
    """V = 13.2 + 0.005 * 30 = 13.35, and so 13.3."""
    assert carried(Voltage(settings()), wanted(30.0, 30.0), 1) == pytest.approx(13.3)


def test_far_from_the_target_it_leads_some_steps_above_the_most_and_never_passes_its_ceiling() -> None:
    """V = 13.2 + 0.005 * (40 + 4 * 20) = 13.8."""
    assert carried(Voltage(settings()), wanted(500.0, 40.0), 1) == pytest.approx(13.8)
    assert carried(Voltage(settings()), wanted(500.0, 40.0, rest_v=14.5), 1) == pytest.approx(14.0)


def test_a_current_above_the_bound_takes_the_offset_down_again_and_again() -> None:
    """Once in the time in which a step settles."""
    voltage = Voltage(settings())
    first = carried(voltage, wanted(10.0, 30.0), 1)
    assert carried(voltage, wanted(10.0, 30.0), 4) <= first - 0.05
    second = voltage.value_v
    assert carried(voltage, wanted(10.0, 30.0), 4) < second


def test_at_the_target_little_is_too_much() -> None:
    """Elsewhere a part of a step is let pass."""
    near, far = Voltage(settings()), Voltage(settings())
    assert carried(near, wanted(10.0, 12.0, spare_v=0.0), 5) < carried(far, wanted(10.0, 12.0), 5)


def test_one_high_reading_is_no_reason() -> None:
    """The least of four counts: a load that goes leaves its current for moments only."""
    voltage = Voltage(settings())
    before = carried(voltage, wanted(10.0, 10.0), 3)
    voltage.carry(wanted(10.0, 60.0))
    assert carried(voltage, wanted(10.0, 10.0), 4) == before


def test_a_lack_that_lasts_is_made_up_by_steps_that_are_answered() -> None:
    """Half of it at a time."""
    voltage = Voltage(settings())
    low = carried(voltage, wanted(38.0, 0.0), int(k.LACKS_S) - 1)
    high = carried(voltage, wanted(38.0, 0.0), 1)
    assert high >= low + 0.1 - 1e-9
    assert carried(voltage, wanted(38.0, 30.0), 4) == pytest.approx(high)


def test_a_step_that_is_not_answered_is_taken_back_and_not_tried_again_for_a_while() -> None:
    """It is the source that limits; each time the wait is longer, up to a bound."""
    voltage = Voltage(settings())
    low = carried(voltage, wanted(38.0, 0.0), int(k.LACKS_S) - 1)
    changes, before = [], low
    for t in range(3000):
        found = voltage.carry(wanted(38.0, 0.0))
        if found > before:
            changes.append(t)
        before = found
    gaps = [b - a for a, b in pairwise(changes)]
    assert gaps[0] >= k.WAITS_S
    assert max(gaps) <= k.MOST_WAIT_S + 10.0
    assert gaps[-1] >= k.MOST_WAIT_S
    assert voltage.value_v in (pytest.approx(low), pytest.approx(low + 0.1))


def test_a_lack_that_comes_and_goes_moves_nothing() -> None:
    """As that of a load, or a cloud."""
    voltage = Voltage(settings())
    before = carried(voltage, wanted(38.0, 38.0), 2)
    for n in range(200):
        voltage.carry(wanted(38.0, 0.0 if n % 20 < 15 else 38.0))
    assert voltage.value_v == before


def test_it_is_powerless_where_it_can_be_led_no_lower() -> None:
    """The offset has its bound, and the current does not care."""
    voltage = Voltage(settings())
    found = []
    for now, seconds in ((wanted(0.0, 0.0), 1), (wanted(0.0, 30.0), 80), (wanted(0.0, 0.0), 8)):
        carried(voltage, now, seconds)
        found.append(voltage.powerless)
    assert found == [False, True, False]


def test_an_unknown_current_is_judged_by_nothing() -> None:
    """What is reckoned is sent."""
    voltage = Voltage(settings())
    assert carried(voltage, wanted(30.0, None), 60) == pytest.approx(13.3)


def test_it_follows_what_is_reckoned_up_over_more_than_a_step_only() -> None:
    """It stands, rather than turns."""
    voltage = Voltage(settings())
    carried(voltage, wanted(30.0, 30.0), 1)
    assert carried(voltage, wanted(30.0, 30.0, rest_v=13.3), 1) == pytest.approx(13.3)
    assert carried(voltage, wanted(30.0, 30.0, rest_v=13.35), 1) == pytest.approx(13.5)
    assert carried(voltage, wanted(30.0, 30.0, rest_v=13.2), 1) == pytest.approx(13.3)


def test_the_offset_is_bounded_above() -> None:
    """However well steps are answered."""
    voltage = Voltage(settings(ceiling_v=20.0))
    amps = 0.0
    for _ in range(2000):
        before = voltage.value_v
        if voltage.carry(wanted(39.0, amps)) > before:
            amps = min(amps + 5.0, 15.0)
    assert voltage.value_v <= 13.2 + OHM * 39.0 + k.MOST_OFFSET_V + 1e-9
