"""The pack as it is known now: readings, their ages, and whether they can be believed.

A received frame is taken whole or not at all. A reading never seen is `None`; a reading older than its
allowed age is treated as never seen. One source cannot vouch for another: each required reading has its
own age.
"""

from collections.abc import Collection, Iterable
from enum import Enum
from typing import NamedTuple

from bridge.core.pack.cell_count import CellCount
from bridge.core.pack.contradiction import contradiction, crossed
from bridge.core.pack.intake import PERMISSIONS, Memory, check_integrity, judge
from bridge.core.pack.stamps import Stamps, picker
from bridge.core.pack.twins import Twins
from bridge.core.pack.worst import worst
from bridge.core.plan.plan import Bank, Plan, Source
from bridge.errors import FrameRefused

NEVER_US = -(2**62)
"""Earlier than any engine time."""

_EXTREMES = {
    *("cell_voltage", "cell_voltage_min", "cell_voltage_max"),
    *("cell_temperature", "cell_temperature_min", "cell_temperature_max"),
}


class Trouble(Enum):
    """Why a bank is not trusted."""

    MISSING = "never seen"
    LATE = "late"
    REFUSED = "last frame refused"
    MISMATCH = "readings contradict each other"
    TWINS = "it seems to have two senders"
    STOPPING = "stopping"


class Doubt(NamedTuple):
    """One reason not to trust a bank: what kind, and which reading, source or rule."""

    trouble: Trouble
    subject: str

    def __str__(self) -> str:
        return f"{self.subject}: {self.trouble.value}"


Facts = tuple[object, ...]
"""What a reading says, without when it was said."""


class Reading(NamedTuple):
    """One bank now. `None`: not known. Signs and units as in `bridge.quantities`.

    Attributes:
        cells_v: all cells, or `None` unless every one is fresh.
        doubt: first reason found not to trust the bank.
        connected: whether it is joined to the common bars, 0 or 1; `None`: taken for granted. It is not
            believed to be apart while more current flows than its sensor may be wrong by.
        lapsed: a cell or temperature that was seen and is too old now, or was not yet seen and may still
            come, by name: the extremes are those of the rest.
        health: state of health, %.
        cells_us: when the oldest of the cells (or, without all of them, of the extremes) came in: engine time
            of the accepted frame that carried it. What a law goes by is new once this has moved on; a
            reading that does not say when counts as new.
        cells_waited_us: how old the oldest had become when it was renewed: how often the cells are told.
    """

    pack_v: float | None
    current_a: float | None
    soc: float | None
    low_v: float | None
    high_v: float | None
    cells_v: list[float] | None
    coldest_c: float | None
    hottest_c: float | None
    charge_permitted: float | None
    discharge_permitted: float | None
    charge_permitted_a: float | None
    discharge_permitted_a: float | None
    balancing: float | None
    doubt: Doubt | None
    connected: float | None = None
    lapsed: str | None = None
    health: float | None = None
    cells_us: int | None = None
    cells_waited_us: int | None = None

    @property
    def facts(self) -> Facts:
        """What it says, without when it was said."""
        return self[:_STAMPS]

    @property
    def apart(self) -> bool:
        """Known not to be joined to the others: it takes no share, and bounds nothing."""
        return self.connected == 0.0


_STAMPS = Reading._fields.index("cells_us")


class _Kept(NamedTuple):
    """A trusted reading, which holds until another frame comes in or something in it gets too old."""

    reading: Reading
    frames: int
    until_us: int


class PackState:
    """The table of readings of all banks and inverters. Mutable; owned by one engine."""

    def __init__(self, plan: Plan, lost: Collection[str] = ()) -> None:
        """Nothing was ever seen, but for readings that were lost before a restart: `lost`, by their names."""
        self._lost = frozenset(lost)
        self._slots = plan.slots
        self._values: list[float | None] = [None] * len(plan.slots)
        self._valid_until_us: list[int] = [NEVER_US] * len(plan.slots)
        self._ages_us = [slot.max_age_us for slot in plan.slots]
        self._memories = {id(source): Memory() for source in plan.sources}
        self._required = frozenset(slot for bank in plan.banks for slot, _ in bank.required)
        self._permissions = frozenset(n for n, slot in enumerate(plan.slots) if slot.quantity in PERMISSIONS)
        self._sources_of = {
            bank.name: tuple(
                self._memories[id(source)]
                for source in plan.sources
                if source.owner == bank.name and any(t.slot in self._required for t in source.targets)
            )
            for bank in plan.banks
        }
        self._optional = {bank.name: _optional(plan, bank) for bank in plan.banks}
        self._named = frozenset(str(plan.slots[slot]) for row in self._optional.values() for slot in row)
        self._agreed_us: dict[str, int] = {}
        self._counts = {b.name: CellCount(b.cells, plan.times.sum_tolerance_v) for b in plan.banks}
        self._times = plan.times
        self._used = {
            bank.name: (*bank.slots.values(), *bank.cell_slots, *bank.probe_slots) for bank in plan.banks
        }
        self._extremes = {
            bank.name: tuple(slot for slot in used if plan.slots[slot].quantity in _EXTREMES)
            for bank, used in zip(plan.banks, self._used.values(), strict=True)
        }
        self._frames = dict.fromkeys((source.owner for source in plan.sources), 0)
        self._first_us: dict[str, int] = {}
        self._kept: dict[str, _Kept] = {}
        self._twins = Twins(plan)
        groups = (*self._used.values(), *(g for b in plan.banks for g in (b.cell_slots, b.probe_slots)))
        self._of = {slots: picker(slots) for slots in groups}
        self._stamps = {bank.name: Stamps(bank, plan.slots) for bank in plan.banks}

    # ── taking a frame ──────────────────────────────────────────────────────────────────────────────

    def take(self, source: Source, t_us: int, data: bytes) -> dict[str, str]:
        """Takes one frame, stamped `t_us`: whole, but for readings nobody requires that cannot be believed.

        Returns:
            These, by name, and what is wrong with each; nothing that was wrong in its frame before, too.

        Raises:
            FrameRefused: wrong length, bad checksum, repeated counter, or a required reading that is not
                finite, out of range or jumped, or says neither yes nor no. Nothing is taken, and the source
                is in doubt until its next good frame.
        """
        memory = self._memories[id(source)]
        self._frames[source.owner] += 1
        try:
            numbers = source.decoder.decode(data)
            check_integrity(source, memory, numbers, data)
            judged = judge(source, memory, numbers, self._values, self._required, self._permissions)
            for slot in judged.silenced:
                self._silence(slot, t_us)
            if judged.refusal is not None:
                raise judged.refusal
        except FrameRefused as refusal:
            memory.refusal = str(refusal)
            memory.mended = False
            raise
        memory.mended = True
        self._first_us.setdefault(source.owner, t_us)
        said, values, until_us, ages_us = judged.readings, self._values, self._valid_until_us, self._ages_us
        self._twins.hear(source, t_us, numbers, said)
        for slot, reading in said:
            values[slot] = reading
            until_us[slot] = t_us + ages_us[slot]
        if not (memory.left or judged.left):
            return {}
        before, spoken = memory.left, {slot for slot, _ in judged.readings}.union(judged.silenced)
        memory.left = frozenset(before - spoken | judged.left.keys())
        return {str(self._slots[slot]): why for slot, why in judged.left.items() if slot not in before}

    def _silence(self, slot: int, t_us: int) -> None:
        """Nothing was said in `slot`, or nothing that can be believed: what must not stand on it falls."""
        if slot in self._permissions:
            if self._values[slot] is not None:
                self._values[slot] = 0.0
                if slot not in self._required:  # else its age puts the bank in doubt
                    self._valid_until_us[slot] = t_us + self._slots[slot].max_age_us
        elif self._values[slot] == 0.0 and self._slots[slot].quantity == "bank_connected":
            self._valid_until_us[slot] = min(self._valid_until_us[slot], t_us - 1)

    # ── reading a bank ──────────────────────────────────────────────────────────────────────────────

    def fresh(self, slot: int, t_us: int) -> float | None:
        """The reading in `slot` if it is not older than its allowed age at `t_us`."""
        return self._values[slot] if self._valid_until_us[slot] >= t_us else None

    def seen_us(self, slot: int) -> int:
        """When the reading in `slot` came in last; long ago, if never."""
        return self._valid_until_us[slot] - self._slots[slot].max_age_us

    def lost(self, bank: Bank, t_us: int) -> list[str]:
        """Optional readings that bounded a limit once and are too old now."""
        return [
            str(self._slots[slot])
            for slot in self._optional[bank.name]
            if self._valid_until_us[slot] < t_us
            and (self._values[slot] is not None or (self._lost and str(self._slots[slot]) in self._lost))
        ]

    def faded(self, banks: Iterable[Bank], t_us: int) -> frozenset[str]:
        """Banks of which something that is required was known and is too old at `t_us`, by name."""
        return frozenset(
            bank.name
            for bank in banks
            if any(self._valid_until_us[s] < t_us and self._values[s] is not None for s, _ in bank.required)
        )

    def unseen(self, other: "PackState", t_us: int) -> frozenset[str]:
        """Optional readings that another one knows at `t_us`, and this one not, by name."""
        return (other.known(t_us) & self._named) - self.known(t_us)

    def known(self, t_us: int) -> frozenset[str]:
        """Optional readings that bound a limit and are fresh at `t_us`, by name."""
        optional = (slot for slots in self._optional.values() for slot in slots)
        return frozenset(str(self._slots[slot]) for slot in optional if self._valid_until_us[slot] >= t_us)

    def lost_before(self, names: Collection[str]) -> None:
        """These count as lost until they are seen."""
        self._lost |= frozenset(names)

    def read(self, bank: Bank, t_us: int) -> Reading:
        """The bank as it stands at `t_us`: only readings within their age, the worst of what overlaps."""
        kept, frames = self._kept.get(bank.name), self._frames.get(bank.name, 0)
        watched = self._twins.watches(bank.name, t_us)
        if kept is not None and kept.frames == frames and t_us <= kept.until_us and not watched:
            self._agreed_us[bank.name] = t_us
            return kept.reading
        reading = self._read(bank, t_us)
        if watched:
            return reading._replace(**worst(reading._asdict(), self._twins.said(bank.name, t_us)))
        if reading.doubt is None and self._agreed_us[bank.name] == t_us:
            used = self._used[bank.name]
            until_us = min(self._of[used](self._valid_until_us), default=t_us)
            if until_us < t_us:  # something is gone
                until_us = min((e for s in used if (e := self._missed_us(bank, s)) >= t_us), default=t_us)
            self._kept[bank.name] = _Kept(reading, frames, until_us)
        return reading

    def _read(self, bank: Bank, t_us: int) -> Reading:
        values, until_us, slots = self._values, self._valid_until_us, bank.slots

        def get(quantity: str) -> float | None:
            slot = slots.get(quantity)
            return None if slot is None or until_us[slot] < t_us else values[slot]

        cells, probes = self._fresh_of(bank.cell_slots, t_us), self._fresh_of(bank.probe_slots, t_us)
        said_v = get("cell_voltage_min"), get("cell_voltage_max")
        said_c = get("cell_temperature_min"), get("cell_temperature_max")
        low_v, high_v = _span(cells, *said_v)
        coldest_c, hottest_c = _span(probes, *said_c)
        # A single known extreme temperature stands for both: there is no better knowledge.
        coldest_c = hottest_c if coldest_c is None else coldest_c
        hottest_c = coldest_c if hottest_c is None else hottest_c
        pack_v, current_a, connected = get("pack_voltage"), get("pack_current"), get("bank_connected")
        belied = self._belied(bank) if connected == 0.0 else None
        if belied is not None:
            connected = None
        cells_v = cells if len(cells) == bank.cells else None
        doubt = self._doubt(bank, t_us)
        if doubt is None:
            found = contradiction(bank, pack_v, low_v, high_v, cells_v, self._times.sum_tolerance_v)
            found = self._counts[bank.name].judge(found, pack_v, low_v, high_v, cells_v)
            found = crossed("cell", said_v, "V") or crossed("temperature", said_c, "°C") or found
            doubt = self._mismatch(bank.name, t_us, belied or found)
        return Reading(
            pack_v,
            current_a,
            get("state_of_charge"),
            low_v,
            high_v,
            cells_v,
            coldest_c,
            hottest_c,
            get("charge_permitted"),
            get("discharge_permitted"),
            get("charge_current_permitted"),
            get("discharge_current_permitted"),
            get("balancing"),
            doubt,
            connected,
            self._lapsed(bank, t_us),
            get("state_of_health"),
            *self._stamps[bank.name].look(t_us, until_us, whole=cells_v is not None),
        )

    def _fresh_of(self, slots: tuple[int, ...], t_us: int) -> list[float]:
        """What is known in these, of what is fresh."""
        values, until_us, pick = self._values, self._valid_until_us, self._of[slots]
        if slots and min(pick(until_us)) >= t_us:
            return list(pick(values))
        return [values[slot] for slot in slots if until_us[slot] >= t_us]  # type: ignore[misc]

    def _belied(self, bank: Bank) -> str | None:
        """What its current says against a bank's word that it is apart; the last, if its monitor is off."""
        slot = bank.slots.get("pack_current")
        flows_a = None if slot is None else self._values[slot]
        if flows_a is None or abs(flows_a) <= bank.charge.facts.current_zero_a:
            return None
        return f"said not to be connected, but {flows_a:.1f} A flow"

    def _missed_us(self, bank: Bank, slot: int) -> int:
        """Until when a reading counts; for one never seen, until when it may still be on its way."""
        if self._values[slot] is not None:
            return self._valid_until_us[slot]
        return self._first_us.get(bank.name, NEVER_US) + self._slots[slot].max_age_us

    def _lapsed(self, bank: Bank, t_us: int) -> str | None:
        """What is missing of the extremes. What did not come in its time is missed by nobody."""
        for slot in self._extremes[bank.name]:
            known = self._values[slot] is not None
            if self._valid_until_us[slot] < t_us and (
                known or slot in self._required or t_us <= self._missed_us(bank, slot)
            ):
                return str(self._slots[slot])
        return None

    def _doubt(self, bank: Bank, t_us: int) -> Doubt | None:
        refused: Doubt | None = None
        for memory in self._sources_of[bank.name]:
            if memory.refusal is not None:
                refused = refused or Doubt(Trouble.REFUSED, memory.refusal)
                if memory.mended and all(self._required.isdisjoint(page) for page in memory.jumps):
                    memory.refusal = None
        until_us = self._valid_until_us
        for slot, _ in bank.required:
            if until_us[slot] < t_us:
                trouble = Trouble.MISSING if self._values[slot] is None else Trouble.LATE
                return Doubt(trouble, str(self._slots[slot]))
        doubled = self._twins.doubted(bank.name, t_us)
        return Doubt(Trouble.TWINS, doubled) if doubled else refused

    def _mismatch(self, bank: str, t_us: int, contradiction: str | None) -> Doubt | None:
        """Tolerates a contradiction for a while, but only after the readings have agreed."""
        if contradiction is None:
            self._agreed_us[bank] = t_us
        elif t_us - self._agreed_us.get(bank, NEVER_US) > self._times.mismatch_us:
            self._counts[bank].believe()
            return Doubt(Trouble.MISMATCH, f"bank {bank}, {contradiction}")
        return None


def _optional(plan: Plan, bank: Bank) -> tuple[int, ...]:
    """Slots of the bank that bound a limit, and without which the bank is trusted all the same."""
    idle = {"pack_current", "state_of_health"}
    if bank.charge.by_soc is None and bank.discharge.by_soc is None:
        idle.add("state_of_charge")
    if not plan.options.hold_while_balancing:
        idle.add("balancing")
    required = {slot for slot, _ in bank.required}
    used = (*bank.slots.values(), *bank.cell_slots, *bank.probe_slots)
    return tuple(slot for slot in used if slot not in required and plan.slots[slot].quantity not in idle)


def _span(known: list[float], low: float | None, high: float | None) -> tuple[float | None, float | None]:
    """Lowest and highest of the single readings and of the reported extremes: the worst of all counts."""
    if low is not None and high is not None and low > high:
        low, high = high, low
    if known:
        least, most = min(known), max(known)
        low = least if low is None or least < low else low
        high = most if high is None or most > high else high
    return low, high
