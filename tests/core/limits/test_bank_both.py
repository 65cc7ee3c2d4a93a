"""What holds for either law of one bank inside the engine."""

from types import ModuleType

import pytest

from bridge.core.charging.bank_charge import BankCharge
from bridge.core.charging.charge_settings import Learnt
from bridge.core.draw.bank_draw import BankDraw
from bridge.core.draw.draw_settings import DrawLearnt
from bridge.core.pack.state import Doubt, Trouble
from bridge.core.plan.plan import SECOND_US
from tests.core.limits import test_bank_charge, test_bank_draw
from tests.core.limits.test_bank_charge import reading
from tests.core.limits.test_compose import Bench
from tests.core.plans import Builder


@pytest.mark.parametrize(
    ("side", "cell_v", "amps", "worse_v"),
    [(test_bank_charge, 3.46, 60.0, 3.49), (test_bank_draw, 2.95, -30.0, 2.91)],
)
def test_doubt_teaches_nothing_and_moves_nothing(
    side: ModuleType, cell_v: float, amps: float, worse_v: float
) -> None:
    """While the bank is in doubt the last answer stands, whatever is left of the readings."""
    bank = side.law()
    before = [side.amps_of(bank, t_s, reading(cell_v, amps)) for t_s in range(1, 30)][-1]
    late = Doubt(Trouble.LATE, "pack_current of shelf")
    during = {side.amps_of(bank, t_s, reading(worse_v, None, late)) for t_s in range(30, 60)}
    assert during == {before}


@pytest.mark.parametrize("cell_v", [3.46, 2.95])
def test_near_its_bound_limits_are_settled_until_a_law_steps_next(cell_v: float) -> None:
    """A second after new readings; before any, and far from target and floor, nothing is to come."""
    bench = Bench()
    assert bench.limits.settled(9 * SECOND_US, bench.readings)
    bench.go(60.0)
    assert bench.limits.settled(bench.t_us + 9 * SECOND_US, bench.readings)
    bench.set(cells_v=[cell_v] * 16, low_v=cell_v, high_v=cell_v, pack_v=16 * cell_v)
    bench.go(1.0)
    assert [
        bench.limits.settled(bench.t_us + later, bench.readings) for later in (SECOND_US - 1, SECOND_US)
    ] == [True, False]


def test_what_was_learnt_is_taken_up() -> None:
    """A restart goes on with it."""
    bank, limits = Builder().plan().banks[0], Builder().plan().limits
    charge, draw = Learnt((2.0,) * 16, 0.1, 20.0, 4.0, True), DrawLearnt((2.0,) * 16)
    assert BankCharge(bank, limits, charge).learnt == charge
    assert BankDraw(bank, limits, draw).learnt == draw
