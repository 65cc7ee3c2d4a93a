"""Plain words for what the core decided: used by the log, the status line and the reports."""

from typing import Final

from bridge.core.failsafe.machine import State
from bridge.core.plan.reasons import Contribution, Limit
from bridge.core.told.allot import Part
from bridge.core.told.decision import Decision
from bridge.core.told.reports import in_words
from bridge.quantities import QUANTITIES

SHORT: Final = {
    "charge_voltage_limit": "charge to",
    "charge_current_limit": "charge with",
    "discharge_current_limit": "draw",
    "discharge_voltage_floor": "draw down to",
}
"""Short names of the limits, as they are read aloud: `charge to 56.0 V`."""

STATES: Final = {
    State.STARTING: "waiting for trusted data: currents at zero",
    State.FOLLOWING: "limits follow the pack",
    State.HOLDING: "data is late: last limits held, none may rise",
    State.SAFE: "data is lost: currents at zero, resting voltage",
    State.SILENT: "nothing is sent, so that the inverter's own time-out acts",
}
"""What each fail-safe state means."""


def amount(name: str, value: float | None) -> str:
    """A quantity with its unit, in as many digits as a person can use; a dash where it is not known."""
    if value is None:
        return "–"
    unit = QUANTITIES[name].unit
    if name.startswith("cell_voltage"):
        return f"{value:.3f} V"
    digits = {"V": 2, "A": 1, "%": 0, "°C": 1}.get(unit, 0)
    return f"{value:.{digits}f} {unit}".rstrip()


def why(contribution: Contribution) -> str:
    """The sentence for a contribution, with its bank."""
    bank = f" (bank {contribution.bank})" if contribution.bank else ""
    return f"{contribution.reason.value}{bank}"


def limit_line(name: str, limit: Limit) -> str:
    """One limit in words: `charge with 84.0 A: taper by the highest cell (bank shelf)`."""
    return f"{SHORT[name]} {amount(name, limit.value)}: {why(limit.binding)}"


def state_line(decision: Decision) -> str:
    """The fail-safe state in words, with its cause."""
    cause = f" ({decision.cause})" if decision.cause else ""
    return f"{decision.state.name.lower()}: {STATES[decision.state]}{cause}"


def part_line(part: Part) -> str:
    """What one of several inverters is told: `hall: charge with 60.0 A, draw 80.0 A`."""
    told = [
        f"{SHORT[name]} {amount(name, amps)}"
        for name, amps in (
            ("charge_current_limit", part.charge_a),
            ("discharge_current_limit", part.discharge_a),
        )
        if amps is not None
    ]
    return f"{part.inverter}: {', '.join(told)}"


def status_line(decision: Decision) -> str:
    """Everything a person wants at one glance, on one line."""
    seen = decision.values

    def get(name: str) -> str:
        return amount(name, seen.get(name))

    known = seen.get("pack_voltage") is not None
    pack = (
        "no readings"
        if not known
        else (
            f"{get('pack_voltage')} {get('pack_current')} {get('state_of_charge')}"
            f" · cells {get('cell_voltage_min')}–{get('cell_voltage_max')} {get('cell_temperature_min')}"
        )
    )
    limits = " · ".join(
        f"{SHORT[name]} {amount(name, limit.value)}"
        for name, limit in decision.limits.items()
        if name != "discharge_voltage_floor"
    )
    limits += "".join(f" · {part_line(part)}" for part in decision.parts)
    limits += "".join(f" · {one.inverter} reports {in_words(one)}" for one in decision.reports)
    course = "".join(f" · {text}" for text in (decision.stage, decision.progress) if text)
    state = decision.state.name.lower() + (f" ({decision.cause})" if decision.cause else "")
    return f"{state} · {pack} · {limits}{course}"
