"""A check, for people (rich, any width from 80 columns) and for programs (JSON).

Colours: Okabe and Ito's colour-blind-safe palette (2008); nothing is told by colour alone.
"""

import json
from typing import Any, Final

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bridge.errors import Problem, Severity
from bridge.profile.check import CheckReport
from bridge.profile.check_sent import SentRow, SentSignal

VERMILION: Final = "#D55E00"
ORANGE: Final = "#E69F00"
GREEN: Final = "#009E73"
BLUE: Final = "#56B4E9"

_COLOURS: Final = {
    "fail": VERMILION,
    "warn": ORANGE,
    "pass": GREEN,
    "note": BLUE,
}

_TITLES: Final = {
    Severity.FAIL: "Must be put right",
    Severity.WARN: "For you to judge",
    Severity.NOTE: "Worth knowing",
}

_VERDICTS: Final = {
    "pass": "nothing found that speaks against running it",
    "warn": "it can be run; read what is said below first",
    "fail": "it must not be run like this",
}


def print_report(report: CheckReport, console: Console) -> None:
    """Prints the whole report: verdict, findings, what will be sent and when, how long faults take."""
    word = Text(f" {report.verdict.upper()} ", style=f"bold reverse {_COLOURS[report.verdict]}")
    console.print(word, Text(f"{report.name}: {_VERDICTS[report.verdict]}"))
    for severity in Severity:
        print_problems(report.of(severity), console)
    console.print()
    console.print(_schedule(report))
    for row in report.sent:
        console.print(_message(row))
        console.print(_samples(row))
    _print_shares(report, console)
    _print_times(report, console)


def print_problems(problems: tuple[Problem, ...], console: Console) -> None:
    """Prints findings of one severity, each with its place, what was found and what is allowed."""
    if not problems:
        return
    severity = problems[0].severity
    console.print()
    console.print(Text(f"{_TITLES[severity]} ({len(problems)})", style=f"bold {_COLOURS[severity.value]}"))
    for problem in problems:
        console.print(Text(f"  {problem.file}: {problem.key}", style="bold"), soft_wrap=True)
        console.print(_indented(problem.found))
        console.print(_indented(f"{'hint' if severity is Severity.NOTE else 'allowed'}: {problem.allowed}"))


def _indented(text: str) -> Padding:
    """One text, wrapped with its left edge kept."""
    return Padding(Text(text, overflow="fold"), (0, 0, 0, 4), expand=False)


def _table(title: str) -> Table:
    return Table(title=Text(title, style="bold"), box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False)


def _schedule(report: CheckReport) -> Table:
    table = _table("What will be sent, and when (late: last bit, at worst)")
    table.add_column("id", no_wrap=True)
    table.add_column("message", overflow="fold")
    table.add_column("bus", overflow="fold")
    table.add_column("to", overflow="fold")
    for title in ("every ms", "from ms", "late ms"):
        table.add_column(title, justify="right", no_wrap=True)
    for row in report.sent:
        pages = f" ({len(row.samples)} pages)" if len(row.samples) > 1 else ""
        late = "no bound" if row.response_ms is None else f"{row.response_ms:.1f}"
        table.add_row(
            row.identifier,
            row.message + pages,
            row.bus,
            row.inverter,
            f"{row.period_ms:g}",
            f"{row.phase_ms:g}",
            late,
        )
    return table


def _message(row: SentRow) -> Table:
    table = _table(f"{row.message}, {row.identifier} on {row.bus}")
    table.add_column("signal", overflow="fold")
    table.add_column("carries", overflow="fold")
    table.add_column("step", justify="right", no_wrap=True)
    table.add_column("from", justify="right", no_wrap=True)
    table.add_column("to", justify="right", no_wrap=True)
    table.add_column("unit", no_wrap=True)
    for signal in row.signals:
        table.add_row(signal.signal, signal.content, *_numbers(signal), signal.unit)
    return table


def _numbers(signal: SentSignal) -> tuple[str, str, str]:
    if signal.step is None or signal.low is None or signal.high is None:
        return "", "", ""
    step = f"{signal.step:g}" if signal.step else "float"
    return step, f"{signal.low:g}", f"{signal.high:g}"


def _samples(row: SentRow) -> Text:
    lines = [f"sample  {row.identifier}  {sample}" for sample in row.samples]
    return Text("\n".join(lines), no_wrap=True)


def _print_shares(report: CheckReport, console: Console) -> None:
    if not report.shares:
        return
    console.print()
    console.print(Text("What each inverter is told at most", style="bold"))
    for row in report.shares:
        parts = [
            f"{word} {amps:g} A ({share:.1%})"
            for word, amps, share in (
                ("charge with", row.charge_a, row.charge_share),
                ("draw", row.discharge_a, row.discharge_share),
            )
            if amps is not None and share is not None
        ]
        console.print(_indented(f"{row.inverter}: {', '.join(parts)}"))


def _print_times(report: CheckReport, console: Console) -> None:
    console.print()
    console.print(Text("Buses and time", style="bold"))
    for bus in report.buses:
        text = f"{bus.name}: our own frames take at most {bus.load:.2%} of {bus.bitrate:,} bit/s"
        console.print(_indented(text))
    for budget in report.budgets:
        parts = ", ".join(f"{name} {part_s:.2f}" for name, part_s in budget.parts)
        text = (
            f"{budget.inverter}: told of lost data after at most {budget.worst_s:.2f} s ({parts}); "
            f"its own time-out is {budget.timeout_s:g} s"
        )
        console.print(_indented(text))


def as_json(report: CheckReport) -> str:
    """The report as JSON, two spaces of indentation; no NaN and no infinity in it."""
    tree: dict[str, Any] = {
        "file": report.file,
        "name": report.name,
        "verdict": report.verdict,
        "exit_code": report.exit_code,
        "problems": [
            {**problem._asdict(), "severity": problem.severity.value} for problem in report.problems
        ],
        "sent": [
            {**row._asdict(), "signals": [signal._asdict() for signal in row.signals]} for row in report.sent
        ],
        "buses": [bus._asdict() for bus in report.buses],
        "shares": [row._asdict() for row in report.shares],
        "budgets": [{**budget._asdict(), "parts": dict(budget.parts)} for budget in report.budgets],
    }
    return json.dumps(tree, indent=2, ensure_ascii=False, allow_nan=False)
