"""The options of `simulate`. Nothing of `bridge.simulate` is loaded before they are used."""

import importlib.util
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from bridge.errors import InputError, Problem, Severity

if TYPE_CHECKING:
    from bridge.profile.load import LoadedProfile
    from bridge.simulate.day import Setup

KINDS: Final = ("balanced", "spread", "runner", "weak", "contact", "two-groups")
WEATHERS: Final = ("clear", "clouds")
LOADS: Final = ("none", "evening", "steps")
PLOTS: Final = (".png", ".html")

_Command = TypeVar("_Command", bound=Callable[..., Any])


def _time_of_day(_: click.Context, __: click.Parameter, text: str) -> float:
    """`HH:MM`, in seconds from midnight."""
    hours, mark, minutes = text.partition(":")
    whole = all(part.isascii() and part.isdigit() and len(part) == 2 for part in (hours, minutes))
    if not (mark and whole and int(hours) < 24 and int(minutes) < 60):
        raise click.BadParameter(f"{text!r}; allowed: HH:MM from 00:00 to 23:59")
    return int(hours) * 3600.0 + int(minutes) * 60.0


def _span_of_day(_: click.Context, __: click.Parameter, text: str | None) -> tuple[float, float] | None:
    """`HH:MM+MINUTES`, as a time of day in seconds and a length in seconds."""
    if text is None:
        return None
    at, mark, minutes = text.partition("+")
    try:
        if not (mark and minutes.isascii() and minutes.isdigit() and 0 < int(minutes) <= 1440):
            raise click.BadParameter(minutes)
        return _time_of_day(_, __, at), 60.0 * int(minutes)
    except click.BadParameter:
        allowed = "HH:MM+MINUTES, from 00:00 to 23:59, 1 to 1440 minutes"
        raise click.BadParameter(f"{text!r}; allowed: {allowed}") from None


def _switch(
    _: click.Context, option: click.Parameter, texts: tuple[str, ...]
) -> list[tuple[float, str, bool]]:
    """`BANK@HH:MM`: time of day in s, bank, whether it joins."""
    found = []
    for text in texts:
        name, mark, at = text.rpartition("@")
        if not (name and mark):
            raise click.BadParameter(f"{text!r}; allowed: BANK@HH:MM")
        found.append((_time_of_day(_, option, at), name, option.name == "join"))
    return found


def _span(low: float, high: float) -> click.FloatRange:
    return click.FloatRange(low, high)


def _above(low: float, high: float) -> click.FloatRange:
    return click.FloatRange(low, high, min_open=True)


def _finite(_: click.Context, __: click.Parameter, value: float | None) -> float | None:
    """Not a number lies in no range, but a comparison does not see that."""
    if value is not None and math.isnan(value):
        raise click.BadParameter("nan; allowed: a number")
    return value


def _option(
    name: str, target: str, metavar: str, values: click.FloatRange | click.IntRange, help: str, **more: Any
) -> Any:
    return click.option(
        name, target, metavar=metavar, type=values, help=help, show_default=True, callback=_finite, **more
    )


_OPTIONS: Final = (
    _option("--hours", "hours", "H", _above(0, 168), "For how long.", default=24.0),
    click.option(
        "--start", "start_s", metavar="HH:MM", callback=_time_of_day, default="06:00", show_default=True
    ),
    click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="For every draw."),
    _option("--soc", "soc", "PCT", _span(0, 100), "Charge at the start.", default=20.0),
    _option("--temperature", "temperature", "C", _span(-40, 80), "Of all cells.", default=20.0),
    _option(
        "--swing",
        "swing_k",
        "K",
        _span(0, 40),
        "The cells warm up, in air that is as much warmer at 15:00 and colder at 03:00.",
    ),
    _option("--health", "health", "PCT", _span(20, 100), "What is left of the capacity.", default=100.0),
    _option("--resistance", "resistance", "TIMES", _span(0.2, 10), "That of new cells.", default=1.0),
    click.option("--pack", "kind", type=click.Choice(KINDS), default="spread", show_default=True),
    click.option("--weather", type=click.Choice(WEATHERS), default="clear", show_default=True),
    _option("--sun", "sun_a", "A", _span(0, 5000), "At noon, when clear; 0.25C if not given."),
    click.option("--load", type=click.Choice(LOADS), default="evening", show_default=True),
    _option("--charger-reads-high", "reads_high_v", "V", _span(-5, 5), "Its voltmeter's error.", default=0.0),
    _option("--charger-lag", "lag_s", "S", _above(0, 60), "Its time constant.", default=2.0),
    _option("--charger-late", "late_s", "S", _span(0, 600), "It obeys so much later.", default=0.0),
    _option("--charger-least", "least_charge_a", "A", _span(0, 5000), "Its least current.", default=0.0),
    click.option("--ignores", type=click.Choice(("voltage", "current")), help="A charge limit it ignores."),
    click.option(
        "--silence",
        metavar="HH:MM+MIN",
        callback=_span_of_day,
        help="From then on, for so many minutes, the inverter hears nothing of the program.",
    ),
    _option(
        "--charger-restarts",
        "restarts_s",
        "S",
        _span(0, 86_400),
        "After its time-out and so long, it goes on with the last limits it heard; else it waits.",
    ),
    _option("--sensor-step", "sensor_step_mv", "MV", _above(0, 50), "Of the cell sensors.", default=1.0),
    _option("--sensor-error", "sensor_error_mv", "MV", _span(0, 50), "Largest of a sensor.", default=2.0),
    click.option(
        "--join", "join", multiple=True, metavar="BANK@HH:MM", callback=_switch, help="A bank joins."
    ),
    click.option(
        "--leave", "leave", multiple=True, metavar="BANK@HH:MM", callback=_switch, help="It leaves."
    ),
    _option("--every", "every_s", "S", click.IntRange(1, 3600), "Rows of CSV and plot.", default=10),
    click.option("--exact", is_flag=True, help="The core's own tick and every single frame; slower."),
)


def simulate_options(command: _Command) -> _Command:
    """Gives a command all options that describe what is simulated."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def setup_of(
    *,
    hours: float,
    start_s: float,
    seed: int,
    soc: float,
    temperature: float,
    swing_k: float | None,
    health: float,
    resistance: float,
    kind: str,
    weather: str,
    sun_a: float | None,
    load: str,
    reads_high_v: float,
    lag_s: float,
    late_s: float,
    least_charge_a: float,
    ignores: str | None,
    silence: tuple[float, float] | None,
    restarts_s: float | None,
    sensor_step_mv: float,
    sensor_error_mv: float,
    join: list[tuple[float, str, bool]],
    leave: list[tuple[float, str, bool]],
    every_s: int,
    exact: bool,
) -> "Setup":
    """What is to be simulated, from the options."""
    from bridge.core.plan.plan import SECOND_US
    from bridge.simulate.day import Setup
    from bridge.simulate.heat import Surroundings
    from bridge.simulate.inverter import Manners
    from bridge.simulate.packs import PackWish
    from bridge.simulate.site import Charger

    around = None if swing_k is None else Surroundings(temperature, swing_k, start_s)
    step_v, error_v = sensor_step_mv / 1000.0, sensor_error_mv / 1000.0
    wish = (soc / 100.0, temperature, step_v, error_v, health / 100.0, resistance, around)
    return Setup(
        hours=hours,
        start_s=start_s,
        pack=PackWish(kind, seed, *wish),
        weather=weather,
        load=load,
        sun_a=sun_a,
        charger=Charger(
            lag_s, reads_high_v, Manners(ignores or "", late_s, 0.1, 0.1, least_charge_a, restarts_s)
        ),
        silence=silence,
        row_us=every_s * SECOND_US,
        exact=exact,
        switches=tuple(sorted([*join, *leave])),
    )


def check_switches(loaded: "LoadedProfile", setup: "Setup") -> None:
    """Refuses banks that are not there, or that come and go as no bank can.

    Raises:
        BadParameter: which, and what is allowed.
    """
    from bridge.simulate.day import switches_of

    try:
        switches_of(loaded, setup)
    except ValueError as problem:
        raise click.BadParameter(str(problem), param_hint="--join or --leave") from None


def check_outputs(table: Path | None, plot: Path | None) -> None:
    """Refuses outputs that could not be written, before a day is simulated for nothing.

    Raises:
        BadParameter: another kind of picture, or none can be drawn here.
        InputError: a folder that is not there.
    """
    if plot is not None and plot.suffix.lower() not in PLOTS:
        raise click.BadParameter(
            f"{str(plot)!r}; allowed: a name that ends in .png or .html", param_hint="--plot"
        )
    if plot is not None and importlib.util.find_spec("matplotlib") is None:
        found = "matplotlib is not installed; allowed: after pip install matplotlib"
        raise click.BadParameter(found, param_hint="--plot")
    for path in (table, plot):
        if path is not None and (path.is_dir() or not path.parent.is_dir()):
            found = "is a folder" if path.is_dir() else "no such folder"
            problem = Problem(Severity.FAIL, str(path), "file", found, "a file in a folder that is there")
            raise InputError([problem])
