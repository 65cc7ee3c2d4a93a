"""A checksum rule of a profile, fitted to the message it belongs to."""

from bridge.core.checksum import Checksum
from bridge.core.codec import Field, MessageLayout
from bridge.profile.findings import Findings, Key
from bridge.profile.schema_signals import ChecksumRule


def own_bytes(field: Field) -> frozenset[int]:
    """Positions of the bytes a field lies in."""
    if field.little_endian:
        return frozenset(range(field.start // 8, (field.start + field.length - 1) // 8 + 1))
    first = field.start // 8 * 8 + 7 - field.start % 8
    return frozenset(range(first // 8, (first + field.length - 1) // 8 + 1))


def checksum_of(
    findings: Findings, key: Key, rule: ChecksumRule, layout: MessageLayout, field: Field, *, received: bool
) -> Checksum | None:
    """The checksum, or `None` after noting why it cannot be one.

    Its signal must hold a plain byte. A received one must not cover itself: what it was before it was filled
    in is not known.
    """
    plain = field.length == 8 and not field.signed and not field.is_float
    if not plain or field.factor != 1 or field.offset != 0 or (received and field.mux):
        found = f"{field.name} of {field.length} bits, factor {field.factor}, offset {field.offset}"
        allowed = "8 bits, unsigned, factor 1, offset 0" + (", on every page" if received else "")
        findings.fail(key, found, allowed)
        return None
    own = own_bytes(field)
    over = rule.over
    if over is None:
        over = tuple(position for position in range(layout.length) if position not in own)
    beyond = [position for position in over if position >= layout.length]
    if beyond:
        findings.fail((*key, "over"), f"byte {beyond[0]}", f"0 to {layout.length - 1}")
        return None
    if received and own & set(over):
        findings.fail((*key, "over"), f"byte {min(own & set(over))}, its own", "the other bytes")
        return None
    return Checksum(
        rule.algorithm, over, rule.polynomial or 0, rule.init, rule.xor_out, rule.reflect, bytes(rule.prefix)
    )
