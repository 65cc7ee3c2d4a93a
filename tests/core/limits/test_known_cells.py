"""Which cells the laws go by, seen in what the engine decides: the worst of all that is known."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.charging.bank_charge import BankCharge
from bridge.core.draw.bank_draw import BankDraw
from bridge.core.pack.known_cells import cells_for_charge, cells_for_draw
from bridge.core.pack.state import Reading
from bridge.core.plan.reasons import Limit, Reason
from tests.core.plans import AGE, SECOND, TICK, Builder
from tests.core.rig import Rig, Speaker

EXTREMES = frozenset({f"cell_{what}_{end}" for what in ("voltage", "temperature") for end in ("min", "max")})
HIGH, LOW = 3.47, 2.95
CHARGED, EMPTY = [3.44 + 0.001 * n for n in range(16)], [3.01 - 0.001 * n for n in range(16)]


def of_laws(rig: Rig) -> tuple[float, float, float, float | None]:
    """What the two laws add: charge voltage and current, discharge current, floor if there is one."""
    decision = rig.engine.decision

    def found(limit: Limit, reason: Reason) -> float | None:
        return next((one.value for one in limit.contributions if one.reason is reason), None)

    return (
        found(decision.charge_voltage, Reason.HEADROOM) or 0.0,
        found(decision.charge_current, Reason.CELL_TARGET) or 0.0,
        found(decision.discharge_current, Reason.CELL_FLOOR) or 0.0,
        found(decision.discharge_floor, Reason.HEADROOM),
    )


def run(speaker: Speaker, seconds: float = 30.0) -> Rig:
    """An engine that has heard a bank that need not tell its extremes."""
    rig = Rig(Builder(optional=EXTREMES).plan(), speaker)
    rig.run(seconds)
    return rig


def test_a_highest_above_all_cells_counts_as_the_highest_of_them() -> None:
    """Both charge limits are those of a bank whose own cell stands there, and lower than without."""
    without, told = run(Speaker(CHARGED, amps=20.0)), run(Speaker(CHARGED, amps=20.0, high_v=HIGH))
    itself = run(Speaker([*CHARGED[:15], HIGH], amps=20.0))
    assert of_laws(told)[:2] == pytest.approx(of_laws(itself)[:2])
    assert [one < other for one, other in zip(of_laws(told)[:2], of_laws(without)[:2], strict=True)] == [
        True
    ] * 2


def test_a_lowest_below_all_cells_counts_as_the_lowest_of_them() -> None:
    """Both discharge limits are those of a bank whose own cell stands there, tighter than without."""
    without, told = run(Speaker(EMPTY, amps=-20.0)), run(Speaker(EMPTY, amps=-20.0, low_v=LOW))
    itself = run(Speaker([*EMPTY[:15], LOW], amps=-20.0))
    assert of_laws(told)[2:] == pytest.approx(of_laws(itself)[2:])
    assert of_laws(told)[2] < of_laws(without)[2]
    assert (of_laws(told)[3] or 0.0) > (of_laws(without)[3] or 0.0)


@pytest.mark.parametrize(
    "speaker",
    [
        Speaker(CHARGED, amps=20.0, high_v=3.42, low_v=3.42),
        Speaker(EMPTY, amps=-20.0, low_v=3.03, high_v=3.03),
    ],
)
def test_an_extreme_that_lies_among_the_cells_changes_nothing(speaker: Speaker) -> None:
    """A highest below the highest cell, a lowest above the lowest: the cells are the worst."""
    plain = Speaker(speaker.cells_v, amps=speaker.amps)
    assert of_laws(run(speaker)) == of_laws(run(plain))


@pytest.mark.parametrize(
    ("told", "plain"),
    [
        (Speaker(CHARGED, amps=20.0, high_v=HIGH), Speaker(CHARGED, amps=20.0)),
        (Speaker(EMPTY, amps=-20.0, low_v=LOW), Speaker(EMPTY, amps=-20.0)),
    ],
)
def test_an_extreme_past_its_age_counts_no_more(told: Speaker, plain: Speaker) -> None:
    """Told a second before the cells were, it is as if it had told of nothing but them."""
    rows = []
    for speaker in (told, plain):
        rig = Rig(Builder(optional=EXTREMES).plan(), plain)
        rig.hear([speaker.extremes()])
        rig.wait((AGE + TICK) / SECOND)
        rig.run(30.0, without={"extremes"})
        rows.append(of_laws(rig))
    assert rows[0] == rows[1]


def test_a_lapsed_extreme_bounds_until_it_returns() -> None:
    """The law lets go of it, with plenty of room, if its limit is felt; what is decided gets no looser."""
    rig = run(Speaker([3.33] * 16, amps=20.0, high_v=HIGH))
    held, (law_v, law_a, *_) = rig.limits(), of_laws(rig)
    rig.speakers[0].amps = law_a
    rig.run(60.0, SECOND // 2, without={"extremes"})
    assert of_laws(rig)[0] > law_v + 1.0
    assert of_laws(rig)[1] > law_a + 20.0
    assert rig.limits()[:2] <= held[:2]


def reading(cells_v: list[float] | None, low_v: float | None, high_v: float | None, amps: float) -> Reading:
    """A bank of 16 cells at 25 °C, some 3.3 V each, as the table of readings gives it."""
    ends = 25.0, 25.0, 1.0, 1.0, None, None, 0.0, None
    return Reading(52.8, amps, 50.0, low_v, high_v, cells_v, *ends)


cell = st.floats(2.80, 3.60).map(lambda v: round(v, 3))
packs = st.lists(cell, min_size=16, max_size=16)


@given(packs, st.floats(0.0, 0.1), st.floats(0.0, 0.1))
def test_no_cell_is_ever_taken_for_better_than_it_says(pack: list[float], up: float, down: float) -> None:
    """Only the worst is moved, and to where the extreme is."""
    now = reading(pack, min(pack) - down, max(pack) + up, 0.0)
    high, low = cells_for_charge(now), cells_for_draw(now)
    assert high is not None
    assert low is not None
    assert (max(high), min(low)) == (now.high_v, now.low_v)
    assert sorted(high)[:-1] == sorted(pack)[:-1]
    assert sorted(low)[1:] == sorted(pack)[1:]


@settings(max_examples=25, deadline=None)
@given(packs, st.floats(0.0, 0.1), st.floats(-100.0, 100.0))
def test_a_worse_extreme_never_loosens(pack: list[float], beyond: float, amps: float) -> None:
    """Neither law's current, from the first step on."""
    plan = Builder().plan()
    low_v, high_v = min(pack), max(pack)
    row = []
    for further in (0.0, beyond):
        charge, draw = BankCharge(plan.banks[0], plan.limits), BankDraw(plan.banks[0], plan.limits)
        now = reading(pack, low_v - further, high_v + further, amps)
        for t_s in range(1, 6):
            rising = charge.contributions(t_s * SECOND, now, 1.0, 56.0, 100.0)
            falling = draw.contributions(t_s * SECOND, now, 1.0, 120.0)
        assert rising is not None
        assert falling is not None
        row.append((rising[1].value, falling[1].value))
    assert row[1][0] <= row[0][0] + 1e-6
    assert row[1][1] <= row[0][1] + 1e-6


def test_without_all_cells_the_extremes_stand_for_them() -> None:
    """Charging wants the string's voltage beside both; discharging the lowest alone."""
    both = reading(None, 3.28, 3.31, 0.0)
    assert (cells_for_charge(both), cells_for_draw(both)) == ([3.28, 3.31], [3.28])
    assert cells_for_charge(both._replace(pack_v=None)) is None
    assert cells_for_charge(both._replace(low_v=None)) is None
    assert cells_for_charge(both._replace(high_v=None)) is None
    assert cells_for_draw(both._replace(low_v=None)) is None
