"""A comparison for people (rich, any width from 80 columns).

Colours: Okabe and Ito's colour-blind-safe palette (2008); nothing is told by colour alone.
"""

from datetime import datetime
from typing import Final

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from bridge.core.failsafe.machine import State
from bridge.quantities import LIMITS, QUANTITIES
from bridge.replay.compare import Comparison, Side
from bridge.replay.pairs import FramePair
from bridge.replay.phrases import (
    because,
    clock,
    id_of,
    interval_line,
    lasted,
    number,
    percent,
    plain,
    verdict_of,
)
from bridge.replay.report_json import as_json
from bridge.replay.timeline import NONE, Difference, Extreme, Stats
from bridge.words import amount

__all__ = ["as_json", "print_report"]

VERMILION: Final = "#D55E00"
GREEN: Final = "#009E73"
BLUE: Final = "#56B4E9"

_COLOURS: Final = {"LOOSER": VERMILION, "NOT EXACT": VERMILION, "ONE RUN": BLUE}

INTERVALS_SHOWN: Final = 10
FRAMES_SHOWN: Final = 40
"""Most intervals and frames in a report for people."""


def print_report(result: Comparison, console: Console, *, frames: bool = False) -> None:
    """Prints the whole report; `frames`: with the frames that differ, side by side."""
    _print_head(result, console)
    console.print(_limits(result))
    console.print(_times(result))
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
    if result.old is not None:
        console.print(Text(f"old: {result.old.label}   new: {result.new.label}"))
    console.print()


# ── tables ──────────────────────────────────────────────────────────────────────────────────────────────


def _sides(result: Comparison) -> list[Side]:
    return [result.new] if result.old is None else [result.old, result.new]


def _titles(result: Comparison) -> list[str]:
    return [result.new.label] if result.old is None else ["old", "new"]


def _limits(result: Comparison) -> Table:
    table = _table("Limits over time")
    table.add_column("limit")
    table.add_column("")
    for title in _titles(result):
        table.add_column(title, justify="right")
    for title in ("tighter", "equal", "looser") if result.old is not None else ():
        table.add_column(title, justify="right")
    for name in LIMITS:
        cells = [f"{plain(name)}, {QUANTITIES[name].unit}", "lowest\nmean\nhighest"]
        cells += [_span(side.limits[name]) for side in _sides(result)]
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
            at = clock(extreme.t_us - result.start_us).partition(".")[0].lstrip("+")
            text += f"\nby {amount(name, extreme.by)}\nat {at}"
        return text

    return [
        share(row.tighter_us, row.most_tighter),
        share(row.equal_us, NONE),
        share(row.looser_us, row.most_looser),
    ]


def _times(result: Comparison) -> Table:
    """How long each state and each reason held; how many frames there were."""
    sides = _sides(result)
    table = _table("How long each held")
    table.add_column("")
    table.add_column("")
    for title in _titles(result):
        table.add_column(title, justify="right", no_wrap=True)
    states = [state for state in State if any(state in side.states_us for side in sides)]
    for i, state in enumerate(states):
        times = [_time(side.states_us.get(state)) for side in sides]
        table.add_row("" if i else "fail-safe state", state.name.lower(), *times)
    for name in LIMITS:
        of_side = [side.limits[name].reasons_us for side in sides]
        reasons = {why for reasons_us in of_side for why in reasons_us}
        longest = sorted(reasons, key=lambda why: -max(us.get(why, 0) for us in of_side))
        for i, (reason, bank) in enumerate(longest):
            times = [_time(reasons_us.get((reason, bank))) for reasons_us in of_side]
            table.add_row("" if i else plain(name), because(reason, bank), *times)
    table.add_row("frames", "sent", *(str(side.sent) for side in sides))
    if any(side.unsent for side in sides):
        table.add_row("", "due, but did not leave", *(str(side.unsent) for side in sides))
    for kind in sorted({kind for side in sides for kind in side.notes}):
        table.add_row("", kind, *(str(side.notes.get(kind, "–")) for side in sides))
    return table


def _table(title: str) -> Table:
    return Table(box=box.SIMPLE_HEAD, title=title, title_justify="left", title_style="bold")


def _time(us: int | None) -> str:
    return "–" if us is None else lasted(us)


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
    table = _table(title)
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
        return "–\n–\n–"
    return f"{stats.low:.2f}\n{stats.mean:.2f}\n{stats.high:.2f}"
