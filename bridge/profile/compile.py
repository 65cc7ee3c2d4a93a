"""From a checked profile to the plan the core works by. Every problem is noted; none stops the search."""

from datetime import UTC, datetime, timedelta
from math import isinf
from types import MappingProxyType

from bridge.core.plan.plan import (
    SECOND_US,
    Bank,
    FailSafeTimes,
    Inverter,
    Options,
    OtherSender,
    PackFacts,
    Plan,
    ShownSoc,
    Slot,
)
from bridge.core.wire.grid import exact
from bridge.core.wire.outgoing import Transmission
from bridge.profile.compile_charger import check_sensors, pack_facts
from bridge.profile.compile_limits import LimitCompiler
from bridge.profile.compile_sources import Received, SourceCompiler
from bridge.profile.compile_stages import compile_commissioning, compile_stages
from bridge.profile.compile_transmissions import MILLISECOND_US, compile_transmissions
from bridge.profile.findings import Definitions, Findings
from bridge.profile.schema import Bank as BankSection
from bridge.profile.schema import Inverter as InverterSection
from bridge.profile.schema import Profile
from bridge.quantities import QUANTITIES, Kind

VOLTMETER_CELL_V = 0.05
"""An inverter's voltmeter, and the cables to it, may be off by so much a cell (own choice: some per cent)."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def compile_plan(
    profile: Profile, definitions: Definitions, findings: Findings
) -> tuple[Plan, Received] | None:
    """The plan, and what it receives; `None` if problems were noted, now or before."""
    received = SourceCompiler(profile, definitions, findings).compile()
    transmissions = compile_transmissions(profile, definitions, findings)
    _clashes(received, transmissions, findings)
    limits = LimitCompiler(profile, findings)
    pack = limits.pack()
    stages = compile_stages(profile, pack, received.slots, findings)
    until_us = None if profile.commissioning is None else _until_us(profile.commissioning.until)
    # What a source says that cannot be used is not missed beside.
    whole = len(received.sources) == len(profile.source)
    for number, bank in enumerate(profile.bank if whole else ()):
        _minimum(number, bank.name, profile.pack.cells_in_series, received.slots, findings)
    check_sensors(profile, pack, received, findings)
    _check_shares(profile, findings)
    if findings.problems:
        return None
    plan = Plan(
        name=profile.name,
        tick_us=profile.tick_ms * MILLISECOND_US,
        slots=received.slots,
        sources=received.sources,
        banks=tuple(
            _bank(bank, profile, received.slots, limits, pack_facts(profile, bank, received, transmissions))
            for bank in profile.bank
        ),
        inverters=tuple(_inverter(one, profile, received.slots) for one in profile.inverter),
        limits=pack,
        options=_options(profile),
        times=_times(profile),
        transmissions=transmissions,
        stages=stages,
        commissioning=compile_commissioning(profile, pack, until_us),
        by_need=profile.pack.shares == "by need",
        other_devices_a=profile.pack.other_devices_a,
    )
    return plan, received


def _clashes(received: Received, transmissions: tuple[Transmission, ...], findings: Findings) -> None:
    """Two senders of one identifier on one bus: nothing on a CAN bus may do that."""
    read = {(source.bus, source.key): source.name for source in received.sources}
    sent: dict[tuple[str, int], str] = {}
    for transmission in transmissions:
        place = (transmission.bus, transmission.layout.key)
        if place in sent:
            found = f"{transmission.name} has the identifier of {sent[place]}"
            findings.fail(("transmission",), found, "one transmission for each identifier on a bus")
        if place in read:
            found = f"{transmission.name} has the identifier of the source {read[place]}"
            findings.fail(("transmission",), found, "an identifier that nobody else sends on that bus")
        sent[place] = transmission.name


def _minimum(number: int, bank: str, cells: int, slots: tuple[Slot, ...], findings: Findings) -> None:
    """What must be known of a bank: extremes of cell voltage, pack voltage, the coldest cell."""
    needed = {slot.quantity for slot in slots if slot.owner == bank and slot.required}
    all_cells = sum(slot.quantity == "cell_voltage" for slot in slots if slot.owner == bank and slot.required)
    extremes = {"cell_voltage_min", "cell_voltage_max"} <= needed or all_cells == cells
    rows = (
        (
            extremes,
            "no source of its highest and lowest cell",
            "cell_voltage_min and _max, or every cell_voltage",
        ),
        ("pack_voltage" in needed, "no source of its voltage", "pack_voltage"),
        (
            bool({"cell_temperature_min", "cell_temperature"} & needed),
            "no source of its coldest cell",
            "cell_temperature_min, or cell_temperature of its probes",
        ),
    )
    for there, found, allowed in rows:
        if not there:
            findings.fail(("bank", number), f"{bank} has {found}", f"{allowed}, not optional")


def _bank(
    section: BankSection,
    profile: Profile,
    slots: tuple[Slot, ...],
    limits: LimitCompiler,
    facts: tuple[PackFacts, PackFacts],
) -> Bank:
    mine = [(index, slot) for index, slot in enumerate(slots) if slot.owner == section.name]
    mine = [one for one in mine if QUANTITIES[one[1].quantity].kind is not Kind.INVERTER]
    return Bank(
        name=section.name,
        cells=profile.pack.cells_in_series,
        capacity_ah=section.capacity_ah,
        slots={slot.quantity: index for index, slot in mine if not slot.index},
        cell_slots=_numbered("cell_voltage", mine),
        probe_slots=_numbered("cell_temperature", mine),
        required=tuple((index, slot.max_age_us) for index, slot in mine if slot.required),
        charge=limits.charge(section)._replace(facts=facts[0]),
        discharge=limits.discharge(section)._replace(facts=facts[1]),
        resistance_ohm=None if section.resistance_mohm is None else section.resistance_mohm / 1000.0,
    )


def _numbered(quantity: str, mine: list[tuple[int, Slot]]) -> tuple[int, ...]:
    """Slots of all cells or probes, in the order of their numbers."""
    return tuple(
        index for index, slot in sorted(mine, key=lambda one: one[1].index) if slot.quantity == quantity
    )


def _inverter(section: InverterSection, profile: Profile, slots: tuple[Slot, ...]) -> Inverter:
    usual_v = round(VOLTMETER_CELL_V * profile.pack.cells_in_series, 6)
    mine = {slot.quantity: index for index, slot in enumerate(slots) if slot.owner == section.name}
    mine = {name: index for name, index in mine.items() if QUANTITIES[name].kind is Kind.INVERTER}
    # Whatever it reports shows that it is there.
    heartbeat = mine.get("inverter_heartbeat", next(iter(mine.values()), None))
    return Inverter(
        name=section.name,
        timeout_us=round(section.timeout_s * SECOND_US),
        heartbeat=heartbeat,
        zero_when_silent=section.when_silent == "zero",
        charges=section.role != "discharges",
        discharges=section.role != "charges",
        charge_share=None if section.charge_share is None else exact(section.charge_share),
        discharge_share=None if section.discharge_share is None else exact(section.discharge_share),
        slots=MappingProxyType(mine),
        voltage_error_v=usual_v if section.voltage_error_v is None else section.voltage_error_v,
    )


def _check_shares(profile: Profile, findings: Findings) -> None:
    """Together the inverters are told no more than there is, and each something of its own direction."""
    for key, without in (("charge_share", "discharges"), ("discharge_share", "charges")):
        mine = [(n, getattr(one, key)) for n, one in enumerate(profile.inverter) if one.role != without]
        stated = sum(exact(share) for _, share in mine if share is not None)
        open_ = [n for n, share in mine if share is None]
        if stated > 1:
            last = max(n for n, share in mine if share is not None)
            found = f"the sum of all is {float(stated):g}"
            findings.fail(("inverter", last, key), found, "shares that add up to at most 1")
        elif stated == 1 and open_:
            found = "nothing: the stated shares add up to 1"
            findings.fail(("inverter", open_[0], key), found, "a share of its own, or less for the others")


def _until_us(moment: datetime | None) -> int | None:
    """Engine time of a date: whole microseconds since 1970."""
    return None if moment is None else (moment - _EPOCH) // timedelta(microseconds=1)


def _options(profile: Profile) -> Options:
    wishes, shown = profile.options, None
    if profile.shown_soc is not None:
        until_us = _until_us(profile.shown_soc.until)
        shown = ShownSoc(*profile.shown_soc.window, until_us=until_us or 0)
    return Options(
        hold_while_balancing=wishes.hold_charge_while_balancing,
        inhibit_charge=wishes.inhibit_charge,
        inhibit_charge_until_us=_until_us(wishes.inhibit_charge_until),
        inhibit_discharge=wishes.inhibit_discharge,
        inhibit_discharge_until_us=_until_us(wishes.inhibit_discharge_until),
        shown_soc=shown,
        reduce_on_lost_bank=profile.pack.lost_bank == "reduce",
    )


def _times(profile: Profile) -> FailSafeTimes:
    times = profile.failsafe
    tolerance_v = times.sum_tolerance_v
    silent_s = times.silent_after_s
    return FailSafeTimes(
        hold_us=round(times.hold_s * SECOND_US),
        silent_us=None if isinf(silent_s) else round(silent_s * SECOND_US),
        steady_us=round(times.steady_s * SECOND_US),
        mismatch_us=round(times.mismatch_s * SECOND_US),
        stall_us=round(times.stall_s * SECOND_US),
        sum_tolerance_v=round(0.03 * profile.pack.cells_in_series, 6) if tolerance_v is None else tolerance_v,
        other_sender=OtherSender(times.other_sender),
        goes_on=times.restart == "go_on",
    )
