"""The limits as a whole, charge law included: what never loosens them, how they move, what they survive.

A history is a pack as its sensors tell it, second by second. Its numbers are drawn freely, not simulated: the
cells wander, the current steps, and all that ties them together is Ohm's law.
"""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import isfinite

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.failsafe.machine import State
from bridge.core.limits.compose import FourLimits, Limits
from bridge.core.pack.state import Reading
from bridge.core.plan.reasons import Reason
from tests.core.plans import SECOND, Builder

CELLS = 4
PLAN = Builder(cells=CELLS).plan()
OHM = 0.0008
"""Of a cell: 0.084 V at 1 C, as the law expects of 100 Ah."""


@dataclass(frozen=True)
class Second:
    """What the pack is like for one second: cells without current, V; current, A; resistance of each; °C."""

    rest_v: tuple[float, ...]
    current_a: float
    ohm: float = OHM
    coldest_c: float = 20.0
    hottest_c: float = 22.0

    def reading(self) -> Reading:
        """As the sensors tell it, in steps of 1 mV, a new object each time."""
        cells_v = [round(rest_v + self.ohm * self.current_a, 3) for rest_v in self.rest_v]
        return Reading(
            sum(cells_v),
            self.current_a,
            80.0,
            min(cells_v),
            max(cells_v),
            cells_v,
            self.coldest_c,
            self.hottest_c,
            1.0,
            1.0,
            None,
            None,
            0.0,
            None,
        )


def history(seed: int, seconds: int = 90) -> list[Second]:
    """Cells that rise towards the target, faster or slower, under a current that steps now and then."""
    draw = random.Random(seed)
    rest_v = [draw.uniform(3.30, 3.44) for _ in range(CELLS)]
    current_a, found = draw.uniform(0.0, 60.0), list[Second]()
    for _ in range(seconds):
        if draw.random() < 0.1:
            current_a = draw.choice([0.0, draw.uniform(0.0, 60.0)])
        rest_v = [min(v + draw.uniform(0.0, 2e-5) * current_a, 3.495) for v in rest_v]
        found.append(Second(tuple(rest_v), round(current_a, 1)))
    return found


class Life:
    """Limits that follow a pack, second by second."""

    def __init__(self) -> None:
        self.limits = Limits(PLAN)
        self.t_us = 0
        self._told: tuple[Reading | None, int] = None, 0

    def second(self, reading: Reading, state: State = State.FOLLOWING) -> FourLimits:
        """What is allowed a second later, of readings that came in then unless they are the last ones."""
        self.t_us += SECOND
        if reading is not self._told[0]:
            self._told = reading, self.t_us
        reading = reading._replace(cells_us=self._told[1])
        return self.limits.decide(self.t_us, 1.0, state, [reading], [True], [], inverter_silent=False)


def limits_after(readings: Sequence[Reading]) -> FourLimits:
    """What is allowed at the end of a history that is followed all along."""
    life = Life()
    return [life.second(reading) for reading in readings][-1]


seeds = st.integers(0, 2**32)
some = settings(max_examples=60, deadline=None)


@pytest.mark.slow
@some
@given(seeds, st.integers(1, 100))
def test_a_higher_highest_cell_never_loosens(seed: int, by_mv: int) -> None:
    """The same past; only the last reading of the highest cell is higher, and the string with it.

    The voltage may not rise by more than the cell itself did, which is less than a step of 0.1 V. A second
    cell that catches up is another matter: then the string bears more before one is over.
    """
    past = [second.reading() for second in history(seed)]
    last = past[-1]
    assert last.cells_v is not None
    assert last.high_v is not None
    higher = list(last.cells_v)
    highest = higher.index(last.high_v)
    higher[highest] = round(last.high_v + by_mv / 1000, 3)
    changed = last._replace(cells_v=higher, high_v=higher[highest], pack_v=sum(higher))
    plain, tighter = limits_after(past), limits_after([*past[:-1], changed])
    assert tighter[1].value <= plain[1].value
    assert tighter[0].value <= plain[0].value + 0.1 + 1e-6


@pytest.mark.slow
@some
@given(seeds, st.floats(0.0, 60.0))
def test_cold_never_loosens_and_neither_does_heat(seed: int, by_c: float) -> None:
    """The same past, and a colder coldest or a hotter hottest cell at its end.

    Cold counts as resistance for the charge law, which takes back less once more flows than is allowed.
    """
    past = history(seed)
    before, last = [one.reading() for one in past[:-1]], past[-1]
    plain = limits_after([*before, last.reading()])
    colder = limits_after([*before, replace(last, coldest_c=20.0 - by_c).reading()])
    hotter = limits_after([*before, replace(last, hottest_c=22.0 + by_c).reading()])
    assert colder[2].value <= plain[2].value
    assert hotter[1].value <= plain[1].value
    assert hotter[2].value <= plain[2].value
    if last.current_a <= plain[1].value:
        assert colder[1].value <= plain[1].value


@pytest.mark.slow
@some
@given(seeds)
def test_as_a_datum_gets_older_nothing_gets_looser(seed: int) -> None:
    """Nothing new comes in: once a rise that was under way is over, each cause allows the same or less.
    A test of the charger ends where the limit of the law comes below it: both are one cause."""
    life = Life()
    for one in history(seed):
        reading = one.reading()
        life.second(reading)
    for _ in range(50):
        now = life.second(reading)
    for _ in range(30):
        before, now = now, life.second(reading)
        for limit, was, own in zip(now, before, (Reason.HEADROOM, Reason.CELL_TARGET), strict=False):
            causes = {Reason.TESTED: own}
            allowed = {(causes.get(b.reason, b.reason), b.bank): b.value for b in limit.contributions}
            for b in was.contributions:
                if b.bank:
                    assert allowed[causes.get(b.reason, b.reason), b.bank] <= b.value


@pytest.mark.slow
@some
@given(seeds, st.lists(st.sampled_from([*State]), min_size=90, max_size=90))
def test_a_limit_is_never_above_what_bounds_it_and_rises_by_its_ramp_while_following(
    seed: int, states: list[State]
) -> None:
    """So it falls at once, whatever the state; and nothing rises in any other state."""
    life, bounds = Life(), PLAN.limits
    rises = (bounds.rise_v_per_s, bounds.charge_rise_a_per_s, bounds.discharge_rise_a_per_s)
    before: FourLimits | None = None
    for one, state in zip(history(seed), states, strict=True):
        now = life.second(one.reading(), state)
        for limit in now[:3]:
            assert limit.value <= min(bound.value for bound in limit.contributions) + 1e-6
        assert now[3].value >= max(bound.value for bound in now[3].contributions) - 1e-6
        if before is not None:
            allowed = rises if state is State.FOLLOWING else (0.0, 0.0, 0.0)
            for limit, was, rise in zip(now[:3], before[:3], allowed, strict=True):
                assert limit.value <= was.value + rise + 1e-6
            assert now[3].value >= before[3].value - rises[0] * (state is State.FOLLOWING) - 1e-6
        before = now


def noise(draw: random.Random, _: int) -> Reading:
    """Anything that is believable, every second anew."""
    rest_v = tuple(draw.uniform(0.5, 5.0) for _ in range(CELLS))
    return Second(rest_v, draw.uniform(-1000.0, 1000.0), 0.0).reading()


def swings(draw: random.Random, second: int) -> Reading:
    """Near the target, all cells against the current, as with a sensor that lies about its sign."""
    current_a = 80.0 if second % 7 < 4 else 0.0
    rest_v = tuple(3.45 - 0.0005 * current_a + draw.uniform(0.0, 0.03) for _ in range(CELLS))
    return Second(rest_v, current_a, 0.0).reading()


def bad_contact(draw: random.Random, second: int) -> Reading:
    """One cell jumps by what twenty times the resistance would be."""
    current_a = draw.choice([0.0, 20.0, 90.0])
    rest_v = (3.35 + 20 * OHM * current_a, *([3.35] * (CELLS - 1)))
    return Second(rest_v, current_a, OHM * (second % 2)).reading()


def stuck(_: random.Random, second: int) -> Reading:
    """The voltages never move, whatever flows; far apart, and one of them over the target."""
    return Second((2.6, 3.3, 3.3, 3.55), 100.0 * (second % 2), 0.0).reading()


@pytest.mark.slow
@pytest.mark.parametrize("lie", [noise, swings, bad_contact, stuck])
def test_lies_for_an_hour_keep_within_the_hard_limits(lie: Callable[[random.Random, int], Reading]) -> None:
    """Whatever a law believes to have learnt: numbers, no faults, nothing beyond what is configured."""
    life, draw, hard = Life(), random.Random(1), PLAN.limits
    for second in range(3600):
        volts, charge, discharge, floor = life.second(lie(draw, second))
        assert all(isfinite(limit.value) for limit in (volts, charge, discharge, floor))
        assert volts.value <= hard.charge_voltage_v
        assert 0.0 <= charge.value <= hard.charge_a
        assert 0.0 <= discharge.value <= hard.discharge_a
        assert floor.value >= hard.discharge_floor_v


@pytest.mark.slow
def test_what_swings_have_taught_is_over_after_a_minute() -> None:
    """Then both currents are what they are without that hour, where no more flows than is allowed."""
    life, plain, draw = Life(), Life(), random.Random(1)
    for second in range(3600):
        back = life.second(swings(draw, second))
    assert back[1].value < 50.0
    for _ in range(60):
        truth = Second((3.33, 3.34, 3.34, 3.35), min(50.0, back[1].value))
        back, never_away = life.second(truth.reading()), plain.second(truth.reading())
    assert back[1].value >= 0.98 * never_away[1].value
    assert back[2].value >= 0.98 * never_away[2].value
