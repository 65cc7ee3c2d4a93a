"""From what a signal of a sent message carries, as the profile says, to an item of the core."""

from fractions import Fraction

from bridge.core.wire import outgoing
from bridge.core.wire.codec import FLOATS, Field, MessageLayout
from bridge.core.wire.grid import Grid, exact
from bridge.errors import NotExpressible
from bridge.profile.compile_checksum import checksum_of
from bridge.profile.findings import Findings, Key, near
from bridge.profile.schema_base import shown
from bridge.profile.schema_signals import (
    SENDABLE,
    ChecksumItem,
    ChoiceItem,
    ConstantItem,
    CounterItem,
    FlagItem,
    Item,
    QuantityItem,
    TextItem,
    is_flag,
)
from bridge.quantities import QUANTITIES


def raw_of(field: Field, number: float) -> int | None:
    """The raw number that says exactly this physical number; `None` if there is none."""
    if field.is_float:
        value = float((exact(number) - exact(field.offset)) / exact(field.factor))
        try:
            return int.from_bytes(FLOATS[field.length].pack(value), "little")
        except OverflowError:
            return None
    raw = Fraction(exact(number) - exact(field.offset)) / exact(field.factor)
    if raw.denominator != 1 or not field.raw_min <= raw <= field.raw_max:
        return None
    return int(raw)


def span_text(field: Field) -> str:
    """What a field can say at all, for messages."""
    if field.is_float:
        return f"a float of {field.length} bits"
    ends = sorted(exact(field.factor) * raw + exact(field.offset) for raw in (field.raw_min, field.raw_max))
    return f"{float(ends[0]):.10g} to {float(ends[1]):.10g} in steps of {abs(field.factor):.10g}"


class ItemCompiler:
    """Compiles the items of one message; problems are noted under the key of the signal."""

    def __init__(self, findings: Findings, layout: MessageLayout) -> None:
        self._findings = findings
        self._layout = layout

    def compile(self, key: Key, field: Field, item: Item) -> outgoing.Item | None:
        """The item for the core, or `None` after noting why it cannot be sent."""
        match item:
            case QuantityItem():
                return self._quantity(key, field, item)
            case FlagItem():
                return self._flag(key, field, item)
            case ConstantItem():
                return self._fixed(field, self._raw((*key, "constant"), field, item.constant))
            case ChoiceItem():
                return self._choice(key, field, item)
            case TextItem():
                return self._text(key, field, item)
            case CounterItem():
                return self._counter(key, field, item)
            case ChecksumItem():
                rule = item.checksum
                sum_key = (*key, "checksum")
                checksum = checksum_of(self._findings, sum_key, rule, self._layout, field, received=False)
                counter = None if rule.by_counter is None else rule.by_counter.signal
                return None if checksum is None else outgoing.ChecksumItem(field.name, checksum, counter)

    def _quantity(self, key: Key, field: Field, item: QuantityItem) -> outgoing.QuantityItem | None:
        if item.quantity not in SENDABLE:
            self._findings.unknown(key, "quantity to send named", item.quantity, SENDABLE)
            return None
        absent = None
        if item.absent is not None:
            absent = self._raw((*key, "absent"), field, item.absent)
            if absent is None:
                return None
        rounding = QUANTITIES[item.quantity].rounding
        try:
            grid = Grid(field, scale=exact(item.scale), shift=exact(item.shift), rounding=rounding)
        except NotExpressible as problem:
            found, _, allowed = str(problem).partition("; allowed ")
            self._findings.fail(key, found, allowed or "a signal that can say something")
            return None
        return outgoing.QuantityItem(field.name, item.quantity, grid, absent)

    def _flag(self, key: Key, field: Field, item: FlagItem) -> outgoing.FlagItem | None:
        flags = [name for name in SENDABLE if is_flag(name)]
        if item.flag not in flags:
            self._findings.unknown((*key, "flag"), "yes or no named", item.flag, flags)
            return None
        yes = self._raw((*key, "true"), field, item.true)
        no = self._raw((*key, "false"), field, item.false)
        absent = None if item.absent is None else self._raw((*key, "absent"), field, item.absent)
        if yes is None or no is None or (item.absent is not None and absent is None):
            return None
        if yes == no:
            self._findings.fail((*key, "true"), f"{item.true:g}, the same as false", "another number")
            return None
        return outgoing.FlagItem(field.name, item.flag, yes, no, absent)

    def _choice(self, key: Key, field: Field, item: ChoiceItem) -> outgoing.FixedItem | None:
        for raw, text in field.choices:
            if text == item.choice:
                return outgoing.FixedItem(field.name, raw)
        texts = [text for _, text in field.choices]
        allowed = near(item.choice, texts) if texts else "constant: the signal has no value table"
        self._findings.fail((*key, "choice"), f"no entry {shown(item.choice)}", allowed)
        return None

    def _text(self, key: Key, field: Field, item: TextItem) -> outgoing.FixedItem | None:
        aligned = field.start % 8 == (0 if field.little_endian else 7) and field.length % 8 == 0
        size = field.length // 8
        if not aligned or field.is_float or (item.length or size) != size:
            found = f"{field.length} bits from bit {field.start}"
            allowed = f"whole bytes, as many as characters ({item.length or 'any'})"
            self._findings.fail((*key, "text"), found, allowed)
            return None
        piece = item.text[item.first : item.first + size].encode("ascii").ljust(size, bytes([item.pad]))
        raw = int.from_bytes(piece, "little" if field.little_endian else "big")
        if raw > field.raw_max:
            self._findings.fail((*key, "pad"), f"{item.pad} in a signed signal", "0 to 127")
            return None
        return outgoing.FixedItem(field.name, raw)

    def _counter(self, key: Key, field: Field, item: CounterItem) -> outgoing.CounterItem | None:
        rule = item.counter
        most = field.raw_max + 1
        modulo = most if rule.modulo is None else rule.modulo
        if field.is_float or field.raw_max < 1 or modulo > most:
            self._findings.fail((*key, "counter", "modulo"), f"{modulo}", f"2 to {most}, for {field.name}")
            return None
        if rule.step >= modulo:
            self._findings.fail((*key, "counter", "step"), f"{rule.step}", f"1 to {modulo - 1}")
            return None
        return outgoing.CounterItem(field.name, modulo, rule.step)

    def _raw(self, key: Key, field: Field, number: float) -> int | None:
        raw = raw_of(field, number)
        if raw is None:
            self._findings.fail(key, f"{number:g} cannot be said by {field.name}", span_text(field))
        return raw

    @staticmethod
    def _fixed(field: Field, raw: int | None) -> outgoing.FixedItem | None:
        return None if raw is None else outgoing.FixedItem(field.name, raw)
