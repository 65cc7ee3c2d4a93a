"""A simulated day: repeatable, conserving, told with reasons; and the oracle is never beaten."""

import csv
import dataclasses
import io
import itertools
import json
from functools import cache
from pathlib import Path

import pytest
from rich.console import Console

from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import SECOND_US
from bridge.core.plan.reasons import Contribution, Limit, Reason
from bridge.core.told.decision import Decision
from bridge.errors import InputError
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.load import load_profile
from bridge.quantities import LIMITS
from bridge.simulate import report
from bridge.simulate.day import Setup, time_of_day
from bridge.simulate.heat import Surroundings
from bridge.simulate.inverter import FORBIDDEN, Manners
from bridge.simulate.packs import SOURCES, STAND_INS, PackWish
from bridge.simulate.phrases import moment, setup_lines
from bridge.simulate.plot import MARK_SHARE, _marks, write_plot
from bridge.simulate.record import Record
from bridge.simulate.simulate import Day, simulate
from bridge.simulate.site import Charger
from bridge.simulate.table_file import COLUMNS, write_table
from bridge.simulate.turns import CUT, JOINED, RESTARTED, STANDS, cause_of, folded, governor_of
from tests.service.fakes import ROOT

CABIN = ROOT / "profiles" / "cabin.toml"
BOATHOUSE = ROOT / "profiles" / "boathouse.toml"
STEPS = Manners(volt_step=0.1, amp_step=0.1)

NOON = Setup(
    hours=1.0,
    start_s=12.5 * 3600.0,
    pack=PackWish(charge=0.93),
    charger=Charger(manners=STEPS),
)
"""An hour in which the cabin's pack gets full."""

EVENING = Setup(hours=1.0, start_s=18.5 * 3600.0, pack=PackWish(charge=0.14), charger=Charger(manners=STEPS))
"""An hour in which it comes down to its floor."""


@cache
def noon() -> Day:
    """Once for all tests."""
    return simulate(load_profile(CABIN), NOON, compare_oracle=True)


@cache
def evening() -> Day:
    """Once for all tests."""
    return simulate(load_profile(CABIN), EVENING, compare_oracle=True)


def test_charge_and_energy_are_conserved() -> None:
    """What is stored is what was, plus what flowed in, less what was bled; energy fits to voltage."""
    for day in (noon(), evening()):
        charged, drawn = day.record.charged, day.record.drawn
        gained_ah = day.stored_ah[1] - day.stored_ah[0]
        cells = sum(bank.cells for bank in day.record.plan.banks)
        assert gained_ah == pytest.approx(charged.ah - drawn.ah - day.bled_ah / cells, abs=1e-9)
        for flow in (charged, drawn):
            assert 46.0 * flow.ah / 1000 <= flow.kwh <= 56.1 * flow.ah / 1000


def test_the_turning_points_of_a_noon_are_told_with_their_reasons() -> None:
    """Trusted, free, tapered, balancing, full: in this order, and each with its why."""
    texts = [turn.text for turn in noon().record.turns.found]
    at = -1
    for words in (
        "starting: waiting for trusted data",
        "no limit binds: sun and loads get what they ask for",
        "balancing begins",
        "FULL: the highest cell is at its target",
    ):
        at = next(n for n, text in enumerate(texts) if n > at and words in text)
    assert any(" governs: " in text for text in texts)
    assert noon().record.turns.full_us is not None
    times = [turn.t_us for turn in noon().record.turns.found]
    assert times == sorted(times)


def test_the_evening_goes_down_to_the_floor() -> None:
    """The loads are held back for the lowest cell's sake, the floor is reached and told."""
    record = evening().record
    assert record.turns.empty_us is not None
    assert any("discharge current limit governs" in turn.text for turn in record.turns.found)
    assert record.drawn.missed_ah > 1.0
    assert record.lowest.voltage_v < record.plan.limits.cell_floor_v + 0.02


def test_extremes_are_those_of_the_true_cells() -> None:
    """No row has a cell beyond the extremes, and the extremes are named by bank and cell."""
    for day in (noon(), evening()):
        record = day.record
        assert max(row.look.high_v for row in record.rows) <= record.highest.voltage_v
        assert min(row.look.low_v for row in record.rows) >= record.lowest.voltage_v
        assert record.highest.bank == "shelf"
        assert 1 <= record.highest.cell <= 16


def test_every_second_has_a_state_and_a_reason() -> None:
    """Times by state, and by reason of each limit, add up to the whole."""
    limits, states_us = noon().record.stats()
    whole_us = NOON.end_us - NOON.start_us - NOON.step_us
    assert sum(states_us.values()) == whole_us
    assert states_us[State.FOLLOWING] > 0.99 * whole_us
    for name in LIMITS:
        assert sum(limits[name].reasons_us.values()) == whole_us


@pytest.mark.parametrize("day", [noon, evening])
def test_nobody_beats_the_oracle(day: object) -> None:
    """At no time has a profile that kept to its bounds taken more, or delivered more, than the oracle."""
    result = noon() if day is noon else evening()
    record, comparison = result.record, result.comparison
    assert comparison is not None
    oracle = comparison.watch.oracle
    assert record.over_target.most_v == 0.0
    assert record.drawn.kwh <= oracle.drawn_kwh + 1e-6
    if day is noon:
        for mine_ah, best_ah in zip(comparison.watch.stored_ah, oracle.stored_ah, strict=True):
            assert mine_ah <= best_ah + 1e-3
        assert comparison.taken_ah is not None
        assert 0.9 < comparison.taken_ah[0] / comparison.taken_ah[1] <= 1.0 + 1e-6


@pytest.mark.parametrize("day", [noon, evening])
def test_what_costs_the_rest_adds_up(day: object) -> None:
    """All causes, less what was made up for later, are what is missing in the end, to the last mAh."""
    result = noon() if day is noon else evening()
    assert result.comparison is not None
    watch = result.comparison.watch
    behind_ah = {
        charging: sum(cost.ah for (way, _), cost in watch.behind.items() if way is charging)
        for charging in (True, False)
    }
    missing_ah = {charging: behind_ah[charging] - watch.ahead_ah[charging] for charging in (True, False)}
    oracle, record = watch.oracle, result.record
    gained_ah = record.charged.ah - record.drawn.ah
    expected_ah = oracle.charged_ah - oracle.drawn_ah - gained_ah

    assert behind_ah[day is noon] > 0.1
    assert missing_ah[True] - missing_ah[False] == pytest.approx(expected_ah, abs=1e-6)
    whole_us = result.setup.end_us - result.setup.start_us
    assert all(cost.ah > 0.0 and cost.us > 0 for cost in watch.behind.values())
    assert sum(cost.us for cost in watch.behind.values()) <= whole_us


def test_the_same_options_give_the_same_file(tmp_path: Path) -> None:
    """Byte for byte; another seed gives another file."""
    setup = Setup(hours=0.25, start_s=10 * 3600.0, weather="clouds", load="steps")
    files = []
    for n, seed in enumerate((4, 4, 5)):
        mine = Setup(
            hours=0.25, start_s=setup.start_s, weather="clouds", load="steps", pack=PackWish(seed=seed)
        )
        write_table(tmp_path / f"{n}.csv", simulate(load_profile(CABIN), mine).record)
        files.append((tmp_path / f"{n}.csv").read_bytes())

    assert files[0] == files[1]
    assert files[0] != files[2]


def test_the_table_has_its_columns_and_a_row_for_each_time(tmp_path: Path) -> None:
    """Every column is documented, numbers are numbers, and rows come every ten seconds."""
    path = tmp_path / "noon.csv"
    write_table(path, noon().record)
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))

    assert tuple(rows[0]) == tuple(COLUMNS)
    assert [int(row["seconds"]) for row in rows] == list(range(10, 3601, 10))
    assert rows[0]["time"] == "12:30:10"
    for row in rows:
        assert 2.5 < float(row["lowest_cell_v"]) <= float(row["highest_cell_v"]) < 3.65
        assert row["state"] in {state.name.lower() for state in State}
        assert float(row["pack_v"]) == pytest.approx(16 * float(row["lowest_cell_v"]), abs=3.0)
    assert max(float(row["charge_current_limit_a"]) for row in rows) == 140.0
    assert len({row["charge_current_reason"] for row in rows}) > 1


def test_what_cannot_be_written_is_one_clear_error(tmp_path: Path) -> None:
    """File, found and allowed; for the table as for the picture."""
    with pytest.raises(InputError, match=r"cannot be written.*allowed"):
        write_table(tmp_path, noon().record)
    with pytest.raises(InputError, match=r"cannot be written.*allowed"):
        write_plot(tmp_path / "no" / "such.png", noon())


def test_a_picture_is_drawn(tmp_path: Path) -> None:
    """A PNG of some size in which many colours occur; an HTML page with all labels and units in it."""
    from matplotlib import image

    write_plot(tmp_path / "noon.png", noon())
    pixels = image.imread(tmp_path / "noon.png")
    assert pixels.shape[0] > 800
    assert pixels.shape[1] > 800
    assert len({tuple(pixel) for pixel in pixels[::7, ::7].reshape(-1, pixels.shape[2]).tolist()}) > 20

    write_plot(tmp_path / "noon.html", noon())
    page = (tmp_path / "noon.html").read_text()
    assert page.count(f"<!-- {noon().record.turns.found[0].text} -->") == 1
    for label in (
        "What happened, and why",
        "cell voltage, V",
        "pack voltage, V",
        "current, A",
        "charge, %",
        "time of day, hh:mm",
    ):
        assert f"<!-- {label} -->" in page
    assert page.count("<svg") == 1


def test_the_report_fits_a_terminal_and_says_everything() -> None:
    """80 columns; verdict, reasons, extremes, the oracle and its nature."""
    out = io.StringIO()
    report.print_report(noon(), Console(file=out, width=80, color_system=None))
    text = out.getvalue()
    assert max(map(len, text.splitlines())) <= 80
    for words in (
        "FINE",
        "FULL",
        "highest true cell",
        "How long each held",
        "charge voltage limit",
        "Against the oracle",
        "physical bound",
        "missing in the end",
    ):
        assert words in text
    parsed = json.loads(report.as_json(noon()))
    assert parsed["verdict"] == "fine"
    assert parsed["oracle"]["taken_ah"][0] > 0.0


@pytest.mark.slow
def test_quick_and_exact_agree() -> None:
    """Skipping frames that repeat, and most ticks, moves no cell by more than 6 mV, and that for a moment.

    The trials of the charge law fall some seconds earlier or later. What is charged is the same.
    """
    exact = Setup(hours=0.5, start_s=NOON.start_s, pack=NOON.pack, charger=NOON.charger, exact=True)
    rows = simulate(load_profile(CABIN), exact).record.rows
    for one, other in zip(rows, noon().record.rows, strict=False):
        assert one.look.high_v == pytest.approx(other.look.high_v, abs=0.006)
        assert one.look.soc_pct == pytest.approx(other.look.soc_pct, abs=0.05)


def test_a_profile_that_believes_nothing_old_is_followed_too(tmp_path: Path) -> None:
    """Nothing may be left out of a step where readings count for less than one."""
    text = CABIN.read_text().replace('"../dbc_own/', f'"{CABIN.parents[1]}/dbc_own/')
    (tmp_path / "hasty.toml").write_text(text.replace("max_age_s = 2.0", "max_age_s = 0.8"))
    setup = Setup(hours=0.05, start_s=12 * 3600.0)
    day = simulate(load_profile(tmp_path / "hasty.toml"), setup)
    assert day.record.rows[-1].state is State.FOLLOWING


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["runner", "contact", "weak"])
def test_two_banks_and_odd_packs(kind: str) -> None:
    """The other scenario with every trouble: banks, pages, counters, checksums; no cell leaves its span."""
    setup = Setup(hours=0.4, start_s=12 * 3600.0, pack=PackWish(kind, charge=0.95), load="steps")
    day = simulate(load_profile(BOATHOUSE), setup)

    assert not day.tripped
    assert day.record.rows[-1].state is State.FOLLOWING
    assert day.record.charged.ah > 1.0


def test_cold_cells_are_not_charged() -> None:
    """At -5 °C the sun is left outside, and the reason is told."""
    setup = Setup(hours=0.1, start_s=12 * 3600.0, pack=PackWish(charge=0.5, temperature_c=-5.0), load="none")
    record = simulate(load_profile(CABIN), setup).record

    assert record.charged.ah < 0.01
    assert any("temperature" in turn.text or "coldest" in turn.text for turn in record.turns.found)


def test_the_clock_goes_on_after_midnight() -> None:
    """25:00 is one o'clock in the night after; a person is told that it is another day."""
    late = Setup(hours=8.0, start_s=18 * 3600.0)
    assert time_of_day(late.end_us) == "26:00:00"
    assert time_of_day(late.start_us, seconds=False) == "18:00"
    assert moment(late.end_us) == "02:00:00 the next day"
    assert moment(late.end_us + 3 * 86_400 * SECOND_US, seconds=False) == "02:00 4 days later"


def _silent(restarts_s: float | None) -> Record:
    """Five minutes of sun, the cable to the inverter cut in the second and third."""
    setup = Setup(
        hours=5 / 60,
        start_s=12 * 3600.0,
        pack=PackWish(charge=0.5),
        load="none",
        charger=Charger(manners=STEPS._replace(restarts_after_s=restarts_s)),
        silence=(12 * 3600.0 + 60.0, 120.0),
    )
    return simulate(load_profile(CABIN), setup).record


def test_an_inverter_that_hears_nothing_stands_still_until_it_is_told_again() -> None:
    """Cut, its own time-out, whole again: each is a turning point, and no current flows in between."""
    record = _silent(None)
    texts = [turn.text for turn in record.turns.found]

    assert [text for text in texts if text in (CUT, STANDS, JOINED)] == [CUT, STANDS, JOINED]
    assert RESTARTED not in texts
    flows = {(row.look.t_us - record.setup.start_us) // SECOND_US: row.look.pack_a for row in record.rows}
    assert flows[60] > 30.0
    assert abs(flows[120]) < 0.01
    assert abs(flows[180]) < 0.01
    assert flows[290] > 30.0


def test_an_inverter_that_restarts_unasked_is_told_as_such() -> None:
    """Twenty seconds after its time-out it goes on with the last limits it heard, whatever they were."""
    record = _silent(20.0)
    (turn,) = (turn for turn in record.turns.found if turn.text == RESTARTED)
    flows = {(row.look.t_us - record.setup.start_us) // SECOND_US: row.look.pack_a for row in record.rows}

    assert 85 * SECOND_US < turn.t_us - record.setup.start_us < 95 * SECOND_US
    assert abs(flows[80]) < 1.0
    assert flows[120] > 30.0


def test_a_new_pack_is_commissioned_before_your_eyes(tmp_path: Path) -> None:
    """Gently, with the shown charge in its window, progress in words; at the end all of that is over."""
    text = CABIN.read_text().replace("../dbc_own", str(ROOT / "dbc_own"))
    wish = (
        "[commissioning]\nuntil = 2030-01-01T00:00:00Z\ncharge_current_a = 28\ncells_within_v = 0.030\n"
        "steady_min = 5\ntell_every_min = 5\nshown_low_pct = 20\nshown_high_pct = 90\n"
    )
    path = tmp_path / "new.toml"
    path.write_text(f"{text}\n{wish}")
    setup = Setup(hours=0.9, start_s=12 * 3600.0, pack=PackWish("balanced", charge=0.978), load="none")
    record = simulate(load_profile(path), setup).record
    told = [turn for turn in record.turns.found if turn.text.startswith("top balance")]

    assert "on its way to 3.500 V" in told[0].text
    assert any("wanted 30 mV" in turn.text for turn in told[1:-1])
    assert told[-1].text.startswith("top balance done: cells within")
    busy = [row for row in record.rows if row.look.t_us < told[-1].t_us]
    assert max(row.look.pack_a for row in busy) == pytest.approx(28.0, abs=0.1)
    assert {row.shown_pct for row in busy[10:]} == {90.0}
    assert record.rows[-1].shown_pct == pytest.approx(record.rows[-1].look.soc_pct, abs=1.0)
    assert record.over_target.lasted_us == 0
    assert any("gently, while the pack is commissioned" in turn.text for turn in record.turns.found)


def test_cells_warm_up_in_a_cold_shed_and_their_temperatures_are_recorded(tmp_path: Path) -> None:
    """Air that warms up, losses, and what the monitors say of it: the table has the coldest and hottest."""
    pack = PackWish("contact", charge=0.4, temperature_c=14.0, surroundings=Surroundings(14.0, 5.0, 39_600.0))
    setup = Setup(hours=0.2, start_s=39_600.0, pack=pack, load="none", sun_a=130.0)
    day = simulate(load_profile(CABIN), setup, compare_oracle=True)
    write_table(tmp_path / "day.csv", day.record)
    with (tmp_path / "day.csv").open(newline="") as file:
        last = list(csv.DictReader(file))[-1]

    assert 14.0 < float(last["coldest_cell_c"]) < float(last["hottest_cell_c"]) - 0.2
    assert day.record.hottest_c == pytest.approx(float(last["hottest_cell_c"]), abs=0.05)
    assert day.record.charged.ah > 10.0
    out = io.StringIO()
    report.print_report(day, Console(file=out, width=80, color_system=None))
    assert "cells' temperatures" in out.getvalue()


def test_a_stand_in_for_an_open_circuit_curve_is_told_as_such() -> None:
    """Every chemistry has a published curve, which is named, or says that it has none."""
    assert set(SOURCES) | set(STAND_INS) == set(CHEMISTRIES)
    assert not set(SOURCES) & set(STAND_INS)
    for name, chemistry in CHEMISTRIES.items():
        lines = "; ".join(setup_lines(dataclasses.replace(noon(), chemistry=chemistry)))
        assert (f"A STAND-IN for {name}" in lines) is (name in STAND_INS)
        assert name in STAND_INS or SOURCES[name] in lines


def test_a_rise_withheld_is_told_by_what_would_bind_otherwise() -> None:
    """Lowest of what else bounds a maximum, highest of what else bounds the floor."""
    near, far = Contribution(Reason.CELL_TARGET, 5.0, "one"), Contribution(Reason.CONFIGURED, 9.0, "")
    kept = Contribution(Reason.NOT_WORTH_IT, 4.0, "")
    free = Limit(5.0, near, (far, near))

    assert cause_of("charge_current_limit", free) is near
    assert cause_of("charge_current_limit", Limit(4.0, kept, (far, near, kept))) is near
    high = Contribution(Reason.NOT_WORTH_IT, 10.0, "")
    assert cause_of("discharge_voltage_floor", Limit(10.0, high, (far, near, high))) is far


def test_what_happens_again_and_again_is_folded() -> None:
    """Six times it is told, then how often it comes after that; one more is not worth folding."""
    (one, *_) = noon().record.turns.found
    often = [one._replace(t_us=n, text="again") for n in range(20)]
    seven = [one._replace(text="seven") for _ in range(7)]
    told = [turn.text for turn in folded([*often, one, *seven])]

    assert told == [*["again"] * 5, "again … and 14 times more", one.text, *["seven"] * 7]


@pytest.mark.parametrize("minutes", [0.0, 3.0, 90.0])
def test_marks_of_the_picture_do_not_overlap(minutes: float) -> None:
    """Turns near each other share a mark; every turn is in one."""
    (one, *_) = noon().record.turns.found
    turns = [one._replace(t_us=one.t_us + round(n * minutes * 60 * SECOND_US)) for n in range(10)]
    marks = _marks(turns, 24.0)

    assert all(b - a >= MARK_SHARE * 24.0 for (a, _), (b, _) in itertools.pairwise(marks))
    numbers = [int(n) for _, text in marks for n in text.split("–")]
    assert numbers[0] == 1
    assert numbers[-1] == 10
    assert numbers == sorted(numbers)


def test_what_forbids_a_current_is_what_is_said() -> None:
    """A rise that would be too small is no reason that something is not allowed."""
    still = Limit(
        50.0, Contribution(Reason.CONFIGURED, 50.0, ""), (Contribution(Reason.CONFIGURED, 50.0, ""),)
    )
    cold = Contribution(Reason.COLDEST_CELL, 0.0, "shelf")
    small, kept = Contribution(Reason.COLDEST_CELL, 0.4, "shelf"), Contribution(Reason.NOT_WORTH_IT, 0.0, "")

    def told(*found: Contribution) -> str:
        charge = Limit(0.0, found[-1], found)
        return governor_of(
            FORBIDDEN, 10.0, Decision(0, State.FOLLOWING, "", still, charge, still, still, {}, ())
        )

    assert told(cold) == "charging is not allowed: taper by the coldest cell (bank shelf)"
    assert told(small, kept) == (
        "charging waits: 0.4 A would be too little for a change: taper by the coldest cell (bank shelf)"
    )
