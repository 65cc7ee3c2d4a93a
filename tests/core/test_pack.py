"""What is believed of received frames."""

from bridge.core.pack.intake import CONFIRMATIONS
from bridge.core.pack.state import PackState, Reading, Trouble
from bridge.core.plan.curve import Curve
from bridge.core.plan.plan import Plan
from bridge.errors import FrameRefused
from bridge.frames import Frame
from tests.core.plans import AGE, CHARGE, DRAW, OPTIONS, SECOND, TICK, Builder
from tests.core.rig import Speaker, level


class Table:
    """A pack state that is fed by frames."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.pack = PackState(plan)
        self.t_us = SECOND

    def take(self, *frames: Frame) -> list[str]:
        """Gives frames; returns why some were refused."""
        refused = []
        for frame in frames:
            source = next(source for source in self.plan.sources if source.key == frame.key)
            try:
                self.pack.take(source, self.t_us, frame.data)
            except FrameRefused as refusal:
                refused.append(str(refusal))
        return refused

    def read(self, later_us: int = 0) -> Reading:
        """The first bank, some time later, to the microvolt."""
        self.t_us += later_us
        reading = self.pack.read(self.plan.banks[0], self.t_us)
        cells_v = reading.cells_v and [round(cell_v, 6) for cell_v in reading.cells_v]
        numbers = (None if v is None else round(v, 6) if isinstance(v, float) else v for v in reading)
        return Reading._make(numbers)._replace(cells_v=cells_v)

    def trouble(self, later_us: int = 0) -> Trouble | None:
        """Why the first bank is in doubt."""
        doubt = self.read(later_us).doubt
        return None if doubt is None else doubt.trouble


def full(builder: Builder | None = None, speaker: Speaker | None = None) -> tuple[Table, Speaker]:
    """A table that has seen everything once."""
    table, pack = Table((builder or Builder()).plan()), speaker or level()
    known = {source.key for source in table.plan.sources}
    assert table.take(*(frame for frame in pack.all() if frame.key in known)) == []
    return table, pack


def test_never_seen_is_none_and_missing() -> None:
    """Not 0."""
    reading = Table(Builder().plan()).read()
    assert set(reading._replace(doubt=None, lapsed=None)) == {None}
    assert str(reading.doubt) == "pack_voltage of bank1: never seen"


def test_everything_seen_is_trusted() -> None:
    """All quantities, in their units."""
    table, _ = full(Builder(parts=frozenset({"totals", "extremes", "cells", "permits"})))
    reading = table.read()
    assert reading.doubt is None
    assert reading.cells_v == [3.3] * 16
    assert reading.lapsed is None
    assert reading._replace(cells_v=None)[:13] == (
        *(52.8, 0.0, 50.0, 3.3, 3.3, None, 20.0, 22.0, 1.0, 1.0, 500.0, 500.0, 0.0),
    )


def test_a_reading_counts_up_to_its_age_and_not_beyond() -> None:
    """To the microsecond."""
    table, _ = full()
    slot = table.plan.banks[0].slots["pack_voltage"]
    assert table.trouble(AGE) is None
    assert table.read().lapsed is None
    assert (table.read().cells_v, table.read().pack_v) == ([3.3] * 16, 52.8)
    assert table.pack.fresh(slot, table.t_us) is not None
    assert table.trouble(1) is Trouble.LATE
    assert table.pack.fresh(slot, table.t_us) is None
    assert set(table.read()[:13]) == {None}


def test_no_source_vouches_for_another() -> None:
    """One page of the cells stays away, all else keeps coming."""
    table, pack = full()
    table.t_us += AGE + 1
    table.take(pack.totals(), pack.extremes(), *(pack.page(page) for page in (0, 1, 2, 4, 5)))
    reading = table.read()
    assert str(reading.doubt) == "cell_voltage 10 of bank1: late"
    assert reading.cells_v is None
    assert reading.high_v == 3.3


def test_a_frame_is_taken_whole_or_not_at_all() -> None:
    """One reading out of range, and no other of the frame is taken."""
    table, pack = full()
    pack.coldest_c, pack.low_v = -60.0, 3.0
    assert table.take(pack.extremes()) == [
        "Extremes of bank1: coldest -60; allowed: -50 to 120",
    ]
    assert table.read().low_v == 3.3
    pack.coldest_c = -50.0
    assert table.take(pack.extremes()) == []


def test_a_refused_frame_puts_the_bank_in_doubt_until_a_tick_after_the_next_good_one() -> None:
    """Even if the good one comes before any tick looked."""
    table, pack = full()
    bad = pack.totals()
    table.take(bad._replace(data=bad.data[:7] + bytes([bad.data[7] ^ 1])), pack.totals())
    assert table.trouble() is Trouble.REFUSED
    assert table.trouble() is None

    table.take(bad._replace(data=b"short"))
    assert [table.trouble(), table.trouble()] == [Trouble.REFUSED] * 2
    table.take(pack.totals())
    assert [table.trouble(), table.trouble()] == [Trouble.REFUSED, None]


def test_a_refused_frame_concerns_its_own_bank_and_only_if_that_needs_it() -> None:
    """Neither another bank nor what is optional; of several refused the first source is told."""
    permits = frozenset({"charge_current_permitted", "discharge_current_permitted"})
    parts = frozenset({"totals", "extremes", "cells", "permits"})
    plan = Builder(cells=4, banks=2, parts=parts, optional=permits).plan()
    table, speakers = Table(plan), [level(4, number=number) for number in (0, 1)]
    for speaker in speakers:
        table.take(*speaker.all())
    table.take(*(frame._replace(data=b"") for frame in (speakers[0].permits(), *speakers[1].all())))
    assert [table.pack.read(bank, table.t_us).doubt is None for bank in plan.banks] == [True, False]
    doubt = table.pack.read(plan.banks[1], table.t_us).doubt
    assert doubt is not None
    assert doubt.subject.startswith("Totals: 0 bytes")


def test_checksum_length_and_counter_are_checked() -> None:
    """Each refusal says what was found and what is allowed."""
    table, pack = full()
    good = pack.totals()
    broken = good._replace(data=bytes([good.data[0] ^ 4]) + good.data[1:])
    first, second, third, fourth = (
        *table.take(broken, good._replace(data=good.data[:7])),
        *table.take(good, good),
        "",
    )
    assert first.startswith("Totals of bank1: checksum")
    assert "7 bytes received" in second
    assert third == "Totals of bank1: counter stuck at 2; allowed: any other"
    assert fourth == ""


def test_a_frozen_counter_ages_like_silence() -> None:
    """Repeating the last frame for ever keeps nothing fresh."""
    table, pack = full()
    frozen = pack.totals()
    table.take(frozen)
    for _ in range(AGE // TICK + 1):
        table.t_us += TICK
        assert table.take(frozen, pack.extremes(), *(pack.page(page) for page in range(6)))
    assert table.trouble() is Trouble.LATE


def jumping() -> tuple[Table, Speaker]:
    """Cells may step by 0.2 V."""
    return full(Builder(jumps={"cell_voltage": 0.2, "cell_voltage_max": 0.2}, max_age_us=100 * SECOND))


def test_a_lasting_step_is_believed_after_three_frames_and_in_doubt_until_then() -> None:
    """The old reading stands meanwhile."""
    table, pack = jumping()
    pack.high_v = 3.6
    for _ in range(CONFIRMATIONS - 1):
        (refusal,) = table.take(pack.extremes())
        assert refusal == "Extremes of bank1: high jumped from 3.3 to 3.6; allowed: a step of 0.2"
        assert (table.trouble(), table.read().high_v) == (Trouble.REFUSED, 3.3)
    assert table.take(pack.extremes()) == []
    assert table.read().high_v == 3.6


def test_alternating_readings_are_never_believed() -> None:
    """Neither one of two, nor two of three."""
    for pattern in ((3.6, 3.3), (3.6, 3.6, 3.3), (3.6, 3.9)):
        table, pack = jumping()
        for n in range(30):
            pack.high_v = pattern[n % len(pattern)]
            table.take(pack.extremes())
        assert table.read().high_v == 3.3


def test_a_step_on_one_page_is_confirmed_by_that_page_alone() -> None:
    """Good frames of other pages neither help nor hinder, and the bank stays in doubt in between."""
    table, pack = jumping()
    pack.cells_v[4] = 3.55
    taken = []
    for _ in range(CONFIRMATIONS):
        assert table.take(pack.page(0)) == []
        taken.append(table.take(pack.page(1)) == [])
        assert table.take(pack.page(2)) == []
        if not taken[-1]:
            assert [table.trouble(), table.trouble()] == [Trouble.REFUSED] * 2
    assert taken == [False] * (CONFIRMATIONS - 1) + [True]
    assert table.read().high_v == 3.55


def test_two_pages_do_not_confirm_each_other() -> None:
    """Each has to come three times."""
    table, pack = jumping()
    pack.cells_v = [3.55] * 16
    assert [len(table.take(pack.page(page))) for page in (0, 1, 2, 3, 4, 5, 0, 1)] == [1] * 8


def test_a_step_is_confirmed_by_three_that_agree_and_a_step_of_just_the_allowed_size_is_none() -> None:
    """Agreement is measured like the step itself; what disagrees begins to count anew."""
    table, pack = full(
        Builder(jumps={"cell_voltage_max": 0.25, "cell_voltage_min": 0.25}, max_age_us=100 * SECOND),
        level(16, 3.25),
    )
    rows = [(3.5, True), (4.0, False), (4.5, False), (4.5, False), (4.75, True), (4.5, True)]
    for high_v, taken in rows:
        pack.high_v = high_v
        assert (table.take(pack.extremes()) == []) is taken
    pack.low_v, pack.high_v = 2.0, 4.9
    (refusal,) = table.take(pack.extremes())
    assert refusal.startswith("Extremes of bank1: low jumped from 3.25 to 2;")


def test_a_reading_is_scaled_and_shifted_before_it_is_judged() -> None:
    """Its span, its step and what confirms a step are in its own unit, ends included."""
    plan = Builder(parts=frozenset({"extremes"}), jumps={"cell_voltage_max": 0.25}).plan()
    (source,) = plan.sources
    targets = [target._replace(scale=1.0) for target in source.targets]
    targets[1] = targets[1]._replace(scale=0.5, shift=1.0, low=2.0, high=4.0)
    table = Table(plan._replace(sources=(source._replace(targets=tuple(targets)),)))
    pack = level(16, 3.0)
    rows = [(6.0, ""), (5.5, ""), (4.5, "jumped"), (4.0, "jumped"), (4.0, "")]
    for high_v, refusal in [*rows, (6.002, "4.001; allowed: 2 to 4"), (1.998, "1.999; allowed: 2 to 4")]:
        pack.high_v = high_v
        refused = table.take(pack.extremes())
        assert (refusal in refused[0]) if refusal else not refused
    assert table.read().high_v == 3.0


def test_a_step_back_clears_the_doubt() -> None:
    """A single odd reading costs no more than that."""
    table, pack = jumping()
    pack.cells_v[4] = 3.55
    table.take(pack.page(1))
    pack.cells_v[4] = 3.31
    table.take(pack.page(1))
    assert [table.trouble(), table.trouble()] == [Trouble.REFUSED, None]


def test_an_optional_page_that_stays_away_after_a_step_does_not_block_the_bank() -> None:
    """Only required readings keep a doubt alive."""
    table, pack = full(
        Builder(
            jumps={"charge_current_permitted": 10.0},
            parts=frozenset({"extremes", "permits"}),
            optional=frozenset({"charge_current_permitted"}),
        )
    )
    pack.charge_most_a = 100.0
    table.take(pack.permits())
    pack.charge_most_a = 500.0
    table.take(pack.permits())
    assert [table.trouble(), table.trouble()] == [None, None]


def test_the_worst_of_what_overlaps_counts() -> None:
    """Single cells and reported extremes; crossed extremes count for both ends."""
    table, pack = full()
    pack.cells_v[3], pack.low_v, pack.high_v = 3.1, 3.2, 3.25
    pack.coldest_c, pack.hottest_c = 50.0, -10.0
    table.take(pack.extremes(), *(pack.page(page) for page in range(6)))
    reading = table.read()
    assert (reading.low_v, reading.high_v) == (3.1, 3.3)
    assert (reading.coldest_c, reading.hottest_c) == (-10.0, 50.0)


def test_cells_alone_extremes_alone_or_neither() -> None:
    """Each is enough to know the extremes; without either they stay unknown, and nothing contradicts them."""
    table, _ = full(Builder(parts=frozenset({"totals", "cells"})), Speaker([3.2, *[3.3] * 14, 3.4]))
    assert (table.read().low_v, table.read().high_v) == (3.2, 3.4)
    table, pack = full()
    pack.low_v, pack.high_v = 3.25, 3.35
    table.take(pack.extremes())
    assert (table.read().low_v, table.read().high_v) == (3.25, 3.35)
    table, _ = full(Builder(parts=frozenset({"totals"})))
    assert table.read()[3:6] == (None, None, None)
    assert table.trouble() is None


def test_probes_count_up_to_their_age() -> None:
    """The coldest and the hottest of them, like reported extremes."""
    plan = Builder(parts=frozenset({"extremes"})).plan()
    (bank,) = plan.banks
    probes = tuple(bank.slots[f"cell_temperature_{end}"] for end in ("max", "min"))
    slots = {name: slot for name, slot in bank.slots.items() if slot not in probes}
    table = Table(plan._replace(banks=(bank._replace(slots=slots, probe_slots=probes),)))
    table.take(level().extremes())
    assert table.read(AGE)[6:8] == (20.0, 22.0)
    assert table.read(1)[6:8] == (None, None)


def test_one_known_temperature_stands_for_both() -> None:
    """There is no better knowledge."""
    plan = Builder(parts=frozenset({"extremes"})).plan()
    for kept in ("cell_temperature_min", "cell_temperature_max"):
        gone = "cell_temperature_max" if kept.endswith("min") else "cell_temperature_min"
        bank = plan.banks[0]
        slots = {name: slot for name, slot in bank.slots.items() if name != gone}
        table = Table(plan._replace(banks=(bank._replace(slots=slots, probe_slots=()),)))
        table.take(level().extremes())
        reading = table.read()
        assert reading.coldest_c == reading.hottest_c == (20.0 if kept.endswith("min") else 22.0)


def test_what_is_left_of_the_extremes_is_not_whole() -> None:
    """A cell or probe that was seen and is too old; one not yet seen, for as long as it may still come."""
    table, pack = full(Builder(optional=frozenset({"cell_voltage"})))
    table.t_us += AGE + 1
    table.take(pack.totals(), pack.extremes())
    assert (table.trouble(), table.read().lapsed) == (None, "cell_voltage 1 of bank1")
    table.take(*(pack.page(page) for page in range(6)))
    assert table.read().lapsed is None

    table = Table(Builder(optional=frozenset({"cell_voltage"})).plan())
    table.take(pack.totals(), pack.extremes())
    assert (table.trouble(), table.read().lapsed) == (None, "cell_voltage 1 of bank1")
    table.take(pack.page(1))
    table.t_us += AGE
    assert table.read().lapsed == "cell_voltage 1 of bank1"
    table.take(pack.totals(), pack.extremes(), pack.page(1))
    table.t_us += 1
    assert (table.trouble(), table.read().lapsed) == (None, None)  # it never came: nobody misses it


def test_what_is_required_and_not_yet_seen_is_missing_however_long() -> None:
    """The extremes of the rest are no extremes."""
    table, pack = Table(Builder().plan()), level()
    for _ in range(3):
        table.take(pack.totals(), pack.extremes(), pack.page(0))
        assert table.read().lapsed == "cell_voltage 4 of bank1"
        table.t_us += AGE


def test_contradictions_are_doubted_after_a_while() -> None:
    """Sum of cells, mean against the extremes, crossed extremes; within the tolerance nothing is."""
    cases: list[tuple[dict[str, float], str | None]] = [
        ({"volts": 53.2}, None),
        ({"volts": 53.4}, "sum of cells 52.80 V against pack 53.40 V"),
        ({"low_v": 3.35}, "lowest cell 3.35 V above highest 3.3 V"),
        ({"coldest_c": 22.5}, "lowest temperature 22.5 °C above highest 22 °C"),
    ]
    for change, expected in cases:
        table, pack = full(Builder(max_age_us=100 * SECOND))
        assert table.trouble() is None
        for name, value in change.items():
            setattr(pack, name, value)
        table.take(pack.totals(), pack.extremes())
        assert table.trouble(SECOND) is None
        doubt = table.read(1).doubt
        assert (None if doubt is None else doubt.subject) == (expected and f"bank bank1, {expected}")


def test_the_mean_lies_between_the_extremes() -> None:
    """Where the cells are not known one by one."""
    for volts, expected in (
        (54.0, "mean cell 3.375 V above highest 3.3 V"),
        (52.0, "mean cell 3.250 V below lowest 3.3 V"),
    ):
        speaker = level()
        speaker.volts = volts
        table, _ = full(Builder(parts=frozenset({"totals", "extremes"})), speaker)
        doubt = table.read().doubt
        assert doubt is not None
        assert doubt.subject == f"bank bank1, {expected}"


def test_just_the_tolerance_is_no_contradiction() -> None:
    """Of the sum, and of the mean against either extreme."""
    for parts in ({"totals", "extremes", "cells"}, {"totals", "extremes"}):
        for volts in (51.5, 52.5):
            speaker = level(16, 3.25)
            speaker.volts = volts
            table, _ = full(Builder(parts=frozenset(parts)), speaker)
            assert table.trouble() is None


def test_readings_that_never_agreed_are_given_no_time() -> None:
    """A pack that contradicts itself from the start is not trusted for a moment."""
    speaker = level()
    speaker.volts = 40.0
    table, pack = full(None, speaker)
    assert table.trouble() is Trouble.MISMATCH
    pack.volts = None
    table.take(pack.totals())
    assert table.trouble() is None


def test_optional_readings_that_are_gone_are_named() -> None:
    """Only those that bound a limit, and only once they were seen."""
    optional = frozenset(
        {"charge_permitted", "state_of_charge", "pack_current", "balancing", "discharge_permitted"}
    )
    table, _ = full(Builder(optional=optional))
    bank = table.plan.banks[0]
    assert table.pack.lost(bank, table.t_us + AGE) == []
    assert table.pack.lost(bank, table.t_us + AGE + 1) == [
        "charge_permitted of bank1",
        "discharge_permitted of bank1",
    ]
    assert Table(table.plan).pack.lost(bank, 99 * SECOND) == []

    draw = DRAW._replace(by_soc=Curve([0.0], [1.0]))
    table, _ = full(Builder(optional=optional, draw=draw))
    assert "state_of_charge of bank1" in table.pack.lost(bank, table.t_us + AGE + 1)
    by_soc = CHARGE._replace(by_soc=Curve([0.0], [1.0]))
    options = OPTIONS._replace(hold_while_balancing=True)
    table, _ = full(Builder(optional=optional, charge=by_soc, options=options))
    gone = table.pack.lost(bank, table.t_us + AGE + 1)
    assert {"state_of_charge of bank1", "balancing of bank1"} < set(gone)


def test_a_kept_reading_is_the_one_that_would_be_read() -> None:
    """Nothing new, nothing too old: the very same object."""
    table, pack = full()
    bank, t_us = table.plan.banks[0], table.t_us
    first = table.pack.read(bank, t_us)
    assert table.pack.read(bank, t_us + AGE) is first
    table.take(pack.totals())
    assert table.pack.read(bank, t_us) is not first


def test_a_kept_reading_lasts_as_long_as_the_first_of_its_parts() -> None:
    """And no longer, also when that is just now."""
    for first_look_us in (AGE // 2, AGE):
        table, pack = full()
        table.t_us += AGE // 4
        table.take(pack.extremes(), *(pack.page(page) for page in range(6)))
        assert table.trouble(first_look_us - AGE // 4) is None
        assert table.trouble(AGE - first_look_us) is None
        assert table.trouble(1) is Trouble.LATE


def test_a_kept_reading_agrees_all_along() -> None:
    """A contradiction after a long quiet is given its time."""
    table, pack = full(Builder(max_age_us=100 * SECOND))
    assert [table.trouble(), table.trouble(50 * SECOND)] == [None, None]
    pack.volts = 60.0
    table.take(pack.totals())
    assert [table.trouble(SECOND), table.trouble(1)] == [None, Trouble.MISMATCH]


def test_what_was_lost_before_a_restart_is_lost_until_it_is_seen() -> None:
    """By name; what was never missed is not missed now."""
    plan = Builder(optional=frozenset({"charge_permitted", "discharge_permitted"})).plan()
    bank = plan.banks[0]
    table = Table(plan)
    table.pack = PackState(plan, ["charge_permitted of bank1"])
    assert PackState(plan).lost(bank, SECOND) == []
    assert table.pack.lost(bank, SECOND) == ["charge_permitted of bank1"]
    known = {source.key for source in plan.sources}
    assert table.take(*(frame for frame in level().all() if frame.key in known)) == []
    assert table.pack.lost(bank, SECOND) == []


def test_what_another_one_knows_and_this_one_does_not_is_named() -> None:
    """Only what is not required, and bounds a limit."""
    builder = Builder(optional=frozenset({"cell_temperature_min"}))
    (knows, _), blank = full(builder), Table(builder.plan())
    assert blank.pack.unseen(knows.pack, SECOND) == {"cell_temperature_min of bank1"}
    assert knows.pack.unseen(blank.pack, SECOND) == frozenset()
    assert knows.pack.unseen(knows.pack, SECOND) == frozenset()
    assert blank.pack.unseen(blank.pack, SECOND) == frozenset()


def test_a_bank_has_faded_once_something_it_must_say_is_too_old_and_was_known() -> None:
    """Not before its last moment has passed, and not what was never seen."""
    (table, _), plan = full(), Builder().plan()
    never = PackState(plan)
    last_us = min(SECOND + age_us for _, age_us in plan.banks[0].required)
    assert never.faded(plan.banks, last_us + 1) == frozenset()
    assert table.pack.faded(plan.banks, last_us) == frozenset()
    assert table.pack.faded(plan.banks, last_us + 1) == {"bank1"}
    slots = [slot for slot, _ in plan.banks[0].required]
    assert {table.pack.seen_us(slot) for slot in slots} == {SECOND}


def test_what_counts_as_lost_later_is_added_to_what_did_before() -> None:
    """Each until it is seen."""
    plan = Builder(optional=frozenset({"charge_permitted", "discharge_permitted"})).plan()
    pack = PackState(plan, ["charge_permitted of bank1"])
    pack.lost_before(["discharge_permitted of bank1"])
    assert pack.lost(plan.banks[0], SECOND) == ["charge_permitted of bank1", "discharge_permitted of bank1"]


def test_an_optional_reading_is_known_up_to_its_last_moment() -> None:
    """As any other."""
    table, _ = full(Builder(optional=frozenset({"cell_temperature_min"})))
    (slot,) = (n for n, one in enumerate(table.plan.slots) if one.quantity == "cell_temperature_min")
    last_us = SECOND + table.plan.slots[slot].max_age_us
    assert "cell_temperature_min of bank1" in table.pack.known(last_us)
    assert "cell_temperature_min of bank1" not in table.pack.known(last_us + 1)
