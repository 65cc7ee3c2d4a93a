"""Charge voltage against the check values of the trade, and the time a fault may take.

Sources, beside each check: [practice] common practice of the trade for 16 LFP cells with a target of 3.50 V,
no published source; ISO 26262-1:2018, 3.55 to 3.61 [excerpt]; numpy.interp.
"""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.charging.charge_law import ChargeLaw, ChargeSettings
from bridge.core.draw.draw_law import DrawLaw, DrawSettings
from bridge.core.plan.plan import Plan
from tests.core.plans import AGE, BOUNDS, CHARGE, SECOND, TICK, Builder
from tests.core.rig import Rig, level, on_the_wire

TARGET_V = 3.50
KNEE_V = 3.40


def limit_v(*cells_v: float, rest_v: float) -> float:
    """Charge voltage that the law sends to 16 cells at rest, in steps of 0.1 V: these, the rest alike."""
    law = ChargeLaw(ChargeSettings(16, 280.0, TARGET_V, KNEE_V, 16 * TARGET_V, 140.0))
    pack = [*cells_v, *([rest_v] * (16 - len(cells_v)))]
    return law.step(1.0, pack, sum(pack), 0.0, sent_v=16 * TARGET_V, sent_a=140.0).voltage_v


@pytest.mark.parametrize("rest_v", [2.9, 3.20, 3.31, 3.32, 3.40])
def test_a_balanced_pack_up_to_the_knee_gets_the_whole_voltage(rest_v: float) -> None:
    """[practice]: 56.0 V, on the plateau and still with all cells at 3.40 V."""
    assert limit_v(rest_v=rest_v) == pytest.approx(56.0, abs=0.1)


def test_one_cell_ahead_takes_the_voltage_down() -> None:
    """[practice]: one at 3.45 V, the rest at 3.40 V (54.45 V): about 54.5 V."""
    assert limit_v(3.45, rest_v=3.40) == pytest.approx(54.5, abs=0.1)


def test_the_values_of_the_trade_stand_strictly_in_order() -> None:
    """[practice]: a runner alone gets the least, company gives more, a balanced pack the most."""
    balanced = limit_v(rest_v=3.40)
    alone = limit_v(3.45, rest_v=3.40)
    in_company = limit_v(3.45, 3.45, rest_v=3.40)
    three = limit_v(3.45, 3.45, 3.45, rest_v=3.40)
    assert alone < in_company < three < balanced


@pytest.mark.parametrize("rest_v", [3.32, 3.40, 3.45, 3.49])
def test_first_cell_at_its_target_is_the_end(rest_v: float) -> None:
    """[practice]: the limit is the pack voltage itself: charging nearly stops, the pack stays on line."""
    assert -1e-9 <= 3.50 + 15 * rest_v - limit_v(3.50, rest_v=rest_v) < 0.1


def test_from_empty_to_full_the_runner_pulls_the_limit_down_without_a_step() -> None:
    """[practice]: as one cell climbs past the knee the limit goes down from 56.0 V, at first gently."""
    climb = [limit_v(3.40 + n / 1000, rest_v=3.38) for n in range(50)]
    assert climb[0] == 56.0
    assert all(b <= a for a, b in pairwise(climb))
    assert max(a - b for a, b in pairwise(climb)) < 0.11, "one step on the wire at a time"


def test_the_first_cell_at_its_floor_ends_discharge() -> None:
    """[practice]: at the pack voltage itself, or above; a balanced pack far from it has its 46.4 V only."""
    settings = DrawSettings(16, 280.0, 2.90, 3.05, 140.0)
    cells_v = [2.90, *[3.10] * 15]
    ends = DrawLaw(settings).step(1.0, cells_v, sum(cells_v), 0.0, sent_a=140.0)
    assert ends.current_a == 0.0
    assert ends.floor_v is not None
    assert ends.floor_v >= sum(cells_v)
    assert DrawLaw(settings).step(1.0, [3.2] * 16, 51.2, 0.0, sent_a=140.0).floor_v is None


@given(st.floats(2.0, 4.0))
def test_derating_by_table_is_the_interpolation_of_numpy(cell_v: float) -> None:
    """numpy.interp: clamped ends."""
    curve = CHARGE.by_cell
    assert curve.at(cell_v) == pytest.approx(float(np.interp(cell_v, curve.xs, curve.ys)), abs=1e-12)


def outage(rig: Rig) -> None:
    """All of the pack falls silent."""
    rig.quiet = {0}


def checksum(rig: Rig) -> None:
    """Every checksum of the first message is wrong from now on."""
    whole = rig.speakers[0].totals

    def broken() -> object:
        frame = whole()
        return frame._replace(data=frame.data[:7] + bytes([frame.data[7] ^ 0xFF]))

    rig.speakers[0].totals = broken  # type: ignore[method-assign, assignment]


def contradiction(rig: Rig) -> None:
    """The pack voltage no longer fits the cells."""
    rig.speakers[0].volts = 45.0


def budget_us(plan: Plan, detection_us: int) -> int:
    """Detection, then holding, then the next transmission; two ticks for the instants between."""
    return detection_us + plan.times.hold_us + plan.transmissions[0].period_us + 2 * plan.tick_us


@pytest.mark.parametrize(
    ("inject", "detection_us"),
    [(outage, AGE), (checksum, 0), (contradiction, SECOND)],
    ids=lambda v: getattr(v, "__name__", ""),
)
@pytest.mark.parametrize("offset_us", [0, 1, TICK // 2, TICK - 1])
def test_fault_to_zero_current_on_the_wire_stays_within_its_budget(
    inject: Callable[[Rig], None], detection_us: int, offset_us: int
) -> None:
    """ISO 26262-1:2018, 3.55 to 3.61: detection and reaction together stay under the fault-tolerant time.

    Here: source age (or contradiction time), hold time, tick and next transmission; and the whole of it is
    less than the time-out of an inverter of 10 s.
    """
    plan = Builder().plan()
    rig = Rig(plan, level(), start_us=5 * SECOND + offset_us)
    rig.run(20.0)
    fault_us = rig.t_us
    inject(rig)
    rig.sent.clear()
    rig.run(9.0)
    zero_us = next(
        due.t_us
        for due in rig.sent
        if due.frame.key == BOUNDS.key and on_the_wire(due.frame)["charge_with"] == 0
    )
    assert plan.times.hold_us <= zero_us - fault_us <= budget_us(plan, detection_us) < 10 * SECOND
