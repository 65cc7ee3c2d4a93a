"""The drill's table, for people and for programs."""

import json
from typing import Any, Final

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from bridge.drill.result import DrillReport, Outcome, Result

# Okabe and Ito, "Color Universal Design" (2008): bluish green, vermillion, orange, and a grey.
COLOURS: Final = {
    Outcome.PASS: "#009E73",
    Outcome.FAIL: "#D55E00",
    Outcome.SKIPPED: "#E69F00",
    Outcome.NOT_APPLICABLE: "grey58",
}

WORDS: Final = {
    Outcome.PASS: "pass",
    Outcome.FAIL: "FAIL",
    Outcome.SKIPPED: "skip",
    Outcome.NOT_APPLICABLE: "n/a",
}


def print_report(report: DrillReport, console: Console) -> None:
    """Prints the table: tried faults in columns, the others in a list below it."""
    table = Table(box=box.SIMPLE, pad_edge=False, title=f"{report.profile}: drill on {report.where}")
    table.add_column("", no_wrap=True)
    table.add_column("fault, and what was injected", ratio=5, overflow="fold")
    table.add_column("what the inverter saw", ratio=4, overflow="fold")
    table.add_column("took", justify="right", no_wrap=True)
    table.add_column("allowed", justify="right", no_wrap=True)
    rest = []
    for result in report.results:
        if result.outcome in (Outcome.NOT_APPLICABLE, Outcome.SKIPPED):
            rest.append(result)
            continue
        fault = Text.assemble((result.name, "bold"), f"\n{result.injected}")
        took, allowed = _seconds(result.took_s), _seconds(result.allowed_s)
        table.add_row(_mark(result), fault, _saw(result), took, allowed)
    console.print(table)
    for result in rest:
        console.print(Text(f"{result.name}: {result.outcome.value}: {'; '.join(result.remarks)}"))
    console.print(_verdict(report))


def progress_line(result: Result, number: int, of: int) -> str:
    """One line as soon as a fault is through: `3/46 pass  pack silent (5.20 s of 5.80 s)`."""
    took = "" if result.took_s is None else f" ({_seconds(result.took_s)} of {_seconds(result.allowed_s)})"
    why = f": {result.remarks[0]}" if result.outcome is Outcome.FAIL and result.remarks else ""
    return f"{number:>{len(str(of))}}/{of} {WORDS[result.outcome]:4}  {result.name}{took}{why}"


def as_json(report: DrillReport) -> str:
    """The same for programs: a JSON text."""
    result: dict[str, Any] = {
        "profile": report.profile,
        "where": report.where,
        "ok": report.ok,
        **({"partial": True} if report.partial else {}),
        "faults": [
            {**one._asdict(), "outcome": one.outcome.value, "remarks": list(one.remarks)}
            for one in report.results
        ],
    }
    return json.dumps(result, indent=2, allow_nan=False)


def _mark(result: Result) -> Text:
    return Text(WORDS[result.outcome], style=COLOURS[result.outcome])


def _saw(result: Result) -> Text:
    text = Text(result.saw)
    if result.outcome is Outcome.FAIL:
        text.append(f"\nwanted: {result.wanted}")
        for remark in result.remarks:
            text.append(f"\n{remark}", style=COLOURS[Outcome.FAIL])
    return text


def _seconds(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f} s"


def _verdict(report: DrillReport) -> Text:
    counts = {outcome: sum(r.outcome is outcome for r in report.results) for outcome in Outcome}
    told = ", ".join(f"{count} {outcome.value}" for outcome, count in counts.items() if count)
    outcome = Outcome.PASS if report.ok else Outcome.FAIL
    if report.partial:
        told += f"; stopped: partial, {len(report.results)} of {report.planned} faults"
    return Text(told or "no fault of that name", style=COLOURS[outcome])
