"""The fault table: every fault there is, run against one profile on the virtual clock."""

import time
from collections.abc import Callable

from bridge.drill.fault import UNCHANGED, Fault
from bridge.drill.faults_cells import CellFaults
from bridge.drill.faults_data import DataFaults
from bridge.drill.faults_service import ServiceFaults
from bridge.drill.result import DrillReport, Outcome, Result
from bridge.drill.stage import build_site
from bridge.drill.virtual import VirtualStage
from bridge.profile.load import LoadedProfile
from bridge.simulate.coder import Library


def run_drill(
    loaded: LoadedProfile,
    *,
    only: tuple[str, ...] = (),
    start_us: int | None = None,
    progress: Callable[[Result], None] | None = None,
) -> DrillReport:
    """Runs every fault against the daemon, in a simulated site built from the profile.

    Args:
        loaded: the profile.
        only: faults whose name contains one of these; all if there are none.
        start_us: engine time of the start; now by default.
        progress: is told each result as it comes.
    """
    start_us = time.time_ns() // 1000 if start_us is None else start_us
    library = Library()
    results = []
    for fault in fault_table(loaded, library):
        if chosen(fault.name, only):
            result = _rehearse(loaded, library, start_us, fault)
            results.append(result)
            if progress is not None:
                progress(result)
    return DrillReport(loaded.plan.name, "virtual clock", tuple(results))


def fault_table(loaded: LoadedProfile, library: Library) -> list[Fault]:
    """All faults of a profile, those included that do not apply to it."""
    site = build_site(loaded, 0, library)
    return (
        DataFaults(loaded.plan, site).table()
        + CellFaults(loaded.plan, site).table()
        + ServiceFaults(loaded.plan).table()
    )


def chosen(name: str, only: tuple[str, ...]) -> bool:
    """Whether a fault is among those wanted."""
    return not only or any(text.lower() in name.lower() for text in only)


def _rehearse(loaded: LoadedProfile, library: Library, start_us: int, fault: Fault) -> Result:
    if fault.why_not:
        return Result(fault.name, "", "", "", None, None, Outcome.NOT_APPLICABLE, (fault.why_not,))
    stage = VirtualStage(loaded, library, start_us)
    result = stage.run(fault)
    if fault.twin and stage.world.sent != _undisturbed(loaded, library, start_us, fault):
        remark = "not every frame is the same as without the fault"
        return result._replace(outcome=Outcome.FAIL, remarks=(*result.remarks, remark))
    return result


def _undisturbed(loaded: LoadedProfile, library: Library, start_us: int, fault: Fault) -> list[object]:
    """What is sent when all else is the same, and nothing is injected."""
    stage = VirtualStage(loaded, library, start_us)
    calm = Fault(
        fault.name, "", UNCHANGED, fault.allowed_s, lambda _: None, fault.acts_after_s, fault.lasts_s
    )
    stage.run(calm)
    return list(stage.world.sent)
