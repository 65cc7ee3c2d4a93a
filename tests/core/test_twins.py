"""Two senders of one message are found, the worst counts long before; an honest one is not doubted."""

import pytest

from bridge.core.failsafe.machine import State
from bridge.core.pack.intake import Memory, check_integrity
from bridge.core.pack.state import PackState
from bridge.core.pack.twins import BACK, COUNTS, PAIRS, WATCHED_US, Readings, Twin
from bridge.core.pack.worst import FIELDS, worst
from bridge.errors import FrameRefused
from tests.core.plans import SECOND, TICK, Builder
from tests.core.rig import Rig, Speaker, level
from tests.core.senders import QUANTITIES, doubled, hear, honest, source

ROUND = 500_000


def twin(cycle_us: int = ROUND, span: int = 0) -> Twin:
    """Somebody who watches a message of this period, or counter."""
    return Twin(source(cycle_us, span), QUANTITIES)


def said(cell_v: float = 3.3, temperature_c: float = 20.0, soc: float = 50.0) -> Readings:
    """What a monitor says."""
    return [(0, cell_v), (1, cell_v + 0.01), (2, temperature_c), (3, temperature_c), (4, 10.0), (5, soc)]


def two(
    watch: Twin, rounds: int, phase: float, one: Readings, other: Readings, start_us: int = SECOND
) -> int:
    """Two monitors of one period; returns the time of the last frame."""
    t_us = start_us
    for n in range(rounds):
        t_us = start_us + n * ROUND
        watch.hear(t_us, None, one)
        t_us += round(phase * ROUND)
        watch.hear(t_us, None, other)
    return t_us


# ── many, at random ─────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.slow
@pytest.mark.parametrize("first", range(0, 300, 50))
def test_an_honest_sender_is_not_doubted(first: int) -> None:
    """Jitter, loss, events, bursts after a jam, restarts, repeated frames, other periods than defined."""
    for seed in range(first, first + 50):
        watch, frames = honest(seed)
        doubted, _ = hear(watch, frames)
        assert doubted is None, (seed, watch.why)


@pytest.mark.slow
@pytest.mark.parametrize("same", [True, False])
def test_two_that_are_far_from_each_other_are_found_soon(same: bool) -> None:
    """Whatever their phases, periods and counters: nearly all, and within some dozen frames."""
    found = []
    for seed in range(60):
        watch, frames, joins_us = doubled(seed, apart=3.0, same=same)
        doubted, _ = hear(watch, frames)
        if doubted is not None:
            found.append(sum(joins_us <= one.t_us <= doubted for one in frames))
    assert len(found) >= 50
    assert sorted(found)[len(found) // 2] <= 12


def test_two_that_count_are_found_soon_however_near() -> None:
    """Counters run twice, whatever is said."""
    found = []
    for seed in range(200):
        watch, frames, joins_us = doubled(seed, apart=0.01)
        if (frames[0].counter is None) or watch._source.counter_span < 256:
            continue
        doubted, _ = hear(watch, frames)
        assert doubted is not None, seed
        found.append(sum(joins_us <= one.t_us <= doubted for one in frames))
    assert len(found) > 20
    assert max(found) <= 40


# ── each sign ───────────────────────────────────────────────────────────────────────────────────────────


def test_readings_that_go_to_and_fro_are_two_senders() -> None:
    """From the fourth return on; the subject names the message."""
    watch = twin(cycle_us=0)
    last = two(watch, 1 + (BACK - 1) // 2, 0.5, said(temperature_c=-5.0), said(temperature_c=20.0))
    assert watch.doubted_until_us == 0
    last = two(watch, 2, 0.5, said(temperature_c=-5.0), said(temperature_c=20.0), last + ROUND // 2)
    assert watch.doubted_until_us == last + WATCHED_US
    assert watch.why == "Extremes of bank1 (its readings go to and fro)"


@pytest.mark.parametrize(("quantity", "step"), [("cell_v", 0.14), ("temperature_c", 2.9), ("soc", 4.9)])
def test_small_changes_are_one_pack_s(quantity: str, step: float) -> None:
    """A load that comes and goes, a reading at the border of two numbers."""
    watch = twin(cycle_us=0)
    near, far = (
        said(),
        said(**{quantity: {"cell_v": 3.3, "temperature_c": 20.0, "soc": 50.0}[quantity] + step}),
    )
    two(watch, 40, 0.5, near, far)
    assert watch.doubted_until_us == 0
    assert watch.watched_until_us == 0


def test_a_change_that_lasts_is_one_pack_s() -> None:
    """A step there and, much later, back is no other sender."""
    watch = twin(cycle_us=0)
    for n in range(60):
        watch.hear(SECOND + n * ROUND, None, said(temperature_c=20.0 + 10.0 * (n // 4 % 2)))
    assert watch.doubted_until_us == 0


def test_a_current_that_goes_to_and_fro_is_a_load() -> None:
    """Currents do that."""
    watch = twin(cycle_us=0)
    one, other = said(), [*said()[:4], (4, -150.0), (5, 50.0)]
    two(watch, 40, 0.5, one, other)
    assert watch.doubted_until_us == 0


@pytest.mark.parametrize("phase", [0.1, 0.3, 0.35, 0.65, 0.8])
def test_frames_in_pairs_are_two_senders(phase: float) -> None:
    """Each keeps the period that the definition states, unevenly between the other's."""
    watch = twin()
    two(watch, PAIRS // 2, phase, said(3.300), said(3.301))
    assert watch.doubted_until_us == 0
    assert watch.watched_until_us > 0
    two(watch, PAIRS // 2 + 2, phase, said(3.300), said(3.301), SECOND + PAIRS // 2 * ROUND)
    assert watch.why.endswith("(its frames come in pairs)")


def test_a_period_is_learnt_where_none_is_stated() -> None:
    """A second sender that comes later is found by it; one there from the start has none to be found by."""
    watch = twin(cycle_us=0)
    for n in range(40):
        watch.hear(SECOND + n * ROUND, None, said(3.300))
    assert watch.watched_until_us == 0
    two(watch, PAIRS, 0.3, said(3.300), said(3.301), SECOND + 40 * ROUND)
    assert watch.doubted_until_us > 0
    watch = twin(cycle_us=0)
    two(watch, 100, 0.3, said(3.300), said(3.301))
    assert watch.doubted_until_us == 0


@pytest.mark.parametrize("factor", [0.5, 0.4, 0.25, 2.0, 5.0])
def test_another_period_than_defined_is_no_second_sender(factor: float) -> None:
    """A steady sender is one; it is watched no longer than it takes to learn its period."""
    watch = twin()
    last = SECOND
    for n in range(100):
        last = SECOND + round(n * factor * ROUND)
        watch.hear(last, None, said(3.3 + n % 2 * 0.001))
    assert watch.doubted_until_us == 0
    assert watch.watched_until_us < last + WATCHED_US


def test_a_frame_sent_twice_is_one_sender_s() -> None:
    """The same again contradicts nothing."""
    watch = twin()
    for n in range(60):
        for late_us in (0, 3_000):
            watch.hear(SECOND + n * ROUND + late_us, None, said(3.3 + n * 0.001))
    assert watch.doubted_until_us == 0


def test_pages_sent_together_are_one_sender_s() -> None:
    """Each page keeps a time of its own."""
    watch = twin(cycle_us=0)
    for n in range(60):
        for page in (0, 2):
            watch.hear(SECOND + n * ROUND + page * 5_000, None, said(3.3 + n * 0.001)[page : page + 2])
    assert watch.watched_until_us == 0


@pytest.mark.parametrize("step", [1, 2, 5])
@pytest.mark.parametrize("ahead", [3, 100, 200])
def test_a_counter_that_runs_twice_is_two_senders(step: int, ahead: int) -> None:
    """Each frame continues the last but one; what step is usual is learnt."""
    watch = twin(cycle_us=0, span=256)
    for n in range(10):
        watch.hear(SECOND + n * ROUND, n * step % 256, said())
    for n in range(10, 10 + COUNTS):
        assert watch.doubted_until_us == 0
        watch.hear(SECOND + n * ROUND, n * step % 256, said())
        watch.hear(SECOND + n * ROUND + 250_000, (n + ahead) * step % 256, said())
    watch.hear(SECOND + 20 * ROUND, (10 + COUNTS) * step % 256, said())
    assert watch.why.endswith("(its counter continues earlier frames, not the last)")


@pytest.mark.parametrize("span", [2, 4, 16, 256])
def test_a_counter_that_loses_frames_or_begins_anew_is_one_sender_s(span: int) -> None:
    """A gap is no earlier frame."""
    watch = twin(cycle_us=0, span=span)
    for n, count in enumerate([*range(20), *range(22, 60), *range(7, 40), *range(0, 60, 1)]):
        if n % 9:
            watch.hear(SECOND + n * ROUND, count % span, said())
    assert watch.doubted_until_us == 0


def test_a_counter_of_an_unknown_span_tells_nothing() -> None:
    """No step is known of it."""
    watch = twin(cycle_us=0, span=0)
    for n in range(30):
        watch.hear(SECOND + n * ROUND, n % 2 * 100 + n, said())
    assert watch.doubted_until_us == 0


def test_a_frame_without_readings_is_nothing() -> None:
    """On a page that nobody asks for."""
    watch = twin()
    watch.hear(SECOND, 3, [])
    assert watch.watched_until_us == 0


def test_a_doubt_ends_some_time_after_the_second_sender_has_gone() -> None:
    """It is a doubt, not a verdict."""
    watch = twin()
    last = two(watch, 30, 0.3, said(temperature_c=-5.0), said(temperature_c=20.0))
    assert watch.doubted_until_us == last + WATCHED_US
    for n in range(1, 60):
        watch.hear(last + n * ROUND, None, said(temperature_c=20.0))
    assert watch.doubted_until_us <= last + 2 * ROUND + WATCHED_US


# ── what counts meanwhile ───────────────────────────────────────────────────────────────────────────────


def test_every_reading_that_is_fresh_counts_while_watched() -> None:
    """From the frame before the first that came too soon, until it is too old."""
    plan = Builder().plan()
    watch = twin()
    watch.hear(SECOND, None, said(3.1))
    assert watch.fresh(SECOND, plan.slots) == []
    watch.hear(SECOND + 50_000, None, said(3.2))
    assert {value for slot, value in watch.fresh(SECOND + 50_000, plan.slots) if slot == 0} == {3.1, 3.2}
    age_us = plan.slots[0].max_age_us
    assert {v for slot, v in watch.fresh(SECOND + age_us + 1, plan.slots) if slot == 0} == {3.2}
    assert watch.fresh(SECOND + 50_000 + WATCHED_US + 1, plan.slots) == []


def test_what_is_kept_while_watched_has_an_end() -> None:
    """However fast they come."""
    watch = twin()
    for n in range(2000):
        watch.hear(SECOND + n * 100, None, said(3.1))
    assert len(watch.fresh(SECOND + 2000 * 100, Builder(max_age_us=60 * SECOND).plan().slots)) < 400


def test_the_worse_of_two_readings_is_taken_by_quantity() -> None:
    """Lowest, coldest and smallest permission; highest, hottest, and whatever forbids."""
    known = {
        "low_v": 3.2,
        "high_v": 3.3,
        "coldest_c": None,
        "hottest_c": 20.0,
        "charge_permitted": 1.0,
        "discharge_permitted": 1.0,
        "charge_permitted_a": 100.0,
        "discharge_permitted_a": 100.0,
        "balancing": 0.0,
        "connected": 0.0,
        "cells_v": [3.2, 3.3],
    }
    for quantity, low, high in (
        ("cell_voltage", {"low_v": 1.0, "cells_v": None}, {"high_v": 200.0, "cells_v": None}),
        ("cell_voltage_min", {"low_v": 1.0, "cells_v": None}, {}),
        ("cell_voltage_max", {}, {"high_v": 200.0, "cells_v": None}),
        ("cell_temperature", {}, {"hottest_c": 200.0}),
        ("cell_temperature_min", {}, {}),
        ("charge_permitted", {}, {}),
        ("charge_current_permitted", {"charge_permitted_a": 1.0}, {}),
        ("discharge_current_permitted", {"discharge_permitted_a": 1.0}, {}),
        ("balancing", {"balancing": 1.0}, {"balancing": 200.0}),
        ("bank_connected", {"connected": 1.0}, {"connected": 200.0}),
        ("pack_current", {}, {}),
    ):
        assert worst(known, [(quantity, 1.0)]) == low, quantity
        assert worst(known, [(quantity, 200.0)]) == high, quantity
    assert worst(known, [("discharge_permitted", 0.0)]) == {"discharge_permitted": 0.0}
    assert worst(known, [("charge_permitted", 0.0)]) == {"charge_permitted": 0.0}
    assert worst(known, [("cell_voltage_min", 3.0), ("cell_voltage_min", 3.1)])["low_v"] == 3.0
    assert worst(known | {"coldest_c": 5.0}, [("cell_temperature", -5.0)]) == {"coldest_c": -5.0}
    assert set(FIELDS) >= {"cell_temperature_max", "cell_temperature_min"}


# ── through the engine ──────────────────────────────────────────────────────────────────────────────────


@pytest.mark.slow
@pytest.mark.parametrize("phase", [0.0, 0.05, 0.25, 0.5, 0.75, 0.95])
def test_a_warm_pack_beside_a_cold_one_gets_no_current_into_the_cold(phase: float) -> None:
    """Two monitors with the same identifiers: from the second one's first frames on the cold one counts."""
    plan = Builder(max_age_us=2 * SECOND, parts=frozenset({"totals", "extremes"})).plan()
    plan = plan._replace(sources=tuple(one._replace(cycle_us=ROUND) for one in plan.sources))
    cold, warm = Speaker([3.30] * 16, coldest_c=-5.0, hottest_c=2.0), level()
    rig = Rig(plan, warm)
    rig.run(30, every_us=ROUND)
    assert rig.state() is State.FOLLOWING
    assert rig.limits()[1] > 0
    worst_a = []
    for n in range(40):
        rig.hear([cold.extremes(), cold.totals()])
        rig.t_us += round(phase * ROUND)
        rig.engine.poll(rig.t_us)
        rig.hear([warm.extremes(), warm.totals()])
        rig.t_us += round((1 - phase) * ROUND)
        rig.engine.poll(rig.t_us)
        if n > 0:
            worst_a.append(rig.limits()[1])
    assert max(worst_a) == 0.0
    assert rig.state() >= State.SAFE
    assert "two senders" in rig.engine.decision.cause or "counter" in rig.engine.decision.cause

    rig.run(30, every_us=ROUND)
    assert rig.state() is State.FOLLOWING


def test_one_pack_is_read_as_ever() -> None:
    """Without a second sender nothing is watched, and readings are kept from tick to tick."""
    plan = Builder().plan()
    pack, speaker = PackState(plan), level()
    for n in range(50):
        for frame in speaker.all():
            for one in plan.sources:
                if one.key == frame.key:
                    pack.take(one, SECOND + n * TICK, frame.data)
        reading = pack.read(plan.banks[0], SECOND + n * TICK)
    assert reading.doubt is None
    assert pack.read(plan.banks[0], SECOND + 49 * TICK) is reading


def test_a_counter_may_be_bound_to_a_step() -> None:
    """A frame that goes further is refused, and the next is judged by it."""
    plan = Builder().plan()
    one = plan.sources[0]._replace(counter_step=2, counter_span=256, checksum=None, checksum_at=None)
    assert one.counter is not None
    memory = Memory()

    def count(number: int) -> None:
        numbers: list[float | int | None] = [None] * (one.counter or 0)
        check_integrity(one, memory, [*numbers, number, None], b"")

    for number in (7, 8, 10, 11):
        count(number)
    for number, text in (
        (14, "counter 14 after 11; allowed: at most 2 further"),
        (13, "counter 13 after 14"),
    ):
        with pytest.raises(FrameRefused, match=text):
            count(number)
    count(14)
    memory.counter = 255
    count(1)
