"""A simulated day as a picture: PNG, or an HTML page with the drawing in it. Needs matplotlib.

Everything is told by place, form or label as well as by colour.
"""

import html
import io
from pathlib import Path
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bridge.core.plan.plan import SECOND_US
from bridge.errors import InputError, Problem, Severity
from bridge.quantities import LIMITS
from bridge.simulate.day import MIDNIGHT_US
from bridge.simulate.palette import BLACK, DEEP_BLUE, GREEN, ORANGE, PURPLE, SKY_BLUE, VERMILION, YELLOW
from bridge.simulate.phrases import moment, setup_lines, verdict_of
from bridge.simulate.record import Record, Row
from bridge.simulate.simulate import Day
from bridge.simulate.turns import Turn, folded

HOUR_US: Final = 3600 * SECOND_US
WIDTH_IN, HEIGHT_IN, DPI = 12.0, 12.0, 110
PANELS_IN: Final = (2.4, 1.9, 2.4, 1.3, 2.4)
LINE_IN: Final = 0.19
"""For each turn in the list below."""

SAME_PCT: Final = 1.5
"""What the inverter is shown is drawn where it is further than this from what is counted."""

MARK_SHARE: Final = 0.042
"""Turns nearer to each other than this share of the time share one mark."""

CHARGE_V, CHARGE_A, DRAW_A, FLOOR_V = range(4)
BAND_COLOURS: Final = (SKY_BLUE, ORANGE, GREEN, PURPLE, YELLOW, DEEP_BLUE, VERMILION)
GREY: Final = "0.75"
"""For reasons beyond these."""

DARK: Final = (DEEP_BLUE, VERMILION, GREEN)
BAND_NAMES: Final = ("charge\nvoltage", "charge\ncurrent", "discharge\ncurrent", "discharge\nfloor")
LABEL_SHARE: Final = 0.02
"""Parts of a bar wider than this share of the time carry a number."""


def write_plot(path: Path, day: Day) -> None:
    """Draws a day into `*.png` or `*.html`. Raises InputError if the file cannot be written."""
    figure = drawn(day)
    try:
        if path.suffix.lower() == ".html":
            path.write_text(_page(figure, day), encoding="utf-8")
        else:
            figure.savefig(path, format="png", dpi=DPI, metadata={"Software": "ampweir"})
    except OSError as error:
        found = f"cannot be written ({error.strerror or error})"
        raise InputError(
            [Problem(Severity.FAIL, str(path), "file", found, "a path that can be written")]
        ) from None


def drawn(day: Day) -> Figure:
    """The figure: cells, pack voltage, current and charge over the day, and what bound the limits."""
    record = day.record
    turns = folded(record.turns.found)
    marks = _marks(turns, record.setup.hours)
    list_in = LINE_IN * (len(turns) + 1)
    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN + list_in), layout="constrained")
    ratios = (*PANELS_IN, list_in)
    *panels, told = figure.subplots(len(ratios), 1, height_ratios=ratios)
    for panel in panels[1:]:
        panel.sharex(panels[0])
    for panel in panels[:-1]:
        panel.tick_params(labelbottom=False)
    hours = [(row.look.t_us - MIDNIGHT_US) / HOUR_US for row in record.rows]
    _cells(panels[0], hours, record)
    _voltage(panels[1], hours, record.rows)
    _current(panels[2], hours, record.rows)
    _charge(panels[3], hours, record.rows)
    _bands(panels[4], hours, record)
    for panel in panels:
        panel.grid(True, color="0.9", linewidth=0.8)
        panel.set_axisbelow(True)
        panel.spines[["top", "right"]].set_visible(False)
    _numbered(panels, marks)
    _list(told, turns)
    _hours(panels[-1], hours)
    word, text = verdict_of(day)
    head = "\n".join((*setup_lines(day), f"{word.lower()}: {text}"))
    figure.suptitle(head, x=0.01, ha="left", fontsize=9)
    figure.align_ylabels(panels)
    return figure


def _marks(turns: list[Turn], span_h: float) -> list[tuple[float, str]]:
    """Where the turns are, in hours, and their numbers; those that would overlap share a mark."""
    groups: list[tuple[float, int, int]] = []
    for number, turn in enumerate(turns, start=1):
        hour = (turn.t_us - MIDNIGHT_US) / HOUR_US
        if groups and hour - groups[-1][0] < MARK_SHARE * span_h:
            groups[-1] = groups[-1][0], groups[-1][1], number
        else:
            groups.append((hour, number, number))
    return [(hour, str(one) if one == last else f"{one}–{last}") for hour, one, last in groups]


def _numbered(panels: list[Axes], marks: list[tuple[float, str]]) -> None:
    """A line through all panels at each turn, with its number on top."""
    for hour, number in marks:
        for panel in panels:
            panel.axvline(hour, color="0.45", linewidth=0.8, linestyle=(0, (1, 2)), zorder=0.5)
        panels[0].annotate(
            number, (hour, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 4),
            textcoords="offset points", ha="center", va="bottom", fontsize=8, color="white",
            bbox={"boxstyle": "round,pad=0.25", "facecolor": BLACK, "linewidth": 0},
        )  # fmt: skip


def _list(panel: Axes, turns: list[Turn]) -> None:
    """The turns in words, numbered as they are in the panels."""
    panel.axis("off")
    panel.set_ylim(len(turns) + 0.5, -0.5)
    panel.set_xlim(0.0, 1.0)
    panel.text(0.0, 0.0, "What happened, and why", fontsize=9, fontweight="bold", va="center")
    for number, turn in enumerate(turns, start=1):
        heavy = "bold" if turn.text.startswith(("FULL", "EMPTY")) else "normal"
        panel.text(0.018, number, f"{number}", fontsize=8, ha="right", va="center")
        time, _, day = moment(turn.t_us).partition(" ")
        text = shortened(f"{day}: {turn.text}" if day else turn.text, 130)
        panel.text(0.028, number, time, fontsize=8, va="center")
        panel.text(0.092, number, text, fontsize=8, va="center", fontweight=heavy)


def _cells(panel: Axes, hours: list[float], record: Record) -> None:
    limits = record.plan.limits
    high = [row.look.high_v for row in record.rows]
    low = [row.look.low_v for row in record.rows]
    panel.fill_between(hours, low, high, color=SKY_BLUE, alpha=0.35, linewidth=0)
    panel.plot(hours, high, color=VERMILION, linewidth=1.4, label="highest true cell")
    panel.plot(hours, low, color=DEEP_BLUE, linewidth=1.4, label="lowest true cell")
    for value, name in ((limits.cell_target_v, "target"), (limits.cell_floor_v, "floor")):
        panel.axhline(value, color=BLACK, linewidth=1.0, linestyle=(0, (6, 3)))
        panel.annotate(
            f"{name} {value:.2f} V",
            (1.0, value),
            xycoords=("axes fraction", "data"),
            xytext=(-4, 4 if name == "target" else -12),
            textcoords="offset points",
            ha="right",
            fontsize=8,
        )
    panel.margins(y=0.12)
    panel.set_ylabel("cell voltage, V")
    _legend(panel)


def _voltage(panel: Axes, hours: list[float], rows: list[Row]) -> None:
    panel.plot(
        hours, [row.look.pack_v for row in rows], color=BLACK, linewidth=1.4, label="pack, at its terminals"
    )
    panel.step(
        hours,
        _told(rows, CHARGE_V),
        where="post",
        color=VERMILION,
        linewidth=1.2,
        label="charge voltage limit",
    )
    panel.step(
        hours,
        _told(rows, FLOOR_V),
        where="post",
        color=DEEP_BLUE,
        linewidth=1.2,
        linestyle=(0, (4, 2)),
        label="discharge voltage floor",
    )
    panel.set_ylabel("pack voltage, V")
    _legend(panel)


def _current(panel: Axes, hours: list[float], rows: list[Row]) -> None:
    flows = [row.look.pack_a for row in rows]
    wanted = [row.look.wanted_a for row in rows]
    panel.fill_between(
        hours, 0, wanted, color=YELLOW, alpha=0.45, linewidth=0, label="wanted: sun less loads"
    )
    panel.plot(hours, flows, color=BLACK, linewidth=1.3, label="pack current, + charges")
    panel.step(
        hours,
        _told(rows, CHARGE_A),
        where="post",
        color=VERMILION,
        linewidth=1.2,
        label="charge current limit",
    )
    drawing = [-value for value in _told(rows, DRAW_A)]
    panel.step(
        hours,
        drawing,
        where="post",
        color=DEEP_BLUE,
        linewidth=1.2,
        linestyle=(0, (4, 2)),
        label="discharge current limit",
    )
    most = 1.5 * max(1.0, *(abs(value) for value in (*flows, *wanted)))
    panel.set_ylim(-most, most)
    panel.set_ylabel("current, A")
    _legend(panel)


def _charge(panel: Axes, hours: list[float], rows: list[Row]) -> None:
    panel.plot(
        hours, [row.look.soc_pct for row in rows], color=GREEN, linewidth=1.6, label="charge, as counted"
    )
    shown = [row.shown_pct for row in rows]
    if any(
        value is not None and abs(value - row.look.soc_pct) > SAME_PCT
        for value, row in zip(shown, rows, strict=True)
    ):
        panel.step(
            hours,
            [float("nan") if value is None else value for value in shown],
            where="post",
            color=BLACK,
            linewidth=1.0,
            linestyle=(0, (1, 1)),
            label="charge, as shown to the inverter",
        )
    panel.set_ylim(-3.0, 103.0)
    panel.set_yticks([0, 25, 50, 75, 100])
    panel.set_ylabel("charge, %")
    _legend(panel)


def _bands(panel: Axes, hours: list[float], record: Record) -> None:
    """One bar for each limit: which reason bound it, when. Wide parts carry the number of the reason, too."""
    rows, step_h = record.rows, record.setup.row_us / HOUR_US
    wide_h = LABEL_SHARE * (hours[-1] - hours[0])
    for number, reason in enumerate(_common(rows), start=1):
        colour = BAND_COLOURS[number - 1] if number <= len(BAND_COLOURS) else GREY
        panel.fill_between([], [], color=colour, label=f"{number}  {reason}")
        for n in range(len(LIMITS)):
            level = len(LIMITS) - 1 - n
            spans = [
                (hours[first] - step_h, (last - first + 1) * step_h) for first, last in _runs(rows, n, reason)
            ]
            panel.broken_barh(spans, (level - 0.38, 0.76), facecolors=colour, linewidth=0)
            for start_h, length_h in spans:
                if length_h >= wide_h:
                    middle_h = start_h + length_h / 2
                    ink = "white" if colour in DARK else BLACK
                    panel.text(middle_h, level, str(number), ha="center", va="center", fontsize=9, color=ink)
    panel.set_yticks(range(len(LIMITS)), BAND_NAMES[::-1], fontsize=8)
    panel.set_ylim(-0.6, len(LIMITS) - 0.4)
    panel.set_ylabel("what bound each limit")
    panel.legend(
        loc="upper left", bbox_to_anchor=(0.0, -0.23), ncols=2, fontsize=8, frameon=False, handlelength=1.2
    )


def shortened(text: str, most: int) -> str:
    """At most so many characters."""
    return text if len(text) <= most else text[: most - 1] + "…"


def _common(rows: list[Row]) -> list[str]:
    """All reasons, the most frequent first."""
    counts: dict[str, int] = {}
    for row in rows:
        for reason in row.causes:
            counts[reason] = counts.get(reason, 0) + 1
    return sorted(counts, key=lambda reason: (-counts[reason], reason))


def _runs(rows: list[Row], n: int, reason: str) -> list[tuple[int, int]]:
    """First and last row of each stretch in which a reason bound the `n`th limit."""
    found: list[tuple[int, int]] = []
    for i, row in enumerate(rows):
        if row.causes[n] == reason:
            if found and found[-1][1] == i - 1:
                found[-1] = found[-1][0], i
            else:
                found.append((i, i))
    return found


def _hours(panel: Axes, hours: list[float]) -> None:
    first, last = hours[0], hours[-1]
    panel.set_xlim(first, last)
    step = next((one for one in (0.25, 0.5, 1, 2, 3, 6, 12, 24) if (last - first) / one <= 14), 24)
    ticks = [
        n * step
        for n in range(int(first // step), int(last // step) + 2)
        if first - 0.01 <= n * step <= last + 0.01
    ]
    panel.set_xticks(ticks, [f"{int(tick) % 24:02d}:{round(tick % 1 * 60):02d}" for tick in ticks])
    panel.set_xlabel("time of day, hh:mm")


def _legend(panel: Axes) -> None:
    panel.legend(loc="center left", bbox_to_anchor=(1.005, 0.5), fontsize=8, frameon=False)


def _told(rows: list[Row], n: int) -> list[float]:
    return [float("nan") if (value := row.told[n]) is None else value for row in rows]


def _page(figure: Figure, day: Day) -> str:
    drawing = io.StringIO()
    figure.savefig(drawing, format="svg", metadata={"Date": None})
    svg = drawing.getvalue().partition("<svg")
    title = html.escape(setup_lines(day)[0])
    return (
        f'<!doctype html>\n<html lang="en"><meta charset="utf-8"><title>{title}</title>\n'
        "<style>body { margin: 1em; font-family: sans-serif } svg { width: 100%; height: auto }</style>\n"
        f"<body>{svg[1]}{svg[2]}</body></html>\n"
    )
