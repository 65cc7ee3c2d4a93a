"""Everything that can be proven about a profile without running it."""

from dataclasses import dataclass
from datetime import datetime

from bridge.core.engine import Engine
from bridge.errors import EXIT_FAIL, EXIT_OK, EXIT_WARN, AmpweirError, Problem, Severity
from bridge.profile.check_limits import check_limits
from bridge.profile.check_sent import SentRow, check_sent
from bridge.profile.check_shares import ShareRow, check_shares
from bridge.profile.check_sources import check_sources
from bridge.profile.check_stages import check_stages
from bridge.profile.check_times import BudgetRow, BusRow, check_times
from bridge.profile.findings import Findings
from bridge.profile.load import LoadedProfile, unusable


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What a check found, and what will be sent and when.

    Attributes:
        file: the profile as it was given.
        name: name of the site.
        problems: all findings, the worst first, each kind in the order of the profile.
        sent: one row for each transmission.
        buses: load of each bus by our own frames.
        budgets: worst time from a fault to the inverter's knowing.
        shares: what each inverter is told at most; empty where one is told all.
    """

    file: str
    name: str
    problems: tuple[Problem, ...]
    sent: tuple[SentRow, ...]
    buses: tuple[BusRow, ...]
    budgets: tuple[BudgetRow, ...]
    shares: tuple[ShareRow, ...] = ()

    def of(self, severity: Severity) -> tuple[Problem, ...]:
        """The findings of one severity."""
        return tuple(problem for problem in self.problems if problem.severity is severity)

    @property
    def verdict(self) -> str:
        """`pass`, `warn` or `fail`."""
        if self.of(Severity.FAIL):
            return "fail"
        return "warn" if self.of(Severity.WARN) else "pass"

    @property
    def exit_code(self) -> int:
        """What the program ends with: see `bridge.errors`."""
        return {"fail": EXIT_FAIL, "warn": EXIT_WARN, "pass": EXIT_OK}[self.verdict]


def check_profile(loaded: LoadedProfile, now: datetime | None = None) -> CheckReport:
    """Checks a loaded profile.

    Args:
        loaded: the profile (loading has refused already what cannot be run at all).
        now: with offset; wishes that end are compared with it. `None`: they are not.

    Raises:
        ProfileError: the program itself fails over this profile.
    """
    try:
        return _checked(loaded, now)
    except AmpweirError:
        raise
    except Exception as fault:
        raise unusable(str(loaded.path), fault) from fault


def _checked(loaded: LoadedProfile, now: datetime | None) -> CheckReport:
    findings = Findings(str(loaded.path))
    check_limits(loaded, findings)
    check_sources(loaded, findings)
    check_stages(loaded, findings)
    timing = check_times(loaded, now, findings)
    sent = check_sent(loaded, timing.responses_s, findings)
    _check_runs(loaded, findings)
    shares = check_shares(loaded, findings)
    order = list(Severity)
    problems = sorted(findings.problems, key=lambda one: order.index(one.severity))
    return CheckReport(
        file=str(loaded.path),
        name=loaded.plan.name,
        problems=tuple(problem.plain for problem in problems),
        sent=sent,
        buses=timing.buses,
        budgets=timing.budgets,
        shares=shares,
    )


def _check_runs(loaded: LoadedProfile, findings: Findings) -> None:
    """A start, and a stop at once: what cannot even say zero must not begin."""
    if any(problem.severity is Severity.FAIL for problem in findings.problems):
        return
    try:
        engine = Engine(loaded.plan, 0)
        engine.poll(0)
        engine.close(0)
    except Exception as fault:
        findings.fail((), f"it cannot be run: {type(fault).__name__}: {fault}", "a profile that can")
