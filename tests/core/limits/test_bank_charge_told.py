"""What the charge law of one bank is told, and how it fits the whole pack."""

import itertools

import pytest

from bridge.core.charging.bank_charge import BankCharge
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import SECOND_US
from bridge.core.plan.reasons import Reason
from tests.core.limits.test_bank_charge import law, reading


def told(
    bank: BankCharge, t_s: float, now: Reading, share: float = 1.0, sent_a: float = 140.0
) -> tuple[float, float]:
    """Voltage and current that the bank allows the pack."""
    found = bank.contributions(round(t_s * SECOND_US), now, share, 56.0, sent_a)
    assert found is not None
    return found[0].value, found[1].value


def test_a_bank_speaks_for_the_pack_by_its_share() -> None:
    """Half of the current: the pack may have twice as much; with the highest cell alone, too."""
    for now in (reading(3.46, 20.0), reading(3.48, 20.0)._replace(cells_v=None, pack_v=None)):
        volts, amps = told(law(), 1, now)
        assert told(law(), 1, now, 0.5) == (volts, 2.0 * amps)
        assert 0.0 < amps < 100.0


def test_a_bank_is_held_to_its_share_of_what_was_sent() -> None:
    """40 A pass by half of 60 A, but not by all of it."""
    for share, ignored in ((1.0, False), (0.5, True)):
        bank = law()
        for t_s in range(1, 30):
            told(bank, t_s, reading(3.46, 40.0), share, share * 60.0)
        assert ("charge current limit is passed by" in " ".join(bank.warnings)) is ignored


def test_it_rises_by_two_percent_of_the_most_a_second() -> None:
    """100 A here, from nothing, after a cell within the margin that the next readings contradict."""
    bank = law()
    amps = [told(bank, t_s, reading(v, 0.0))[1] for t_s, v in enumerate((3.498, *[3.30] * 9), 1)]
    rises = [round(b - a, 3) for a, b in itertools.pairwise(amps)]
    assert amps[0] == 0.0
    assert rises == [2.0] * 9


def test_the_voltage_is_never_above_the_cells_target_times_their_number() -> None:
    """3.50 V each; nor where the highest cell alone is known."""
    whole = reading(3.30, 0.0)
    assert told(law(), 1, whole)[0] == pytest.approx(56.0)
    assert told(law(), 1, whole._replace(cells_v=None, pack_v=None))[0] == pytest.approx(56.0)


@pytest.mark.parametrize("lost", ["pack_v", "low_v"])
def test_the_extremes_are_enough_with_the_string(lost: str) -> None:
    """Without either of them only the highest cell is left."""
    now = reading(3.44, 0.0)._replace(cells_v=None)
    for one, reason in ((now, Reason.CELL_TARGET), (now._replace(**{lost: None}), Reason.HIGHEST_CELL)):
        found = law().contributions(SECOND_US, one, 1.0, 56.0, 140.0)
        assert found is not None
        assert found[1].reason is reason
