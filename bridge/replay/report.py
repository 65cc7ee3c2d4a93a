"""A comparison for people (rich, any width from 80 columns).

Colours: Okabe and Ito's colour-blind-safe palette (2008); nothing is told by colour alone.
"""

from datetime import datetime
from typing import Final

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from bridge.core.failsafe import State
from bridge.quantities import LIMITS, QUANTITIES
from bridge.replay.compare import Comparison, Side
from bridge.replay.pairs import FramePair
from bridge.replay.phrases import clock, id_of, interval_line, lasted, number, percent, plain, verdict_of, why
from bridge.replay.report_json import as_json
from bridge.replay.timeline import Difference, Extreme, Stats
from bridge.words import amount

__all__ = ["as_json", "render"]

VERMILION: Final = "#D55E00"
GREEN: Final = "#009E73"
BLUE: Final = "#56B4E9"

_COLOURS: Final = {"LOOSER": VERMILION, "NOT EXACT": VERMILION, "ONE RUN": BLUE}

INTERVALS_SHOWN: Final = 10
FRAMES_SHOWN: Final = 40
"""Most intervals and frames in a report for people."""


def render(result: Comparison, console: Console, *, frames: bool = False) -> None:
    """Prints the whole report; `frames`: with the frames that differ, side by side."""
    _print_head(result, console)
    console.print(_limits(result))
    for side in (result.old, result.new):
        if side is None:
            continue
        console.print(_reasons(side))
    if result.old is not None:
        _print_intervals(result, console)
    if frames:
        _print_frames(result, console)


# ── head ────────────────────────────────────────────────────────────────────────────────────────────────


def _print_head(result: Comparison, console: Console) -> None:
    start = datetime.fromtimestamp(result.start_us / 1e6).astimezone()
    length = lasted(result.end_us - result.start_us)
    console.print(
        Text(f"{result.capture}: {length} from {start:%Y-%m-%d %H:%M:%S %Z} (UTC{start:%z}), local time")
    )
    console.print(Text(f"{result.received} frames of the pack and the inverter, {result.taken} believed"))
    for warning in result.warnings:
        console.print(Text(f"note: {warning}", style=BLUE))
    word, text = verdict_of(result)
    console.print(Text(f" {word} ", style=f"bold reverse {_COLOURS.get(word, GREEN)}"), Text(text))
    console.print()


# ── tables ──────────────────────────────────────────────────────────────────────────────────────────────


def _limits(result: Comparison) -> Table:
    old, new = result.old, result.new
    table = Table(box=box.SIMPLE_HEAD, title="Limits over time: lowest, mean, highest", title_justify="left")
    table.add_column("limit")
    sides = [side for side in (old, new) if side is not None]
    for side in sides:
        table.add_column(side.label, justify="right")
    if old is not None:
        for title in ("tighter", "equal", "looser"):
            table.add_column(title, justify="right")
    for name in LIMITS:
        cells = [f"{plain(name)}, {QUANTITIES[name].unit}", *(_span(side.limits[name]) for side in sides)]
        if name in result.limits:
            cells += _shares(result, name, result.limits[name])
        table.add_row(*cells)
    return table


def _shares(result: Comparison, name: str, row: Difference) -> list[str]:
    total_us = row.tighter_us + row.equal_us + row.looser_us

    def share(part_us: int, extreme: Extreme) -> str:
        if not part_us:
            return "–"
        text = percent(part_us, total_us)
        if extreme.by:
            at = clock(extreme.t_us - result.start_us)
            text += f"\nby {amount(name, extreme.by)}\nat {at}"
        return text

    return [
        share(row.tighter_us, row.most_tighter),
        share(row.equal_us, Extreme()),
        share(row.looser_us, row.most_looser),
    ]


def _reasons(side: Side) -> Table:
    """What one run was bound by, and for how long; its fail-safe states and its frames."""
    table = Table(box=box.SIMPLE_HEAD, title=f"{side.label}: how long each held", title_justify="left")
    table.add_column("")
    table.add_column("")
    table.add_column("time", justify="right")
    for state in State:
        if state in side.states_us:
            table.add_row("fail-safe state", state.name.lower(), lasted(side.states_us[state]))
    for name in LIMITS:
        found = sorted(side.limits[name].reasons_us.items(), key=lambda each: -each[1])
        for i, ((reason, bank), lasted_us) in enumerate(found):
            table.add_row("" if i else plain(name), why(reason, bank), lasted(lasted_us))
    counts = [("sent", side.sent), ("due, did not leave", side.unsent), *sorted(side.notes.items())]
    for i, (what, count) in enumerate((what, count) for what, count in counts if count):
        table.add_row("" if i else "frames", what, str(count))
    return table


def _print_intervals(result: Comparison, console: Console) -> None:
    if not result.intervals:
        return
    shown = result.intervals[:INTERVALS_SHOWN]
    count = f"{len(shown)} of {len(result.intervals)}" if len(shown) < len(result.intervals) else "all"
    console.print(Text(f"What differs, looser first, then the most significant ({count}):", style="bold"))
    for interval in shown:
        style = VERMILION if interval.looser else ""
        console.print(Text(f"  {interval_line(result, interval)}", style=style))
    console.print()


def _print_frames(result: Comparison, console: Console) -> None:
    if not result.frames:
        return
    shown = result.frames[:FRAMES_SHOWN]
    title = f"Frames that differ: the first {len(shown)} of {len(result.frames)}"
    table = Table(box=box.SIMPLE_HEAD, title=title, title_justify="left")
    table.add_column("time", no_wrap=True)
    table.add_column("id", no_wrap=True)
    table.add_column("old and new, hex", no_wrap=True)
    table.add_column("what differs")
    for pair in shown:
        at = pair.new or pair.old
        if at is not None:
            table.add_row(
                clock(pair.t_us - result.start_us), id_of(str(at.frame)), _hex(pair), _changed(pair)
            )
    console.print(table)


def _hex(pair: FramePair) -> str:
    return "\n".join(due.frame.data.hex().upper() if due else "–" for due in (pair.old, pair.new))


def _changed(pair: FramePair) -> str:
    if pair.old is None:
        return "only in the new run"
    if pair.new is None:
        return "only in the old run"
    return ", ".join(f"{name} {number(old)} → {number(new)}" for name, old, new in pair.changes)


def _span(stats: Stats) -> str:
    if stats.low is None or stats.mean is None or stats.high is None:
        return "–"
    return f"{stats.low:.2f}  {stats.mean:.2f}  {stats.high:.2f}"
