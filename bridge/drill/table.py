"""The fault table: every fault there is, run against one profile on the virtual clock."""

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from bridge.drill.fault import SHARES_S, UNCHANGED, Fault
from bridge.drill.faults_buses import BusFaults
from bridge.drill.faults_cells import CellFaults
from bridge.drill.faults_data import DataFaults
from bridge.drill.faults_deep import DeepFaults
from bridge.drill.faults_hurt import HurtFaults
from bridge.drill.faults_reports import report_faults
from bridge.drill.faults_service import ServiceFaults
from bridge.drill.faults_talkers import TalkerFaults
from bridge.drill.result import DrillReport, Outcome, Result, without
from bridge.drill.stage import build_site
from bridge.drill.virtual import Rehearsed, VirtualStage
from bridge.profile.load import LoadedProfile
from bridge.simulate.coder import Library

Progress = Callable[[Result, int, int], None]
"""Is told a result, how many there are now, and how many there will be."""


def run_drill(
    loaded: LoadedProfile,
    *,
    only: tuple[str, ...] = (),
    start_us: int | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
) -> DrillReport:
    """Runs every fault against the daemon, in a simulated site built from the profile.

    Asked to stop (KeyboardInterrupt), it returns what there is by then.

    Args:
        loaded: the profile.
        only: faults whose name contains one of these; all if there are none.
        start_us: engine time of the start; now by default.
        jobs: so many faults at a time.
        progress: is told each result as it comes, and of how many it is which.
    """
    start_us = time.time_ns() // 1000 if start_us is None else start_us
    library = Library()
    faults = [fault for fault in fault_table(loaded, library) if chosen(fault.name, only)]
    found: dict[int, Result] = {}

    def take(place: int, result: Result) -> None:
        found[place] = result
        if progress is not None:
            progress(result, len(found), len(faults))

    with suppress(KeyboardInterrupt):
        for place, fault in enumerate(faults):
            if fault.why_not:
                take(place, without(fault, Outcome.NOT_APPLICABLE, fault.why_not))
        places = [place for place in range(len(faults)) if place not in found]
        _rehearse(loaded, library, start_us, [faults[place] for place in places], jobs, places, take)
    return DrillReport(
        loaded.plan.name, "virtual clock", tuple(found[place] for place in sorted(found)), len(faults)
    )


def fault_table(loaded: LoadedProfile, library: Library) -> list[Fault]:
    """All faults of a profile, those included that do not apply to it."""
    site = build_site(loaded, 0, library)
    service = ServiceFaults(loaded.plan)
    faults = [
        *DataFaults(loaded.plan, site).table(),
        *CellFaults(loaded.plan, site).table(),
        *DeepFaults(loaded.plan, site).table(),
        *TalkerFaults(loaded.plan, site).table(),
        *service.inverters(),
        *report_faults(loaded.plan),
        *BusFaults(loaded.plan, site).table(),
        *service.table(),
        *HurtFaults(loaded.plan, site).table(),
    ]
    return faults if len(loaded.plan.banks) == 1 else [_of_several_banks(fault) for fault in faults]


def _of_several_banks(fault: Fault) -> Fault:
    """Where currents change, banks share them otherwise than before, and that is learnt, too."""
    if fault.wanted.met is UNCHANGED.met:
        return fault
    return replace(fault, remembers_s=fault.remembers_s + SHARES_S)


def chosen(name: str, only: tuple[str, ...]) -> bool:
    """Whether a fault is among those wanted."""
    return not only or any(text.lower() in name.lower() for text in only)


def _rehearse(
    loaded: LoadedProfile,
    library: Library,
    start_us: int,
    faults: list[Fault],
    jobs: int,
    places: list[int],
    take: Callable[[int, Result], None],
) -> None:
    """Rehearses faults; one that may change no frame is compared with a twin in which nothing happens."""
    twins = [n for n, fault in enumerate(faults) if fault.twin]
    tasks = [*faults, *(_calm(faults[n]) for n in twins)]
    half: dict[int, Rehearsed] = {}

    def done(task: int, rehearsed: Rehearsed) -> None:
        n = task if task < len(faults) else twins[task - len(faults)]
        if not faults[n].twin:
            take(places[n], rehearsed.result)
        elif n not in half:
            half[n] = rehearsed
        else:
            mine, other = (rehearsed, half[n]) if task < len(faults) else (half[n], rehearsed)
            result = mine.result
            if mine.sent != other.sent:
                remark = "not every frame is the same as without the fault"
                result = result._replace(outcome=Outcome.FAIL, remarks=(*result.remarks, remark))
            take(places[n], result)

    if tasks:
        VirtualStage(loaded, library, start_us).run(tasks, jobs, done)


def _calm(fault: Fault) -> Fault:
    """As long as the fault, and nothing is injected."""
    nothing = replace(fault, inject=lambda _: None, says="", wanted=UNCHANGED)
    return replace(nothing, lost=False, self_heals=False, silence=False)
