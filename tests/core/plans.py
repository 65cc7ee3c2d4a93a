"""Hand-made plans for the tests of the core; `tests.core.rig` has the pack that speaks them."""

from dataclasses import dataclass, field, replace

from bridge.core.charging.charge_settings import Learnt
from bridge.core.course.remembered import Kept
from bridge.core.plan.curve import Curve
from bridge.core.plan.plan import (
    Bank,
    CurrentSide,
    FailSafeTimes,
    Inverter,
    Options,
    PackLimits,
    Plan,
    Slot,
    Source,
    Target,
)
from bridge.core.wire.checksum import Checksum
from bridge.core.wire.codec import Decoder, Field, MessageLayout
from bridge.core.wire.grid import Grid
from bridge.core.wire.outgoing import CounterItem, FlagItem, Item, QuantityItem, Transmission
from bridge.quantities import LIMITS, QUANTITIES

SECOND = 1_000_000
TICK = 100_000
AGE = 1_000_000
"""Allowed age of every reading, µs."""

BUS = "shed"
PER_PAGE = 3

ALWAYS = Curve([0.0], [1.0])
CHARGE = CurrentSide(
    max_a=100.0,
    by_cell=Curve([3.40, 3.48, 3.50, 3.55], [1.0, 0.12, 0.02, 0.0]),
    by_coldest=Curve([0.0, 1.0, 10.0, 15.0], [0.0, 0.1, 0.2, 1.0]),
    by_hottest=Curve([38.0, 45.0], [1.0, 0.0]),
    by_soc=None,
    cell_trip_v=3.575,
    cell_release_v=3.45,
    coldest_c=0.0,
    hottest_c=45.0,
    release_c=2.0,
)
DRAW = CurrentSide(
    max_a=120.0,
    by_cell=Curve([2.90, 3.05], [0.0, 1.0]),
    by_coldest=Curve([-20.0, 0.0], [0.0, 1.0]),
    by_hottest=Curve([50.0, 60.0], [1.0, 0.0]),
    by_soc=None,
    cell_trip_v=2.70,
    cell_release_v=3.00,
    coldest_c=-20.0,
    hottest_c=60.0,
    release_c=2.0,
)
TIMES = FailSafeTimes(
    hold_us=3 * SECOND,
    silent_us=10 * SECOND,
    steady_us=2 * SECOND,
    mismatch_us=1 * SECOND,
    stall_us=2 * SECOND,
    sum_tolerance_v=0.5,
)
OPTIONS = Options(
    hold_while_balancing=False,
    inhibit_charge=False,
    inhibit_charge_until_us=None,
    inhibit_discharge=False,
    inhibit_discharge_until_us=None,
    shown_soc=None,
    reduce_on_lost_bank=False,
)


def pack_limits(cells: int = 16, banks: int = 1) -> PackLimits:
    """Bounds of a pack of LFP cells."""
    return PackLimits(
        charge_voltage_v=3.50 * cells,
        discharge_floor_v=2.90 * cells,
        resting_v=3.35 * cells,
        cell_target_v=3.50,
        cell_floor_v=2.90,
        knee_v=3.40,
        low_knee_v=3.05,
        charge_a=100.0 * banks,
        discharge_a=120.0 * banks,
        rise_v_per_s=0.16,
        charge_rise_a_per_s=10.0,
        discharge_rise_a_per_s=12.0,
        voltage_deadband_v=0.05,
        current_deadband_a=1.0,
        request_below_soc=10.0,
        request_until_soc=15.0,
        request_below_v=2.95,
        request_until_v=3.10,
    )


def seen_before(plan: Plan) -> Kept:
    """What an earlier run has kept: the resistances of all cells, as expected."""
    return Kept(learnt={bank.name: Learnt((1.0,) * bank.cells) for bank in plan.banks})


def intel(name: str, start: int, length: int, factor: float = 1, *, signed: bool = False) -> Field:
    """A field in Intel byte order."""
    return Field(name, start, length, signed=signed, factor=factor)


TOTALS = (
    intel("volts", 0, 16, 0.01),
    intel("amps", 16, 16, 0.1, signed=True),
    intel("charge", 32, 8, 0.5),
    intel("may_charge", 40, 2),
    intel("may_draw", 42, 2),
    intel("bleeding", 44, 2),
    intel("count", 48, 8),
    intel("proof", 56, 8),
)
EXTREMES = (
    intel("low", 0, 16, 0.001),
    intel("high", 16, 16, 0.001),
    intel("coldest", 32, 16, 0.1, signed=True),
    intel("hottest", 48, 16, 0.1, signed=True),
)
PERMITS = (intel("charge_most", 0, 16, 0.1), intel("draw_most", 16, 16, 0.1))
PROOF = Checksum("crc8", tuple(range(7)), polynomial=0x1D, init=0xFF)
BEAT = MessageLayout("Beat", 0x300, 1, (intel("beat", 0, 8),))
BOUNDS = MessageLayout(
    "Bounds",
    0x201,
    8,
    (
        intel("charge_to", 0, 16, 0.1),
        intel("charge_with", 16, 16, 0.1),
        intel("draw_with", 32, 16, 0.1),
        intel("draw_to", 48, 16, 0.1),
    ),
)
FLAGS = MessageLayout(
    "Flags",
    0x202,
    3,
    (
        intel("charge_ok", 0, 1),
        intel("draw_ok", 1, 1),
        intel("wanted", 2, 1),
        intel("alarm", 3, 1),
        intel("warning", 4, 1),
        intel("state", 8, 8),
        intel("count", 16, 8),
    ),
)
SHOWN = MessageLayout("Shown", 0x203, 2, (intel("level", 0, 8, 0.5), intel("soc", 8, 8, 0.5)))


def pages_of(cells: int) -> int:
    """How many pages the cells take."""
    return -(-cells // PER_PAGE)


def cell_layout(key: int, cells: int) -> MessageLayout:
    """Cells three by three, on pages selected by the first byte."""
    fields = [intel("page", 0, 8)]
    for cell in range(cells):
        place = intel(f"cell_{cell + 1}", 8 + 16 * (cell % PER_PAGE), 16, 0.001)
        fields.append(replace(place, mux=(("page", frozenset({cell // PER_PAGE})),)))
    return MessageLayout("Cells", key, 8, tuple(fields))


@dataclass
class Builder:
    """What a plan is made of; change what the test is about and call `plan`.

    Attributes:
        parts: message-wise, what is received of each bank; `cells`, `permits` and `switch` can be left out.
        optional: quantities without which a bank is trusted.
        jumps: largest believable step by quantity.
    """

    cells: int = 16
    banks: int = 1
    parts: frozenset[str] = frozenset({"totals", "extremes", "cells"})
    optional: frozenset[str] = frozenset()
    jumps: dict[str, float] = field(default_factory=dict)
    charge: CurrentSide = CHARGE
    draw: CurrentSide = DRAW
    times: FailSafeTimes = TIMES
    options: Options = OPTIONS
    limits: PackLimits | None = None
    heartbeat: bool = False
    zero_when_silent: bool = True
    capacities_ah: tuple[float, ...] = (100.0, 100.0, 100.0)
    transmissions: tuple[Transmission, ...] | None = None
    max_age_us: int = AGE
    tick_us: int = TICK

    def plan(self) -> Plan:
        """The plan, built anew."""
        self._slots: list[Slot] = []
        self._sources: list[Source] = []
        banks = tuple(self._bank(number) for number in range(self.banks))
        inverters: tuple[Inverter, ...] = ()
        if self.heartbeat:
            slot = self._slot("inverter_heartbeat", "loft", 0, required=False)
            target = Target(slot, "beat", 1.0, 0.0, None, 0.0, 255.0, None)
            decoder = Decoder(BEAT, ["beat"])
            self._sources.append(Source("Beat", BUS, BEAT.key, decoder, (target,), None, None, None, "loft"))
            inverters = (Inverter("loft", 10 * SECOND, slot, self.zero_when_silent),)
        return Plan(
            name="workshop",
            tick_us=self.tick_us,
            slots=tuple(self._slots),
            sources=tuple(self._sources),
            banks=banks,
            inverters=inverters,
            limits=self.limits or pack_limits(self.cells, self.banks),
            options=self.options,
            times=self.times,
            transmissions=transmissions() if self.transmissions is None else self.transmissions,
        )

    def _slot(self, quantity: str, owner: str, index: int, *, required: bool) -> int:
        self._slots.append(Slot(quantity, owner, index, self.max_age_us, required))
        return len(self._slots) - 1

    def _bank(self, number: int) -> Bank:
        name, first = f"bank{number + 1}", len(self._slots)
        layouts = bank_layouts(number, self.cells)
        if "totals" in self.parts:
            rows = [
                ("pack_voltage", "volts"),
                ("pack_current", "amps"),
                ("state_of_charge", "charge"),
                ("charge_permitted", "may_charge"),
                ("discharge_permitted", "may_draw"),
                ("balancing", "bleeding"),
            ]
            self._source(name, layouts["totals"], rows, checked=True)
        if "extremes" in self.parts:
            rows = [
                ("cell_voltage_min", "low"),
                ("cell_voltage_max", "high"),
                ("cell_temperature_min", "coldest"),
                ("cell_temperature_max", "hottest"),
            ]
            self._source(name, layouts["extremes"], rows)
        if "cells" in self.parts:
            rows = [("cell_voltage", f"cell_{cell + 1}") for cell in range(self.cells)]
            self._source(name, layouts["cells"], rows)
        if "permits" in self.parts:
            rows = [
                ("charge_current_permitted", "charge_most"),
                ("discharge_current_permitted", "draw_most"),
            ]
            self._source(name, layouts["permits"], rows)
        if "switch" in self.parts:
            self._source(name, layouts["switch"], [("bank_connected", "joined")])
        mine = list(enumerate(self._slots))[first:]
        return Bank(
            name=name,
            cells=self.cells,
            capacity_ah=self.capacities_ah[number],
            slots={slot.quantity: i for i, slot in mine if not slot.index},
            cell_slots=tuple(i for i, slot in mine if slot.quantity == "cell_voltage"),
            probe_slots=tuple(i for i, slot in mine if slot.quantity == "cell_temperature"),
            required=tuple((i, slot.max_age_us) for i, slot in mine if slot.required),
            charge=self.charge,
            discharge=self.draw,
        )

    def _source(
        self, owner: str, layout: MessageLayout, rows: list[tuple[str, str]], *, checked: bool = False
    ) -> None:
        targets = []
        for number, (quantity, signal) in enumerate(rows, 1):
            known = QUANTITIES[quantity]
            index = number if quantity == "cell_voltage" else 0
            slot = self._slot(quantity, owner, index, required=quantity not in self.optional)
            truth = frozenset({1.0}) if known.high == 1 else None
            jump = self.jumps.get(quantity)
            targets.append(Target(slot, signal, 1.0, 0.0, truth, known.low, known.high, jump))
        names = [signal for _, signal in rows] + (["count", "proof"] if checked else [])
        count = len(targets)
        self._sources.append(
            Source(
                name=f"{layout.name} of {owner}",
                bus=BUS,
                key=layout.key,
                decoder=Decoder(layout, names),
                targets=tuple(targets),
                counter=count if checked else None,
                checksum=PROOF if checked else None,
                checksum_at=count + 1 if checked else None,
                owner=owner,
            )
        )


def bank_layouts(number: int, cells: int) -> dict[str, MessageLayout]:
    """The messages of one bank."""
    base = 0x100 + 16 * number
    return {
        "totals": MessageLayout("Totals", base, 8, TOTALS),
        "extremes": MessageLayout("Extremes", base + 1, 8, EXTREMES),
        "cells": cell_layout(base + 2, cells),
        "permits": MessageLayout("Permits", base + 3, 4, PERMITS),
        "switch": MessageLayout("Switch", base + 4, 1, (intel("joined", 0, 8),)),
    }


def bounds(period_us: int = 100_000, phase_us: int = 0) -> Transmission:
    """The four limits in one message."""
    items = tuple(
        QuantityItem(place.name, name, Grid(place, rounding=QUANTITIES[name].rounding))
        for place, name in zip(BOUNDS.fields, LIMITS, strict=True)
    )
    return Transmission("Bounds", BUS, BOUNDS, period_us, phase_us, (items,))


def transmissions() -> tuple[Transmission, ...]:
    """Limits, flags, and what is only shown."""
    names = ("charge_allowed", "discharge_allowed", "charge_requested", "alarm", "warning")
    flags: tuple[Item, ...] = tuple(
        FlagItem(place.name, name, 1, 0) for place, name in zip(FLAGS.fields, names, strict=False)
    )
    state = QUANTITIES["failsafe_state"]
    flags += (
        QuantityItem("state", state.name, Grid(FLAGS.field("state"), rounding=state.rounding)),
        CounterItem("count", 256),
    )
    shown = tuple(
        QuantityItem(place, name, Grid(SHOWN.field(place), rounding=QUANTITIES[name].rounding))
        for place, name in (("level", "state_of_charge"), ("soc", "shown_state_of_charge"))
    )
    return (
        bounds(),
        Transmission("Flags", BUS, FLAGS, 200_000, 50_000, (flags,)),
        Transmission("Shown", BUS, SHOWN, 1_000_000, 70_000, (shown,)),
    )
