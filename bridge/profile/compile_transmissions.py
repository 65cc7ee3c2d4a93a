"""From the transmissions of a profile to pages of items, periods and phases."""

from math import gcd
from typing import NamedTuple

from bridge.core.wire.codec import Field, MessageLayout
from bridge.core.wire.outgoing import ChecksumItem, CounterItem, FixedItem, Item, Transmission
from bridge.profile.compile_items import ItemCompiler
from bridge.profile.findings import Definitions, Findings, Key, pick
from bridge.profile.pages import Page, is_on, pages_for
from bridge.profile.schema import Profile
from bridge.profile.schema_signals import ChoiceItem, ConstantItem
from bridge.profile.schema_signals import Transmission as Section

MILLISECOND_US = 1_000


class _Mapped(NamedTuple):
    field: Field
    item: Item


def compile_transmissions(
    profile: Profile, definitions: Definitions, findings: Findings
) -> tuple[Transmission, ...]:
    """All transmissions that can be compiled; problems with the others are noted."""
    phases = _phases_us(profile)
    found = []
    for number, section in enumerate(profile.transmission):
        transmission = _transmission(
            ("transmission", number), section, phases[number], profile, definitions, findings
        )
        if transmission is not None:
            found.append(transmission)
    return tuple(found)


def _phases_us(profile: Profile) -> list[int]:
    """Phases as given, or spread: no two of a bus ever fall together, since all periods share a divisor."""
    phases = []
    for section in profile.transmission:
        peers = [one for one in profile.transmission if one.bus == section.bus]
        if section.phase_ms is not None:
            phases.append(section.phase_ms * MILLISECOND_US)
            continue
        shared_us = gcd(*(one.period_ms for one in peers)) * MILLISECOND_US
        place = next(n for n, one in enumerate(peers) if one is section)
        phases.append(place * shared_us // len(peers))
    return phases


def _transmission(
    key: Key,
    section: Section,
    phase_us: int,
    profile: Profile,
    definitions: Definitions,
    findings: Findings,
) -> Transmission | None:
    bus = pick(findings, key, "bus", section.bus, [one.name for one in profile.bus])
    inverters = [one.name for one in profile.inverter]
    inverter = section.inverter
    if inverter is not None or len(inverters) == 1:
        inverter = pick(findings, key, "inverter", inverter, inverters)
    if phase_us >= section.period_ms * MILLISECOND_US:
        findings.fail((*key, "phase_ms"), f"{section.phase_ms}", f"less than period_ms, {section.period_ms}")
    layout = definitions.message(key, section.dbc, section.message)
    if layout is None:
        return None
    before = len(findings.problems)
    pages = _pages(key, section, layout, definitions, findings)
    if bus is None or len(findings.problems) > before:
        return None
    name = f"{section.message} on {bus}"
    period_us = section.period_ms * MILLISECOND_US
    return Transmission(name, bus, layout, period_us, phase_us, pages, inverter)


def _pages(
    key: Key, section: Section, layout: MessageLayout, definitions: Definitions, findings: Findings
) -> tuple[tuple[Item, ...], ...]:
    """The items of each page. Multiplexer signals are filled in; the user may fix one to a number."""
    selectors = {name for field in layout.fields for name, _ in field.mux}
    items = ItemCompiler(findings, layout)
    mapped: list[_Mapped] = []
    fixed: Page = {}
    for signal, wanted in section.signals.items():
        place: Key = (*key, "signals", signal)
        field = definitions.field(place, layout, signal)
        if field is None:
            continue
        if signal in selectors and not isinstance(wanted, ConstantItem | ChoiceItem):
            findings.fail(
                place, "content for a page selector", "nothing (pages are sent in turn) or a constant"
            )
            continue
        item = items.compile(place, field, wanted)
        if item is None:
            continue
        if signal in selectors and isinstance(item, FixedItem):
            fixed[signal] = item.raw
        else:
            mapped.append(_Mapped(field, item))
    pages, lost = pages_for([one.field for one in mapped], fixed)
    for field in lost:
        fixed_text = ", ".join(f"{name} = {raw}" for name, raw in fixed.items())
        findings.fail((*key, "signals", field.name), f"on no page with {fixed_text}", "a signal of that page")
    for field in layout.fields:
        if field.name not in section.signals and not field.raw_min <= field.initial_raw <= field.raw_max:
            found = f"start value {field.initial_raw} of {field.name}, which is not mapped"
            findings.fail((*key, "signals"), found, f"{field.raw_min} to {field.raw_max}, or a mapping")
    initial = {field.name: field.initial_raw for field in layout.fields}
    made = tuple(
        (
            *(FixedItem(name, raw) for name, raw in page.items()),
            *(one.item for one in mapped if is_on(one.field, page, initial)),
        )
        for page in pages
    )
    for page_items in made:
        _check_choosers(key, page_items, findings)
    return made


def _check_choosers(key: Key, items: tuple[Item, ...], findings: Findings) -> None:
    """Where a counter chooses bytes of a checksum, it must be there, and count no further than they reach."""
    counters = {item.signal: item for item in items if isinstance(item, CounterItem)}
    for item in items:
        chosen = item.checksum.chosen if isinstance(item, ChecksumItem) else None
        if not isinstance(item, ChecksumItem) or chosen is None:
            continue
        place: Key = (*key, "signals", item.signal, "checksum", "by_counter")
        counter = counters.get(item.counter or "")
        if counter is None:
            findings.unknown((*place, "signal"), "counter of this page named", f"{item.counter}", counters)
        elif counter.modulo > len(chosen.ids):
            found = f"{len(chosen.ids)} for {counter.signal}, which counts to {counter.modulo - 1}"
            findings.fail((*place, "bytes"), found, f"{counter.modulo} of them")
