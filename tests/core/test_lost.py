"""Which banks are lost, tick by tick."""

from bridge.core.lost import LostBanks
from bridge.core.pack import Doubt, Reading, Trouble
from tests.core.plans import OPTIONS, SECOND, TICK, TIMES, Builder

GOOD = Reading(*[None] * 14)
LATE = GOOD._replace(doubt=Doubt(Trouble.LATE, "pack_voltage of bank2"))


class Life:
    """Two banks, of which the second may be in doubt, and a clock in ticks."""

    def __init__(self) -> None:
        self.banks = LostBanks(Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)).plan())
        self.t_us = 0

    def active(self, second: Reading, seconds: float) -> bool:
        """Whether the second bank counts at the last tick of a stretch."""
        for _ in range(round(seconds * SECOND / TICK)):
            active = self.banks.active(self.t_us, [GOOD, second])
            self.t_us += TICK
        return active[1]


def test_doubts_add_up_to_the_holding_time_and_trust_in_between_does_not_count() -> None:
    """Two seconds of doubt, one of trust, and the third second of doubt is the last."""
    life = Life()
    assert life.active(LATE, 2.0)
    assert life.active(GOOD, 1.0)
    assert life.active(LATE, 1.0)
    assert not life.active(LATE, 0.1)


def test_trust_in_between_puts_it_off_by_the_steady_time_in_all() -> None:
    """Every ninth tick bad: lost after the hold time and that, not after nine times the hold time."""
    life = Life()
    found = [life.active(LATE if n % 9 == 0 else GOOD, 0.1) for n in range(90)]
    assert found.index(False) == 54  # the first bad tick 5 s and more after the first of all
    life = Life()
    life.active(LATE, 0.1)
    life.active(GOOD, 3.0)
    assert [life.active(LATE if n % 9 == 0 else GOOD, 0.1) for n in range(90)].index(False) == 54


def test_a_lost_bank_counts_again_after_just_the_steady_stretch() -> None:
    """Which also gives it the whole holding time again."""
    life = Life()
    assert not life.active(LATE, 3.1)
    assert not life.active(GOOD, TIMES.steady_us / SECOND)
    assert life.active(GOOD, 0.1)
    assert life.active(LATE, 3.0)
    assert not life.active(LATE, 0.1)


def test_a_doubt_or_a_gap_in_the_program_interrupts_the_steady_stretch() -> None:
    """It begins anew after either."""
    for gap in (False, True):
        life = Life()
        life.active(LATE, 3.1)
        assert not life.active(GOOD, 1.5)
        if gap:
            life.banks.restart()
        else:
            life.active(LATE, 0.1)
        assert not life.active(GOOD, TIMES.steady_us / SECOND)
        assert life.active(GOOD, 0.1)


def test_with_all_banks_lost_all_count() -> None:
    """Then the pack is in doubt, and the fail-safe state governs."""
    banks = LostBanks(Builder(banks=2, options=OPTIONS._replace(reduce_on_lost_bank=True)).plan())
    for t_us in range(0, 5 * SECOND, TICK):
        assert banks.active(t_us, [LATE, LATE]) == [True, True]


def test_where_the_policy_is_to_stop_all_banks_always_count() -> None:
    """The doubt of one is then the doubt of the pack."""
    banks = LostBanks(Builder(banks=2).plan())
    for t_us in range(0, 5 * SECOND, TICK):
        assert banks.active(t_us, [GOOD, LATE]) == [True, True]
    assert banks.names == set()
