"""A simulated day for people (rich, any width from 80 columns)."""

from typing import Final

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import SECOND_US
from bridge.quantities import LIMITS
from bridge.replay.phrases import because, lasted, plain
from bridge.simulate.day import MIDNIGHT_US, Setup, time_of_day
from bridge.simulate.oracle import MOST_SHARE, Comparison
from bridge.simulate.palette import BLUE, GREEN, VERMILION
from bridge.simulate.phrases import cell_text, clock, moment, oracle_lines, setup_lines, verdict_of
from bridge.simulate.report_json import as_json
from bridge.simulate.simulate import Day
from bridge.simulate.turns import NEAR_V, Turn, folded
from bridge.words import amount

__all__ = ["as_json", "print_report"]

DAY_US: Final = 86_400 * SECOND_US

SHORTEST_SHARE: Final = 0.001
"""Reasons that bound for less than this share of the time are summed up."""

LEAST_AH: Final = 0.05
"""Causes that cost less than this are summed up."""


def print_report(day: Day, console: Console) -> None:
    """Prints the whole report."""
    for line in setup_lines(day):
        console.print(Text(line))
    word, text = verdict_of(day)
    console.print(Text(f" {word} ", style=f"bold reverse {_COLOURS[word]}"), Text(text))
    console.print()
    console.print(_turns(folded(day.record.turns.found)))
    console.print(_sums(day))
    console.print(_times(day))
    if day.comparison is not None:
        _print_comparison(day, day.comparison, console)


_COLOURS: Final = {
    "FINE": GREEN,
    "NEVER FOLLOWED": VERMILION,
    "PAST THE TARGET": VERMILION,
    "PAST THE FLOOR": VERMILION,
    "TRIPPED": VERMILION,
}


# ── tables ──────────────────────────────────────────────────────────────────────────────────────────────


def _turns(turns: list[Turn]) -> Table:
    table = _table("What happened, and why")
    table.add_column("time", no_wrap=True)
    table.add_column("", overflow="fold")
    day = 0
    for turn in turns:
        if (later := (turn.t_us - MIDNIGHT_US) // DAY_US) > day:
            day = later
            table.add_row(
                "", Text("── the next day ──" if day == 1 else f"── {day} days later ──", style="dim")
            )
        current = f"{turn.pack_a:+.1f}" if abs(turn.pack_a) >= 0.05 else "0.0"
        pack = f"{turn.pack_v:.2f} V  {current} A  {turn.soc_pct:.0f} %"
        style = "bold" if turn.text.startswith(("FULL", "EMPTY")) else ""
        apart = "" if turn.apart_ah is None else f", {turn.apart_ah:.1f} Ah apart"
        numbers = (f"\n{pack}  true cells {turn.low_v:.3f}–{turn.high_v:.3f} V{apart}", "dim")
        table.add_row(time_of_day(turn.t_us - day * DAY_US), Text.assemble((turn.text, style), numbers))
    return table


def _sums(day: Day) -> Table:
    record = day.record
    table = _table("The day in numbers")
    table.add_column("")
    table.add_column("", overflow="fold")
    limits = record.plan.limits
    start_ah, end_ah = day.stored_ah
    apart_ah, left_ah = day.apart_ah
    charged, drawn = record.charged, record.drawn
    rows = [
        ("full at", clock(record.turns.full_us)),
        ("down to the floor at", clock(record.turns.empty_us)),
        ("highest true cell", f"{cell_text(record.highest)}; target {limits.cell_target_v:.2f} V"),
        ("lowest true cell", f"{cell_text(record.lowest)}; floor {limits.cell_floor_v:.2f} V"),
        ("charged", f"{charged.ah:.1f} Ah, {charged.kwh:.2f} kWh"),
        ("drawn", f"{drawn.ah:.1f} Ah, {drawn.kwh:.2f} kWh"),
        ("sun not taken", f"{charged.missed_ah:.1f} Ah more could have been charged"),
        ("loads not served", f"{drawn.missed_ah:.1f} Ah more were asked for"),
        ("true charge", f"{start_ah:.1f} Ah at the start, {end_ah:.1f} Ah at the end"),
        ("highest cell at target", f"for {lasted(record.near_us)} (within {1000 * NEAR_V:g} mV)"),
        (
            "balancing",
            f"with the first cell full, the last would lack {left_ah:.2f} Ah ({apart_ah:.2f} at the start); "
            f"{day.bled_ah:.2f} Ah burnt, all cells together",
        ),
    ]
    if day.setup.pack.surroundings is not None:
        rows.append(("cells' temperatures", f"{record.coldest_c:.1f} to {record.hottest_c:.1f} °C"))
    if len(record.plan.banks) > 1:
        most_a, at_us = record.circulated
        rows.append(("between the banks", f"{most_a:.1f} A at most, at {time_of_day(at_us)}"))
    for row in rows:
        table.add_row(*row)
    return table


def _times(day: Day) -> Table:
    """How long each state and each reason held, and between which values."""
    limits, states_us = day.record.stats()
    spans = day.record.spans()
    total_us = sum(states_us.values())
    table = _table("How long each held, and at what")
    table.add_column("")
    table.add_column("", ratio=1, overflow="fold")
    table.add_column("at", justify="right", no_wrap=True)
    table.add_column("for", justify="right", no_wrap=True)
    for i, state in enumerate(state for state in State if state in states_us):
        table.add_row("" if i else "fail-safe state", state.name.lower(), "", lasted(states_us[state]))
    for name in LIMITS:
        ordered = sorted(limits[name].reasons_us.items(), key=lambda item: (-item[1], item[0][0].value))
        short_us = sum(us for _, us in ordered if us < SHORTEST_SHARE * total_us)
        shown = [
            (because(*reason), _between(name, *spans[name][reason]), us)
            for reason, us in ordered
            if us >= SHORTEST_SHARE * total_us
        ]
        if short_us:
            shown.append(("others", "", short_us))
        for i, (text, at, us) in enumerate(shown):
            table.add_row("" if i else plain(name), text, at, lasted(us))
    return table


def _between(name: str, low: float, high: float) -> str:
    """Two values of a limit with their unit; one, if they are alike."""
    texts = [amount(name, value) for value in (low, high)]
    return texts[0] if texts[0] == texts[1] else f"{texts[0].split()[0]} – {texts[1]}"


def _table(title: str) -> Table:
    return Table(box=box.SIMPLE_HEAD, title=title, title_justify="left", title_style="bold", expand=False)


# ── the oracle ──────────────────────────────────────────────────────────────────────────────────────────


def _print_comparison(day: Day, comparison: Comparison, console: Console) -> None:
    record, oracle = day.record, comparison.watch.oracle
    table = _table("Against the oracle")
    for title in ("", "this profile", "oracle", ""):
        table.add_column(title, justify="left" if not title else "right")
    if comparison.taken_ah is not None and comparison.most_us is not None:
        mine, best = comparison.taken_ah
        title = f"charge taken until {clock(comparison.ref_us)}"
        table.add_row(title, f"{mine:.2f} Ah", f"{best:.2f} Ah", _share(mine, best))
        mine_us, best_us = comparison.most_us
        title = f"{100 * MOST_SHARE:g} % of the oracle's charge at"
        table.add_row(title, *(_exact(us) for us in comparison.most_us), _slower(day.setup, mine_us, best_us))
    rows = (
        ("charged in all", record.charged.ah, oracle.charged_ah, "Ah"),
        ("drawn in all", record.drawn.ah, oracle.drawn_ah, "Ah"),
        ("energy delivered", record.drawn.kwh, oracle.drawn_kwh, "kWh"),
    )
    for title, mine, best, unit in rows:
        table.add_row(title, f"{mine:.2f} {unit}", f"{best:.2f} {unit}", _share(mine, best))
    console.print(table)
    console.print(_costs(comparison))
    for line in oracle_lines(day):
        console.print(Text(line, style=BLUE))


def _costs(comparison: Comparison) -> Table:
    table = _table("What flowed less than with the oracle, and why")
    table.add_column("")
    table.add_column("", ratio=1, overflow="fold")
    table.add_column("for", justify="right", no_wrap=True)
    table.add_column("Ah", justify="right", no_wrap=True)
    watch = comparison.watch
    for charging in (True, False):
        costs = sorted(
            ((cost, text) for (way, text), cost in watch.behind.items() if way is charging),
            key=lambda item: (-item[0].ah, item[1]),
        )
        small = [cost for cost, _ in costs if cost.ah < LEAST_AH]
        rows = [(text, lasted(cost.us), cost.ah) for cost, text in costs if cost.ah >= LEAST_AH]
        if small:
            rows.append(("others", lasted(sum(one.us for one in small)), sum(one.ah for one in small)))
        rows.append(("made up for later", "", -watch.ahead_ah[charging]))
        for i, (text, time, ah) in enumerate(rows):
            table.add_row("" if i else ("charging" if charging else "drawing"), text, time, _ah(ah))
        missing_ah = sum(ah for _, _, ah in rows)
        table.add_row("", Text("missing in the end", style="bold"), "", Text(_ah(missing_ah), style="bold"))
    return table


def _ah(ah: float) -> str:
    return f"{ah if abs(ah) >= 0.005 else 0.0:.2f}"


def _share(mine: float, best: float) -> str:
    return f"{100 * mine / best:.2f} %" if best > 0.0 else "–"


def _exact(t_us: int | None) -> str:
    return "never" if t_us is None else moment(t_us)


def _slower(setup: Setup, mine_us: int | None, best_us: int | None) -> str:
    if mine_us is None or best_us is None:
        return "–"
    return f"{(mine_us - setup.start_us) / (best_us - setup.start_us):.4f} times as long"
