"""The discharge law of one bank inside the engine: when it steps, and what it tells."""

from bridge.core.draw.bank_draw import BankDraw
from bridge.core.pack.state import Doubt, Reading, Trouble
from bridge.core.plan.plan import SECOND_US
from bridge.core.plan.reasons import Reason
from tests.core.limits.test_bank_charge import reading
from tests.core.plans import Builder


def amps_of(bank: BankDraw, t_s: float, now: Reading, share: float = 1.0, sent_a: float = 120.0) -> float:
    """What the law allows, A."""
    found = bank.contributions(round(t_s * SECOND_US), now, share, sent_a)
    assert found is not None
    return found[1].value


def law() -> BankDraw:
    """The law of the only bank of a hand-made plan."""
    plan = Builder().plan()
    return BankDraw(plan.banks[0], plan.limits)


def test_without_the_lowest_cell_it_says_nothing() -> None:
    """And in doubt from the start neither."""
    bank, late = law(), Doubt(Trouble.LATE, "pack_current of shelf")
    unknown = reading(3.0, 0.0)._replace(low_v=None, cells_v=None)
    assert bank.contributions(SECOND_US, unknown, 1.0, 0.0) is None
    assert bank.contributions(SECOND_US, reading(3.0, 0.0, late), 1.0, 0.0) is None
    assert bank.warnings == ()


def test_a_falling_cell_is_not_left_to_the_next_step() -> None:
    """A new reading within the second counts at once when the lowest cell has fallen."""
    bank = law()
    before = [amps_of(bank, t_s, reading(2.95, -30.0)) for t_s in range(1, 30)][-1]
    assert amps_of(bank, 29.1, reading(2.95, -30.0)) == before
    assert amps_of(bank, 29.2, reading(2.95, -30.0)._replace(low_v=2.91)) < before


def test_a_bank_speaks_for_the_pack_by_its_share() -> None:
    """With its name; a floor only near the floor."""
    bank = law()
    for t_s in range(1, 30):
        found = bank.contributions(t_s * SECOND_US, reading(2.95, -15.0), 0.5, 120.0)
    assert found is not None
    assert found[0] is not None
    assert found[0].reason is Reason.HEADROOM
    assert found[1].reason is Reason.CELL_FLOOR
    assert found[1].bank == "bank1"
    whole = law()
    alone = [amps_of(whole, t_s, reading(2.95, -15.0)) for t_s in range(1, 30)][-1]
    assert found[1].value == 2.0 * alone
    far = law().contributions(SECOND_US, reading(3.30, 0.0), 1.0, 0.0)
    assert far is not None
    assert far[0] is None


def test_an_inverter_that_takes_more_is_told_of() -> None:
    """In a sentence that names the bank."""
    bank = law()
    for t_s in range(1, 120):
        amps_of(bank, t_s, reading(2.92, -60.0), sent_a=10.0)
    assert bank.warnings == (
        "bank bank1: the discharge current limit is passed by; the voltage floor alone holds its cells",
    )
