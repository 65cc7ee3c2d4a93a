"""The charge law where the current limit gives no answer, and what is tried on the charger."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.limits.charge_cells import Cells
from bridge.core.limits.charge_charger import NEVER_A, QUIET_C, Charger
from bridge.core.limits.charge_current import CurrentLimit, allowed_a, fades
from bridge.core.limits.charge_moment import Moment
from bridge.core.limits.charge_offset import Offset
from bridge.core.limits.charge_seek import STEP_V, Seek, Stage
from bridge.core.limits.charge_settings import ChargeSettings

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
GOAL_V = 3.497
STRING_V, STRING_OHM = 54.0, 0.005

volts = st.floats(3.30, 3.495).map(lambda v: round(v, 3))


def moment(amps: float, wanted_a: float = 140.0, string_v: float = STRING_V) -> Moment:
    """A second of a charge with room in every cell."""
    return Moment(
        dt_s=1.0,
        elapsed_s=1.0,
        high_v=3.45,
        string_v=string_v,
        string_ohm=STRING_OHM,
        room_v=1.0,
        current_a=amps,
        blur_a=1.0 + 0.01 * amps,
        wanted_a=wanted_a,
        beyond_a=0.0,
        free=False,
        spare_v=0.05,
        step_v=0.008,
        worst_share=1 / 16,
        settle_s=8.0,
        unseen_s=2.0,
    )


@given(st.lists(volts, min_size=16, max_size=16), st.floats(0, 140), st.floats(0, 2e-5), st.floats(1, 20))
def test_under_a_held_voltage_no_cell_passes_its_bound(
    pack: list[float], amps: float, slope: float, time_s: float
) -> None:
    """A current that begins as high as allowed and falls by itself: neither at its begin nor at its end."""
    cells = Cells(LFP)
    for _ in range(30):
        cells.update(pack, amps, 1.0, 25.0)
    cells.slopes = [slope] * 16
    fade = fades(LFP, cells, time_s)
    begin_a = allowed_a(LFP, cells, GOAL_V, time_s, fade=fade)

    assert fade >= 0.0
    if begin_a > amps:  # where more flows than allowed, it is taken back
        mean_a = begin_a * (-math.expm1(-fade) / fade if fade else 1.0)
        for volt, ohm, rise in zip(cells.volts, cells.ohms, cells.slopes, strict=True):
            assert volt + ohm * (begin_a - amps) <= GOAL_V + 1e-9
            end_v = volt + ohm * (begin_a * math.exp(-fade) - amps) + rise * mean_a * time_s
            assert end_v <= GOAL_V + 1e-9
        assert begin_a >= allowed_a(LFP, cells, GOAL_V, time_s) - 1e-9


def test_a_limit_that_is_passed_by_keeps_still() -> None:
    """It falls at once, and rises only for much, and not while it stands well above what flows."""
    limit = CurrentLimit(LFP)
    limit.follow(10.0, 60.0, 1.0, heeded=False)
    assert limit.follow(50.0, 60.0, 1.0, heeded=False) == 10.0
    assert limit.follow(100.0, 2.0, 1.0, heeded=False) == 10.0
    assert limit.follow(100.0, 10.0, 1.0, heeded=False) == 13.0


def test_the_drop_along_the_cable_goes_with_the_size_of_the_pack() -> None:
    """The same share of C takes the same voltage off."""
    small, large = Offset(100.0), Offset(560.0)
    small.put(0.4, 50.0)
    large.put(0.4, 280.0)
    assert small.at(0.0) == pytest.approx(0.23)
    assert large.at(0.0) == pytest.approx(small.at(0.0))


def dipped(charger: Charger, limit_a: float, amps: float, seconds: int = 40) -> None:
    """A level current under a limit, until a test begins."""
    for _ in range(seconds):
        charger.remember(55.0, limit_a, moment(amps))
        charger.dip(moment(amps))


def test_the_test_of_the_current_limit_is_no_movement_on_the_wire() -> None:
    """Where the limit stands near the current; a limit far above is tested all the same, once."""
    near, far = Charger(LFP), Charger(LFP)
    dipped(near, 140.0, 140.0, 15)
    dipped(far, 140.0, 100.0, 15)
    assert 140.0 - near.test_a == pytest.approx(QUIET_C * 280.0)
    assert far.test_a < 100.0 - 0.011 * 280.0
    assert far.test_a > 90.0


def test_a_cloud_during_a_test_does_not_make_the_limit_felt() -> None:
    """A current that fell too far, or did not come back, tells nothing: what was known before stays."""
    charger = Charger(LFP)
    charger.unfelt = True
    dipped(charger, 140.0, 140.0, 620)
    assert charger.test_a < NEVER_A
    charger.dip(moment(100.0))
    assert charger.test_a == NEVER_A
    assert charger.unfelt

    dipped(charger, 140.0, 140.0, 620)
    assert charger.test_a < NEVER_A
    for _ in range(40):
        charger.dip(moment(135.0))
    assert charger.test_a == NEVER_A
    assert charger.unfelt
    assert not charger.obeys


def test_without_an_answer_a_limit_far_above_is_not_tested_again() -> None:
    """It would have to move, for nothing."""
    charger = Charger(LFP)
    charger.unfelt = True
    dipped(charger, 140.0, 100.0, 700)
    assert charger.test_a == NEVER_A


def tried(amps: float, *, level_s: int = 100, wanted_a: float = 140.0, obeys: bool = False) -> Seek:
    """A charger known to be at +0.1 V is asked for more than flows."""
    seek, charger = Seek(LFP), Charger(LFP)
    seek.offset.confirm(0.1, 140.0)
    seek.stage = Stage.DONE
    charger.obeys, charger.unfelt = obeys, not obeys
    for second in range(100):
        now = moment(amps if second >= 100 - level_s else amps - 10.0 * (1 + second % 2), wanted_a)
        charger.remember(STRING_V + 0.3, 140.0, now)
        seek.step(now, charger, STRING_V + 0.3, 100.0)
        if seek.held_v is not None:
            break
    return seek


def test_a_step_up_is_tried_only_where_it_will_not_be_taken_back() -> None:
    """Not for less than a step gives, unless the current limit carries the pack."""
    assert tried(100.0).held_v is not None
    assert tried(125.0).held_v is None
    assert tried(125.0, obeys=True).held_v is not None


def test_a_step_up_is_not_tried_while_the_current_moves() -> None:
    """The current has to stand level for as long as an answer takes."""
    assert tried(100.0, level_s=5).held_v is None


@pytest.mark.parametrize(
    ("rise_a", "found_v"),
    [(0.0, 0.0), (0.5 * STEP_V / STRING_OHM, STEP_V), (2.0 * STEP_V / STRING_OHM, 0.0)],
)
def test_only_an_answer_of_the_size_of_a_step_is_one(rise_a: float, found_v: float) -> None:
    """None is none, and more is the sun; what is found is one step, though the string stands much lower."""
    seek, charger = tried(100.0), Charger(LFP)
    before_v = seek.offset.at(100.0) - STEP_V
    charger.unfelt = True
    for _ in range(12):
        now = moment(100.0 + rise_a)
        charger.remember(STRING_V + 0.4, 140.0, now)
        seek.step(now, charger, STRING_V + 0.4, 100.0)
    assert seek.offset.at(100.0) == pytest.approx(before_v + found_v, abs=0.03)
