"""What one transmitted message is made of, and the only place where a frame to be sent is made.

A finished frame is read back with the decoder before it leaves: every raw number must be the one that was
meant, and every limit must be on the safe side of the value it was made from.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from bridge.core.wire.checksum import Checksum
from bridge.core.wire.codec import Decoder, Encoder, MessageLayout
from bridge.core.wire.grid import Grid
from bridge.errors import NeverSeen, NotExpressible
from bridge.frames import Frame
from bridge.quantities import CAUSES, QUANTITIES, Kind, Rounding


class QuantityItem(NamedTuple):
    """A quantity on the grid of its signal; `absent_raw` is sent while it is withheld, None: cannot be."""

    signal: str
    quantity: str
    grid: Grid
    absent_raw: int | None = None


class FixedItem(NamedTuple):
    """A constant: part of a text, a multiplexer value, a reserved pattern."""

    signal: str
    raw: int


class FlagItem(NamedTuple):
    """A quantity that is 0 or 1; `absent_raw` is sent while it is withheld, None: cannot be."""

    signal: str
    quantity: str
    raw_true: int
    raw_false: int
    absent_raw: int | None = None


class CounterItem(NamedTuple):
    """Counts the frames that carry it: 0, step, 2 * step, ... modulo `modulo`."""

    signal: str
    modulo: int
    step: int = 1


class ChecksumItem(NamedTuple):
    """A checksum over the otherwise finished frame, in which its own bits are 0.

    `counter` is the signal that chooses bytes of it, see `bridge.core.wire.checksum.Chosen`.
    """

    signal: str
    checksum: Checksum
    counter: str | None = None


Item = QuantityItem | FixedItem | FlagItem | CounterItem | ChecksumItem


class Transmission(NamedTuple):
    """One message that is sent again and again.

    Attributes:
        name: in the profile.
        bus: name of the bus in the profile.
        layout: the message.
        period_us: from one frame to the next, of a multiplexed message from one page to the next.
        phase_us: of the first frame, from the start of the schedule.
        pages: the items of each page, sent in turn; one page unless the message is multiplexed. A page
            has a `FixedItem` for each of its multiplexer signals.
        inverter: name of the inverter it is for, None if it is for all.
    """

    name: str
    bus: str
    layout: MessageLayout
    period_us: int
    phase_us: int
    pages: tuple[tuple[Item, ...], ...]
    inverter: str | None = None

    @property
    def carries_limits(self) -> bool:
        """Whether any item has a safe side: a limit, or a permission."""
        return any(
            QUANTITIES[item.quantity].rounding is not Rounding.NEAREST
            for page in self.pages
            for item in page
            if isinstance(item, QuantityItem | FlagItem)
        )

    @property
    def keeps_readings(self) -> bool:
        """Whether a reading without a number for "not known" stands beside limits, which must leave."""
        items = [item for page in self.pages for item in page if isinstance(item, QuantityItem | FlagItem)]
        bare = any(item.absent_raw is None and is_reading(item.quantity) for item in items)
        return bare and self.carries_limits


def is_reading(quantity: str) -> bool:
    """Whether a quantity is measured, or follows from that alone, and so may not be known."""
    bank = QUANTITIES[quantity].kind is Kind.BANK
    return bank or quantity == "shown_state_of_charge" or quantity in CAUSES


class _Page(NamedTuple):
    """One page, compiled. Raw numbers are in the order quantities, flags, counters, checksums.

    `checksums` are in the order in which they can be computed; with each, where the raw number stands that
    chooses bytes of it.
    """

    quantities: tuple[QuantityItem, ...]
    flags: tuple[FlagItem, ...]
    counters: tuple[CounterItem, ...]
    checksums: tuple[tuple[Checksum, int | None], ...]
    guarded: tuple[tuple[int, QuantityItem], ...]
    encoder: Encoder
    decoder: Decoder
    constants: list[int]


class FrameBuilder:
    """Makes the frames of one transmission, page after page.

    Page and counters advance only when a frame was made, so that a receiver never sees a gap in the
    counter that comes from a frame which could not be built.
    """

    __slots__ = ("_counts", "_next_page", "_pages", "_transmission")

    def __init__(self, transmission: Transmission) -> None:
        """Raises NotExpressible if an item's signal is not on its page, is used twice or is too narrow."""
        self._transmission = transmission
        self._pages = tuple(_compiled(transmission.layout, items) for items in transmission.pages)
        self._next_page = 0
        self._counts: dict[str, int] = {}

    def go_on(self, other: "FrameBuilder") -> None:
        """Goes on where another one stands: with its counters, and its page where there are as many."""
        moduli = {item.signal: item.modulo for page in self._pages for item in page.counters}
        for page in other._pages:
            for item in page.counters:
                if moduli.get(item.signal) == item.modulo and item.signal in other._counts:
                    self._counts[item.signal] = other._counts[item.signal]
        if len(self._pages) == len(other._pages):
            self._next_page = other._next_page

    @property
    def next_page(self) -> int:
        """Which page `build` makes next."""
        return self._next_page

    def build(self, values: Mapping[str, float | None]) -> Frame:
        """The next frame.

        Args:
            values: quantities by name, in their own units; None or absent: withheld.

        Raises:
            NeverSeen: a value is withheld and its signal has no number for that.
            NotExpressible: a value cannot be sent on the safe side.
            After either, the next call makes the same page with the same counter.
        """
        transmission = self._transmission
        page = self._pages[self._next_page]
        try:
            raws = _raws(page, values)
            raws += [self._counts.get(item.signal, 0) for item in page.counters]
            data = _data(page, raws)
            _check(page, data, raws, values)
        except NotExpressible as problem:
            raise type(problem)(f"{transmission.layout.name}.{problem}") from None
        for item in page.counters:
            count = self._counts.get(item.signal, 0)
            self._counts[item.signal] = (count + item.step) % item.modulo
        self._next_page = (self._next_page + 1) % len(self._pages)
        return Frame(transmission.bus, transmission.layout.key, data)


def _raws(page: _Page, values: Mapping[str, float | None]) -> list[int]:
    raws = []
    for item in page.quantities:
        value = values.get(item.quantity)
        raws.append(_absent(item) if value is None else item.grid.to_raw(value))
    for flag in page.flags:
        value = values.get(flag.quantity)
        if value is None:
            raws.append(_absent(flag))
        elif value == 1:
            raws.append(flag.raw_true)
        elif value == 0:
            raws.append(flag.raw_false)
        else:
            raise NotExpressible(f"{flag.signal}: {flag.quantity} is {value}; allowed 0 or 1")
    return raws


def _absent(item: QuantityItem | FlagItem) -> int:
    if item.absent_raw is None:
        raise NeverSeen(f"{item.signal}: {item.quantity} not seen yet")
    return item.absent_raw


def _data(page: _Page, raws: list[int]) -> bytes:
    """Encodes, and completes the raw numbers by the checksums."""
    first = len(raws)
    raws += [0] * len(page.checksums)
    data = page.encoder.encode(raws)
    for index, (checksum, chooser) in enumerate(page.checksums, first):
        raws[index] = checksum.compute(data, 0 if chooser is None else raws[chooser])
        data = page.encoder.encode(raws)
    return data


def _check(page: _Page, data: bytes, raws: list[int], values: Mapping[str, float | None]) -> None:
    """Reads the frame back: what a receiver will see must be what was meant, and on the safe side."""
    seen = page.decoder.raws(data)
    if seen != raws + page.constants:
        raise NotExpressible(f"*: {data.hex()} reads back as {seen}; allowed {raws + page.constants}")
    for index, item in page.guarded:
        value = values.get(item.quantity)
        if value is not None and not item.grid.is_safe(raws[index], value):
            said = item.grid.to_value(raws[index])
            raise NotExpressible(f"{item.signal}: {said} would be sent; allowed: {value} or safer")


def _compiled(layout: MessageLayout, items: Sequence[Item]) -> _Page:
    selectors = {item.signal: item.raw for item in items if isinstance(item, FixedItem)}
    constants = {field.name: field.initial_raw for field in layout.fields} | selectors
    for item in items:
        _fits(layout, item)
    present = [f.name for f in layout.fields if all(constants[name] in raws for name, raws in f.mux)]
    used = [item.signal for item in items]
    for name in used:
        if name not in present or used.count(name) > 1:
            raise NotExpressible(f"{layout.name}.{name}: not on this page; allowed, once each: {present}")
    quantities = tuple(item for item in items if isinstance(item, QuantityItem))
    flags = tuple(item for item in items if isinstance(item, FlagItem))
    counters = tuple(item for item in items if isinstance(item, CounterItem))
    checksums = _in_order(layout, [item for item in items if isinstance(item, ChecksumItem)])
    coded: list[Item] = [*quantities, *flags, *counters, *checksums]
    names = [item.signal for item in coded]
    rest = {name: constants[name] for name in present if name not in names}
    sided = ((i, item) for i, item in enumerate(quantities) if item.grid.rounding is not Rounding.NEAREST)
    encoder = Encoder(layout, names, rest)
    decoder = Decoder(layout, [*names, *rest])
    choosers = [_chooser(layout, item, counters, len(quantities) + len(flags)) for item in checksums]
    computed = tuple(zip([item.checksum for item in checksums], choosers, strict=True))
    return _Page(quantities, flags, counters, computed, tuple(sided), encoder, decoder, [*rest.values()])


def _in_order(layout: MessageLayout, left: list[ChecksumItem]) -> list[ChecksumItem]:
    """Each after those whose bits it covers, so that it is right over the finished frame."""

    def free(item: ChecksumItem) -> bool:
        others = [layout.field(other.signal).positions for other in left if other is not item]
        return not any(position in item.checksum.over for positions in others for position in positions)

    ordered = []
    while left:
        item = next(filter(free, left), None)
        if item is None:
            names = ", ".join(one.signal for one in left)
            raise NotExpressible(f"{layout.name}: checksums {names} cover each other; allowed: one way only")
        ordered.append(item)
        left = [one for one in left if one is not item]
    return ordered


def _chooser(
    layout: MessageLayout, item: ChecksumItem, counters: Sequence[CounterItem], first: int
) -> int | None:
    """Where the raw number of the counter stands that chooses bytes of a checksum."""
    chosen = item.checksum.chosen
    if chosen is None:
        return None
    for at, counter in enumerate(counters, first):
        if counter.signal == item.counter:
            if counter.modulo > len(chosen.ids):
                found = f"{counter.signal} counts to {counter.modulo - 1}"
                raise NotExpressible(f"{layout.name}: {found}; allowed: to {len(chosen.ids) - 1}")
            return at
    raise NotExpressible(f"{layout.name}.{item.signal}: no counter {item.counter} on its page; allowed: one")


def _fits(layout: MessageLayout, item: Item) -> None:
    """Raises NotExpressible if the message lacks the signal, or it is too narrow for what the item sends."""
    if all(field.name != item.signal for field in layout.fields):
        raise NotExpressible(f"{layout.name}.{item.signal}: no such signal")
    field = layout.field(item.signal)
    wanted: tuple[int | None, ...]
    match item:
        case QuantityItem():
            wanted = (item.absent_raw,)
        case FlagItem():
            wanted = (item.raw_true, item.raw_false, item.absent_raw)
        case FixedItem():
            wanted = (item.raw,)
        case CounterItem():
            wanted = (item.modulo - 1,)
        case _:
            wanted = ((1 << item.checksum.width) - 1,)
    for raw in wanted:
        if raw is not None and not field.raw_min <= raw <= field.raw_max:
            span = f"{field.raw_min} to {field.raw_max}"
            raise NotExpressible(f"{layout.name}.{field.name}: raw number {raw}; allowed {span}")
