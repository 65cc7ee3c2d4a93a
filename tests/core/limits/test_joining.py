"""Banks that leave and join: no limit is ever stepped upwards by it, the ramp alone leads up."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.failsafe.machine import State
from bridge.core.limits.compose import Limits
from bridge.core.pack.state import Reading
from tests.core.plans import OPTIONS, TICK, Builder, seen_before

GOOD = Reading(52.8, 30.0, 50.0, 3.3, 3.3, [3.3] * 16, 20.0, 22.0, 1.0, 1.0, None, None, 0.0, None)
IDLE = GOOD._replace(current_a=0.0)
NAMES = ("bank bank1", "bank bank2", "bank bank3")

readings = st.builds(
    lambda high, low, amps, may, most: GOOD._replace(
        pack_v=16 * (high + low) / 2,
        high_v=high,
        low_v=low,
        cells_v=None,
        current_a=amps,
        charge_permitted=may,
        discharge_permitted_a=most,
    ),
    st.sampled_from([3.30, 3.42, 3.47, 3.49, 3.55]),
    st.sampled_from([3.29, 3.04, 2.96, 2.85]),
    st.none() | st.sampled_from([-90.0, -5.0, 0.0, 20.0, 60.0]),
    st.sampled_from([1.0, 1.0, 0.0]),
    st.sampled_from([None, 40.0]),
)
groups = st.lists(st.booleans(), min_size=3, max_size=3).filter(any)
moments = st.tuples(st.tuples(readings, readings, readings), groups, st.integers(1, 60))


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(
    st.tuples(*[st.sampled_from([50.0, 100.0, 280.0])] * 3),
    st.lists(moments, min_size=1, max_size=12),
    st.booleans(),
)
def test_banks_that_leave_or_join_never_step_a_limit_upwards(
    capacities_ah: tuple[float, float, float],
    life: list[tuple[tuple[Reading, Reading, Reading], list[bool], int]],
    told: bool,
) -> None:
    """Whatever each bank says, at any moment, whether its going was told as a loss or not."""
    plan = Builder(banks=3, capacities_ah=capacities_ah).plan()
    plan = plan._replace(options=OPTIONS._replace(reduce_on_lost_bank=True))
    limits, bounds = Limits(plan), plan.limits
    rates = (bounds.rise_v_per_s, bounds.charge_rise_a_per_s, bounds.discharge_rise_a_per_s)
    before, t_us, seconds = (bounds.resting_v, 0.0, 0.0, bounds.discharge_floor_v), 0, TICK / 1e6
    for row, active, ticks in life:
        lost = [name for name, on in zip(NAMES, active, strict=True) if told and not on]
        for _ in range(ticks):
            t_us += TICK
            now = limits.decide(t_us, seconds, State.FOLLOWING, row, active, lost, inverter_silent=False)
            for limit, was, rate in zip(now[:3], before[:3], rates, strict=True):
                assert limit.value <= was + rate * seconds + 2e-6
            assert now[3].value >= before[3] - bounds.rise_v_per_s * seconds - 2e-6
            before = (now[0].value, now[1].value, now[2].value, now[3].value)


def test_a_bank_that_joins_brings_its_current_by_the_ramp_and_its_weakness_at_once() -> None:
    """100 A beside 100 A: 10 A more a second; a full bank beside an empty one: the taper, at once.

    While currents flow it takes longer: the bank that was alone is first seen to take its part only.
    """
    plan = Builder(banks=2).plan()
    plan = plan._replace(options=OPTIONS._replace(reduce_on_lost_bank=True))
    limits = Limits(plan, seen_before(plan))

    def decide(other: Reading, on: bool, seconds: float) -> float:
        row = [IDLE, other]
        return limits.decide(0, seconds, State.FOLLOWING, row, [True, on], (), inverter_silent=False)[1].value

    assert decide(IDLE, False, 60.0) == 100.0
    assert decide(IDLE, True, 1.0) == 110.0
    assert decide(IDLE, True, 60.0) == 200.0
    assert decide(IDLE, False, 0.1) == 100.0
    assert decide(IDLE._replace(high_v=3.50), True, 0.1) == 4.0
