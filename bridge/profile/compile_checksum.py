"""A checksum rule of a profile, fitted to the message it belongs to."""

from bridge.core.wire.checksum import MOST_WIDTH, Checksum, Chosen
from bridge.core.wire.codec import Field, MessageLayout
from bridge.profile.findings import Definitions, Findings, Key
from bridge.profile.schema_checksum import ChecksumRule, ChosenBytes

Masks = dict[int, int]
"""Bits by the position of the byte they lie in."""


def own_bits(field: Field) -> Masks:
    """The bits of a field."""
    masks: Masks = {}
    at = field.start
    for _ in range(field.length):
        masks[at // 8] = masks.get(at // 8, 0) | 1 << at % 8
        if field.little_endian:
            at += 1
        else:
            at = at - 1 if at % 8 else at + 15
    return masks


def plain(field: Field) -> bool:
    """Whether the field shows its raw number as it is, a whole one from 0 on."""
    return not field.signed and not field.is_float and field.factor == 1 and field.offset == 0


def checksum_of(
    findings: Findings, key: Key, rule: ChecksumRule, layout: MessageLayout, field: Field, *, received: bool
) -> Checksum | None:
    """The checksum, or `None` after noting why it cannot be one. Its signal must be just as wide."""
    width = rule.bits(field.length)
    if field.length != width or width > MOST_WIDTH or not plain(field) or (received and field.mux):
        found = f"{field.name} of {field.length} bits, factor {field.factor}, offset {field.offset}"
        bits = f"{width} bits" if width <= MOST_WIDTH else f"1 to {MOST_WIDTH} bits"
        allowed = f"{bits}, unsigned, factor 1, offset 0" + (", on every page" if received else "")
        findings.fail(key, found, allowed)
        return None
    own = own_bits(field)
    over = rule.over
    if over is None:
        over = tuple(position for position in range(layout.length) if position not in own)
    beyond = [position for position in over if position >= layout.length]
    if beyond:
        findings.fail((*key, "over"), f"byte {beyond[0]}", f"0 to {layout.length - 1}")
        return None
    chosen = None
    if rule.by_counter is not None:
        chosen = Chosen(
            tuple(bytes([one] if isinstance(one, int) else one) for one in rule.by_counter.bytes),
            rule.by_counter.place == "after",
        )
    if not _numbers_fit(findings, key, rule, width, chosen, len(over)):
        return None
    reflect_in, reflect_out = rule.reflects
    return Checksum(
        rule.algorithm,
        over,
        rule.polynomial or 0,
        rule.init,
        rule.xor_out,
        reflect_in,
        bytes(rule.prefix),
        bytes(rule.suffix),
        width=width,
        reflect_out=reflect_out,
        pieces=rule.pieces,
        folded_from=rule.folded_from,
        own=tuple((position, 0xFF & ~bits) for position, bits in own.items() if position in over),
        chosen=chosen,
    )


def _numbers_fit(
    findings: Findings, key: Key, rule: ChecksumRule, width: int, chosen: Chosen | None, covered: int
) -> bool:
    """Whether the numbers of a rule fit its width, and its pieces the bytes."""
    before = len(findings.problems)
    start = width if rule.folded_from is None else rule.folded_from
    for name, number, bits in (
        ("polynomial", rule.polynomial or 0, width),
        ("init", rule.init, start),
        ("xor_out", rule.xor_out, width),
    ):
        if number >> bits:
            findings.fail((*key, name), f"{number:#x}", f"up to {(1 << bits) - 1:#x}, for {bits} bits")
    if rule.folded_from is not None and rule.folded_from <= width:
        findings.fail((*key, "folded_from"), f"{rule.folded_from}", f"more than {width}, its width")
    lengths = {len(one) for one in chosen.ids} if chosen is not None else {0}
    fixed = len(rule.prefix) + covered + len(rule.suffix)
    if rule.pieces.startswith("words") and any((fixed + length) % 2 for length in lengths):
        findings.fail(
            (*key, "pieces"), f"{rule.pieces} of {fixed + max(lengths)} bytes", "an even number of bytes"
        )
    return len(findings.problems) == before


def counter_of(
    definitions: Definitions, findings: Findings, key: Key, rule: ChosenBytes, layout: MessageLayout
) -> Field | None:
    """The counter that chooses bytes of a received checksum; `None` after noting why it cannot."""
    place: Key = (*key, "by_counter", "signal")
    field = definitions.field(place, layout, rule.signal)
    if field is not None and (not plain(field) or field.mux):
        findings.fail(place, field.name, "a whole number from 0 on, factor 1, on every page")
        return None
    return field
