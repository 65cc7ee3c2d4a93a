"""The charge law step by step: the moment as its parts see it, and readings that cannot be."""

from collections.abc import Sequence

import pytest

from bridge.core.cells.resistance import RESISTANCE_V
from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_charger import Charger
from bridge.core.charging.charge_current import allowed_a, fades, lasting_a
from bridge.core.charging.charge_law import ChargeLaw, ChargeLimits, ChargeSettings, Learnt
from bridge.core.charging.charge_moment import Moment
from bridge.core.charging.charge_settings import NOTHING
from bridge.core.charging.charge_voltage import VoltageLimit

FOUR = ChargeSettings(4, 280.0, 3.50, 3.40, 14.0, 140.0)
OHM = RESISTANCE_V / 280.0
GOAL_V = 3.5 - 0.00245


class Seen(VoltageLimit):
    """The voltage limit, and the moment it was last told."""

    now: Moment

    def follow(self, now: Moment, sent_v: float, sent_a: float) -> float:
        """As usual."""
        Seen.now = now
        return super().follow(now, sent_v, sent_a)


def law_of(ohms: tuple[float, ...] = (), settings: ChargeSettings = FOUR) -> ChargeLaw:
    """A law whose moments are seen."""
    law = ChargeLaw(settings, Learnt(ohms))
    law.voltage = Seen(settings, NOTHING)
    return law


def step(
    law: ChargeLaw,
    cells_v: Sequence[float],
    current_a: float | None = 0.0,
    pack_v: float | None = None,
    *,
    dt_s: float = 1.0,
    fresh: bool = True,
    coldest_c: float | None = None,
) -> ChargeLimits:
    """One step; the widest limits went out."""
    return law.step(
        dt_s, cells_v, pack_v, current_a, fresh=fresh, coldest_c=coldest_c, sent_v=14.0, sent_a=140.0
    )


REST = [3.461, 3.402, 3.403, 3.404]


def test_a_moment_is_what_is_seen_believed_and_wanted() -> None:
    """Of a string whose second cell has twice the resistance; its own sum counts. A cell that is shown lower
    than was expected may be half a step and the noise higher, and the noise is in the margin, too."""
    law = law_of((1.0, 2.0, 1.0, 1.0))
    step(law, REST, 0.0, 99.0)
    now = Seen.now
    assert (now.dt_s, now.elapsed_s, now.high_v, now.current_a, now.blur_a) == (1.0, 1.0, 3.461, 0.0, 1.0)
    assert now.string_v == pytest.approx(sum(REST))
    assert now.string_ohm == pytest.approx(5.0 * OHM)
    assert now.room_v == pytest.approx((1.0 + 0.009 / 0.061) * 0.039)
    assert now.spare_v == pytest.approx(GOAL_V - 3.461)
    assert now.step_v == pytest.approx(0.001 + 0.1 * 2.0 / 5.0)
    assert (now.unseen_s, now.settle_s) == (2.0, 8.0)
    wanted_a = allowed_a(FOUR, law.cells, GOAL_V, 8.0)
    assert now.wanted_a == law.wanted_a == pytest.approx(wanted_a)
    law.cells.noise_v = 0.0001
    step(law, REST, 50.0)
    assert (Seen.now.current_a, Seen.now.blur_a) == (50.0, 1.5)
    assert Seen.now.spare_v == pytest.approx(GOAL_V - 0.0001 - (3.461 + 0.0005 + 0.0001))


@pytest.mark.parametrize(
    ("cells_v", "wanted_a"), [([3.301] * 4, 140.0 + 0.2 / (4.0 * OHM)), ([3.601] * 4, -0.18 * 280.0)]
)
def test_what_is_wanted_is_bounded(cells_v: list[float], wanted_a: float) -> None:
    """By two steps of the wire above the most, and by what would take the voltage far down."""
    step(law_of(), cells_v)
    assert Seen.now.wanted_a == pytest.approx(wanted_a)


def test_times_follow_from_the_readings() -> None:
    """A second and the period, or the age of what is late; the time before the first readings is no period,
    a longer one fades by 2 %."""
    law = law_of()
    rows = [
        (5.0, True, 5.0, 2.0),
        (1.0, False, 0.0, 2.0),
        (1.5, False, 0.0, 3.5),
        (0.5, True, 3.0, 4.0),
        (1.0, True, 1.0, 1.0 + 3.0 * 0.98),
        (4.0, True, 4.0, 5.0),
        (3.95, True, 3.95, 4.95),
    ]
    for dt_s, fresh, elapsed_s, unseen_s in rows:
        step(law, REST, dt_s=dt_s, fresh=fresh)
        now = Seen.now
        assert (now.elapsed_s, now.unseen_s, now.settle_s) == pytest.approx(
            (elapsed_s, unseen_s, unseen_s + 6.0)
        )
        assert law.wanted_a == pytest.approx(allowed_a(FOUR, law.cells, GOAL_V, unseen_s + 6.0))


def test_a_current_or_a_temperature_that_is_not_known() -> None:
    """None flows, at 25 °C."""
    law = law_of()
    step(law, REST, None)
    assert (law.cells.current_a, law.cells.scale, Seen.now.blur_a) == (0.0, 1.0, 1.0)
    assert Seen.now.current_a is None
    step(law, REST, 30.0, coldest_c=0.0)
    assert law.cells.current_a == 30.0
    assert law.cells.scale == pytest.approx(2.155, abs=0.001)


@pytest.mark.parametrize(
    ("high_v", "pack_v", "moving"),
    [
        (3.461, 3.461 + 3 * 3.420, 1.0 + 3.0 * 0.020 / 0.061),
        (3.461, 3.461 + 3 * 3.380, 1.0),
        (3.461, 3.461 + 3 * 3.480, 4.0),
        (3.400, 3.400 + 3 * 3.380, 4.0),
        (3.380, 3.380 + 3 * 3.380, 4.0),
    ],
)
def test_with_the_extremes_alone_the_mean_of_the_rest_tells_the_room(
    high_v: float, pack_v: float, moving: float
) -> None:
    """Not knowing which cell is the highest costs 1.2 mV; up to the knee all cells move."""
    law = law_of()
    step(law, [3.371, high_v], 0.0, pack_v)
    now = Seen.now
    assert now.room_v == pytest.approx(moving * (3.50 - high_v))
    assert now.string_v == pack_v
    assert now.string_ohm == pytest.approx(4.0 * OHM)
    assert now.spare_v == pytest.approx(GOAL_V - 0.0012 - high_v)


def test_all_cells_up_to_the_knee_move_together() -> None:
    """All of them are told here."""
    step(law_of(), [3.40, 3.301, 3.302, 3.303])
    assert Seen.now.room_v == pytest.approx(4.0 * 0.1)


def test_it_is_idle_below_the_knee_while_no_current_is_limited() -> None:
    """Both."""
    law = law_of()
    assert law.idle
    step(law, [3.391] * 4)
    assert law.idle
    law = law_of()
    step(law, [3.391] * 4, coldest_c=-20.0)
    assert law.current.value < 140.0
    assert not law.idle
    law = law_of()
    step(law, [3.41, 3.301, 3.302, 3.303])
    assert law.current.value == 140.0
    assert not law.idle


def test_a_test_of_the_charger_bounds_the_current() -> None:
    """And the law's own limit bounds the test, and what is allowed before the resistances have been seen."""
    law = law_of((1.0, 1.0, 1.0, 1.0))
    step(law, REST)
    law.voltage.charger.test_a = 20.0
    assert step(law, REST).current_a == 20.0
    unsure = law_of()
    step(unsure, REST)
    unsure.voltage.charger.test_a = 20.0
    assert step(unsure, REST).current_a == unsure.first.value < 20.0 < unsure.current.value
    assert step(law, [3.501, *REST[1:]]).current_a == 0.0


def test_a_limit_that_is_not_heeded_keeps_still() -> None:
    """A gap that lasts, but of less than 42 A, is worth a rise only for one that obeys: 3 A a second."""
    ohms = (1.0, 1.0, 1.0, 1.0)
    for kept, rises_a in ((Learnt(ohms), 15.0), (Learnt(ohms, ignores=True), 0.0)):
        law = ChargeLaw(FOUR, kept)
        step(law, [3.493, *REST[1:]], 84.0, dt_s=1e4)
        before_a = law.current.value
        for _ in range(5):
            step(law, [3.465, *REST[1:]], 84.0)
        after_a = law.current.value
        lasts_a = lasting_a(FOUR, law.cells, GOAL_V, 8.0 + 30.0)
        assert before_a + 15.0 < lasts_a < before_a + 42.0 < law.wanted_a
        assert after_a - before_a == pytest.approx(rises_a)


@pytest.mark.parametrize(
    ("lag_s", "horizon_s", "fades_s"), [(None, 8.0, 5.0), (6.0, 11.0, 5.0), (4.0, 8.0, 4.0)]
)
def test_where_the_current_limit_gives_no_answer_the_voltage_may_ask_for_more(
    lag_s: float | None, horizon_s: float, fades_s: float
) -> None:
    """By what the cells take back of it in the horizon, once the charger has answered."""
    for ignores in (True, False):
        law = law_of((1.0, 1.0, 1.0, 1.0))
        law.voltage.charger = Charger(FOUR, Learnt(lag_s=lag_s, ignores=ignores))
        pack = [3.481, 3.472, 3.473, 3.474]
        step(law, pack, 40.0)
        law.cells.slopes = [3e-5] * 4
        step(law, pack, 40.0, dt_s=0.5, fresh=False)
        fade = fades(FOUR, law.cells, fades_s) if ignores else 0.0
        assert Seen.now.wanted_a == pytest.approx(allowed_a(FOUR, law.cells, GOAL_V, horizon_s, fade=fade))
        assert law.wanted_a == pytest.approx(allowed_a(FOUR, law.cells, GOAL_V, horizon_s))
        assert (Seen.now.wanted_a > law.wanted_a + 1.0) is ignores


@pytest.mark.parametrize(("high_v", "much"), [(3.301, True), (3.421, False)])
def test_what_the_cells_would_bear_beyond_the_most(high_v: float, much: bool) -> None:
    """More than the most and two steps of the wire, as for what is wanted; free is twice the most."""
    law = law_of()
    step(law, [high_v, 3.302, 3.303, 3.304])
    above_a = law.wanted_a - (140.0 + 0.2 / (4.0 * OHM))
    assert Seen.now.beyond_a == pytest.approx(max(above_a, 0.0))
    assert (Seen.now.beyond_a > 0.0, Seen.now.free) == (much, much)


def test_what_was_kept_goes_to_cells_and_charger() -> None:
    """And is what is learnt until it is found anew."""
    kept = Learnt((1.0, 2.0, 1.0, 1.0), 0.1, 20.0, 4.0, True)
    law = ChargeLaw(FOUR, kept)
    assert law.learnt == kept
    assert law.voltage.charger.ignores
    step(law, REST)
    assert law.cells.learnt == kept.ohms
    assert ChargeLaw(FOUR).learnt is None


def believed(highs_v: Sequence[float], current_a: float | None = 0.0, before_a: float = 0.0) -> Cells:
    """What is believed of the cells after two plain readings and these of the highest."""
    law = law_of()
    for amps in (before_a, before_a):
        step(law, REST, amps, dt_s=1e4)
        law.cells.volts = list(REST)
    for high_v in highs_v:
        step(law, [high_v, *REST[1:]], current_a)
    return law.cells


def test_a_reading_that_the_next_contradicts_leaves_nothing() -> None:
    """As often as it comes."""
    assert believed([3.521]).noise_v > 0.0
    assert believed([3.521, 3.461]).noise_v == 0.0
    assert believed([3.521, 3.461, 3.461, 3.521, 3.461]).noise_v == 0.0
    assert believed([3.510, 3.461]).noise_v > 0.0


def test_a_reading_that_the_next_confirms_stays() -> None:
    """Drawn to it twice by a tenth."""
    assert believed([3.521]).volts[0] == pytest.approx(3.521 - 0.00045)
    assert believed([3.521, 3.521]).volts[0] == pytest.approx(3.521 - 0.000405)
    assert believed([3.521, 3.581, 3.521]).volts[0] > 3.521


def test_what_a_change_of_the_current_may_do_is_not_far() -> None:
    """20 A through the worst contact, doubled: 12 mV; an unknown current is none."""
    for amps, rise_v, far in ((50.0, 0.06, True), (70.0, 0.061, False), (70.0, 0.063, True)):
        assert (believed([3.461 + rise_v, 3.461], amps, 50.0).noise_v == 0.0) is far
    for high_v, far in ((3.510, False), (3.5113, True)):
        assert (believed([high_v, 3.461], None).noise_v == 0.0) is far


def test_every_plain_reading_counts() -> None:
    """The slow part of the resistance builds up second by second."""
    law, alone = law_of(), Cells(FOUR)
    for _ in range(10):
        step(law, REST, 20.0)
        alone.update(REST, 20.0, 1.0, 25.0)
    assert law.cells.slow_a == pytest.approx(alone.slow_a)
