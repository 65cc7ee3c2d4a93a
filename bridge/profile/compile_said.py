"""What the numbers of a received signal mean besides a reading: yes, no, or nothing at all.

SAE J1939-71 keeps numbers at the upper end of a signal for errors and for what is not available (from memory:
of 8 bits FE and FF, of 16 bits FE00 to FFFF, of 32 bits FE000000 to FFFFFFFF, of 2 bits 10 and 11).
"""

import math

from bridge.core.wire.layout import Field
from bridge.core.wire.reader import number_of
from bridge.profile.compile_items import raw_of, span_text
from bridge.profile.findings import Findings, Key
from bridge.profile.schema_base import shown
from bridge.profile.schema_signals import Reading

Spans = tuple[tuple[float, float], ...]


def flag_is_possible(key: Key, reading: Reading, findings: Findings) -> bool:
    """Notes numbers of a yes or no that mean two things, and keys that only a measured value has."""
    misplaced = sorted(reading.model_fields_set & {"range", "largest_jump", "scale", "shift"})
    if misplaced:
        findings.fail(
            (*key, misplaced[0]), "of a flag", "only true and false, the numbers that mean yes and no"
        )
        return False
    unknown = set(reading.unknown) if isinstance(reading.unknown, tuple) else set[float]()
    for name, twice in (
        ("false", {*reading.true} & {*reading.no}),
        ("unknown", unknown & {*reading.true, *reading.no}),
    ):
        if twice:
            findings.fail(
                (*key, name), f"{shown(sorted(twice))}, which means yes or no already", "each number once"
            )
            return False
    return True


def unknown_spans(key: Key, reading: Reading, field: Field, findings: Findings) -> Spans:
    """The numbers of a signal that say nothing, from and to."""
    key, unknown = (*key, "unknown"), reading.unknown
    if unknown is None:
        return ()
    if unknown == "nan":
        if not field.is_float:
            findings.fail(key, f'"nan" of {field.name}, a whole number', "numbers it can say")
        return ((math.nan, math.nan),)
    if isinstance(unknown, str):
        return _kept_by_j1939(key, field, findings)
    spans = []
    for number in unknown:
        raw = raw_of(field, number)
        if raw is None:
            findings.fail(key, f"{number:g} is never said by {field.name}", span_text(field))
        else:
            said = number_of(field, raw)
            spans.append((said, said))
    return tuple(spans)


def _kept_by_j1939(key: Key, field: Field, findings: Findings) -> Spans:
    if field.is_float or field.signed or field.length < 2:
        kind = "a float" if field.is_float else "signed" if field.signed else "of 1 bit"
        findings.fail(
            key, f'"j1939", but {field.name} is {kind}', "the numbers themselves, as the standard has none"
        )
        return ()
    first = 0xFE << field.length - 8 if field.length >= 8 else field.raw_max - 1
    ends = sorted(number_of(field, raw) for raw in (first, field.raw_max))
    return ((ends[0], ends[1]),)
