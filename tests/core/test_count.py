"""One cell more or less than configured: found, told with the number, and not forgotten too early."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.failsafe.machine import State
from bridge.core.pack.cell_count import CellCount
from tests.core.plans import Builder
from tests.core.rig import Rig, level

EXTREMES = frozenset({"totals", "extremes"})
Three = tuple[float | None, float | None, float | None]
UNKNOWN: tuple[Three, ...] = ((None, 3.3, 3.3), (52.8, None, 3.3), (52.8, 3.3, None))


@pytest.mark.parametrize("parts", [EXTREMES, EXTREMES | {"cells"}])
@pytest.mark.parametrize("count", [15, 17])
def test_a_pack_of_another_number_of_cells_is_not_followed_and_the_number_is_told(
    parts: frozenset[str], count: int
) -> None:
    """Known by all cells, or by extremes and pack voltage alone; currents go to zero."""
    rig = Rig(Builder(parts=parts).plan(), level())
    rig.run(10.0)
    rig.speakers[0].volts = count * 3.30
    rig.run(1.0)
    assert rig.state() is State.FOLLOWING
    rig.run(0.2)
    assert rig.state() is State.HOLDING
    assert rig.engine.decision.cause.endswith(
        f", as if there were {count} cells, 16 are configured: readings contradict each other"
    )
    rig.run(3.0)
    assert (rig.state(), rig.limits()[1:3]) == (State.SAFE, (0.0, 0.0))


def test_it_is_not_forgotten_while_the_cells_stand_too_far_apart_to_tell() -> None:
    """15 cells at the top, one of them low: 16 would fit as well, and must not be believed for that."""
    rig = Rig(Builder(parts=EXTREMES).plan(), level())
    rig.speakers[0].volts = 15 * 3.30
    rig.run(5.0)
    assert rig.state() is State.STARTING
    pack = rig.speakers[0]
    pack.volts, pack.low_v, pack.high_v = 49.5, 2.95, 3.40
    rig.run(30.0)
    assert rig.state() is State.STARTING
    assert rig.engine.decision.cause == (
        "bank bank1, earlier readings looked as if there were 15 cells, 16 are configured, and nothing has "
        "ruled it out since: readings contradict each other"
    )
    pack.volts, pack.low_v, pack.high_v = 52.8, 3.29, 3.31
    rig.run(5.0)
    assert rig.state() is State.FOLLOWING


def test_without_a_wrong_number_believed_before_a_wide_spread_is_no_contradiction() -> None:
    """A pack that starts so is followed: its highest cell bounds it all the same."""
    rig = Rig(Builder(parts=EXTREMES).plan(), level())
    pack = rig.speakers[0]
    pack.volts, pack.low_v, pack.high_v = 49.5, 2.95, 3.40
    rig.run(5.0)
    assert rig.state() is State.FOLLOWING


def test_a_contradiction_that_no_number_of_cells_explains_is_told_as_it_is() -> None:
    """And does not take back what was believed."""
    count = CellCount(16, 0.48)
    assert count.judge("odd", 51.0, 3.30, 3.30, None) == "odd"
    assert count.judge("odd", 51.0, 0.0, 0.0, None) == "odd"
    assert count.judge("odd", 49.1, 3.30, 3.30, None) != "odd"
    assert count.judge("odd", 48.9, 3.30, 3.30, None) == "odd"
    for pack_v, low_v, high_v in (*UNKNOWN, (49.5, None, None)):
        assert count.judge("odd", pack_v, low_v, high_v, None) == "odd"
    count.believe()
    assert count.judge(None, 52.8, 3.2, 3.4, None) is None
    text = count.judge("odd", 49.5, 3.30, 3.30, None)
    assert text == "odd, as if there were 15 cells, 16 are configured"
    assert count.judge(None, 52.8, 2.9, 3.5, None) is None
    count.judge("odd", 49.5, 3.30, 3.30, None)
    count.believe()
    count.judge("odd", 51.0, 3.30, 3.30, None)
    count.believe()
    for pack_v, low_v, high_v in (*UNKNOWN, (52.8, 3.2, 3.5), (52.8, 3.12, 3.4)):
        assert count.judge(None, pack_v, low_v, high_v, None) is not None
    assert count.judge(None, 52.8, 2.9, 3.5, [3.3] * 16) is None
    assert count.judge(None, 52.8, 2.9, 3.5, None) is None


@pytest.mark.slow
@given(
    st.integers(4, 24),
    st.lists(st.floats(3.2, 3.34), min_size=4, max_size=24),
    st.sampled_from([-1, 0, 1]),
)
def test_on_the_plateau_a_wrong_number_is_always_told_and_a_right_one_never(
    configured: int, some: list[float], more: int
) -> None:
    """By extremes and pack voltage alone, for cells within 140 mV of each other."""
    real = configured + more
    cells = (some * 10)[:real]
    plan = Builder(cells=configured, parts=EXTREMES).plan()
    rig = Rig(plan, level(configured))
    speaker = rig.speakers[0]
    speaker.volts, speaker.low_v, speaker.high_v = sum(cells), min(cells), max(cells)
    rig.run(1.5)
    told = "as if there were" in rig.engine.decision.cause
    spread = max(b - a for a, b in pairwise(sorted(cells))) if real > 1 else 0.0
    if more == 0:
        assert not told
    elif (configured + 1) * (max(cells) - min(cells)) < 2.5 and spread < 0.14:
        assert told
        assert f"{real} cells" in rig.engine.decision.cause


def test_the_number_is_told_up_to_the_tolerance_and_for_any_real_voltage() -> None:
    """Never the configured one: then something else is wrong."""
    count = CellCount(16, 0.5)
    for pack_v in (15 * 3.25 - 0.5, 15 * 3.25 + 0.5):
        said = count.judge("odd", pack_v, 3.25, 3.25, None)
        assert said == "odd, as if there were 15 cells, 16 are configured"
    assert count.judge("odd", 15 * 0.9, 0.9, 0.9, None) == (
        "odd, as if there were 15 cells, 16 are configured"
    )
    assert count.judge("odd", 52.0, 3.25, 3.25, None) == "odd"


def test_a_number_once_believed_is_ruled_out_only_by_what_no_other_fits() -> None:
    """Just what 15 or 17 cells could show as well is not enough; nor is a passing other suspicion."""
    count = CellCount(16, 0.5)
    count.judge("odd", 15 * 3.25, 3.25, 3.25, None)
    count.believe()
    for pack_v in (15 * 3.25 + 0.5, 17 * 3.25 - 0.5):
        said = count.judge(None, pack_v, 3.25, 3.25, None)
        assert said is not None
        assert "15 cells" in said
    count.judge("odd", 17 * 3.25, 3.25, 3.25, None)
    count.judge(None, 52.0, 2.9, 3.4, None)
    count.believe()
    said = count.judge(None, 52.0, 2.9, 3.4, None)
    assert said is not None
    assert "15 cells" in said
    assert count.judge(None, 52.0, 3.25, 3.25, None) is None
