"""The profile as the core sees it: compiled once, at load, into plain frozen values.

Voltages in V, currents in A, temperatures in °C, charge in Ah, shares 0..1; times in whole microseconds
(`_us`). `None` means: not used.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from types import MappingProxyType
from typing import Final, NamedTuple

from bridge.core.plan.curve import Curve
from bridge.core.plan.wishes import Commissioning, Stages
from bridge.core.wire.checksum import Checksum
from bridge.core.wire.codec import Decoder
from bridge.core.wire.outgoing import Transmission

SECOND_US: Final = 1_000_000

_NONE: Final[Mapping[str, int]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Slot:
    """One place in the table of readings: a quantity of one bank (one cell of it), or of one inverter.

    Attributes:
        quantity: name of the quantity.
        owner: name of the bank or inverter.
        index: cell or probe number from 1; 0 where there is only one.
        max_age_us: a reading older than this never feeds a limit.
        required: without a fresh reading the bank is not trusted.
    """

    quantity: str
    owner: str
    index: int
    max_age_us: int
    required: bool

    def __str__(self) -> str:
        number = f" {self.index}" if self.index else ""
        return f"{self.quantity}{number} of {self.owner}"


class Target(NamedTuple):
    """Where one decoded signal goes, and what is believed of it.

    Attributes:
        slot: index into the table of readings.
        signal: name in the DBC, for messages.
        scale, shift: reading = number * scale + shift.
        truth: for a flag: the numbers that mean yes; `None` for a measured value.
        low, high: believable span of the reading.
        jump: largest believable change from one reading to the next.
        falsity: for a flag: the numbers that mean no; any other is doubt.
        unknown: spans of numbers that say nothing; one from and to NaN stands for what is not a number.
    """

    slot: int
    signal: str
    scale: float
    shift: float
    truth: frozenset[float] | None
    low: float
    high: float
    jump: float | None
    falsity: frozenset[float] = frozenset({0.0})
    unknown: tuple[tuple[float, float], ...] = ()


class Source(NamedTuple):
    """One received message.

    Attributes:
        name: `message on bus`, for messages to people.
        bus, key: which frame it is.
        decoder: gives the targets' signals in order, then the counter, then the checksum where used.
        targets: one for each decoded reading.
        counter: position of the rolling counter in what the decoder gives.
        checksum, checksum_at: how to check the frame, and where the decoder gives the sent value.
        owner: bank or inverter the message speaks for.
        chooser: where the decoder gives the number that chooses bytes of the checksum.
        cycle_us: its period as the DBC states it; 0 where it does not, or the message has pages.
        counter_span: the counter counts from 0 up to this, and begins anew; 0 where that is not known.
        counter_step: most it may advance by from frame to frame; 0: by any step.
    """

    name: str
    bus: str
    key: int
    decoder: Decoder
    targets: tuple[Target, ...]
    counter: int | None
    checksum: Checksum | None
    checksum_at: int | None
    owner: str
    chooser: int | None = None
    cycle_us: int = 0
    counter_span: int = 0
    counter_step: int = 0


@dataclass(frozen=True, kw_only=True)
class PackFacts:
    """What the law of one direction of current must know of the world beyond the cells. In V, A and s.

    Attributes:
        sensor_offset_v: largest error of a cell sensor, either way.
        sensor_step_v: step in which the cells are told, at least; a coarser one is found out.
        current_zero_a: largest error of the current sensor where none flows.
        delay_s: how old a reading is when it comes in.
        lag_s: time constant with which the slowest charger, or inverter, obeys.
        wire_v, wire_a: coarsest step in which the limits of voltage and current are sent.
    """

    sensor_offset_v: float = 0.002
    sensor_step_v: float = 0.001
    current_zero_a: float = 1.0
    delay_s: float = 1.0
    lag_s: float = 3.0
    wire_v: float = 0.1
    wire_a: float = 0.1


class Deep(NamedTuple):
    """What a deeply discharged cell still bears of the charge current, by the lowest cell.

    Attributes:
        by_lowest: share of the bank's `max_a`: a trickle, rising to all of it.
        lost_v: a cell that was this low is not charged any more,
        release_v: until it stands here again, by its own recovery or a person's work.
    """

    by_lowest: Curve
    lost_v: float
    release_v: float


class CurrentSide(NamedTuple):
    """What bounds one direction of current in one bank. Shares are of `max_a`.

    Attributes:
        max_a: configured limit of the bank.
        by_cell: share by the highest cell's voltage (charging) or the lowest's (discharging).
        by_coldest, by_hottest: share by the coldest and hottest cell's temperature.
        by_soc: share by state of charge.
        cell_trip_v, cell_release_v: cut-off by cell voltage, with hysteresis.
        coldest_c, hottest_c: no current at or beyond these temperatures.
        release_c: how far back inside a temperature must come before current flows again.
        facts: see `PackFacts`.
        deep: of the charging side, see `Deep`.
    """

    max_a: float
    by_cell: Curve
    by_coldest: Curve
    by_hottest: Curve
    by_soc: Curve | None
    cell_trip_v: float
    cell_release_v: float
    coldest_c: float
    hottest_c: float
    release_c: float
    facts: PackFacts = PackFacts()
    deep: Deep | None = None


class Bank(NamedTuple):
    """One string of cells.

    Attributes:
        name: as in the profile.
        cells: cells in series.
        capacity_ah: its share of the current is expected in proportion.
        slots: index of the slot of each mapped quantity.
        cell_slots, probe_slots: indices of the slots of the cells and temperature probes.
        required: (slot, allowed age in µs) of all that must be fresh.
        charge, discharge: see `CurrentSide`.
        resistance_ohm: of the string with its cables, up to where the banks are joined.
    """

    name: str
    cells: int
    capacity_ah: float
    slots: dict[str, int]
    cell_slots: tuple[int, ...]
    probe_slots: tuple[int, ...]
    required: tuple[tuple[int, int], ...]
    charge: CurrentSide
    discharge: CurrentSide
    resistance_ohm: float | None = None


class Inverter(NamedTuple):
    """One receiver of limits.

    Attributes:
        name: as in the profile.
        timeout_us: how long it keeps the last limits when nothing more arrives (from its manual).
        heartbeat: slot of its sign of life.
        zero_when_silent: whether currents go to zero while it is not heard (else it is a warning).
        charges, discharges: what it does with the pack.
        charge_share, discharge_share: its part of the pack's current limit; `None`: an equal part of what the
            stated ones leave.
        slots: index of the slot of each quantity it reports.
        voltage_error_v: its voltmeter and the pack's may differ by so much, with what falls off between them.
    """

    name: str
    timeout_us: int
    heartbeat: int | None
    zero_when_silent: bool
    charges: bool = True
    discharges: bool = True
    charge_share: Fraction | None = None
    discharge_share: Fraction | None = None
    slots: Mapping[str, int] = _NONE
    voltage_error_v: float = 1.0


class PackLimits(NamedTuple):
    """Bounds of the whole pack.

    Attributes:
        charge_voltage_v: static charge voltage; never exceeded.
        discharge_floor_v: static floor; never undercut.
        resting_v: charge voltage while the pack is not trusted.
        cell_target_v, cell_floor_v: what the highest cell may reach, the lowest may fall to.
        knee_v, low_knee_v: where the steep parts of the cell's curve begin.
        charge_a, discharge_a: caps of the whole pack (wiring, fuse, inverter).
        rise_v_per_s, charge_rise_a_per_s, discharge_rise_a_per_s: fastest rises.
        voltage_deadband_v, current_deadband_a: a rise begins only for a larger gap.
        request_below_soc, request_until_soc: ask for charge between these, %.
        request_below_v, request_until_v: the same by lowest cell.
        plateau_v: where a cell rests while charged, before the steep part.
        e_fold: share of charge over which the voltage above the plateau grows e-fold (PyBaMM, Prada2013).
        imbalance_v: from this difference of highest and lowest cell on they count as apart.
    """

    charge_voltage_v: float
    discharge_floor_v: float
    resting_v: float
    cell_target_v: float
    cell_floor_v: float
    knee_v: float
    low_knee_v: float
    charge_a: float
    discharge_a: float
    rise_v_per_s: float
    charge_rise_a_per_s: float
    discharge_rise_a_per_s: float
    voltage_deadband_v: float
    current_deadband_a: float
    request_below_soc: float | None
    request_until_soc: float | None
    request_below_v: float
    request_until_v: float
    plateau_v: float = 3.335
    e_fold: float = 0.0097
    imbalance_v: float = 0.2


class ShownSoc(NamedTuple):
    """State of charge as shown to the inverter until `until_us`, then as the pack reports it.

    Shown = clip(reported, low, high); a fixed value has `low == high`.
    """

    low: float
    high: float
    until_us: int


class Options(NamedTuple):
    """Wishes of the person. A time of `None` means: for as long as the profile says so.

    Attributes:
        hold_while_balancing: no charging while a cell is being balanced.
        inhibit_charge, inhibit_discharge: no current that way.
        inhibit_charge_until_us, inhibit_discharge_until_us: the wish ends by itself then.
        shown_soc: see `ShownSoc`.
        reduce_on_lost_bank: go on with the remaining banks when one is lost (else fail-safe).
    """

    hold_while_balancing: bool
    inhibit_charge: bool
    inhibit_charge_until_us: int | None
    inhibit_discharge: bool
    inhibit_discharge_until_us: int | None
    shown_soc: ShownSoc | None
    reduce_on_lost_bank: bool


class OtherSender(Enum):
    """What to do while somebody else sends frames of ours."""

    WARN = "warn"
    ZERO = "zero"
    SILENT = "silent"


class FailSafeTimes(NamedTuple):
    """Times of the fail-safe state machine, all in µs.

    Attributes:
        hold_us: last limits are held this long after data was lost.
        silent_us: after this long in `safe` nothing is sent any more; `None`: never.
        steady_us: data must be trusted this long before limits follow it.
        mismatch_us: readings may contradict each other this long (they are not taken at one instant).
        stall_us: a gap in the program's own running longer than this counts as a restart; some ticks.
        sum_tolerance_v: largest believable difference of pack voltage and sum of cells.
        other_sender: see `bridge.core.failsafe.rivals`.
        goes_on: a restart within `hold_us` does not begin with zeros: it holds the last limits, as where data
            is late.
    """

    hold_us: int
    silent_us: int | None
    steady_us: int
    mismatch_us: int
    stall_us: int
    sum_tolerance_v: float
    other_sender: OtherSender = OtherSender.ZERO
    goes_on: bool = False


class Plan(NamedTuple):
    """Everything the engine needs to know. See the parts.

    `by_need`: parts of the current limits go where they are used, not by fixed shares alone.
    `other_devices_a`: what devices on the bars that report nothing may charge or draw.
    """

    name: str
    tick_us: int
    slots: tuple[Slot, ...]
    sources: tuple[Source, ...]
    banks: tuple[Bank, ...]
    inverters: tuple[Inverter, ...]
    limits: PackLimits
    options: Options
    times: FailSafeTimes
    transmissions: tuple[Transmission, ...]
    by_need: bool = False
    other_devices_a: float = 0.0
    stages: Stages | None = None
    commissioning: Commissioning | None = None


def same_senses(one: Plan, other: Plan) -> bool:
    """Whether two plans hear the same of the same banks: what was found out under one holds under both."""
    banks = [
        [(bank.name, bank.cells, bank.capacity_ah, bank.cell_slots, bank.slots) for bank in plan.banks]
        for plan in (one, other)
    ]
    slots = [[(slot.quantity, slot.owner, slot.index) for slot in plan.slots] for plan in (one, other)]
    return banks[0] == banks[1] and slots[0] == slots[1] and one.sources == other.sources
