"""Arguments and exit codes only. What a verb needs is imported when it is used: the daemon starts light."""

import os
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from bridge import __version__
from bridge.cli_simulate import check_outputs, check_switches, setup_of, simulate_options
from bridge.errors import EXIT_FAIL, EXIT_INPUT, EXIT_INTERNAL, EXIT_OK, AmpweirError, InputError
from bridge.service.lines import fill_standard_files

if TYPE_CHECKING:
    from bridge.profile.load import LoadedProfile

EXIT_CODES = """\b
Exit codes: 0 fine, 1 failed (check, drill, replay; simulate: a cell past what it bears, or data never
trusted), 2 wrong usage, 3 passed with warnings (check), 4 a profile, message definition or capture cannot be
used (or a file not written), 5 a bus cannot be opened, 6 internal fault, 7 stopped, but the zero currents
could not be sent within 2 s (run).
"""

PROFILE = click.argument("profile", type=click.Path(path_type=Path))
OUTPUT = click.Path(path_type=Path)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of tables.")


@click.group(epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="ampweir")
def cli() -> None:
    """Turn live battery state into the limits an inverter takes over CAN.

    \b
    ampweir run profiles/cabin.toml --demo      see it work, without hardware
    ampweir check my.toml                       prove a profile on paper
    ampweir drill my.toml                       rehearse every fault
    ampweir simulate my.toml                    see a whole day of it, with the reasons
    ampweir run my.toml --dry                   compute and show, send nothing
    ampweir run my.toml                         bridge the pack to the inverter
    """


@cli.command(epilog=EXIT_CODES)
@PROFILE
@AS_JSON
def check(profile: Path, as_json: bool) -> None:
    """Prove PROFILE on paper: signals, limits, times, bus load, and what will be sent.

    \b
    ampweir check profiles/cabin.toml
    ampweir check profiles/cabin.toml --json
    """
    from datetime import datetime

    from bridge.profile import report
    from bridge.profile.check import check_profile

    result = check_profile(_load(profile), datetime.now().astimezone())
    _show(report, result, as_json)
    sys.exit(result.exit_code)


@cli.command(epilog=EXIT_CODES)
@PROFILE
@click.option("--dry", is_flag=True, help="Read the buses, compute and show the frames; send nothing.")
@click.option("--demo", is_flag=True, help="A simulated pack and inverter instead of the buses.")
@click.option("--speed", type=click.FloatRange(1, 100_000), help="Demo: simulated seconds a second.")
@click.option("--record", type=click.Path(path_type=Path), help="Write every frame in and out to this file.")
@click.option("--state", type=OUTPUT, metavar="DIR", help="Keep there what a restart must not forget.")
@click.option("--status-every", type=click.FloatRange(0), metavar="S", help="Print a status line every S s.")
@click.option("--log", type=click.Choice(["plain", "json"]), default="plain", help="Form of the log lines.")
def run(
    profile: Path,
    dry: bool,
    demo: bool,
    speed: float | None,
    record: Path | None,
    state: Path | None,
    status_every: float | None,
    log: str,
) -> None:
    """Bridge the pack of PROFILE to its inverter, in the foreground.

    Stops on SIGTERM or Ctrl-C after sending zero currents; takes a changed profile on SIGHUP; prints a
    status line on SIGUSR1. What it has learnt, and when the pack was last full, is kept in --state DIR,
    by default where the service manager says.

    \b
    ampweir run profiles/cabin.toml --demo
    ampweir run profiles/cabin.toml --dry
    ampweir run profiles/cabin.toml --record today.log
    """
    if demo:
        from bridge.simulate.demo import run_demo

        sys.exit(run_demo(_load(profile), speed=speed, record=record))
    from bridge.service.start import run_live

    sys.exit(run_live(profile, dry=dry, record=record, status_every_s=status_every, log=log, state=state))


@cli.command(epilog=EXIT_CODES)
@PROFILE
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("--seconds", type=click.FloatRange(0, min_open=True), help="Stop after this long.")
def record(profile: Path, capture: Path, seconds: float | None) -> None:
    """Write all traffic on the buses of PROFILE to CAPTURE, a candump log. Sends nothing.

    \b
    ampweir record profiles/cabin.toml monday.log
    ampweir record profiles/cabin.toml monday.log --seconds 3600
    """
    from bridge.service.start import record_buses

    sys.exit(record_buses(_load(profile), capture, seconds))


@cli.command(epilog=EXIT_CODES)
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("--profile", type=click.Path(path_type=Path), required=True, help="The profile to try.")
@click.option("--against", type=click.Path(path_type=Path), help="Compare with this profile.")
@click.option(
    "--also",
    type=click.Path(path_type=Path),
    multiple=True,
    help="A further profile the recording was made with, before or after a reload.",
)
@click.option("--channel", "channels", multiple=True, metavar="CAPTURED=BUS", help="Which bus a channel is.")
@click.option("--frames", is_flag=True, help="Show the frames that differ, side by side.")
@AS_JSON
def replay(
    capture: Path,
    profile: Path,
    against: Path | None,
    also: tuple[Path, ...],
    channels: tuple[str, ...],
    frames: bool,
    as_json: bool,
) -> None:
    """Run CAPTURE through a profile on the virtual clock and say what differs.

    Without --against, a recording of `run --record` is compared with what was sent then, bit for bit. If the
    profile was changed while it ran, the others are needed for that, too: --also.

    \b
    ampweir replay today.log --profile profiles/cabin.toml
    ampweir replay today.log --profile bolder.toml --against profiles/cabin.toml --frames
    ampweir replay today.log --profile new.toml --also old.toml
    """
    from bridge.replay import report
    from bridge.replay.compare import compare_capture

    result = compare_capture(
        capture,
        _load(profile),
        _load(against) if against else None,
        _pairs("--channel", channels),
        [_load(one) for one in also],
    )
    _show(report, result, as_json, frames=frames)
    sys.exit(EXIT_OK if result.ok else EXIT_FAIL)


@cli.command(epilog=EXIT_CODES)
@PROFILE
@click.option("--bus", "buses", multiple=True, metavar="[BUS=]CHANNEL", help="On a real SocketCAN interface.")
@click.option("--only", multiple=True, metavar="TEXT", help="Only the faults whose name contains TEXT.")
@click.option("--jobs", type=click.IntRange(1), help="Faults at a time; as many as processors by default.")
@AS_JSON
def drill(
    profile: Path, buses: tuple[str, ...], only: tuple[str, ...], jobs: int | None, as_json: bool
) -> None:
    """Rehearse every fault against PROFILE: on the virtual clock, or on a real interface with --bus.

    Ctrl-C ends it early, with what there is by then. On a real interface faults go one by one.

    \b
    ampweir drill profiles/cabin.toml
    ampweir drill profiles/cabin.toml --only silent
    ampweir drill profiles/cabin.toml --bus vcan0
    """
    from bridge.drill import report
    from bridge.drill.forks import default_jobs
    from bridge.drill.table import run_drill

    loaded = _load(profile)

    def progress(*told: Any) -> None:
        if not as_json:
            click.echo(report.progress_line(*told), err=True)

    if not as_json:
        click.echo(f"{loaded.plan.name}: a healthy site first, then fault after fault ...", err=True)
    if buses:
        from bridge.drill.onbus import run_drill_on_bus

        result = run_drill_on_bus(loaded, _bus_map(loaded, buses), only=only, progress=progress)
    else:
        result = run_drill(loaded, only=only, jobs=jobs or default_jobs(), progress=progress)
    _show(report, result, as_json)
    sys.exit(EXIT_OK if result.ok else EXIT_FAIL)


@cli.command(epilog=EXIT_CODES)
@PROFILE
@simulate_options
@click.option("--compare-oracle", is_flag=True, help="Say how near it comes to what the true cells bear.")
@click.option("--csv", "table", type=OUTPUT, metavar="FILE", help="Write a row for every --every seconds.")
@click.option("--plot", type=OUTPUT, metavar="FILE", help="Draw the day into FILE.png or FILE.html.")
@AS_JSON
def simulate(
    profile: Path, compare_oracle: bool, table: Path | None, plot: Path | None, as_json: bool, **options: Any
) -> None:
    """Simulate a day of PROFILE in seconds, through the very frames it describes, and say why at each turn.

    Pack, monitors, inverter, sun and loads are models. The same options give the same day.

    \b
    ampweir simulate profiles/cabin.toml
    ampweir simulate profiles/cabin.toml --weather clouds --pack runner --compare-oracle
    ampweir simulate profiles/cabin.toml --ignores current --charger-reads-high 0.2
    ampweir simulate profiles/cabin.toml --load steps --plot day.png --csv day.csv
    ampweir simulate profiles/jetty.toml --leave right@09:00 --join right@15:00
    """
    from bridge.simulate import report
    from bridge.simulate.simulate import simulate as run_day

    setup = setup_of(**options)
    check_outputs(table, plot)
    loaded = _load(profile)
    check_switches(loaded, setup)
    result = run_day(loaded, setup, compare_oracle=compare_oracle)
    if table is not None:
        from bridge.simulate.table_file import write_table

        write_table(table, result.record)
    if plot is not None:
        from bridge.simulate.plot import write_plot

        write_plot(plot, result)
    _show(report, result, as_json)
    sys.exit(EXIT_FAIL if result.tripped or not result.followed else EXIT_OK)


def _load(path: Path) -> "LoadedProfile":
    from bridge.profile.load import load_profile

    return load_profile(path)


def _show(report: Any, result: Any, as_json: bool, **options: Any) -> None:
    """Prints a result by its report module: `print_report(result, console)` or `as_json(result)`."""
    if as_json:
        click.echo(report.as_json(result))
        return
    from rich.console import Console

    report.print_report(result, Console(), **options)


def _pairs(option: str, texts: tuple[str, ...]) -> dict[str, str]:
    pairs = {}
    for text in texts:
        left, mark, right = text.partition("=")
        if not (left and mark and right):
            raise click.BadParameter(f"{text!r}; allowed: NAME=NAME", param_hint=option)
        pairs[left] = right
    return pairs


def _bus_map(loaded: "LoadedProfile", texts: tuple[str, ...]) -> dict[str, str]:
    """`--bus vcan0` means every bus, `--bus shore=vcan1` one."""
    names = [bus.name for bus in loaded.buses]
    mapped = (
        dict.fromkeys(names, texts[0]) if len(texts) == 1 and "=" not in texts[0] else _pairs("--bus", texts)
    )
    if set(mapped) != set(names):
        raise click.BadParameter(
            f"channels for {sorted(mapped)}; allowed: one for each of {names}, or one for all",
            param_hint="--bus",
        )
    return mapped


def _not_printed(problem: OSError) -> int:
    """Nobody reads on, or the disk is full: the rest goes nowhere. Returns the exit code."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if isinstance(problem, BrokenPipeError):
        return EXIT_OK
    what = problem.filename or "standard output"
    click.echo(f"fail: {what}: {problem.strerror}; allowed: a file that can be written", err=True)
    return EXIT_INPUT


def _run() -> int:
    """Runs the command line; every expected error is told in a line each. Returns the exit code."""
    try:
        code = cli.main(standalone_mode=False)
        return code if isinstance(code, int) else EXIT_OK
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else EXIT_OK
    except click.exceptions.Abort:
        return 130
    except click.ClickException as problem:
        problem.show()
        return problem.exit_code
    except InputError as problem:
        for line in problem.problems:
            click.echo(f"{line.severity.value}: {line}", err=True)
        return problem.exit_code
    except AmpweirError as problem:
        click.echo(f"fail: {problem}", err=True)
        return problem.exit_code
    except OSError as problem:
        return _not_printed(problem)
    except Exception:
        traceback.print_exc()
        return EXIT_INTERNAL


def main() -> NoReturn:
    """Runs the command line, and ends with its exit code, told above."""
    fill_standard_files()
    code = _run()
    try:
        sys.stdout.flush()
    except OSError as problem:
        code = code or _not_printed(problem)
    sys.exit(code)
