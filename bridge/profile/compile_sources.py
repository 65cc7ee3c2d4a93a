"""From the sources of a profile to slots, decoders and targets."""

from typing import NamedTuple

from bridge.core.plan.plan import SECOND_US, Slot, Source, Target
from bridge.core.wire.checksum import Checksum
from bridge.core.wire.codec import Decoder, Field, MessageLayout
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.compile_checksum import checksum_of, counter_of
from bridge.profile.compile_said import flag_is_possible, unknown_spans
from bridge.profile.findings import Definitions, Findings, Key, pick
from bridge.profile.schema import Profile
from bridge.profile.schema_base import shown
from bridge.profile.schema_signals import MEASURED, OF_INVERTER, Reading, is_flag
from bridge.profile.schema_signals import Source as Section
from bridge.quantities import QUANTITIES, Kind

NEVER_REQUIRED = ("state_of_health",)
"""Shown and sent, and nothing else: a bank is trusted without it."""

DEAD = 0.5
"""Less than this share of the voltage at which such a cell is lost is rather a loose wire of its sensor:
not believed, unless the profile says so (own choice). What is lost must be read, so that it is remembered."""


class Received(NamedTuple):
    """All that is received: the sources, the table of slots, and where each slot is filled from."""

    sources: tuple[Source, ...]
    slots: tuple[Slot, ...]
    layouts: tuple[MessageLayout, ...]


class SourceCompiler:
    """Compiles all sources of one profile; slots are numbered as they are met."""

    def __init__(self, profile: Profile, definitions: Definitions, findings: Findings) -> None:
        self._profile = profile
        self._definitions = definitions
        self._findings = findings
        self._slots: dict[tuple[str, str, int], Slot] = {}
        self._from: dict[tuple[str, str, int], str] = {}

    def compile(self) -> Received:
        """All sources that can be compiled; problems with the others are noted."""
        sources, layouts = [], []
        for number, section in enumerate(self._profile.source):
            compiled = self._source(("source", number), section)
            if compiled is not None:
                sources.append(compiled[0])
                layouts.append(compiled[1])
        return Received(tuple(sources), tuple(self._slots.values()), tuple(layouts))

    def _source(self, key: Key, section: Section) -> tuple[Source, MessageLayout] | None:
        profile, findings = self._profile, self._findings
        bus = pick(findings, key, "bus", section.bus, [one.name for one in profile.bus])
        role = "bank" if section.inverter is None else "inverter"
        known = profile.bank if section.inverter is None else profile.inverter
        owner = pick(findings, key, role, section.inverter or section.bank, [one.name for one in known])
        layout = self._definitions.message(key, section.dbc, section.message)
        if layout is None:
            return None
        targets: list[Target] = []
        for quantity, reading in section.signals.items():
            targets += self._targets(
                (*key, "signals", quantity), section, owner or "?", quantity, reading, layout
            )
        names = [target.signal for target in targets]
        counter = self._counter(key, section, layout)
        checksum = self._checksum(key, section, layout)
        chooser = self._chooser(key, section, layout)
        if bus is None or owner is None:
            return None
        if counter:
            names.append(counter)
        if chooser:
            names.append(chooser)
        if checksum is not None and section.checksum is not None:
            names.append(section.checksum.signal)
        source = Source(
            name=f"{section.message} on {bus}",
            bus=bus,
            key=layout.key,
            decoder=Decoder(layout, names, finite=False),
            targets=tuple(targets),
            counter=len(targets) if counter else None,
            checksum=checksum,
            checksum_at=None if checksum is None else len(names) - 1,
            owner=owner,
            cycle_us=0 if any(field.mux for field in layout.fields) else layout.cycle_us,
            counter_span=_span(layout, counter),
            counter_step=section.counter_step or 0,
            chooser=names.index(chooser, len(targets)) if chooser else None,
        )
        return source, layout

    def _targets(
        self, key: Key, section: Section, owner: str, quantity: str, reading: Reading, layout: MessageLayout
    ) -> list[Target]:
        allowed = MEASURED if section.inverter is None else OF_INVERTER
        if quantity not in allowed:
            self._findings.unknown(key, "quantity to read here named", quantity, allowed)
            return []
        each = QUANTITIES[quantity].kind is Kind.CELL
        if reading.signals is not None and not each:
            self._findings.fail((*key, "signals"), "a list of signals", f"signal: there is one {quantity}")
            return []
        if each and reading.signals is None and quantity == "cell_voltage":
            self._findings.fail((*key, "signal"), "one signal", "signals = [...], one for each cell")
            return []
        if not self._span_is_possible(key, quantity, reading):
            return []
        targets = []
        for offset, signal in enumerate(reading.names):
            index = reading.first + offset if each else 0
            place: Key = (*key, "signals", offset) if reading.signals is not None else (*key, "signal")
            field = self._definitions.field(place, layout, signal)
            slot = self._slot(place, section, owner, quantity, index, reading)
            if field is not None and slot is not None:
                targets.append(self._target(key, slot, field, quantity, reading))
        return targets

    def _span_is_possible(self, key: Key, quantity: str, reading: Reading) -> bool:
        known = QUANTITIES[quantity]
        given = reading.model_fields_set
        if is_flag(quantity):
            return flag_is_possible(key, reading, self._findings)
        for name in ("true", "false"):
            if name in given:
                self._findings.fail((*key, name), "of a measured quantity", "range, scale, shift")
                return False
        if reading.range is not None and not known.low <= reading.range[0] < reading.range[1] <= known.high:
            span = f"within {known.low:g} to {known.high:g} {known.unit}".rstrip()
            self._findings.fail((*key, "range"), shown(reading.range), span)
            return False
        return True

    def _slot(
        self, key: Key, section: Section, owner: str, quantity: str, index: int, reading: Reading
    ) -> int | None:
        if quantity == "cell_voltage" and index > self._profile.pack.cells_in_series:
            self._findings.fail(key, f"cell {index}", f"cells 1 to {self._profile.pack.cells_in_series}")
            return None
        place = (owner, quantity, index)
        if place in self._slots:
            found = f"{self._slots[place]} is read from {self._from[place]} already"
            self._findings.fail(key, found, "each quantity once")
            return None
        age_s = reading.max_age_s if reading.max_age_s is not None else section.max_age_s
        required = section.inverter is None and not reading.optional and quantity not in NEVER_REQUIRED
        self._slots[place] = Slot(quantity, owner, index, round(age_s * SECOND_US), required)
        self._from[place] = section.message
        return len(self._slots) - 1

    def _counter(self, key: Key, section: Section, layout: MessageLayout) -> str | None:
        if section.counter is None:
            if section.counter_step is not None:
                self._findings.fail((*key, "counter_step"), "no counter", "counter beside it")
            return None
        field = self._definitions.field((*key, "counter"), layout, section.counter)
        if field is not None and (field.mux or field.is_float):
            self._findings.fail((*key, "counter"), f"{field.name}", "a whole number that is on every page")
            return None
        if field is not None and section.counter_step is not None:
            most = _span(layout, section.counter) - 2
            if section.counter_step > most:
                allowed = (
                    f"at most {most}, for {field.name}" if most > 0 else "a counter of factor 1, offset 0"
                )
                self._findings.fail((*key, "counter_step"), f"{section.counter_step}", allowed)
        return section.counter if field is not None else None

    def _checksum(self, key: Key, section: Section, layout: MessageLayout) -> Checksum | None:
        if section.checksum is None:
            return None
        key = (*key, "checksum")
        field = self._definitions.field((*key, "signal"), layout, section.checksum.signal)
        if field is None:
            return None
        return checksum_of(self._findings, key, section.checksum, layout, field, received=True)

    def _chooser(self, key: Key, section: Section, layout: MessageLayout) -> str | None:
        """The signal that chooses bytes of the checksum."""
        if section.checksum is None or section.checksum.by_counter is None:
            return None
        rule = section.checksum.by_counter
        field = counter_of(self._definitions, self._findings, (*key, "checksum"), rule, layout)
        return None if field is None else field.name

    def _target(self, key: Key, slot: int, field: Field, quantity: str, reading: Reading) -> Target:
        known = QUANTITIES[quantity]
        low, high = reading.range or (known.low, known.high)
        if reading.range is None and quantity.startswith("cell_voltage"):
            low = max(low, DEAD * CHEMISTRIES[self._profile.pack.chemistry].lost_v)
        return Target(
            slot=slot,
            signal=field.name,
            scale=reading.scale,
            shift=reading.shift,
            truth=frozenset(reading.true) if is_flag(quantity) else None,
            low=low,
            high=high,
            jump=reading.largest_jump,
            falsity=frozenset(reading.no) if is_flag(quantity) else frozenset(),
            unknown=unknown_spans(key, reading, field, self._findings),
        )


def _span(layout: MessageLayout, counter: str | None) -> int:
    """How many numbers a counter has, if it says them as they are; 0 where that is not so."""
    field = next((field for field in layout.fields if field.name == counter), None)
    if field is None or field.is_float or field.signed or field.factor != 1 or field.offset != 0:
        return 0
    return int(field.raw_max) + 1
