"""Commissioning: gentle, told, and over by itself."""

from bridge.core.course.commission import Commission
from bridge.core.course.stage import Seen
from bridge.core.plan.reasons import Reason
from bridge.core.plan.wishes import Commissioning
from tests.core.plans import SECOND

MINUTE = 60 * SECOND
WISH = Commissioning(
    until_us=600 * MINUTE,
    current_a=10.0,
    target_v=3.50,
    near_v=0.02,
    within_v=0.010,
    low_a=5.0,
    steady_us=10 * MINUTE,
    tell_us=15 * MINUTE,
    window=(20.0, 90.0),
)
APART = Seen(high_v=3.49, low_v=3.448, mean_v=3.46, spread_v=0.042, current_a=9.5, soc=50.0, reached_v=3.49)
EVEN = Seen(high_v=3.49, low_v=3.482, mean_v=3.485, spread_v=0.008, current_a=4.0, soc=50.0, reached_v=3.49)


class Life:
    """A commissioning and its clock."""

    def __init__(self) -> None:
        self.commission = Commission(WISH)
        self.t_us = 0
        self.told: list[tuple[int, str]] = []

    def go(self, seen: Seen | None, seconds: int) -> bool:
        """So many steps of a second; returns whether it still lasts."""
        for _ in range(seconds):
            self.t_us += SECOND
            self.commission.step(self.t_us, SECOND, seen)
            if self.commission.news:
                self.told.append((self.t_us // SECOND, self.commission.news))
        return self.commission.active


def test_progress_is_told_in_words_and_numbers_every_so_often() -> None:
    """At once, then every 15 minutes; the present numbers can be asked for at any time."""
    life = Life()
    assert life.go(None, 60)
    assert (life.told, life.commission.progress) == ([], "")
    life.go(APART, 1800)
    sentence = "top balance: cells within 42 mV, wanted 10 mV; 9.5 A"
    assert life.told == [(61, sentence), (961, sentence)]
    life.go(APART._replace(high_v=3.412, reached_v=3.412, current_a=None), 1)
    assert life.commission.progress == (
        "top balance: highest cell 3.412 V on its way to 3.500 V; current not known"
    )


def test_cells_at_their_target_are_counted_where_each_is_known() -> None:
    """From just as far below as the highest counts as there."""
    there_v = WISH.target_v - WISH.near_v
    commission = Commission(WISH)
    commission.step(SECOND, SECOND, APART, [3.49, there_v, there_v - 1e-6, 3.448])
    sentence = "top balance: cells within 42 mV, wanted 10 mV, 2 of 4 at their target; 9.5 A"
    assert (commission.progress, commission.news) == (sentence, sentence)


def test_it_ends_once_the_cells_stay_together_at_their_target_and_a_low_current() -> None:
    """Ten minutes without a break; then nothing is bounded or told any more."""
    life = Life()
    assert [(c.reason, c.value) for c in life.commission.charge] == [(Reason.COMMISSIONING, 10.0)]
    for odd in (
        EVEN._replace(current_a=5.1),
        EVEN._replace(current_a=None),
        EVEN._replace(spread_v=0.011),
        EVEN._replace(reached_v=3.479),
        EVEN._replace(away="bank loft"),
    ):
        assert life.go(EVEN, 599)
        assert life.go(odd, 1)
    assert life.go(EVEN, 599)
    assert life.go(None, 600)
    assert not life.go(EVEN, 1)
    assert life.told[-1][1] == "top balance done: cells within 8 mV, wanted 10 mV; 4.0 A"
    assert (life.commission.charge, life.commission.progress) == ((), "")
    count = len(life.told)
    assert not life.go(APART, 36_000)
    assert len(life.told) == count


def test_it_ends_at_its_stated_end_whatever_is_seen() -> None:
    """Also when nothing is; the last numbers are told."""
    life = Life()
    life.go(APART, 10)
    life.t_us = WISH.until_us - 2 * SECOND
    assert life.go(None, 1)
    assert not life.go(None, 1)
    assert life.told[-1][1] == "top balance stated end reached: cells within 42 mV, wanted 10 mV; 9.5 A"
    life = Life()
    life.t_us = WISH.until_us
    assert not life.go(None, 1)
    assert life.told[-1][1] == "top balance stated end reached: cells not seen yet"


def test_the_steady_stretch_is_kept_to_the_microsecond() -> None:
    """It counts from nothing, at just the spread, the current and the distance that are wanted."""
    there_v = WISH.target_v - WISH.near_v
    just = EVEN._replace(spread_v=WISH.within_v, current_a=WISH.low_a, reached_v=there_v)
    for before in ([], [EVEN, APART]):
        commission = Commission(WISH)
        assert commission.news == ""
        for seen in before:
            commission.step(0, SECOND, seen)
        commission.step(SECOND, WISH.steady_us - 1, just)
        assert commission.active
        commission.step(2 * SECOND, 1, just)
        assert not commission.active


def test_a_bank_that_is_furthest_back_is_waited_for() -> None:
    """On its plateau its cells look alike, whatever they hold; one that is not there is not seen at all."""
    life = Life()
    assert life.go(EVEN._replace(reached_v=3.36), 3600)
    way = "highest cell of the bank furthest back 3.360 V on its way to 3.500 V; 4.0 A"
    assert life.commission.progress == f"top balance: {way}"
    assert life.go(EVEN._replace(away="bank loft"), 3600)
    waits = "top balance: cells within 8 mV, wanted 10 mV; 4.0 A; waits for bank loft"
    assert life.commission.progress == waits
    assert not life.go(EVEN, 600)
