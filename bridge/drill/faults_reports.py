"""Faults of what the inverters report: none of it may move a limit, all of it is told."""

from collections.abc import Iterator
from functools import partial

from bridge.core.plan.plan import SECOND_US, Inverter, Plan
from bridge.core.told.reports import PATIENCE_US, UNDERSTOOD
from bridge.drill.fault import UNCHANGED, Fault
from bridge.drill.stage import Stage

LASTS_S = PATIENCE_US / SECOND_US + 5.0
"""It is told after a while; and readings come when they come."""

TOLD = UNCHANGED._replace(text="limits as before, and a warning in the journal")


def report_faults(plan: Plan) -> list[Fault]:
    """Those of every inverter that reports more than a sign of life."""
    return [fault for inverter in plan.inverters for fault in _of(inverter)]


def _of(inverter: Inverter) -> Iterator[Fault]:
    name = inverter.name
    rows = (
        ("inverter_fault", "reports a fault", f"{name} reports a fault", "reports a fault"),
        ("inverter_voltage", "measures another voltage", f"the voltmeter of {name} is wrong", "reports"),
        *(
            (quantity, "understood another limit", f"{name} has understood half of a limit", "has understood")
            for quantity in UNDERSTOOD
            if quantity.endswith("current_limit")
        ),
    )
    seen = set()
    for quantity, what, injected, says in rows:
        if quantity in inverter.slots and what not in seen:
            seen.add(what)
            inject = partial(_say, owner=name, quantity=quantity, off_v=3.0 * inverter.voltage_error_v)
            text = f"inverter {name} {says}"
            yield Fault(
                f"inverter {name} {what}",
                injected,
                TOLD,
                0.0,
                inject,
                lasts_s=LASTS_S,
                follows=True,
                says=text,
            )


def _say(stage: Stage, owner: str, quantity: str, off_v: float) -> None:
    listener = next(one for one in stage.site.listeners if one.name == owner)
    true = listener.value(quantity, 0, 0)
    said = {"inverter_fault": 1.0, "inverter_voltage": true - off_v}.get(quantity, true / 2.0)
    listener.misreports[quantity] = said
    stage.slides.on_heal(listener.misreports.clear)
