"""A simulated day: repeatable, conserving, told with reasons; and the oracle is never beaten."""

import csv
import io
import json
from functools import cache
from pathlib import Path

import pytest
from rich.console import Console

from bridge.core.failsafe import State
from bridge.errors import InputError
from bridge.profile.load import load_profile
from bridge.quantities import LIMITS
from bridge.simulate import report
from bridge.simulate.day import Setup, time_of_day
from bridge.simulate.inverter import Manners
from bridge.simulate.packs import PackWish
from bridge.simulate.plot import write_plot
from bridge.simulate.simulate import Day, simulate
from bridge.simulate.site import Charger
from bridge.simulate.table_file import COLUMNS, write_table
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
    """All causes less what was made up for later are what is missing in the end."""
    result = noon() if day is noon else evening()
    assert result.comparison is not None
    watch = result.comparison.watch
    missing_ah = (
        sum((ah if charging == (day is noon) else 0.0) for (charging, _), ah in watch.behind_ah.items())
        - watch.ahead_ah[day is noon]
    )
    oracle, record = watch.oracle, result.record
    expected = (
        (oracle.charged_ah - oracle.drawn_ah) - (record.charged.ah - record.drawn.ah)
        if day is noon
        else oracle.drawn_ah - record.drawn.ah
    )
    assert missing_ah == pytest.approx(expected, abs=0.02)


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
    for label in ("cell voltage, V", "pack voltage, V", "current, A", "charge, %", "time of day, hh:mm"):
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
    """Skipping frames that repeat, and every fifth tick only, moves no cell by more than 2 mV."""
    exact = Setup(hours=0.5, start_s=NOON.start_s, pack=NOON.pack, charger=NOON.charger, exact=True)
    rows = simulate(load_profile(CABIN), exact).record.rows
    for one, other in zip(rows, noon().record.rows, strict=False):
        assert one.look.high_v == pytest.approx(other.look.high_v, abs=0.002)
        assert one.look.soc_pct == pytest.approx(other.look.soc_pct, abs=0.05)


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
    """25:00 is one o'clock in the night after."""
    late = Setup(hours=8.0, start_s=18 * 3600.0)
    assert time_of_day(late.end_us) == "26:00:00"
    assert time_of_day(late.start_us, seconds=False) == "18:00"
