"""Does what is read reach far enough, in the right unit, to see what it is there to see?"""

from collections.abc import Callable, Sequence

from bridge.core.pack.intake import is_unknown
from bridge.core.plan.plan import Bank, Slot, Target
from bridge.core.wire.codec import Field
from bridge.profile.compile_items import raw_of, span_text
from bridge.profile.findings import Findings, Key
from bridge.profile.load import LoadedProfile
from bridge.profile.schema_signals import Reading
from bridge.profile.units import unit_problem
from bridge.quantities import QUANTITIES

COARSE_CELL_V = 0.02
"""A cell voltage in larger steps is a poor base for a limit (own choice)."""

Need = tuple[float | None, float | None]
"""Readings that must be possible: as low as this, as high as that."""


def check_sources(loaded: LoadedProfile, findings: Findings) -> None:
    """Notes readings that cannot show what they are needed for, and what is not read at all."""
    banks = {bank.name: bank for bank in loaded.plan.banks}
    for number, section in enumerate(loaded.profile.source):
        source, layout = loaded.plan.sources[number], loaded.received[number].layout
        key: Key = ("source", number)
        for target in source.targets:
            slot = loaded.plan.slots[target.slot]
            place: Key = (*key, "signals", slot.quantity)
            field = layout.field(target.signal)
            _check_target(place, target, slot, field, banks.get(slot.owner), findings)
            reading = section.signals[slot.quantity]
            if target.truth is not None:
                _check_truth(place, reading, target, field, findings)
        used = {target.signal for target in source.targets} | {section.counter}
        used |= {section.checksum.signal} if section.checksum else set()
        note_unmapped((*key, "signals"), section.message, layout.fields, used, "not read", findings)
    _check_twice(loaded, findings)
    for number, bank in enumerate(loaded.plan.banks):
        _check_bank(("bank", number), bank, loaded, findings)


def _check_twice(loaded: LoadedProfile, findings: Findings) -> None:
    """One signal for two cells: one of them is not watched. A line that was copied, as a rule."""
    single = {bank.name for bank in loaded.plan.banks if bank.cells == 1}
    first: dict[tuple[str, int, str], Slot] = {}
    for number, source in enumerate(loaded.plan.sources):
        for target in source.targets:
            slot = loaded.plan.slots[target.slot]
            if not slot.quantity.startswith("cell_voltage") or slot.owner in single:
                continue
            other = first.setdefault((source.bus, source.key, target.signal), slot)
            if other is not slot:
                found = f"{target.signal} of {loaded.received[number].message} is read as {other} already"
                findings.fail(("source", number, "signals", slot.quantity), found, f"another for {slot}")


def note_unmapped(
    key: Key, message: str, fields: Sequence[Field], used: set[str | None], what: str, findings: Findings
) -> None:
    """Notes the signals of a message that the profile does not use; page selectors aside."""
    selectors = {name for field in fields for name, _ in field.mux}
    left = [field.name for field in fields if field.name not in used and field.name not in selectors]
    if left:
        findings.note(key, f"{message}: {what}: {', '.join(sorted(left))}", "nothing needs them")


def _needed(slot: Slot, bank: Bank) -> Need:
    """How far a reading must reach for the cut-offs to work."""
    charge, draw = bank.charge, bank.discharge
    match slot.quantity:
        case "cell_voltage":
            return draw.cell_trip_v, charge.cell_trip_v
        case "cell_voltage_min":
            return draw.cell_trip_v, None
        case "cell_voltage_max":
            return None, charge.cell_trip_v
        case "pack_voltage":
            return bank.cells * draw.cell_trip_v, bank.cells * charge.cell_trip_v
        case "cell_temperature":
            return max(charge.coldest_c, draw.coldest_c), min(charge.hottest_c, draw.hottest_c)
        case "cell_temperature_min":
            return max(charge.coldest_c, draw.coldest_c), None
        case "cell_temperature_max":
            return None, min(charge.hottest_c, draw.hottest_c)
    return None, None


def _wished(slot: Slot, bank: Bank) -> Need:
    """How far a reading should reach."""
    charge, draw = bank.charge, bank.discharge
    match slot.quantity:
        case "pack_current":
            return -draw.max_a, charge.max_a
        case "state_of_charge":
            return 0.0, 100.0
        case "cell_temperature_min":
            return min(charge.coldest_c, draw.coldest_c), None
        case "cell_temperature_max":
            return None, max(charge.hottest_c, draw.hottest_c)
    return None, None


def _check_target(
    key: Key, target: Target, slot: Slot, field: Field, bank: Bank | None, findings: Findings
) -> None:
    quantity = QUANTITIES[slot.quantity]
    problem = unit_problem(quantity.unit, field.unit, 1 / target.scale, target.shift)
    if problem is not None:
        found, allowed, certain = problem
        (findings.fail if certain else findings.warn)(key, f"{field.name}: {found}", allowed)
    if bank is None or target.truth is not None:
        return
    low, high = _reach(field, target)
    _check_reach(key, field, (low, high), _needed(slot, bank), quantity.unit, findings.fail)
    _check_reach(key, field, (low, high), _wished(slot, bank), quantity.unit, findings.warn)
    if (
        target.jump is not None
        and not field.is_float
        and target.jump < abs(float(field.factor) * target.scale)
    ):
        found = f"{target.jump:g}, less than one step of {field.name}"
        findings.warn((*key, "largest_jump"), found, "more: else every change is refused")
    believed = (target.low, target.high)
    for need in (_needed(slot, bank), _wished(slot, bank)):
        _check_reach((*key, "range"), field, believed, need, quantity.unit, findings.warn)
    step = abs(float(field.factor) * target.scale)
    if quantity.name.startswith("cell_voltage") and not field.is_float and step > COARSE_CELL_V:
        findings.warn(key, f"{field.name} in steps of {step:g} V", f"steps of {COARSE_CELL_V:g} V or finer")


def _reach(field: Field, target: Target) -> tuple[float, float]:
    if field.is_float:
        return float("-inf"), float("inf")
    numbers = [raw * field.factor + field.offset for raw in (field.raw_min, field.raw_max)]
    low, high = sorted(number * target.scale + target.shift for number in numbers)
    return low, high


def _check_reach(
    key: Key,
    field: Field,
    reach: tuple[float, float],
    need: Need,
    unit: str,
    note: Callable[[Key, str, str], None],
) -> None:
    low, high = need
    span = f"{field.name} from {reach[0]:g} to {reach[1]:g} {unit}"
    if low is not None and reach[0] > low + 1e-9:
        note(key, span, f"down to {low:g} {unit} at least")
    if high is not None and reach[1] < high - 1e-9:
        note(key, span, f"up to {high:g} {unit} at least")


def _check_truth(key: Key, reading: Reading, target: Target, field: Field, findings: Findings) -> None:
    for name, numbers in (("true", reading.true), ("false", reading.false or ())):
        for number in numbers:
            if raw_of(field, number) is None:
                findings.fail((*key, name), f"{number:g} is never said by {field.name}", span_text(field))
    named = [(float(raw * field.factor + field.offset), text) for raw, text in field.choices]
    mute = [
        f"{number:g} ({text})"
        for number, text in named
        if number not in (*reading.true, *reading.no) and not is_unknown(target, number)
    ]
    if mute:
        found = f"{', '.join(mute)} of {field.name}: neither yes nor no"
        doubt = "left out" if reading.optional else "a frame with it is refused"
        findings.warn(key, f"{found}: {doubt}", "true, false and unknown, which name every number it can say")


def _check_bank(key: Key, bank: Bank, loaded: LoadedProfile, findings: Findings) -> None:
    """What a bank should be read for, given what is wished of it."""
    options, plan = loaded.plan.options, loaded.plan
    required = {slot.quantity for slot in plan.slots if slot.owner == bank.name and slot.required}
    for name, side in (("charge_by_soc", bank.charge), ("discharge_by_soc", bank.discharge)):
        if side.by_soc is not None and "state_of_charge" not in required:
            findings.fail(
                (*key, name), "no state_of_charge, or an optional one", "a source of it, not optional"
            )
    if options.hold_while_balancing and "balancing" not in required:
        place: Key = ("options", "hold_charge_while_balancing")
        findings.fail(place, f"no balancing of bank {bank.name}, or an optional one", "a source of it")
    if plan.limits.request_below_soc is not None and "state_of_charge" not in bank.slots:
        place = ("limits", "request_charge_below_soc_pct")
        findings.warn(place, f"no state_of_charge of bank {bank.name}", "a source of it")
    if "bank_connected" in bank.slots and "bank_connected" not in required:
        found, allowed = (
            f"bank_connected of {bank.name} is optional",
            "not optional: unheard it counts as yes",
        )
        findings.warn(key, found, allowed)
    if 0 < len(bank.cell_slots) < bank.cells:
        read = {plan.slots[slot].index for slot in bank.cell_slots}
        missing = ", ".join(str(cell) for cell in range(1, bank.cells + 1) if cell not in read)
        found = f"{len(read)} of {bank.cells} cells of {bank.name} are read; missing: cell {missing}"
        findings.warn(key, found, "all or none: the voltage limit looks at single cells only if it knows all")
    _check_lost(key, bank, loaded, findings)
    if "pack_current" not in bank.slots:
        note = findings.warn if len(plan.banks) > 1 else findings.note
        note(key, f"no pack_current of {bank.name}", "a source of it, to be shown")


def _check_lost(key: Key, bank: Bank, loaded: LoadedProfile, findings: Findings) -> None:
    """A reading that is not believed stops all current as well, but only while it lasts."""
    lows_v = [
        target.low
        for source in loaded.plan.sources
        for target in source.targets
        if loaded.plan.slots[target.slot].owner == bank.name
        and loaded.plan.slots[target.slot].quantity in ("cell_voltage", "cell_voltage_min")
    ]
    deep = bank.charge.deep
    if deep is not None and lows_v and max(lows_v) >= deep.lost_v:
        found = f"cells of {bank.name} believed from {max(lows_v):g} V on"
        allowed = f"a range from well below {deep.lost_v:g} V, so that a lost cell is remembered, not refused"
        findings.note(key, found, allowed)
