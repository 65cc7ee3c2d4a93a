"""A simulated day for people (rich, any width from 80 columns) and for programs (JSON)."""

import json
from typing import Any, Final

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from bridge.core.failsafe import State
from bridge.quantities import LIMITS
from bridge.replay.phrases import because, lasted, percent, plain
from bridge.simulate.day import Setup, time_of_day
from bridge.simulate.oracle import MOST_SHARE, Comparison
from bridge.simulate.packs import KINDS
from bridge.simulate.palette import BLUE, GREEN, VERMILION
from bridge.simulate.record import Excess, Extreme
from bridge.simulate.simulate import Day
from bridge.simulate.sky import LOADS, WEATHERS
from bridge.simulate.turns import Turn

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
    console.print(_turns(day.record.turns.found))
    console.print(_sums(day))
    console.print(_times(day))
    if day.comparison is not None:
        _print_comparison(day, day.comparison, console)


_COLOURS: Final = {
    "FINE": GREEN,
    "PAST THE TARGET": VERMILION,
    "PAST THE FLOOR": VERMILION,
    "TRIPPED": VERMILION,
}


# ── head ────────────────────────────────────────────────────────────────────────────────────────────────


def setup_lines(day: Day) -> list[str]:
    """What was simulated, a line each."""
    setup = day.setup
    pack = setup.pack
    sun = f", {setup.sun_a:g} A at noon" if setup.sun_a is not None else ""
    return [
        f"{day.record.plan.name}: {setup.hours:g} h from {_clock(setup.start_us)}, all simulated, "
        f"{day.received} frames in and {day.sent} out",
        f"pack: {pack.kind}: {KINDS[pack.kind]}; {100 * pack.charge:g} % at the start, "
        f"{pack.temperature_c:g} °C; seed {pack.seed}",
        f"sensors: steps of {1000 * pack.sensor_step_v:g} mV, up to {1000 * pack.sensor_error_v:g} mV wrong",
        f"sky: {WEATHERS[setup.weather]}{sun}; load: {LOADS[setup.load]}",
        f"charger: {_charger(setup)}",
    ]


def _charger(setup: Setup) -> str:
    charger, manners = setup.charger, setup.charger.manners
    words = [f"lag {charger.lag_s:g} s", f"steps of {manners.volt_step:g} V and {manners.amp_step:g} A"]
    if charger.reads_high_v:
        way = "high" if charger.reads_high_v > 0 else "low"
        words.append(f"reads {abs(charger.reads_high_v):g} V {way}")
    if manners.late_s:
        words.append(f"acts on a limit {manners.late_s:g} s late")
    if manners.least_charge_a:
        words.append(f"charges with {manners.least_charge_a:g} A at least")
    if manners.ignores:
        words.append(f"IGNORES the charge {manners.ignores} limit")
    return ", ".join(words)


def verdict_of(day: Day) -> tuple[str, str]:
    """The word and the sentence that sum the day up."""
    record, chemistry, limits = day.record, day.chemistry, day.record.plan.limits
    high, low = record.highest, record.lowest
    if day.tripped:
        text = f"{_cell(high)} and {_cell(low)}; these cells bear {chemistry.cell_min_v:g} to "
        return "TRIPPED", f"{text}{chemistry.cell_max_v:g} V: an independent protection would have cut off"
    if record.over_target.lasted_us:
        return (
            "PAST THE TARGET",
            f"{_cell(high)}, {_excess(record.over_target)} over {limits.cell_target_v:g} V",
        )
    if record.under_floor.lasted_us:
        return (
            "PAST THE FLOOR",
            f"{_cell(low)}, {_excess(record.under_floor)} under {limits.cell_floor_v:g} V",
        )
    return "FINE", (
        f"no true cell left {limits.cell_floor_v:.2f} to {limits.cell_target_v:.2f} V: "
        f"lowest {low.voltage_v:.4f}, highest {high.voltage_v:.4f} V"
    )


def _excess(excess: Excess) -> str:
    return f"up to {1000 * excess.most_v:.1f} mV, for {lasted(excess.lasted_us)} in all"


def _cell(extreme: Extreme) -> str:
    return (
        f"cell {extreme.cell} of bank {extreme.bank} at {extreme.voltage_v:.4f} V "
        f"at {time_of_day(extreme.t_us)}"
    )


def _clock(t_us: int | None) -> str:
    return "never" if t_us is None else time_of_day(t_us, seconds=False)


# ── tables ──────────────────────────────────────────────────────────────────────────────────────────────


def _turns(turns: list[Turn]) -> Table:
    table = _table("What happened, and why")
    table.add_column("time", no_wrap=True)
    table.add_column("", overflow="fold")
    for turn in turns:
        current = f"{turn.pack_a:+.1f}" if abs(turn.pack_a) >= 0.05 else "0.0"
        pack = f"{turn.pack_v:.2f} V  {current} A  {turn.soc_pct:.0f} %"
        style = "bold" if turn.text.startswith(("FULL", "EMPTY")) else ""
        numbers = (f"\n{pack}  true cells {turn.low_v:.3f}–{turn.high_v:.3f} V", "dim")
        table.add_row(time_of_day(turn.t_us), Text.assemble((turn.text, style), numbers))
    return table


def _sums(day: Day) -> Table:
    record = day.record
    table = _table("The day in numbers")
    table.add_column("")
    table.add_column("", overflow="fold")
    limits = record.plan.limits
    start_ah, end_ah = day.stored_ah
    charged, drawn = record.charged, record.drawn
    rows = [
        ("full at", _clock(record.turns.full_us)),
        ("down to the floor at", _clock(record.turns.empty_us)),
        ("highest true cell", f"{_cell(record.highest)}; target {limits.cell_target_v:.2f} V"),
        ("lowest true cell", f"{_cell(record.lowest)}; floor {limits.cell_floor_v:.2f} V"),
        ("charged", f"{charged.ah:.1f} Ah, {charged.kwh:.2f} kWh"),
        ("drawn", f"{drawn.ah:.1f} Ah, {drawn.kwh:.2f} kWh"),
        ("sun not taken", f"{charged.missed_ah:.1f} Ah"),
        ("loads not served", f"{drawn.missed_ah:.1f} Ah"),
        ("true charge", f"{start_ah:.1f} Ah at the start, {end_ah:.1f} Ah at the end"),
        ("burnt by balancers", f"{day.bled_ah:.2f} Ah, all cells together"),
    ]
    for row in rows:
        table.add_row(*row)
    return table


def _times(day: Day) -> Table:
    """How long each state and each reason held."""
    limits, states_us = day.record.stats()
    total_us = sum(states_us.values())
    table = _table("How long each held")
    table.add_column("")
    table.add_column("", ratio=1, overflow="fold")
    table.add_column("time", justify="right", no_wrap=True)
    table.add_column("share", justify="right", no_wrap=True)
    for i, state in enumerate(state for state in State if state in states_us):
        us = states_us[state]
        table.add_row("" if i else "fail-safe state", state.name.lower(), lasted(us), percent(us, total_us))
    for name in LIMITS:
        ordered = sorted(limits[name].reasons_us.items(), key=lambda item: (-item[1], item[0][0].value))
        short_us = sum(us for _, us in ordered if us < SHORTEST_SHARE * total_us)
        shown = [(because(*reason), us) for reason, us in ordered if us >= SHORTEST_SHARE * total_us]
        if short_us:
            shown.append(("others", short_us))
        for i, (text, us) in enumerate(shown):
            table.add_row("" if i else plain(name), text, lasted(us), percent(us, total_us))
    return table


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
        title = f"charge taken until {_clock(comparison.ref_us)}"
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


def oracle_lines(day: Day) -> list[str]:
    """What the oracle is, and what the comparison cannot say."""
    limits, comparison = day.record.plan.limits, day.comparison
    lines = [
        "The oracle is a physical bound: the largest current at every step that keeps every true cell at or "
        f"under {limits.cell_target_v:g} V and at or above {limits.cell_floor_v:g} V, under the same sun and "
        "loads, within the configured currents. It knows every true cell; no charger can."
    ]
    if comparison is not None and comparison.ref_us is None:
        lines.append("The oracle was never full in this time: there is no time to full to compare.")
    if day.record.over_target.lasted_us or day.record.under_floor.lasted_us:
        lines.append("Cells went past the target or the floor: what that brought is no merit.")
    return lines


def _costs(comparison: Comparison) -> Table:
    table = _table("What flowed less than with the oracle, and why")
    table.add_column("")
    table.add_column("", ratio=1, overflow="fold")
    table.add_column("Ah", justify="right", no_wrap=True)
    watch = comparison.watch
    for charging in (True, False):
        costs = sorted(
            ((ah, text) for (way, text), ah in watch.behind_ah.items() if way is charging), reverse=True
        )
        small_ah = sum(ah for ah, _ in costs if ah < LEAST_AH)
        rows = [(text, ah) for ah, text in costs if ah >= LEAST_AH]
        rows.append(("others", small_ah))
        rows.append(("made up for later", -watch.ahead_ah[charging]))
        for i, (text, ah) in enumerate(rows):
            table.add_row("" if i else ("charging" if charging else "drawing"), text, f"{ah + 0.0:.2f}")
        table.add_row("", Text("missing in the end", style="bold"), f"{sum(ah for _, ah in rows):.2f}")
    return table


def _share(mine: float, best: float) -> str:
    return f"{100 * mine / best:.2f} %" if best > 0.0 else "–"


def _exact(t_us: int | None) -> str:
    return "never" if t_us is None else time_of_day(t_us)


def _slower(setup: Setup, mine_us: int | None, best_us: int | None) -> str:
    if mine_us is None or best_us is None:
        return "–"
    return f"{(mine_us - setup.start_us) / (best_us - setup.start_us):.4f} times as long"


# ── for programs ────────────────────────────────────────────────────────────────────────────────────────


def as_json(day: Day) -> str:
    """The same for programs: a JSON text. Times are in seconds since the start."""
    record, setup, comparison = day.record, day.setup, day.comparison

    def since(t_us: int | None) -> float | None:
        return None if t_us is None else (t_us - setup.start_us) / 1e6

    limits, states_us = record.stats()
    result: dict[str, Any] = {
        "profile": str(day.loaded.path),
        "setup": setup_lines(day),
        "verdict": verdict_of(day)[0].lower(),
        "tripped": day.tripped,
        "full_s": since(record.turns.full_us),
        "empty_s": since(record.turns.empty_us),
        "highest_cell": _extreme(record.highest, since(record.highest.t_us)),
        "lowest_cell": _extreme(record.lowest, since(record.lowest.t_us)),
        "over_target_v": record.over_target.most_v,
        "under_floor_v": record.under_floor.most_v,
        "charged": {
            "ah": record.charged.ah,
            "kwh": record.charged.kwh,
            "missed_ah": record.charged.missed_ah,
        },
        "drawn": {"ah": record.drawn.ah, "kwh": record.drawn.kwh, "missed_ah": record.drawn.missed_ah},
        "bled_ah": day.bled_ah,
        "stored_ah": list(day.stored_ah),
        "states_s": {state.name.lower(): us / 1e6 for state, us in states_us.items()},
        "reasons_s": {
            name: {because(*reason): us / 1e6 for reason, us in limits[name].reasons_us.items()}
            for name in LIMITS
        },
        "turns": [{"s": since(turn.t_us), "text": turn.text} for turn in record.turns.found],
    }
    if comparison is not None:
        watch = comparison.watch
        result["oracle"] = {
            "compared_s": since(comparison.ref_us),
            "taken_ah": comparison.taken_ah,
            "most_s": [since(us) for us in comparison.most_us] if comparison.most_us else None,
            "charged_ah": watch.oracle.charged_ah,
            "drawn_ah": watch.oracle.drawn_ah,
            "drawn_kwh": watch.oracle.drawn_kwh,
            "behind_charging_ah": {text: ah for (way, text), ah in watch.behind_ah.items() if way},
            "behind_drawing_ah": {text: ah for (way, text), ah in watch.behind_ah.items() if not way},
            "ahead_ah": {"charging": watch.ahead_ah[True], "drawing": watch.ahead_ah[False]},
        }
    return json.dumps(result, indent=2, allow_nan=False)


def _extreme(extreme: Extreme, since_s: float | None) -> dict[str, Any]:
    return {"v": extreme.voltage_v, "s": since_s, "bank": extreme.bank, "cell": extreme.cell}
