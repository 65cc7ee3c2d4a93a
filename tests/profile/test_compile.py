"""Compiling: what the plan holds, and what cannot be made into one."""

from pathlib import Path

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.wire.codec import Field
from bridge.core.wire.outgoing import CounterItem, FixedItem, FrameBuilder, QuantityItem
from bridge.errors import Severity
from bridge.profile.check_sent import sample_values
from bridge.profile.load import load_profile
from bridge.profile.pages import is_on, pages_for
from tests.profile.made import BOATHOUSE, CABIN, ROOT, loaded, refused

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A\n'
OUT = '\n[[transmission]]\ndbc = "own.dbc"\nmessage = "Extra"\nperiod_ms = 1000\n[transmission.signals]\n'


def extra(*signals: str, length: int = 8, key: int = 1999) -> str:
    """A DBC with one message `Extra`."""
    return HEAD + f"BO_ {key} Extra: {length} A\n" + "".join(f" SG_ {signal} A\n" for signal in signals)


# ── what is received ────────────────────────────────────────────────────────────────────────────────────


def test_every_required_quantity_has_its_own_age() -> None:
    """Ages are those of the reading, else of its source; optional readings are not required."""
    plan = load_profile(ROOT / "profiles" / "cabin.toml").plan
    ages = {plan.slots[slot].quantity: age for slot, age in plan.banks[0].required}

    assert ages["pack_voltage"] == 2_000_000
    assert ages["cell_voltage"] == 3_000_000
    assert "state_of_charge" not in ages
    assert "state_of_charge" in plan.banks[0].slots


def test_cells_are_in_the_order_of_their_numbers() -> None:
    """Cell 1 first, whatever the order of signals in the message."""
    plan = load_profile(ROOT / "profiles" / "boathouse.toml").plan

    for bank in plan.banks:
        assert [plan.slots[slot].index for slot in bank.cell_slots] == list(range(1, 17))
        assert {plan.slots[slot].owner for slot in bank.cell_slots} == {bank.name}


def test_a_heartbeat_belongs_to_its_inverter() -> None:
    """The inverter's sign of life is a slot of its own, and no bank depends on it."""
    plan = load_profile(ROOT / "profiles" / "boathouse.toml").plan
    heartbeat = plan.inverters[0].heartbeat

    assert heartbeat is not None
    assert plan.slots[heartbeat].owner == "hall"
    assert all(heartbeat not in dict(bank.required) for bank in plan.banks)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('"cell_01", "cell_02", "cell_03", "cell_04"', '"cell_01"', "bank[1]"),
        ("cell_voltage_max = {", "cell_voltage_mx = {", "source[2].signals.cell_voltage_mx"),
        ("first = 5", "first = 4", "source[4].signals.cell_voltage.signals[1]"),
        ("first = 13", "first = 14", "source[6].signals.cell_voltage.signals[4]"),
        ('counter = "count" ', 'counter = "cout" ', "source[7].counter"),
        ('charge_permitted = "may_charge"', 'charge_permitted = { signal = "may_charge", scale = 2.0 }',
         "source[7].signals.charge_permitted.scale"),
        ("range = [30, 65]", "range = [30, 6500]", "source[1].signals.pack_voltage.range"),
        ('inverter_heartbeat = "beat"', 'pack_voltage = "beat"', "source[8].signals.pack_voltage"),
    ],
)  # fmt: skip
def test_a_source_that_cannot_be_read_is_named(tmp_path: Path, old: str, new: str, key: str) -> None:
    """Wrong quantities, signals, cell numbers, ranges: each by its key."""
    changes = [(old, new)]
    if key == "bank[1]":  # extremes of their own would make up for missing cells
        changes += [("cell_voltage_max = {", "# "), ("cell_voltage_min = {", "# ")]

    assert key in refused(tmp_path, CABIN, *changes)


@pytest.mark.parametrize(
    "line",
    ['pack_voltage = { signal = "pack_volts", ', 'cell_temperature_min = { signal = "coldest_probe", '],
)
def test_what_a_bank_must_be_read_for_may_not_be_optional(tmp_path: Path, line: str) -> None:
    """Pack voltage and the coldest cell: without them no bank is run."""
    problems = refused(tmp_path, CABIN, (line, line + "optional = true, "))

    assert "bank[1]" in problems


def test_a_checksum_signal_must_be_as_wide_as_it_is(tmp_path: Path) -> None:
    """A counter of four bits cannot hold eight, and no checksum covers what is beyond the message."""
    problems = refused(
        tmp_path,
        BOATHOUSE,
        ('checksum = { signal = "check", algorithm = "sum8" }\n[source.signals]\npack_voltage',
         'checksum = { signal = "count", algorithm = "sum8" }\n[source.signals]\npack_voltage'),
        ('algorithm = "xor8" }\n[source.signals.cell_voltage]',
         'algorithm = "xor", width = 9 }\n[source.signals.cell_voltage]'),
    )  # fmt: skip

    assert "8 bits" in problems["source[1].checksum"].allowed
    assert "9 bits" in problems["source[3].checksum"].allowed


# ── what bounds it ──────────────────────────────────────────────────────────────────────────────────────


def test_a_short_profile_gets_its_limits_from_the_chemistry(tmp_path: Path) -> None:
    """Without [limits], 16 LFP cells charge to 16 times the chemistry's target."""
    start, end = CABIN.index("[limits]"), CABIN.index("[failsafe]")
    plan = loaded(tmp_path, CABIN[:start] + CABIN[end:]).plan

    assert plan.limits.charge_voltage_v == 56.0
    assert plan.limits.discharge_floor_v == pytest.approx(46.4)
    assert plan.limits.resting_v == pytest.approx(53.6)
    assert plan.banks[0].charge.by_coldest.at(0.0) == 0.0
    assert plan.limits.charge_a == 140.0


def test_a_deeply_discharged_cell_is_bounded_by_the_chemistry(tmp_path: Path) -> None:
    """LFP of 280 Ah: 14 A up to 2.5 V, all of it half way to the floor; nothing at 2 V until the floor."""
    deep = loaded(tmp_path, CABIN).plan.banks[0].charge.deep
    assert deep is not None
    assert deep.by_lowest.xs == (2.5, 2.7)
    assert deep.by_lowest.ys == pytest.approx((14.0 / 140.0, 1.0))
    assert (deep.lost_v, deep.release_v) == (2.0, 2.9)


def test_a_deeply_discharged_cell_may_be_bounded_more_tightly(tmp_path: Path) -> None:
    """Each number by its key; a bank of little current is not raised above it."""
    own = "cell_deep_v = 2.6\ncell_deep_end_v = 3.0\ncell_lost_v = 2.2\ncell_lost_release_v = 3.0"
    changes = ("[limits]\n", f"[limits]\n{own}\ndeep_charge_rate = 0.1\n"), ("280", "2000")
    deep = loaded(tmp_path, CABIN, *changes).plan.banks[0].charge.deep
    assert deep is not None
    assert (deep.by_lowest.xs, deep.by_lowest.ys) == ((2.6, 3.0), (1.0, 1.0))
    assert (deep.lost_v, deep.release_v) == (2.2, 3.0)
    floor = loaded(tmp_path, CABIN, ("cell_floor_v = 2.90", "cell_floor_v = 2.5")).plan.banks[0].charge.deep
    assert floor is not None
    assert (floor.by_lowest.xs, floor.release_v) == ((2.5, 2.55), 2.5)


@pytest.mark.parametrize("rate", ["-0.01", "0.11"])
def test_a_trickle_is_a_tenth_of_the_capacity_at_most(tmp_path: Path, rate: str) -> None:
    """More is no trickle."""
    assert "limits.deep_charge_rate" in refused(
        tmp_path, CABIN, ("[limits]\n", f"[limits]\ndeep_charge_rate = {rate}\n")
    )


def test_a_bank_may_have_a_curve_of_its_own(tmp_path: Path) -> None:
    """The bank's curve comes before that of [limits], and the other bank keeps that of [limits]."""
    own = "charge_by_coldest_cell = { temperature_c = [5, 20], share = [0.0, 0.5] }"
    plan = loaded(tmp_path, BOATHOUSE, ("charge_current_a = 120", f"charge_current_a = 120\n{own}")).plan

    assert plan.banks[0].charge.by_coldest.at(20.0) == 0.5
    assert plan.banks[1].charge.by_coldest.at(20.0) == 1.0


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("cell_knee_v = 3.6", "limits.cell_knee_v"),
        ("cell_low_knee_v = 2.8", "limits.cell_floor_v"),
        ("cell_cutoff_high_v = 3.5\ncell_cutoff_high_release_v = 3.5", "limits.cell_cutoff_high_release_v"),
        ("cell_cutoff_low_v = 2.9\ncell_cutoff_low_release_v = 2.8", "limits.cell_cutoff_low_v"),
        ("cell_lost_v = 2.6", "limits.cell_lost_v"),
        ("cell_lost_release_v = 1.9", "limits.cell_lost_v"),
        ("cell_deep_v = 2.8\ncell_deep_end_v = 2.8", "limits.cell_deep_v"),
        ("charge_coldest_c = 44", "limits.charge_coldest_c"),
        ("request_charge_below_cell_v = 3.2\nrequest_charge_until_cell_v = 3.1",
         "limits.request_charge_below_cell_v"),
    ],
)  # fmt: skip
def test_bounds_the_wrong_way_round_are_refused(tmp_path: Path, line: str, key: str) -> None:
    """Nothing can be computed between bounds that cross."""
    assert key in refused(tmp_path, CABIN, ("[limits]\n", f"[limits]\n{line}\n"))


# ── what is sent ────────────────────────────────────────────────────────────────────────────────────────


def test_phases_differ_by_themselves() -> None:
    """On one bus no two frames are ever due together."""
    for name in ("cabin", "boathouse"):
        plan = load_profile(ROOT / "profiles" / f"{name}.toml").plan
        due: set[tuple[str, int]] = set()
        for one in plan.transmissions:
            times = {(one.bus, one.phase_us + k * one.period_us) for k in range(10_000_000 // one.period_us)}
            assert not due & times
            due |= times


def test_pages_follow_from_the_mapped_signals() -> None:
    """Three pages, each with its selector; an independent decoder finds every mapped signal once."""
    profile = load_profile(ROOT / "profiles" / "boathouse.toml")
    news = profile.plan.transmissions[1]
    builder, values = FrameBuilder(news), sample_values(profile.plan)
    database = cantools.database.load_file(ROOT / "dbc_own" / "boathouse_inverter.dbc")
    assert isinstance(database, cantools.database.Database)
    message = database.get_message_by_name("StringNews")
    seen = [message.decode(builder.build(values).data) for _ in news.pages]

    assert len(seen) == 3
    assert sorted(name for page in seen for name in page if name != "page") == sorted(
        profile.profile.transmission[1].signals
    )
    assert all(isinstance(page[0], FixedItem) and page[0].signal == "page" for page in news.pages)


def test_a_text_goes_out_first_character_first(tmp_path: Path) -> None:
    """In both byte orders, padded behind its end."""
    dbc = extra('big : 7|32@0+ (1,0) [0|0] ""', 'little : 32|32@1+ (1,0) [0|0] ""')
    signals = 'big = { text = "BARN 7" }\nlittle = { text = "BARN 7", first = 4, length = 4 }\n'
    plan = loaded(tmp_path, CABIN + OUT + signals, dbc=dbc).plan

    assert FrameBuilder(plan.transmissions[-1]).build({}).data == b"BARN 7  "


def test_constants_choices_and_counters(tmp_path: Path) -> None:
    """A constant is a physical number, a choice comes from the table, a counter takes its whole width."""
    dbc = extra(
        'mode : 0|4@1+ (1,0) [0|0] ""', 'step : 8|8@1+ (0.5,-10) [0|0] ""', 'n : 16|3@1+ (1,0) [0|0] ""'
    )
    dbc += 'VAL_ 1999 mode 3 "Run" 4 "Rest" ;\n'
    signals = 'mode = { choice = "Run" }\nstep = { constant = 2.5 }\nn = { counter = { step = 2 } }\n'
    one = loaded(tmp_path, CABIN + OUT + signals, dbc=dbc).plan.transmissions[-1]

    assert one.pages == ((FixedItem("mode", 3), FixedItem("step", 25), CounterItem("n", 8, 2)),)


@pytest.mark.parametrize(
    ("signal", "content", "key"),
    [
        ('x : 0|4@1+ (1,0) [0|0] ""', "{ constant = 16 }", "x.constant"),
        ('x : 0|4@1+ (1,0) [0|0] ""', "{ constant = -1 }", "x.constant"),
        ('x : 0|4@1+ (0.5,0) [0|0] ""', "{ constant = 0.3 }", "x.constant"),
        ('x : 0|4@1+ (1,0) [0|0] ""', '{ choice = "Run" }', "x.choice"),
        ('x : 0|4@1+ (1,0) [0|0] ""', '{ text = "A" }', "x.text"),
        ('x : 4|8@1+ (1,0) [0|0] ""', '{ text = "A" }', "x.text"),
        ('x : 0|16@1+ (1,0) [0|0] ""', '{ text = "A", length = 1 }', "x.text"),
        ('x : 0|4@1+ (1,0) [0|0] ""', "{ counter = { modulo = 17 } }", "x.counter.modulo"),
        ('x : 0|4@1+ (1,0) [0|0] ""', '{ checksum = { algorithm = "sum8" } }', "x.checksum"),
        (
            'x : 0|8@1+ (1,0) [0|0] ""',
            '{ checksum = { algorithm = "sum8", over = [1, 7] } }',
            "x.checksum.over",
        ),
        ('x : 0|1@1+ (1,0) [0|0] ""', '{ flag = "alarm", true = 2 }', "x.true"),
        ('x : 0|1@1+ (1,0) [0|0] ""', '{ flag = "alarm", false = 1 }', "x.true"),
        ('x : 0|8@1+ (1,0) [0|0] ""', '{ flag = "pack_voltage" }', "x.flag"),
        ('x : 0|8@1+ (1,0) [0|0] ""', '"cell_voltage"', "x"),
        ('x : 0|8@1+ (1,0) [0|0] ""', '{ quantity = "pack_voltage", absent = 256 }', "x.absent"),
        ('x : 0|8@1+ (1,0) [3.2|3.8] ""', '"pack_voltage"', "x"),
    ],
)
def test_what_a_signal_cannot_say_is_refused(tmp_path: Path, signal: str, content: str, key: str) -> None:
    """Too narrow, off its grid, not in its table, not aligned: nothing wraps and nothing is rounded."""
    problems = refused(tmp_path, CABIN + OUT + f"x = {content}\n", dbc=extra(signal, length=4))

    assert f"transmission[5].signals.{key}" in problems


def test_two_senders_of_one_identifier_are_refused(tmp_path: Path) -> None:
    """Neither twice by us, nor what others send; the same number with 29 bits is another identifier."""
    signals = ('x : 0|8@1+ (1,0) [0|0] ""',)
    content = "x = { constant = 1 }\n"

    for key in (166, 1112):  # sent as PackBounds, received as PackOverview
        problems = refused(tmp_path, CABIN + OUT + content, dbc=extra(*signals, key=key))
        assert "identifier" in problems["transmission"].found
    assert loaded(tmp_path, CABIN + OUT + content, dbc=extra(*signals, key=166 | 0x8000_0000))


def test_a_message_longer_than_a_frame_is_refused(tmp_path: Path) -> None:
    """Nine bytes do not fit a classic CAN frame."""
    dbc = extra('x : 0|8@1+ (1,0) [0|0] ""', length=9)
    problems = refused(tmp_path, CABIN + OUT + "x = { constant = 1 }\n", dbc=dbc)

    assert "9 bytes" in problems["transmission[5].message"].found


def test_overlapping_signals_of_a_definition_are_refused(tmp_path: Path) -> None:
    """What stands in the DBC file is named by file, message and signal."""
    dbc = extra('x : 0|8@1+ (1,0) [0|0] ""', 'y : 7|8@1+ (1,0) [0|0] ""')
    problems = refused(tmp_path, CABIN + OUT + "x = { constant = 1 }\n", dbc=dbc)

    (problem,) = problems.values()
    assert (problem.severity, problem.file) == (Severity.FAIL, "own.dbc")
    assert "Extra." in problem.key


def test_a_start_value_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    """An unmapped signal is sent with its start value, so that must be one; mapped, it does not matter."""
    dbc = extra('x : 0|8@1+ (1,0) [0|0] ""', 'y : 8|4@1+ (1,0) [0|0] ""')
    dbc += 'BA_DEF_ SG_ "GenSigStartValue" INT 0 1000;\nBA_DEF_DEF_ "GenSigStartValue" 0;\n'
    dbc += 'BA_ "GenSigStartValue" SG_ 1999 y 16;\n'

    problems = refused(tmp_path, CABIN + OUT + "x = { constant = 1 }\n", dbc=dbc)
    assert "start value 16 of y" in problems["transmission[5].signals"].found
    assert loaded(tmp_path, CABIN + OUT + "x = { constant = 1 }\ny = { constant = 1 }\n", dbc=dbc)


def test_a_fixed_page_must_have_the_mapped_signals(tmp_path: Path) -> None:
    """A selector given as a constant gives one page; a signal of another page is refused."""
    dbc = extra('p M : 0|8@1+ (1,0) [0|0] ""', 'a m1 : 8|8@1+ (1,0) [0|0] ""', 'b m2 : 8|8@1+ (1,0) [0|0] ""')
    one = loaded(
        tmp_path, CABIN + OUT + "p = { constant = 2 }\nb = { constant = 5 }\n", dbc=dbc
    ).plan.transmissions[-1]
    assert one.pages == ((FixedItem("p", 2), FixedItem("b", 5)),)

    problems = refused(tmp_path, CABIN + OUT + "p = { constant = 2 }\na = { constant = 5 }\n", dbc=dbc)
    assert "transmission[5].signals.a" in problems
    problems = refused(tmp_path, CABIN + OUT + 'p = "alarm"\na = { constant = 5 }\n', dbc=dbc)
    assert "transmission[5].signals.p" in problems


CHAINS = st.lists(
    st.tuples(st.integers(0, 3), st.one_of(st.none(), st.integers(0, 2))), min_size=0, max_size=12
)


@given(CHAINS)
def test_every_mapped_signal_is_on_a_page(chains: list[tuple[int, int | None]]) -> None:
    """Whatever the nesting, each field is shown by some page, and no page is without a field."""
    fields = []
    for number, (outer, inner) in enumerate(chains):
        chain = [("outer", frozenset({outer}))]
        if inner is not None:
            chain.append((f"inner{outer}", frozenset({inner})))
        fields.append(Field(f"f{number}", 0, 8, mux=tuple(chain)))
    initial = dict.fromkeys(("outer", *(f"inner{n}" for n in range(4))), 0)

    pages, lost = pages_for(fields, {})

    assert not lost
    assert all(any(is_on(field, page, initial) for page in pages) for field in fields)
    assert not fields or all(any(is_on(field, page, initial) for field in fields) for page in pages)
    assert len(pages) <= max(1, len(set(chains)))


def test_a_limit_rounds_to_its_safe_side() -> None:
    """Currents and charge voltage down, the floor up, whatever the profile says."""
    bounds = load_profile(ROOT / "profiles" / "cabin.toml").plan.transmissions[0].pages[0]
    sides = {item.quantity: item.grid.rounding.value for item in bounds if isinstance(item, QuantityItem)}

    assert sides == {
        "charge_voltage_limit": "down",
        "charge_current_limit": "down",
        "discharge_current_limit": "down",
        "discharge_voltage_floor": "up",
    }
