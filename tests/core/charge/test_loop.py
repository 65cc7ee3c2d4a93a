"""The whole law in closed loop on a tiny plant, and the properties that must hold whatever comes."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from bridge.core.charge import constants as k
from bridge.core.charge.law import PartsLaw
from bridge.core.charge.supervisor import State
from bridge.core.charging.charge_settings import ChargeLimits, Learnt
from tests.core.charge.plant import Plant, settings

NEARLY = [0.93, 0.94, 0.93, 0.935]


def test_a_charger_that_obeys_is_led_to_the_target_and_never_beyond() -> None:
    """The current is at the most until the knee, and falls then; the voltage stays out of the way."""
    plant, law = Plant(NEARLY), PartsLaw(settings())
    plant.run(law, 1500)
    assert law.supervisor.state is State.OBEYS
    assert 3.493 < plant.high_v <= 3.5
    assert max(plant.charges) > 0.998
    assert {sent.voltage_v for sent in plant.sent} == {14.0}
    assert max(sent.current_a for sent in plant.sent) == 40.0
    assert not any(sent.current_ignored or sent.voltage_ignored for sent in plant.sent)


def test_limits_turn_once_at_most_while_a_charger_obeys() -> None:
    """From the start to the most, and down."""
    plant, law = Plant(NEARLY), PartsLaw(settings())
    plant.run(law, 1200)
    amps = [sent.current_a for sent in plant.sent]
    top = len(amps) - 1 - amps[::-1].index(max(amps))
    rises = sum(max(b - a, 0.0) for a, b in pairwise(amps[top:]))
    assert rises < 2.0


def test_a_charger_that_ignores_the_current_limit_is_known_by_it_and_led_by_the_voltage() -> None:
    """Known within a minute, and no cell far over its target; both limits go on."""
    plant, law = Plant(NEARLY, obeys_a=False, source_a=lambda _: 44.0), PartsLaw(settings())
    plant.run(law, 1500)
    called = plant.states.index("ignores")
    assert called < 60
    assert all(sent.current_ignored for sent in plant.sent[called:])
    assert min(sent.voltage_v for sent in plant.sent) < 14.0
    assert plant.high_v < 3.503
    assert max(plant.charges) > 0.99


@pytest.mark.parametrize("reads_v", [-0.25, 0.25])
def test_the_offset_of_a_charger_that_ignores_the_current_limit_is_found(reads_v: float) -> None:
    """High or low, its cells come near the target, and some millivolts over at most."""
    plant = Plant(NEARLY, obeys_a=False, source_a=lambda _: 44.0, reads_v=reads_v)
    plant.run(PartsLaw(settings()), 2400)
    assert plant.high_v < 3.505
    assert max(plant.charges) > 0.985


def test_a_charger_that_ignores_both_limits_is_told_and_nothing_is_asked_of_it() -> None:
    """What is left to do is to say so."""
    law = PartsLaw(settings())
    plant = Plant([0.98] * 4, obeys_a=False, obeys_v=False, source_a=lambda _: 30.0)
    plant.run(law, 400)
    assert law.supervisor.state is State.NEITHER
    assert plant.sent[-1].voltage_ignored
    assert plant.sent[-1].current_ignored
    assert plant.sent[-1].current_a == 0.0
    assert plant.sent[-1].voltage_v == pytest.approx(13.3)


def test_loads_that_switch_are_no_charger_that_ignores_its_limit() -> None:
    """Several within seconds, all the way up; no stall either."""
    plant = Plant(
        [0.95] * 4, source_a=lambda _: 90.0, load_a=lambda t: 30.0 * (t % 23 < 9) + 15.0 * (t % 31 < 11)
    )
    plant.run(PartsLaw(settings()), 1500)
    assert "ignores" not in plant.states
    assert max(plant.charges) > 0.995
    assert min(sent.current_a for sent in plant.sent[:200]) > 20.0


def test_an_undecided_charger_is_tried_once_far_below_the_target() -> None:
    """Under a weak sun the limit binds nowhere, until it is led below what flows."""
    plant, law = Plant([0.2] * 4, source_a=lambda _: 20.0), PartsLaw(settings())
    plant.run(law, 700)
    assert [sent.tests_current for sent in plant.sent].count(True) > 3
    assert law.supervisor.state is State.OBEYS
    dips = sum(1 for a, b in pairwise(plant.states) if b == "tried" != a)
    assert dips == 1


def test_only_the_extremes_known_are_enough_with_a_larger_margin() -> None:
    """Two cells stand for all."""
    plant, law = Plant(NEARLY), PartsLaw(settings())
    plant.run(law, 1500, extremes=True)
    assert 3.490 < plant.high_v <= 3.5
    assert law.learnt is None or law.learnt.ohms == ()


def test_a_charger_that_ignores_its_limit_is_led_with_the_extremes_alone() -> None:
    """The string's own voltage is what the rest of it is known by."""
    plant = Plant(NEARLY, obeys_a=False, source_a=lambda _: 44.0)
    plant.run(PartsLaw(settings()), 1500, extremes=True)
    assert plant.high_v < 3.503
    assert max(plant.charges) > 0.98


def test_a_current_that_is_not_known_proves_nothing_and_the_cells_are_safe() -> None:
    """The reading is taken for a cell at rest: the safe side."""
    plant, law = Plant(NEARLY), PartsLaw(settings())
    plant.run(law, 900, known=False)
    assert law.supervisor.state is State.STARTING
    assert plant.high_v <= 3.5
    ignored = PartsLaw(settings(), Learnt(ignores=True))
    sent = ignored.step(1.0, [3.4, 3.41], None, None, sent_v=14.0, sent_a=10.0)
    assert 13.0 < sent.voltage_v <= 14.0


def test_what_was_learnt_is_where_the_next_run_begins() -> None:
    """Resistances, answer and belief; clipped to what can be."""
    assert PartsLaw(settings()).learnt is None
    plant, law = Plant(NEARLY), PartsLaw(settings())
    plant.run(law, 60)
    learnt = law.learnt
    assert learnt is not None
    assert len(learnt.ohms) == 4
    assert not learnt.ignores
    again = PartsLaw(settings(), learnt)
    again.step(1.0, [3.3] * 4, 13.2, 0.0, sent_v=14.0, sent_a=0.0)
    assert again.cells.factors == learnt.ohms
    wild = PartsLaw(settings(), Learnt(ohms=(99.0, 0.0, 1.0, 1.0), lag_s=500.0, ignores=True))
    assert wild.supervisor.answer_s == k.MOST_ANSWER_S
    assert wild.supervisor.state is State.IGNORES
    assert wild.cells.factors == (8.0, 0.4, 1.0, 1.0)
    assert wild.learnt is not None
    assert wild.learnt.ignores


def test_a_law_is_idle_once_all_is_known_and_nothing_limited() -> None:
    """Far below the target, at the most."""
    plant, law = Plant([0.3] * 4), PartsLaw(settings())
    assert not law.idle
    plant.run(law, 120)
    assert law.idle


READINGS = st.lists(
    st.tuples(
        st.floats(2.0, 3.9),
        st.floats(-300.0, 300.0),
        st.floats(0.2, 12.0),
        st.booleans(),
        st.floats(0.0, 200.0),
    ),
    min_size=1,
    max_size=40,
)


@given(readings=READINGS, ignores=st.booleans())
@examples(max_examples=60, deadline=None)
def test_limits_are_numbers_within_their_bounds_and_the_same_for_the_same_readings(
    readings: list[tuple[float, float, float, bool, float]], ignores: bool
) -> None:
    """Whatever is read."""
    facts = settings()

    def answers() -> list[ChargeLimits]:
        law = PartsLaw(facts, Learnt(ignores=ignores))
        return [
            law.step(
                dt,
                [volts, volts - 0.01, volts - 0.02, 3.3],
                None,
                amps,
                fresh=fresh,
                age_s=0.5,
                sent_v=14.0,
                sent_a=sent,
            )
            if fresh or n
            else law.step(dt, [volts] * 4, None, amps, sent_v=14.0, sent_a=sent)
            for n, (volts, amps, dt, fresh, sent) in enumerate(readings)
        ]

    found = answers()
    assert found == answers()
    for limits in found:
        assert math.isfinite(limits.voltage_v)
        assert 0.0 <= limits.current_a <= facts.most_a
        assert limits.voltage_v <= facts.ceiling_v + 1e-9


@given(over_v=st.floats(0.0, 0.3), cell=st.integers(0, 3))
@examples(max_examples=30, deadline=None)
def test_at_or_above_the_target_with_nothing_flowing_the_limit_is_zero(over_v: float, cell: int) -> None:
    """Whichever cell it is, from the first reading on."""
    cells = [3.35] * 4
    cells[cell] = 3.5 + over_v
    law = PartsLaw(settings())
    for _ in range(3):
        assert law.step(1.0, cells, None, 0.0, sent_v=14.0, sent_a=0.0).current_a == 0.0


@given(steps=st.lists(st.tuples(st.floats(3.2, 3.52), st.floats(0.0, 60.0)), min_size=2, max_size=60))
@examples(max_examples=40, deadline=None)
def test_the_limit_rises_by_no_more_than_the_ramp_unless_a_trial_ends(
    steps: list[tuple[float, float]],
) -> None:
    """A cap that is lifted lets through what the limit had come to; that never rises faster."""
    facts = settings()
    law = PartsLaw(facts)
    before, state = law.limit.exact_a, law.supervisor.state
    sent = 0.0
    for volts, amps in steps:
        found = law.step(1.0, [volts, 3.3, 3.3, 3.3], None, amps, sent_v=14.0, sent_a=sent)
        assert law.limit.exact_a <= before + facts.rise_a_per_s + 1e-9
        if state is law.supervisor.state:
            assert found.current_a <= max(sent, before) + facts.rise_a_per_s + 1e-9
        before, state, sent = law.limit.exact_a, law.supervisor.state, found.current_a
