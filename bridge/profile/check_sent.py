"""Can everything that will be sent be said, on the safe side, over the whole range it can have?"""

from collections.abc import Iterator
from typing import NamedTuple

from bridge.core.plan.plan import Plan
from bridge.core.wire.outgoing import FlagItem, FrameBuilder, Item, QuantityItem, Transmission, is_reading
from bridge.errors import NotExpressible
from bridge.frames import EXTENDED
from bridge.profile import schema_signals
from bridge.profile.check_shares import LIMITS, parts_of
from bridge.profile.check_sources import note_unmapped
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.findings import Findings, Key
from bridge.profile.load import LoadedProfile
from bridge.profile.units import unit_problem
from bridge.quantities import CAUSES, QUANTITIES, Kind, Rounding

COARSE_SHARE = 0.05
COARSE_V = 0.2
"""Steps of a limit above these waste what could be had (own choice)."""

MUST_CHARGE = ("charge_voltage_limit", "charge_current_limit")
MUST_DRAW = ("discharge_current_limit",)
"""Limits without which an inverter that charges, or discharges, is not under control."""


class SentSignal(NamedTuple):
    """One signal of a sent message: what it carries, and what it can say, in units of the quantity."""

    signal: str
    content: str
    step: float | None
    low: float | None
    high: float | None
    unit: str


class SentRow(NamedTuple):
    """One sent message; `samples` has the bytes of each page in hex, with plausible values."""

    message: str
    bus: str
    inverter: str
    identifier: str
    period_ms: float
    phase_ms: float
    response_ms: float | None
    signals: tuple[SentSignal, ...]
    samples: tuple[str, ...]


def check_sent(
    loaded: LoadedProfile, responses_s: tuple[float | None, ...], findings: Findings
) -> tuple[SentRow, ...]:
    """Notes what cannot be said or is never said; returns what will be sent."""
    domains = _domains(loaded)
    rows = []
    sections = loaded.profile.transmission
    for number, (one, section) in enumerate(zip(loaded.plan.transmissions, sections, strict=True)):
        key: Key = ("transmission", number)
        _check_items(key, one, loaded, domains | _parts(one, loaded, domains), findings)
        used: set[str | None] = {item.signal for page in one.pages for item in page}
        note_unmapped(
            (*key, "signals"), one.layout.name, one.layout.fields, used, "sent with its start value", findings
        )
        samples = _samples(key, one, loaded.plan, findings)
        response_s = responses_s[number]
        rows.append(
            SentRow(
                message=one.layout.name,
                bus=one.bus,
                inverter=one.inverter or "all",
                identifier=_identifier(one.layout.key),
                period_ms=one.period_us / 1000,
                phase_ms=one.phase_us / 1000,
                response_ms=None if response_s is None else response_s * 1000,
                signals=tuple(_signal(item, section.signals.get(item.signal)) for item in _items(one)),
                samples=samples,
            )
        )
    _check_told(loaded, findings)
    return tuple(rows)


def _identifier(key: int) -> str:
    return f"{key & 0x1FFF_FFFF:08X}" if key & EXTENDED else f"{key:03X}"


def _items(one: Transmission) -> Iterator[Item]:
    """Each item once, whatever the number of pages it is on."""
    seen = set()
    for page in one.pages:
        for item in page:
            if item.signal not in seen:
                seen.add(item.signal)
                yield item


def _signal(item: Item, wanted: schema_signals.AnyItem | None) -> SentSignal:
    match item:
        case QuantityItem():
            grid = item.grid
            unit = QUANTITIES[item.quantity].unit
            return SentSignal(
                item.signal, item.quantity, float(grid.step), float(grid.lowest), float(grid.highest), unit
            )
        case FlagItem():
            return SentSignal(item.signal, f"{item.quantity} (yes or no)", None, None, None, "")
    return SentSignal(item.signal, _fixed_content(wanted), None, None, None, "")


def _fixed_content(wanted: schema_signals.AnyItem | None) -> str:
    """In words, what a signal carries that no quantity decides."""
    match wanted:
        case schema_signals.ConstantItem():
            return f"constant {wanted.constant:g}"
        case schema_signals.ChoiceItem():
            return f"constant {wanted.choice}"
        case schema_signals.TextItem():
            return f'text "{wanted.text}", from character {wanted.first}'
        case schema_signals.CounterItem():
            return "rolling counter"
        case schema_signals.ChecksumItem():
            return f"checksum {wanted.checksum.algorithm}"
    return "page, in turn"


# ── what a quantity can be ──────────────────────────────────────────────────────────────────────────────


def _domains(loaded: LoadedProfile) -> dict[str, tuple[float, float]]:
    """Every value the core may ask to be sent."""
    plan, limits = loaded.plan, loaded.plan.limits
    cell = CHEMISTRIES[loaded.profile.pack.chemistry]
    count = loaded.profile.pack.cells_in_series
    return {
        "charge_voltage_limit": (min(limits.resting_v, limits.discharge_floor_v), limits.charge_voltage_v),
        "charge_current_limit": (0.0, limits.charge_a),
        "discharge_current_limit": (0.0, limits.discharge_a),
        "discharge_voltage_floor": (limits.discharge_floor_v, limits.charge_voltage_v),
        "pack_voltage": (count * cell.cell_min_v, count * cell.cell_max_v),
        "pack_current": (-limits.discharge_a, limits.charge_a),
        "cell_voltage_min": (cell.cell_min_v, cell.cell_max_v),
        "cell_voltage_max": (cell.cell_min_v, cell.cell_max_v),
        "cell_temperature_min": (cell.discharge_min_c, cell.discharge_max_c),
        "cell_temperature_max": (cell.discharge_min_c, cell.discharge_max_c),
        "charge_current_permitted": (0.0, sum(bank.charge.max_a for bank in plan.banks)),
        "discharge_current_permitted": (0.0, sum(bank.discharge.max_a for bank in plan.banks)),
    }


def _parts(
    one: Transmission, loaded: LoadedProfile, domains: dict[str, tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    """What of the two current limits an inverter may be told: its part of them."""
    return {
        name: (domains[name][0], float(share) * domains[name][1])
        for name, share in zip(LIMITS, parts_of(loaded, one), strict=True)
        if share
    }


def _check_items(
    key: Key,
    one: Transmission,
    loaded: LoadedProfile,
    domains: dict[str, tuple[float, float]],
    findings: Findings,
) -> None:
    read = {slot.quantity for slot in loaded.plan.slots}
    for item in _items(one):
        if not isinstance(item, QuantityItem | FlagItem):
            continue
        place: Key = (*key, "signals", item.signal)
        if not _is_read(item.quantity, read):
            note = findings.fail if item.absent_raw is None else findings.warn
            note(place, f"{item.quantity}, which no source reads", "a source of it, or something else here")
        elif is_reading(item.quantity) and item.absent_raw is None and one.carries_limits:
            found = f"{item.quantity} without absent, beside limits"
            allowed = "absent = number, for while it is not known: else it is shown when it is too old"
            findings.fail(place, found, allowed)
        if isinstance(item, QuantityItem):
            known = QUANTITIES[item.quantity]
            domain = domains.get(item.quantity, (known.low, known.high))
            _check_grid(place, item, domain, findings)


_NEEDS: dict[str, tuple[frozenset[str], ...]] = {
    "cell_over_voltage": (frozenset({"cell_voltage_max"}), frozenset({"cell_voltage"})),
    "cell_under_voltage": (frozenset({"cell_voltage_min"}), frozenset({"cell_voltage"})),
    "temperature": tuple(frozenset({f"cell_temperature{end}"}) for end in ("", "_min", "_max")),
    "over_current": (frozenset({"pack_current"}),),
    "cell_imbalance": (frozenset({"cell_voltage_min", "cell_voltage_max"}), frozenset({"cell_voltage"})),
    "inverter_silent": (frozenset({"inverter_heartbeat"}),),
}
"""Without one of these sets of readings, flags of a cause are never known."""


def _is_read(quantity: str, read: set[str]) -> bool:
    if quantity in CAUSES:
        needs = [sets for cause, sets in _NEEDS.items() if cause in quantity]
        return all(any(one <= read for one in sets) for sets in needs)
    if not is_reading(quantity):
        return True
    name = "state_of_charge" if quantity == "shown_state_of_charge" else quantity
    return name in read or name.removesuffix("_min").removesuffix("_max") in read


def _check_grid(key: Key, item: QuantityItem, domain: tuple[float, float], findings: Findings) -> None:
    known, grid, field = QUANTITIES[item.quantity], item.grid, item.grid.field
    problem = unit_problem(known.unit, field.unit, float(grid.scale), float(grid.shift))
    if problem is not None:
        found, allowed, certain = problem
        (findings.fail if certain else findings.warn)(key, f"{field.name}: {found}", allowed)
    low, high = float(grid.lowest), float(grid.highest)
    if low > domain[0] + 1e-9 or high < domain[1] - 1e-9:
        note = findings.warn if known.rounding is Rounding.NEAREST else findings.fail
        found = f"{field.name} of {field.length} bits says {low:g} to {high:g} {known.unit}".rstrip()
        note(key, found, f"{item.quantity} from {domain[0]:g} to {domain[1]:g} {known.unit}".rstrip())
        return
    if known.kind is not Kind.LIMIT:
        return
    if domain[0] == 0.0 and grid.to_value(grid.to_raw(0.0)) != 0.0:
        findings.fail(key, f"zero goes out as {grid.to_value(grid.to_raw(0.0)):g}", "a signal that can say 0")
    most = COARSE_V if known.unit == "V" else COARSE_SHARE * domain[1]
    if grid.step > most:
        findings.warn(key, f"steps of {float(grid.step):g} {known.unit}", f"at most {most:g} {known.unit}")


# ── sample frames ───────────────────────────────────────────────────────────────────────────────────────


def sample_values(plan: Plan) -> dict[str, float | None]:
    """What the core might say on a quiet day: every limit open, 20 A flowing in."""
    limits, count = plan.limits, plan.banks[0].cells
    cell_v = round((limits.knee_v + limits.low_knee_v) / 2, 3)
    values: dict[str, float | None] = {
        name: float(name not in CAUSES) for name, one in QUANTITIES.items() if not one.unit and one.high <= 4
    }
    return values | {
        "balancing": 0.0,
        "alarm": 0.0,
        "warning": 0.0,
        "charge_requested": 0.0,
        "pack_voltage": count * cell_v,
        "pack_current": min(20.0, limits.charge_a),
        "state_of_charge": 55.0,
        "state_of_health": 98.0,
        "shown_state_of_charge": 55.0,
        "cell_voltage_min": cell_v - 0.004,
        "cell_voltage_max": cell_v + 0.004,
        "cell_temperature_min": 19.0,
        "cell_temperature_max": 22.0,
        "charge_current_permitted": limits.charge_a,
        "discharge_current_permitted": limits.discharge_a,
        "charge_voltage_limit": limits.charge_voltage_v,
        "charge_current_limit": limits.charge_a,
        "discharge_current_limit": limits.discharge_a,
        "discharge_voltage_floor": limits.discharge_floor_v,
    }


def _samples(key: Key, one: Transmission, plan: Plan, findings: Findings) -> tuple[str, ...]:
    values = sample_values(plan)
    try:
        builder = FrameBuilder(one)
        return tuple(builder.build(values).data.hex(" ").upper() for _ in one.pages)
    except NotExpressible as problem:
        found, _, allowed = str(problem).partition("; allowed")
        findings.fail(
            key, f"no frame can be made: {found}", allowed.strip(": ") or "a value that can be said"
        )
        return ()


def _check_told(loaded: LoadedProfile, findings: Findings) -> None:
    """Every inverter must be told the limits that keep it under control, and should be heard."""
    plan = loaded.plan
    for number, inverter in enumerate(plan.inverters):
        key: Key = ("inverter", number)
        told = {
            item.quantity
            for one in plan.transmissions
            if one.inverter in (None, inverter.name)
            for item in _items(one)
            if isinstance(item, QuantityItem)
        }
        must = (*(MUST_CHARGE if inverter.charges else ()), *(MUST_DRAW if inverter.discharges else ()))
        for name in must:
            if name not in told:
                findings.fail(key, f"{inverter.name} is never told {name}", "a transmission that carries it")
        if inverter.discharges and "discharge_voltage_floor" not in told:
            found = f"{inverter.name} is never told discharge_voltage_floor"
            findings.warn(key, found, "a transmission that carries it")
        if inverter.heartbeat is None:
            found = f"{inverter.name} is never heard"
            if inverter.zero_when_silent:
                findings.fail((*key, "when_silent"), found, "a source of its inverter_heartbeat")
            else:
                findings.note(key, found, "a source of its inverter_heartbeat, to know that it is there")
