"""What an inverter must see, judged by numbers alone."""

import pytest

from bridge.drill.fault import CLOSED_AT_ONCE, UNCHANGED, View

CHARGE, DRAW = "charge_current_limit", "discharge_current_limit"


def view(values: dict[str, float], *, first: dict[str, float] | None = None, trusted: bool = False) -> View:
    """An inverter that was told 100 A each way in steps of 0.1 A, which may drift by 0.6 A."""
    first = {} if first is None else first
    before = {CHARGE: 100.0, DRAW: 100.0}
    return View(
        "loft", values, before, False, frozenset(first), first, trusted, {CHARGE: 0.1}, {CHARGE: 0.6}, values
    )


@pytest.mark.parametrize(
    ("charge_a", "draw_a", "met"),
    [
        (100.0, 100.0, True),
        (102.6, 102.0, True),
        (102.7, 100.0, False),
        (89.9, 90.0, True),
        (89.8, 100.0, False),
        (100.0, 89.9, False),
        (50.0, 100.0, False),
        (0.0, 100.0, False),
    ],
)
def test_as_before_is_neither_more_nor_much_less(charge_a: float, draw_a: float, met: bool) -> None:
    """2 % and a drift above, a tenth and a step below."""
    assert UNCHANGED.met(view({CHARGE: charge_a, DRAW: draw_a})) is met


def test_zeros_at_once_are_what_comes_first_of_each_current() -> None:
    """One that is told seldom may come for the first time when the other rises again."""
    seen = view({CHARGE: 0.0, DRAW: 100.0}, first={CHARGE: 0.0})
    assert not CLOSED_AT_ONCE.met(seen)
    assert not CLOSED_AT_ONCE.never(seen)

    seen = view({CHARGE: 3.0, DRAW: 0.0}, first={CHARGE: 0.0, DRAW: 0.0}, trusted=True)
    assert CLOSED_AT_ONCE.met(seen)
    assert not CLOSED_AT_ONCE.never(seen)


@pytest.mark.parametrize(
    ("charge_a", "first_a", "trusted", "met", "never"),
    [
        (0.0, 0.0, False, True, False),
        (3.0, 0.0, False, True, True),
        (3.0, 3.0, False, False, True),
        (3.0, 3.0, True, False, False),
    ],
)
def test_nothing_flows_before_data_may_be_trusted_again(
    charge_a: float, first_a: float, trusted: bool, met: bool, never: bool
) -> None:
    """Zero first, and zero until then."""
    values = {CHARGE: charge_a, DRAW: 0.0}
    seen = view(values, first={CHARGE: first_a, DRAW: 0.0}, trusted=trusted)
    assert (CLOSED_AT_ONCE.met(seen), CLOSED_AT_ONCE.never(seen)) == (met, never)
