"""The charge law of one bank inside the engine: it learns from whole pictures only."""

import pytest

from bridge.core.charging.bank_charge import BankCharge
from bridge.core.charging.charge_law import ChargeLaw, ChargeLimits
from bridge.core.pack.state import Doubt, Reading, Trouble
from bridge.core.plan.plan import SECOND_US
from tests.core.plans import Builder


def reading(cell_v: float, amps: float | None, doubt: Doubt | None = None) -> Reading:
    """A bank of 16 like cells at 25 °C."""
    cells_v = [cell_v] * 16
    return Reading(
        16 * cell_v, amps, 60.0, cell_v, cell_v, cells_v, 25.0, 25.0, 1.0, 1.0, None, None, 0.0, doubt
    )


def amps_of(law: BankCharge, t_s: int, now: Reading) -> float:
    """What the law allows, A."""
    found = law.contributions(t_s * SECOND_US, now, 1.0, 56.0, 140.0)
    assert found is not None
    return found[1].value


def law() -> BankCharge:
    """The law of the only bank of a hand-made plan."""
    plan = Builder().plan()
    return BankCharge(plan.banks[0], plan.limits)


def test_a_long_gap_does_not_make_the_pack_seem_slow() -> None:
    """After an outage of an hour the law is as quick as before within some minutes."""
    bank = law()
    before = [amps_of(bank, t_s, reading(3.44, 60.0)) for t_s in range(1, 100)][-1]
    after = [amps_of(bank, 3720 + t_s, reading(3.44, 60.0)) for t_s in range(1, 240)][-1]
    assert abs(after - before) <= 0.1 * before


def test_with_the_highest_cell_alone_the_current_tapers() -> None:
    """Without cells, lowest cell and pack voltage there is no law; the current still falls by the cell."""
    bank = law()
    rows = [reading(v, 60.0) for v in (3.38, 3.48, 3.50, 3.54)]
    alone = [row._replace(cells_v=None, pack_v=None, low_v=None) for row in rows]
    assert [amps_of(bank, t_s, now) for t_s, now in enumerate(alone)] == pytest.approx([100, 12, 2, 0])
    assert bank.warnings == ()
    nothing = alone[0]._replace(high_v=None)
    assert bank.contributions(9 * SECOND_US, nothing, 1.0, 56.0, 140.0) is None


@pytest.mark.parametrize("usual_v", [3.42, 3.36])
def test_a_lower_target_is_held_like_any_and_never_looser(usual_v: float) -> None:
    """Above or below the knee: nothing flows into a cell at it, and much into one that is far below."""
    full, usual = law(), law()
    usual.aim(usual_v)
    for t_s in range(1, 60):
        far_a = amps_of(usual, t_s, reading(usual_v - 0.08, 0.0))
        assert far_a <= amps_of(full, t_s, reading(usual_v - 0.08, 0.0))
    assert far_a > 5.0
    for t_s in range(60, 80):
        found = usual.contributions(t_s * SECOND_US, reading(usual_v, 0.0), 1.0, 16 * usual_v, 140.0)
        assert amps_of(full, t_s, reading(usual_v, 0.0)) > 5.0
    assert found is not None
    assert found[1].value == 0.0
    assert found[0].value <= 16 * usual_v
    usual.aim(None)
    for t_s in range(80, 90):
        back_a = amps_of(usual, t_s, reading(usual_v, 0.0))
    assert back_a == pytest.approx(amps_of(full, 90, reading(usual_v, 0.0)), abs=3.0)


def test_no_target_is_above_that_of_the_limits() -> None:
    """Nor does one that is asked for again begin anew."""
    bank = law()
    bank.aim(3.80)
    assert bank._lower is None
    bank.aim(3.42)
    lower = bank._lower
    bank.aim(3.42)
    assert bank._lower is lower is not None


def test_with_the_highest_cell_alone_the_current_tapers_to_the_lower_target_too() -> None:
    """From 50 mV below it at the least."""
    bank = law()
    bank.aim(3.42)
    rows = [reading(v, 60.0) for v in (3.37, 3.41, 3.42, 3.46)]
    alone = [row._replace(cells_v=None, pack_v=None, low_v=None) for row in rows]
    assert [amps_of(bank, t_s, now) for t_s, now in enumerate(alone)] == pytest.approx([100, 12, 2, 0])


def test_nothing_is_said_of_a_bank_that_was_in_doubt_from_the_start() -> None:
    """No answer stands yet: the fail-safe state governs."""
    late = Doubt(Trouble.LATE, "pack_current of shelf")
    assert law().contributions(SECOND_US, reading(3.45, 60.0, late), 1.0, 56.0, 140.0) is None


def test_what_the_law_finds_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Limits that are passed by, and a bad contact, by the number of the cell."""
    found = ChargeLimits(54.0, 10.0, current_ignored=True, voltage_ignored=True, contact=4)
    monkeypatch.setattr(ChargeLaw, "step", lambda *_args, **_more: found)
    bank = law()
    bank.contributions(SECOND_US, reading(3.45, 60.0), 1.0, 56.0, 140.0)
    told = " ".join(bank.warnings)
    assert "charge current limit is passed by" in told
    assert "charge voltage limit is passed by" in told
    assert "cell 5 shows far more resistance" in told
