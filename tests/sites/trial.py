"""One drawn site on trial: it must load, `check` judges it, and `drill` must find no failing fault."""

import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

from bridge.core.plan.plan import SECOND_US
from bridge.drill.result import Outcome
from bridge.drill.table import fault_table, run_drill
from bridge.errors import Problem, ProfileError, Severity
from bridge.profile.check import check_profile
from bridge.profile.load import load_profile
from bridge.simulate.coder import Library
from tests.sites.dice import Dice
from tests.sites.draw import draw_site

START_US: Final = 1_900_000_000 * SECOND_US
"""All drills begin then, before the wishes that end by themselves."""


class Verdict(NamedTuple):
    """What became of one site.

    Attributes:
        seed: it was drawn from.
        outcome: `refused` at load, `fail` of check, `pass`, or `broken`: a fault of the drill failed.
        why: what was found, a line each.
        faults: so many were rehearsed.
    """

    seed: int
    outcome: str
    why: tuple[str, ...] = ()
    faults: int = 0


def try_site(seed: int, *, drill: bool = True, only: tuple[str, ...] = (), share: float = 1.0) -> Verdict:
    """Draws a site, checks it, and drills it if it may be run: all its faults, or a drawn share of them."""
    with tempfile.TemporaryDirectory(prefix="site-") as folder:
        try:
            loaded = load_profile(draw_site(seed, Path(folder)))
        except ProfileError as error:
            return Verdict(seed, "refused", tuple(_line(problem) for problem in error.problems))
        report = check_profile(loaded, datetime.fromtimestamp(START_US / SECOND_US, UTC))
        if report.verdict == "fail":
            return Verdict(seed, "fail", tuple(_line(problem) for problem in report.of(Severity.FAIL)))
        if not drill:
            return Verdict(seed, "pass")
        if share < 1.0:
            dice = Dice(f"faults {seed}")
            only = tuple(one.name for one in fault_table(loaded, Library()) if dice.happens(share)) or ("-",)
        results = run_drill(loaded, only=only, start_us=START_US).results
    tried = sum(one.outcome in (Outcome.PASS, Outcome.FAIL) for one in results)
    why = tuple(f"{one.name}: {'; '.join(one.remarks[:2])}" for one in results if one.outcome is Outcome.FAIL)
    return Verdict(seed, "broken" if why else "pass", why, tried)


def _line(problem: Problem) -> str:
    return f"{problem.key}: {problem.found}; allowed: {problem.allowed}"
