"""A limit that is what it is to find out what the charger makes of it says so."""

import pytest

from bridge.core.charging.bank_charge import BankCharge
from bridge.core.charging.charge_law import ChargeLaw, ChargeLimits, ChargeSettings
from bridge.core.charging.charge_seek import Stage
from bridge.core.plan.plan import SECOND_US
from bridge.core.plan.reasons import Reason
from tests.core.limits.test_bank_charge import law as bank_law
from tests.core.limits.test_bank_charge import reading
from tests.core.limits.test_charge_seek import Site

SETTINGS = ChargeSettings(cells=4, capacity_ah=280.0, target_v=3.5, knee_v=3.4, ceiling_v=14.0, most_a=140.0)


def reasons(bank: BankCharge) -> tuple[Reason, Reason]:
    """Of both limits."""
    found = bank.contributions(SECOND_US, reading(3.45, 60.0), 1.0, 56.0, 140.0)
    assert found is not None
    return found[0].reason, found[1].reason


@pytest.mark.parametrize("of_current", [False, True])
@pytest.mark.parametrize("of_voltage", [False, True])
def test_a_test_is_the_reason_of_the_limit_it_moves(
    monkeypatch: pytest.MonkeyPatch, of_voltage: bool, of_current: bool
) -> None:
    """Of that one only; else it is what the cells bear."""
    found = ChargeLimits(54.0, 10.0, tests_voltage=of_voltage, tests_current=of_current)
    monkeypatch.setattr(ChargeLaw, "step", lambda *_args, **_more: found)
    assert reasons(bank_law()) == (
        Reason.TESTED if of_voltage else Reason.HEADROOM,
        Reason.TESTED if of_current else Reason.CELL_TARGET,
    )


@pytest.mark.parametrize(("test_a", "tests"), [(139.9, True), (140.0, False), (1e9, False)])
def test_the_current_is_tested_where_the_test_is_the_tightest(test_a: float, tests: bool) -> None:
    """A test above what the cells bear moves nothing."""
    law = ChargeLaw(SETTINGS)
    law.voltage.charger.test_a = test_a
    found = law.step(1.0, [3.3] * 4, 13.2, None, sent_v=14.0, sent_a=140.0)
    assert found.tests_current is tests
    assert found.current_a == min(test_a, 140.0)


def test_the_law_says_that_the_voltage_is_tested() -> None:
    """As the search does."""
    law = ChargeLaw(SETTINGS)
    for held_v in (None, 13.9):
        law.voltage.seek.held_v = held_v
        found = law.step(1.0, [3.3] * 4, 13.2, None, sent_v=14.0, sent_a=140.0)
        assert found.tests_voltage is (held_v is not None)


@pytest.mark.parametrize(
    ("stage", "held_v", "tried", "tests"),
    [
        (Stage.WAITING, None, False, False),
        (Stage.DOWN, None, False, False),
        (Stage.DOWN, None, True, True),
        (Stage.SETTLING, None, True, True),
        (Stage.BACK_UP, None, True, False),
        (Stage.BACK_UP, 55.0, True, True),
        (Stage.DONE, None, True, False),
        (Stage.DONE, 55.0, True, True),
    ],
)
def test_the_voltage_is_tested_while_it_is_moved_for_an_answer(
    stage: Stage, held_v: float | None, tried: bool, tests: bool
) -> None:
    """Down, until the current gives way, and up again; not while the current limit is tried."""
    site = Site(tries=not tried)
    site.seek.stage, site.seek.held_v = stage, held_v
    assert site.seek.tests is tests
