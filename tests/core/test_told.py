"""What is told besides the limits."""

from bridge.core.plan.plan import ShownSoc
from bridge.core.told.values import Told
from tests.core.plans import OPTIONS, SECOND, Builder


def test_a_wish_is_in_force_until_its_end_and_not_at_it() -> None:
    """Without one there is nothing to end."""
    wish = ShownSoc(60.0, 90.0, until_us=30 * SECOND)
    told = Told(Builder(options=OPTIONS._replace(shown_soc=wish)).plan())
    assert [told.wish_lasts(30 * SECOND - 1), told.wish_lasts(30 * SECOND)] == [True, False]
    assert not Told(Builder().plan()).wish_lasts(0)
