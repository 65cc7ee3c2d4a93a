"""From the profile and the messages it names to what the laws must know of sensors and wires."""

from collections.abc import Sequence
from dataclasses import replace

from bridge.core.plan.plan import PackFacts, PackLimits
from bridge.core.wire.outgoing import QuantityItem, Transmission
from bridge.profile.compile_sources import Received
from bridge.profile.findings import Findings
from bridge.profile.schema import Bank, Profile

LEAST_STEP_V = 0.001
"""Cell sensors are not trusted to tell less than this, however fine the signal (own choice)."""

LEAST_WIRE = 0.01
"""V or A: a finer signal makes no difference to a charger (own choice)."""


def pack_facts(
    profile: Profile, bank: Bank, received: Received, transmissions: Sequence[Transmission]
) -> tuple[PackFacts, PackFacts]:
    """What the laws of charging and of discharging one bank are told."""
    usual = PackFacts()

    def step(quantity: str, usual_step: float) -> float:
        return _sent_step(quantity, transmissions, usual_step)

    charge = PackFacts(
        sensor_offset_v=bank.cell_sensor_error_v,
        sensor_step_v=max(_told_step_v(profile, bank, received), LEAST_STEP_V),
        current_zero_a=bank.current_sensor_error_a,
        delay_s=bank.telemetry_delay_s,
        lag_s=_slowest_s(profile, "charges"),
        wire_v=step("charge_voltage_limit", usual.wire_v),
        wire_a=_those(profile, "charges") * step("charge_current_limit", usual.wire_a),
    )
    floor_v = step("discharge_voltage_floor", usual.wire_v)
    draw = replace(
        charge,
        lag_s=_slowest_s(profile, "discharges"),
        wire_v=floor_v,
        wire_a=_those(profile, "discharges") * step("discharge_current_limit", usual.wire_a),
    )
    return charge, draw


def _slowest_s(profile: Profile, role: str) -> float:
    """How slowly the slowest of those obeys that charge, or discharge."""
    lags_s = [inverter.response_s for inverter in profile.inverter if inverter.role in ("both", role)]
    return max(lags_s, default=PackFacts().lag_s)


def _those(profile: Profile, role: str) -> int:
    """How many charge, or discharge: of a current each loses up to a step."""
    return max(sum(inverter.role in ("both", role) for inverter in profile.inverter), 1)


def _told_step_v(profile: Profile, bank: Bank, received: Received) -> float:
    """Coarsest step of the signals the cells are read from: all of them, else those of the extremes."""
    steps: dict[str, list[float]] = {}
    for source, layout in zip(received.sources, received.layouts, strict=True):
        for target in source.targets:
            slot = received.slots[target.slot]
            field = layout.field(target.signal)
            if slot.owner == bank.name and not field.is_float:
                steps.setdefault(slot.quantity, []).append(abs(field.factor * target.scale))
    cells = steps.get("cell_voltage", [])
    if len(cells) < profile.pack.cells_in_series:
        cells = [*cells, *steps.get("cell_voltage_max", []), *steps.get("cell_voltage_min", [])]
    return round(max(cells, default=0.0), 9)


def _sent_step(quantity: str, transmissions: Sequence[Transmission], usual: float) -> float:
    """Coarsest step of all signals that carry the limit: every inverter must be able to follow it."""
    steps = [
        float(item.grid.step)
        for transmission in transmissions
        for page in transmission.pages
        for item in page
        if isinstance(item, QuantityItem) and item.quantity == quantity
    ]
    return max(*steps, LEAST_WIRE) if steps else usual


def check_sensors(profile: Profile, limits: PackLimits, received: Received, findings: Findings) -> None:
    """Notes sensors so bad that nothing is left between the knee and the target."""
    room_v = round(limits.cell_target_v - limits.knee_v, 6)
    for number, bank in enumerate(profile.bank):
        step_v = _told_step_v(profile, bank, received)
        lost_v = bank.cell_sensor_error_v + step_v / 2.0
        if lost_v >= room_v > 0.0:
            found = f"{bank.cell_sensor_error_v:g}, with steps of {step_v:g} V"
            allowed = f"together less than from cell_knee_v to cell_target_v, {room_v:g}"
            findings.fail(("bank", number, "cell_sensor_error_v"), found, allowed)
