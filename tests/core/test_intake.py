"""What one frame costs in which something says nothing, or cannot be believed."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.pack.intake import CONFIRMATIONS, is_unknown
from bridge.core.pack.state import Trouble
from bridge.core.plan.plan import Plan
from bridge.core.wire.codec import Decoder, Field, MessageLayout, encode_raws
from bridge.frames import Frame
from tests.core.plans import AGE, BUS, SECOND, Builder
from tests.core.rig import Rig, Speaker, level
from tests.core.test_pack import Table

ALL = frozenset({"totals", "extremes", "cells", "permits", "switch"})
QUANTITY = {"may_charge": "charge_permitted", "may_draw": "discharge_permitted"}


def changed(plan: Plan, quantity: str, **changes: Any) -> Plan:
    """The plan with the targets of one quantity changed."""
    sources = tuple(
        source._replace(
            targets=tuple(
                target._replace(**changes) if plan.slots[target.slot].quantity == quantity else target
                for target in source.targets
            )
        )
        for source in plan.sources
    )
    return plan._replace(sources=sources)


def seen(plan: Plan, pack: Speaker) -> Table:
    """A table that has seen everything once."""
    table = Table(plan)
    assert table.take(*(frame for frame in pack.all() if any(s.key == frame.key for s in plan.sources))) == []
    return table


def test_what_is_not_a_number_is_unknown_only_where_that_is_stated() -> None:
    """A span of numbers does not hold it."""
    target = Builder().plan().sources[0].targets[0]
    spans = target._replace(unknown=((5.0, 6.0),))
    assert [is_unknown(spans, number) for number in (4.9, 5.0, 6.0, 6.1, math.nan)] == [
        *(False, True, True, False, False)
    ]
    assert is_unknown(target._replace(unknown=((math.nan, math.nan),)), math.nan)
    assert not is_unknown(target._replace(unknown=((math.nan, math.nan),)), 5.0)


# ── what says nothing ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("optional", [True, False])
def test_what_is_unknown_is_left_out_and_the_rest_of_its_frame_is_taken(optional: bool) -> None:
    """It gets older: then it is late if it is required, and else not known."""
    needless = frozenset({"state_of_charge"} if optional else ())
    plan = changed(Builder(optional=needless).plan(), "state_of_charge", unknown=((127.0, 127.5),))
    pack = level()
    table = seen(plan, pack)
    pack.soc, pack.amps = 127.5, 33.0
    table.t_us += AGE
    assert table.take(*(pack.all()[:-1])) == []
    reading = table.read()
    assert (reading.soc, reading.current_a, reading.doubt) == (50.0, 33.0, None)
    table.t_us += 1
    assert table.read().soc is None
    assert table.trouble() is (None if optional else Trouble.LATE)


@given(st.floats(-200.0, 200.0), st.lists(st.tuples(st.floats(-200, 200), st.floats(0, 50)), max_size=3))
def test_only_numbers_within_the_stated_spans_are_unknown(
    coldest_c: float, rows: list[tuple[float, float]]
) -> None:
    """From and to, both included; whatever the believable span is."""
    spans = tuple((low, low + width) for low, width in rows)
    plan = changed(
        Builder(optional=frozenset({"cell_temperature_min"})).plan(), "cell_temperature_min", unknown=spans
    )
    pack = level()
    pack.coldest_c = round(coldest_c, 1)
    table = Table(plan)
    (left,) = (
        table.pack.take(s, SECOND, pack.extremes().data) for s in plan.sources if s.key == pack.extremes().key
    )
    number = round(pack.coldest_c * 10) * 0.1
    unknown = any(low <= number <= high for low, high in spans)
    believed = -50.0 <= number <= 120.0
    assert (left != {}) is (not unknown and not believed)
    slot = plan.banks[0].slots["cell_temperature_min"]
    assert (table.pack.fresh(slot, SECOND) is not None) is (believed and not unknown)


# ── what cannot be believed and is not required ─────────────────────────────────────────────────────


@pytest.mark.parametrize("quantity", ["state_of_charge", "cell_temperature_min"])
def test_an_optional_reading_that_cannot_be_believed_costs_itself_alone(quantity: str) -> None:
    """One probe that is not connected; told once, and again when it was good in between."""
    rig = Rig(Builder(optional=frozenset({quantity})).plan())
    pack = rig.speakers[0]
    pack.soc, pack.coldest_c = (127.5, 20.0) if quantity == "state_of_charge" else (50.0, -99.0)
    rig.run(4.0)
    assert rig.state() == 1
    notes = [note for note in rig.engine.take_notes() if note.kind != "waiting"]
    assert [(note.kind, note.subject) for note in notes] == [("left out", f"{quantity} of bank1")]
    assert "; allowed: " in notes[0].text
    pack.soc, pack.coldest_c = 50.0, 20.0
    rig.run(1.0)
    pack.soc, pack.coldest_c = 127.5, -99.0
    rig.hear([pack.totals() if quantity == "state_of_charge" else pack.extremes()])
    pack.soc, pack.coldest_c = 50.0, 20.0
    assert [note.kind for note in rig.engine.take_notes() if note.kind != "waiting"] == ["left out"]


def test_a_reading_that_bounded_a_limit_and_cannot_be_believed_any_more_counts_as_lost() -> None:
    """Once it is too old: no limit gets looser than it was."""
    rig = Rig(Builder(parts=ALL, optional=frozenset({"charge_current_permitted"})).plan(), level())
    pack = rig.speakers[0]
    pack.joined, pack.charge_most_a = 1, 20.0
    rig.run(12.0)
    assert rig.limits()[1] == 20.0
    pack.charge_most_a = 6553.5
    rig.run(1.5)
    assert rig.warnings() == ("charge_current_permitted of bank1 is lost",)
    rig.run(30.0)
    assert rig.limits()[1] == 20.0
    pack.charge_most_a = 60.0
    rig.run(10.0)
    assert rig.limits()[1] == 60.0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("optional", [True, False])
@pytest.mark.parametrize("listed", [True, False])
def test_what_is_not_a_number_is_like_any_other_that_cannot_be_believed(
    value: float, optional: bool, listed: bool
) -> None:
    """The frame is refused if it is required; it says nothing if the profile says so of NaN."""
    layout = MessageLayout("Totals", 0x100, 8, (Field("volts", 0, 16), Field("level", 16, 32, is_float=True)))
    needless = frozenset({"state_of_charge"} if optional else ())
    plan = Builder(parts=frozenset({"totals"}), optional=needless).plan()
    targets = tuple(
        target._replace(signal=signal, unknown=((math.nan, math.nan),) if listed else ())
        for target in plan.sources[0].targets
        for signal in {"volts": ("volts",), "charge": ("level",)}.get(target.signal, ())
    )
    decoder = Decoder(layout, ["volts", "level"], finite=False)
    source = plan.sources[0]._replace(decoder=decoder, targets=targets, counter=None, checksum=None)
    table = Table(plan._replace(sources=(source,)))
    pattern = {math.inf: 0x7F800000, -math.inf: 0xFF800000}.get(value, 0x7FC00000)
    frame = Frame(BUS, 0x100, encode_raws(layout, {"volts": 52, "level": pattern}))
    refused = table.take(frame)
    nothing = listed and math.isnan(value)
    assert bool(refused) is (not optional and not nothing)
    assert all("not a finite number" in text for text in refused)
    slot = plan.banks[0].slots["pack_voltage"]
    assert table.pack.fresh(slot, table.t_us) == (None if refused else 52.0)


def test_an_optional_reading_that_jumped_is_believed_once_frames_in_a_row_agree() -> None:
    """The others of its frame are taken all along, and a jump to and fro is never believed."""
    builder = Builder(jumps={"state_of_charge": 10.0}, optional=frozenset({"state_of_charge"}))
    pack = level()
    table = seen(builder.plan(), pack)
    socs = []
    for n, soc in enumerate([90.0, 20.0, 90.0, 20.0, 80.0, 81.0, 82.0, 50.0, 82.0, 82.5]):
        pack.soc, pack.amps = soc, float(n)
        assert table.take(pack.totals()) == []
        reading = table.read()
        socs.append(reading.soc)
        assert (reading.current_a, reading.doubt) == (float(n), None)
    assert CONFIRMATIONS == 3
    assert socs == [50.0] * 6 + [82.0] * 3 + [82.5]


def test_what_is_unknown_neither_confirms_a_jump_nor_stands_in_its_way() -> None:
    """A required reading of the same frame has jumped to a new level."""
    builder = Builder(jumps={"pack_voltage": 2.0, "state_of_charge": 5.0})
    plan = changed(builder.plan(), "state_of_charge", unknown=((127.5, 127.5),))
    pack = level()
    table = seen(plan, pack)
    pack.cells_v = [3.45] * 16
    for soc in (50.0, 127.5, 50.0):
        pack.soc = soc
        refused = table.take(pack.totals())
    assert refused == []
    assert table.read().pack_v == 55.2
    table.take(*(frame for frame in pack.all()[:-1] if frame.key != 0x103))
    assert table.trouble() is None


# ── yes, no, and neither ────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("number", [2, 3])
@pytest.mark.parametrize("part", ["may_charge", "may_draw"])
def test_a_required_permission_that_is_neither_yes_nor_no_is_withdrawn_at_once(
    part: str, number: int
) -> None:
    """And doubt follows: its frame is refused."""
    rig = Rig(Builder().plan())
    rig.run(12.0)
    assert min(rig.limits()[1:3]) > 0.0
    setattr(rig.speakers[0], part, number)
    rig.run(0.2)
    limit = rig.limits()[1 if part == "may_charge" else 2]
    assert (rig.state().name, limit) == ("HOLDING", 0.0)
    rig.run(3.0)
    assert (rig.state().name, rig.limits()[1:3]) == ("SAFE", (0.0, 0.0))
    (text,) = {note.text for note in rig.engine.take_notes() if note.kind == "refused"}
    assert text == f"Totals of bank1: {part} {number}; allowed: 1 for yes, 0 for no"
    setattr(rig.speakers[0], part, 1)
    rig.run(9.0)
    assert min(rig.limits()[1:3]) > 0.0


@pytest.mark.parametrize("unknown", [((2.0, 3.0),), ()])
def test_an_optional_permission_that_is_neither_permits_nothing(
    unknown: tuple[tuple[float, float], ...],
) -> None:
    """Whether the profile knows the number or not, once it has been seen; and the pack goes on."""
    plan = Builder(optional=frozenset({"charge_permitted"})).plan()
    rig = Rig(changed(plan, "charge_permitted", unknown=unknown))
    pack = rig.speakers[0]
    rig.run(12.0)
    pack.may_charge = 3
    for _ in range(20):
        rig.run(0.2)
        assert rig.limits()[1] == 0.0
    assert rig.state() == 1
    assert rig.limits()[2] > 0.0
    assert len([note for note in rig.engine.take_notes() if note.kind == "left out"]) == (not unknown)
    pack.may_charge = 1
    rig.run(10.0)
    assert rig.limits()[1] > 0.0


@pytest.mark.parametrize("optional", [True, False])
def test_a_withdrawn_permission_stays_so_and_a_required_one_gets_older_as_well(optional: bool) -> None:
    """A number that says nothing withdraws it as one that says no does; required, it is late by then."""
    needless = frozenset({"charge_permitted"} if optional else ())
    plan = changed(Builder(optional=needless).plan(), "charge_permitted", unknown=((2.0, 3.0),))
    pack = level()
    table = seen(plan, pack)
    pack.may_charge = 3
    table.t_us += AGE // 2
    assert table.take(*pack.all()[:-1]) == []
    assert table.read().charge_permitted == 0.0
    table.t_us += AGE // 2 + 1
    reading = table.read()
    assert reading.charge_permitted == (0.0 if optional else None)
    assert (reading.doubt is None) is optional


def test_a_permission_that_is_never_said_and_not_required_bounds_nothing() -> None:
    """Not available from the first frame on, as the profile says it may be."""
    plan = Builder(optional=frozenset({"charge_permitted"})).plan()
    rig = Rig(changed(plan, "charge_permitted", unknown=((2.0, 3.0),)))
    rig.speakers[0].may_charge = 3
    rig.run(12.0)
    assert rig.limits()[1] > 0.0


@pytest.mark.parametrize("optional", [True, False])
@pytest.mark.parametrize("unknown", [((2.0, 255.0),), ()])
def test_a_switch_that_says_neither_is_no_word_that_the_bank_is_apart(
    optional: bool, unknown: tuple[tuple[float, float], ...]
) -> None:
    """It counts at once, whatever was said before; in doubt where the switch is required."""
    needless = frozenset({"bank_connected"} if optional else ())
    plan = Builder(parts=ALL, banks=2, optional=needless).plan()
    rig = Rig(changed(plan, "bank_connected", unknown=unknown), level(), level(number=1))
    rig.speakers[0].joined, rig.speakers[1].joined = 1, 0
    rig.run(12.0)
    assert rig.engine._pack.read(plan.banks[1], rig.t_us).apart
    rig.speakers[1].joined = 3
    rig.run(0.2)
    reading = rig.engine._pack.read(plan.banks[1], rig.t_us)
    assert not reading.apart
    assert (reading.doubt is None) is optional
    assert rig.state().name == ("FOLLOWING" if optional else "HOLDING")


def test_a_flag_is_read_by_both_of_its_sets() -> None:
    """Yes, no, and anything else."""
    plan = changed(Builder().plan(), "balancing", truth=frozenset({1.0, 2.0}), falsity=frozenset({3.0}))
    pack = level()
    pack.bleeding = 3
    table = seen(plan, pack)
    found = []
    for bleeding in (1, 2, 3, 0):
        pack.bleeding = bleeding
        found.append((len(table.take(pack.totals())), table.read().balancing))
    assert found == [(0, 1.0), (0, 1.0), (0, 0.0), (1, 0.0)]


def test_only_the_word_that_a_bank_is_apart_falls_when_its_switch_says_nothing() -> None:
    """A reading of 0, and a bank that is joined, count up to their age all the same."""
    plan = Builder(parts=ALL, optional=frozenset({"state_of_charge", "bank_connected"})).plan()
    plan = changed(plan, "state_of_charge", unknown=((127.5, 127.5),))
    plan = changed(plan, "bank_connected", unknown=((2.0, 255.0),))
    pack = level()
    pack.soc, pack.joined = 0.0, 1
    table = seen(plan, pack)
    pack.soc, pack.joined = 127.5, 3
    assert table.take(*pack.all()) == []
    reading = table.read(AGE)
    assert (reading.soc, reading.connected) == (0.0, 1.0)
    reading = table.read(1)
    assert (reading.soc, reading.connected) == (None, None)
    pack.joined = 0
    table.take(*pack.all())
    assert table.read().connected == 0.0
    pack.joined = 3
    table.take(*pack.all())
    assert table.read().connected is None
