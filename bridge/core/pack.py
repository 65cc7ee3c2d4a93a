"""The pack as it is known now: readings, their ages, and whether they can be believed.

A received frame is taken whole or not at all. A reading never seen is `None`; a reading older than its
allowed age is treated as never seen. One source cannot vouch for another: each required reading has its
own age.
"""

from enum import Enum
from typing import NamedTuple

from bridge.core.plan import Bank, Plan, Source
from bridge.errors import FrameRefused

CONFIRMATIONS = 3
"""Readings that jumped are believed once this many in a row agree with each other (own choice)."""


class Trouble(Enum):
    """Why a bank is not trusted."""

    MISSING = "never seen"
    LATE = "late"
    REFUSED = "last frame refused"
    MISMATCH = "readings contradict each other"
    STOPPING = "stopping"


class Doubt(NamedTuple):
    """One reason not to trust a bank: what kind, and which reading, source or rule."""

    trouble: Trouble
    subject: str

    def __str__(self) -> str:
        return f"{self.subject}: {self.trouble.value}"


class Reading(NamedTuple):
    """One bank now. `None`: not known. Signs and units as in `bridge.quantities`.

    Attributes:
        cells_v: all cells, or `None` unless every one is fresh.
        doubt: first reason found not to trust the bank.
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


class _Memory:
    """What is remembered of one source between frames."""

    __slots__ = ("confirmations", "counter", "jumped", "refusal")

    def __init__(self) -> None:
        self.counter: float | int | None = None
        self.jumped: list[float | int | None] | None = None
        self.confirmations = 0
        self.refusal: str | None = None


class PackState:
    """The table of readings of all banks and inverters. Mutable; owned by one engine."""

    def __init__(self, plan: Plan) -> None:
        self._slots = plan.slots
        self.values: list[float | None] = [None] * len(plan.slots)
        self.stamps: list[int] = [-1] * len(plan.slots)
        self._memories = {id(source): _Memory() for source in plan.sources}
        self._sources_of = {
            bank.name: tuple(
                self._memories[id(source)]
                for source in plan.sources
                if source.owner == bank.name and any(plan.slots[t.slot].required for t in source.targets)
            )
            for bank in plan.banks
        }
        self._contradicted_since: dict[str, int] = {}
        self._times = plan.times

    # ── taking a frame ──────────────────────────────────────────────────────────────────────────────

    def take(self, source: Source, t_us: int, data: bytes) -> None:
        """Takes one frame whole, stamped `t_us`.

        Raises:
            FrameRefused: wrong length, bad checksum, repeated counter, or a reading that is not finite, out
                of range or jumped. Nothing is taken, and the source is in doubt until its next good frame.
        """
        memory = self._memories[id(source)]
        try:
            numbers = source.decoder.decode(data)
            self._check_integrity(source, memory, numbers, data)
            readings = self._judge(source, memory, numbers)
        except FrameRefused as refusal:
            memory.refusal = str(refusal)
            raise
        memory.refusal = None
        for slot, reading in readings:
            self.values[slot] = reading
            self.stamps[slot] = t_us

    @staticmethod
    def _check_integrity(
        source: Source, memory: _Memory, numbers: list[float | int | None], data: bytes
    ) -> None:
        if source.checksum is not None and source.checksum_at is not None:
            sent, computed = numbers[source.checksum_at], source.checksum.compute(data)
            if sent != computed:
                raise FrameRefused(f"{source.name}: checksum {sent}; allowed: {computed}")
        if source.counter is not None:
            counter = numbers[source.counter]
            if counter == memory.counter:
                raise FrameRefused(f"{source.name}: counter stuck at {counter}; allowed: any other")
            memory.counter = counter

    def _judge(
        self, source: Source, memory: _Memory, numbers: list[float | int | None]
    ) -> list[tuple[int, float]]:
        readings: list[tuple[int, float]] = []
        jump: FrameRefused | None = None
        values = self.values
        for at, target in enumerate(source.targets):
            number = numbers[at]
            if number is None:  # on another page of a multiplexed message
                continue
            slot = target.slot
            if target.truth is not None:
                readings.append((slot, 1.0 if number in target.truth else 0.0))
                continue
            reading = number * target.scale + target.shift
            if not target.low <= reading <= target.high:
                raise FrameRefused(
                    f"{source.name}: {target.signal} {reading:g}; allowed: {target.low:g} to {target.high:g}"
                )
            before = values[slot]
            if target.jump is not None and before is not None and abs(reading - before) > target.jump:
                jump = jump or FrameRefused(
                    f"{source.name}: {target.signal} jumped from {before:g} to {reading:g}; "
                    f"allowed: a step of {target.jump:g}"
                )
            readings.append((slot, reading))
        if jump is not None:
            self._confirm(source, memory, numbers, jump)
        memory.jumped = None
        return readings

    @staticmethod
    def _confirm(
        source: Source, memory: _Memory, numbers: list[float | int | None], jump: FrameRefused
    ) -> None:
        """Refuses a jump, unless enough frames in a row agree on the new level: then the world did jump."""
        agrees = memory.jumped is not None and all(
            target.jump is None
            or now is None
            or was is None
            or abs(now - was) * abs(target.scale) <= target.jump
            for target, now, was in zip(source.targets, numbers, memory.jumped, strict=False)
        )
        memory.confirmations = memory.confirmations + 1 if agrees else 1
        memory.jumped = numbers
        if memory.confirmations < CONFIRMATIONS:
            raise jump

    # ── reading a bank ──────────────────────────────────────────────────────────────────────────────

    def fresh(self, slot: int, t_us: int) -> float | None:
        """The reading in `slot` if it is not older than its allowed age at `t_us`."""
        stamp = self.stamps[slot]
        if stamp < 0 or t_us - stamp > self._slots[slot].max_age_us:
            return None
        return self.values[slot]

    def read(self, bank: Bank, t_us: int) -> Reading:
        """The bank as it stands at `t_us`: only readings within their age, the worst of what overlaps."""
        values, stamps, table = self.values, self.stamps, self._slots
        slots = bank.slots

        def get(quantity: str) -> float | None:
            slot = slots.get(quantity)
            if slot is None or stamps[slot] < 0 or t_us - stamps[slot] > table[slot].max_age_us:
                return None
            return values[slot]

        low_v, high_v = get("cell_voltage_min"), get("cell_voltage_max")
        cells = [self.fresh(slot, t_us) for slot in bank.cell_slots]
        known = [cell for cell in cells if cell is not None]
        if known:
            low_v, high_v = _tighter(min(known), max(known), low_v, high_v)
        coldest_c, hottest_c = get("cell_temperature_min"), get("cell_temperature_max")
        probes = [probe for slot in bank.probe_slots if (probe := self.fresh(slot, t_us)) is not None]
        if probes:
            coldest_c, hottest_c = _tighter(min(probes), max(probes), coldest_c, hottest_c)
        # A single known extreme temperature stands for both: there is no better knowledge.
        coldest_c = hottest_c if coldest_c is None else coldest_c
        hottest_c = coldest_c if hottest_c is None else hottest_c
        pack_v = get("pack_voltage")
        cells_v = known if known and len(known) == bank.cells else None
        doubt = self._doubt(bank, t_us)
        contradiction = _contradiction(bank, pack_v, low_v, high_v, cells_v, self._times.sum_tolerance_v)
        if contradiction is None:
            self._contradicted_since.pop(bank.name, None)
        else:
            since = self._contradicted_since.setdefault(bank.name, t_us)
            if doubt is None and t_us - since >= self._times.mismatch_us:
                doubt = Doubt(Trouble.MISMATCH, f"bank {bank.name}, {contradiction}")
        return Reading(
            pack_v,
            get("pack_current"),
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
        )

    def _doubt(self, bank: Bank, t_us: int) -> Doubt | None:
        stamps = self.stamps
        for slot, max_age_us in bank.required:
            stamp = stamps[slot]
            if stamp < 0:
                return Doubt(Trouble.MISSING, str(self._slots[slot]))
            if t_us - stamp > max_age_us:
                return Doubt(Trouble.LATE, str(self._slots[slot]))
        for memory in self._sources_of[bank.name]:
            if memory.refusal is not None:
                return Doubt(Trouble.REFUSED, memory.refusal)
        return None


def _tighter(
    low: float, high: float, other_low: float | None, other_high: float | None
) -> tuple[float, float]:
    """The wider of two spans: the worst cell of all counts."""
    return (
        low if other_low is None else min(low, other_low),
        high if other_high is None else max(high, other_high),
    )


def _contradiction(
    bank: Bank,
    pack_v: float | None,
    low_v: float | None,
    high_v: float | None,
    cells_v: list[float] | None,
    tolerance_v: float,
) -> str | None:
    """What cannot be true at once, within the tolerance for the whole string, V."""
    if low_v is not None and high_v is not None and low_v > high_v:
        return f"lowest cell {low_v:g} V above highest {high_v:g} V"
    if pack_v is None:
        return None
    if cells_v is not None:
        total_v = sum(cells_v)
        if abs(total_v - pack_v) > tolerance_v:
            return f"sum of cells {total_v:.2f} V against pack {pack_v:.2f} V"
    if high_v is not None and pack_v > bank.cells * high_v + tolerance_v:
        return f"mean cell {pack_v / bank.cells:.3f} V above highest {high_v:g} V"
    if low_v is not None and pack_v < bank.cells * low_v - tolerance_v:
        return f"mean cell {pack_v / bank.cells:.3f} V below lowest {low_v:g} V"
    return None
