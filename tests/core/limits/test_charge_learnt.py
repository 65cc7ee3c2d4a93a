"""What the charge law keeps over a restart: bounded, a start only, and never a step up on the wire."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.cells.resistance import LEAST, MOST, RESISTANCE_V
from bridge.core.charging.bank_charge import BankCharge
from bridge.core.charging.charge_law import ChargeLaw, ChargeSettings, Learnt
from tests.core.plans import Builder

LFP = ChargeSettings(16, 280.0, 3.50, 3.40, 56.0, 140.0)
anything = st.floats() | st.sampled_from([math.nan, math.inf, -math.inf])


def at(law: ChargeLaw, cell_v: float, amps: float) -> tuple[float, float]:
    """What the law answers to 16 like cells, the widest limits having been sent."""
    out = law.step(1.0, [cell_v] * 16, 16 * cell_v, amps, sent_v=56.0, sent_a=140.0)
    return out.voltage_v, out.current_a


def test_a_new_law_has_nothing_to_keep() -> None:
    """Before the first reading nothing is known."""
    assert ChargeLaw(LFP).learnt is None
    plan = Builder().plan()
    assert BankCharge(plan.banks[0], plan.limits).learnt is None


def test_it_is_kept_as_plain_numbers_and_comes_back() -> None:
    """Through JSON and back, and what is not found out anew is kept for the next time."""
    kept = Learnt((1.5,) * 16, 0.125, 40.0, 2.5, True)
    again = Learnt(*json.loads(json.dumps(kept)))
    law = ChargeLaw(LFP, again._replace(ohms=tuple(again.ohms)))
    assert law.learnt == kept
    plan = Builder().plan()
    assert BankCharge(plan.banks[0], plan.limits, kept).learnt == kept
    at(law, 3.30, 0.0)
    assert law.cells.ohms == pytest.approx([1.5 * RESISTANCE_V / 280.0] * 16)


def test_it_is_of_no_use_for_another_number_of_cells() -> None:
    """Resistances of other cells are not taken over."""
    law = ChargeLaw(LFP, Learnt((4.0,) * 15))
    at(law, 3.30, 0.0)
    assert law.cells.ohms == pytest.approx([RESISTANCE_V / 280.0] * 16)


@given(st.lists(anything, min_size=16, max_size=16), anything, anything, anything, st.booleans())
def test_whatever_comes_back_is_clipped(
    ohms: list[float], offset_v: float, offset_a: float, lag_s: float, ignores: bool
) -> None:
    """No stored number, however wrong, leads to no number or to a limit beyond the settings."""
    law = ChargeLaw(LFP, Learnt(tuple(ohms), offset_v, offset_a, lag_s, ignores))
    for amps in (0.0, 140.0, 100.0, 20.0, 0.0):
        volts, current = at(law, 3.47, amps)
        assert 0.0 < volts <= 56.0
        assert 0.0 <= current <= 140.0
    base = RESISTANCE_V / 280.0
    assert all(LEAST * base * 0.999 <= ohm <= MOST * base * 1.001 for ohm in law.cells.ohms)


@given(st.floats(-0.5, 0.7), st.floats(0.0, 140.0), st.floats(0.5, 20.0))
def test_a_restored_charger_loosens_nothing(offset_v: float, offset_a: float, lag_s: float) -> None:
    """At the same readings a law that remembers a charger allows no more than one that does not."""
    kept, new = ChargeLaw(LFP, Learnt((), offset_v, offset_a, lag_s)), ChargeLaw(LFP)
    for cell_v in (3.41, 3.43, 3.45, 3.47):
        for known, first in zip(at(kept, cell_v, 60.0), at(new, cell_v, 60.0), strict=True):
            assert known <= first + 1e-9
