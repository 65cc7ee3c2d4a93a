"""Makes a failing storm small: faults are taken away and the day is cut short, while the same rule breaks."""

from collections.abc import Callable

from tests.storm.run import START_US, Outcome
from tests.storm.scenario import Scenario

Try = Callable[[Scenario], Outcome]


def shrunk(outcome: Outcome, attempt: Try, told: Callable[[str], None] = lambda _: None) -> Outcome:
    """The smallest storm found that breaks the rule this one broke first.

    Args:
        outcome: a storm that failed.
        attempt: runs another.
        told: hears of each step.
    """
    rule = outcome.broken[0].rule
    best = outcome

    def still(scenario: Scenario) -> bool:
        nonlocal best
        found = attempt(scenario)
        if any(one.rule == rule for one in found.broken):
            best = found
            told(f"{len(scenario.faults)} faults, {found.seconds:.0f} s: still {rule}")
            return True
        return False

    _cut(best, rule, still)
    width = max(len(best.scenario.faults) // 2, 1)
    while width:
        at, dropped = 0, False
        while at < len(best.scenario.faults):
            faults = best.scenario.faults
            if still(best.scenario._replace(faults=faults[:at] + faults[at + width :])):
                dropped = True
            else:
                at += width
        width = width if dropped and width == 1 else width // 2
    _cut(best, rule, still)
    return best


def _cut(outcome: Outcome, rule: str, still: Callable[[Scenario], bool]) -> None:
    """Ends the day just after the rule broke, where it does not ask for the calm after the storm."""
    first = next(one for one in outcome.broken if one.rule == rule)
    end_s = round((first.t_us - START_US) / 1e6 + 0.5, 1)
    if rule != "follows again" and end_s < outcome.scenario.total_s:
        scenario = outcome.scenario
        faults = tuple(fault for fault in scenario.faults if fault.at_s < end_s)
        still(scenario._replace(faults=faults, total_s=end_s, storm_s=max(scenario.storm_s, end_s)))
