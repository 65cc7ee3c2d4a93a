"""What other devices on the bus do: cell monitors and inverters that talk, inverters that listen.

They know the same DBC files and the same profile as the bridge, and share no codec with it.
"""

from collections.abc import Callable, Mapping
from math import isclose
from typing import Final, NamedTuple

from bridge.frames import Frame
from bridge.profile.load import LoadedProfile
from bridge.profile.schema_signals import ChecksumItem as ChecksumSection
from bridge.profile.schema_signals import CounterItem, FlagItem, QuantityItem, Reading, Transmission, is_flag
from bridge.profile.schema_signals import Source as SourceSection
from bridge.quantities import QUANTITIES, Kind
from bridge.simulate.coder import Coder, Library, Raws, keep

STAGGER_US: Final = 13_000
"""Messages of a simulated site start this far apart, so that no two leave at one instant."""

HEARTBEAT: Final = "inverter_heartbeat"

ValueOf = Callable[[str, int, int], float]
"""A measured value by quantity, number of the cell (0 where there is only one) and time in µs."""


class Origin(NamedTuple):
    """Where a reading stands in a message.

    Attributes:
        quantity, cell: what it is, and of which cell or probe, 0 where there is only one.
        signal: its name.
        reading: how the profile reads it.
        flag: it is 0 or 1.
    """

    quantity: str
    cell: int
    signal: str
    reading: Reading
    flag: bool

    def number(self, value: float) -> float:
        """The physical number that the profile reads as `value`."""
        if self.flag:
            return self.reading.true[0] if value else self.reading.no[0]
        return (value - self.reading.shift) / self.reading.scale

    def value(self, number: float) -> float:
        """What the profile reads from a physical number of a measured signal."""
        return number * self.reading.scale + self.reading.shift


class Speech:
    """One message a device sends again and again, and what may be wrong with it.

    Attributes:
        section: the `[[source]]` table.
        bus: bus it is sent on.
        origins: the readings in it.
        pages: sent in turn.
        period_us: from one frame to the next.
        next_us: when the next frame is due.
        muted: nothing is sent.
        muted_pages: these pages are left out.
        frozen: the rolling counter stands still.
        spoilt: the checksum is wrong.
        forced: signals with raw numbers of their own, sent in turn, one each time their page comes.
        number: position of the message in the plan's sources.
    """

    def __init__(self, number: int, section: SourceSection, bus: str, coder: Coder, first_us: int) -> None:
        self.number = number
        self.section = section
        self.bus = bus
        self.coder = coder
        self.origins = tuple(_origins(section))
        names = [origin.signal for origin in self.origins]
        self.pages = coder.pages(names)
        self._on_page = tuple(
            tuple(
                o
                for o in self.origins
                if o.signal in page.names and o.signal not in page.selectors and o.quantity != HEARTBEAT
            )
            for page in self.pages
        )
        counters = [o.signal for o in self.origins if o.quantity == HEARTBEAT]
        if section.counter is not None:
            counters.append(section.counter)
        self._counters = tuple(
            tuple(name for name in counters if name in page.names and name not in page.selectors)
            for page in self.pages
        )
        self._known: dict[tuple[float, ...], bytes] = {}
        self.period_us = coder.cycle_us or _guessed_us(section, len(self.pages))
        self.next_us = first_us
        self.muted = False
        self.muted_pages: set[int] = set()
        self.frozen = False
        self.spoilt = False
        self.forced: dict[str, tuple[int | float, ...]] = {}
        self._count = 0
        self._turn = 0
        self._said = 0

    def heal(self) -> None:
        """Nothing is wrong any more."""
        self.muted = self.frozen = self.spoilt = False
        self.muted_pages, self.forced = set(), {}

    def say(self, value_of: ValueOf) -> Frame | None:
        """The frame due at `next_us`, None if it is left out; moves on."""
        t_us, at = self.next_us, self._turn
        self._said += 1
        self.next_us += self.period_us
        self._turn = (at + 1) % len(self.pages)
        if not self.frozen:
            self._count += 1
        if self.muted or at in self.muted_pages:
            return None
        return Frame(self.bus, self.coder.key, self._data(at, value_of, t_us))

    def _data(self, at: int, value_of: ValueOf, t_us: int) -> bytes:
        values = [value_of(origin.quantity, origin.cell, t_us) for origin in self._on_page[at]]
        if self._counters[at] or self.forced or self.spoilt:
            return self._encoded(at, values)
        # Most cells read what they read a second ago.
        key = (at, *values)
        data = self._known.get(key)
        if data is None:
            data = self._encoded(at, values)
            keep(self._known, key, data)
        return data

    def _encoded(self, at: int, values: list[float]) -> bytes:
        page, coder, section = self.pages[at], self.coder, self.section
        raws: Raws = {}
        for origin, value in zip(self._on_page[at], values, strict=True):
            raws[origin.signal] = coder.raw(origin.signal, origin.number(value))
        for name in self._counters[at]:
            raws[name] = self._rolling(name)
        for name, forced in self.forced.items():
            if name in page.names:
                raws[name] = forced[self._said // len(self.pages) % len(forced)]
        data = coder.encode(page, raws)
        if section.checksum is not None:
            right = coder.checksum(section.checksum.signal, section.checksum, data)
            other = coder.raw_span(section.checksum.signal)[1] & 0x5A or 1
            sent = right ^ other if self.spoilt else right
            data = coder.encode(page, raws | {section.checksum.signal: sent})
        return data

    def _rolling(self, name: str) -> int:
        low, high = self.coder.raw_span(name)
        rule = None if self.section.checksum is None else self.section.checksum.by_counter
        modulo = high - low + 1
        if rule is not None and rule.signal == name:  # it counts no further than there are bytes to choose
            modulo = min(modulo, len(rule.bytes))
        return low + self._count % modulo


class Talker:
    """One device that sends the `[[source]]` messages of a bank or an inverter.

    Attributes:
        owner: name of the bank or inverter.
        speeches: its messages.
    """

    def __init__(self, owner: str, speeches: list[Speech], value_of: ValueOf) -> None:
        self.owner = owner
        self.speeches = speeches
        self._value_of = value_of

    @property
    def next_us(self) -> int:
        """When it talks next."""
        return min(speech.next_us for speech in self.speeches)

    def tell(self, until_us: int, frames: list[tuple[int, Frame]], *, once: bool = False) -> None:
        """Adds the frames due before `until_us`, each with its time.

        `once`: of a message that is due several times only the last; one with pages is sent in full.
        """
        for speech in self.speeches:
            if once and len(speech.pages) == 1:
                while speech.next_us + speech.period_us < until_us:
                    speech.next_us += speech.period_us
            while (t_us := speech.next_us) < until_us:
                frame = speech.say(self._value_of)
                if frame is not None:
                    frames.append((t_us, frame))

    def talk(self, t_us: int) -> list[Frame]:
        """The frames due up to `t_us`."""
        frames = []
        for speech in self.speeches:
            while speech.next_us <= t_us:
                frame = speech.say(self._value_of)
                if frame is not None:
                    frames.append(frame)
        return frames


def talkers(loaded: LoadedProfile, library: Library, value_of: dict[str, ValueOf], t_us: int) -> list[Talker]:
    """A device for each bank and each inverter that the profile reads, silent until `t_us`.

    Args:
        loaded: the profile.
        library: the message definitions.
        value_of: what each bank or inverter measures.
        t_us: when the first of them talks.
    """
    speeches: dict[str, list[Speech]] = {}
    rows = zip(loaded.profile.source, loaded.plan.sources, loaded.received, strict=True)
    for n, (section, source, definition) in enumerate(rows):
        coder = library.coder(definition.dbc, definition.message)
        speech = Speech(n, section, source.bus, coder, t_us + (n + 1) * STAGGER_US)
        speeches.setdefault(source.owner, []).append(speech)
    return [Talker(owner, spoken, value_of[owner]) for owner, spoken in speeches.items()]


def _origins(section: SourceSection) -> list[Origin]:
    found = []
    for quantity, reading in section.signals.items():
        each = QUANTITIES[quantity].kind is Kind.CELL
        for offset, signal in enumerate(reading.names):
            found.append(
                Origin(quantity, reading.first + offset if each else 0, signal, reading, is_flag(quantity))
            )
    return found


def _guessed_us(section: SourceSection, pages: int) -> int:
    """A period for a message whose file states none: every page four times within its allowed age."""
    ages_s = [reading.max_age_s or section.max_age_s for reading in section.signals.values()]
    return max(round(min(ages_s) * 1000 / 4 / pages), 1) * 1000


class Seen(NamedTuple):
    """One frame of the bridge, as an inverter understood it.

    Attributes:
        t_us: when it came.
        frame: as it was.
        name: of the message.
        values: quantities in their own units, flags 0 or 1 (a number that is neither: left out).
        faults: what is wrong with it: a checksum, an unreadable frame.
        gaps: what is wrong with its counters, beside the frame before.
    """

    t_us: int
    frame: Frame
    name: str
    values: Mapping[str, float]
    faults: tuple[str, ...]
    gaps: tuple[str, ...] = ()


class Ear:
    """Understands one `[[transmission]]` message with cantools."""

    def __init__(self, section: Transmission, coder: Coder) -> None:
        self.section = section
        self.coder = coder
        self._counts: dict[str, int] = {}
        self._heard: dict[bytes, tuple[dict[str, float], tuple[str, ...], list[tuple[str, int]]]] = {}

    def hear(self, t_us: int, frame: Frame) -> Seen:
        """One frame of this message."""
        heard = self._heard.get(frame.data)
        if heard is None:
            heard = self._understood(frame.data)
            keep(self._heard, frame.data, heard)
        values, faults, counts = heard
        gaps = tuple(gap for name, count in counts for gap in self._gap(name, count))
        return Seen(t_us, frame, self.coder.name, values, faults, gaps)

    def _understood(self, data: bytes) -> tuple[dict[str, float], tuple[str, ...], list[tuple[str, int]]]:
        """What a frame says by itself: values, faults, and the numbers of its counters."""
        values: dict[str, float] = {}
        faults: list[str] = []
        counts: list[tuple[str, int]] = []
        try:
            numbers = self.coder.decode(data)
        except Exception as problem:  # whatever cantools has to say against it
            return values, (f"unreadable: {problem}",), counts
        for name, item in self.section.signals.items():
            number = numbers.get(name)
            if number is None:
                continue
            match item:
                case QuantityItem() if item.absent is None or not isclose(number, item.absent, rel_tol=1e-9):
                    values[item.quantity] = (number - item.shift) / item.scale + 0.0  # no -0.0
                case FlagItem() if number in (item.true, item.false):
                    values[item.flag] = float(number == item.true)
                case CounterItem():
                    counts.append((name, int(number)))
                case ChecksumSection():
                    right = self.coder.checksum(name, item.checksum, data)
                    if number != right:
                        faults.append(f"{name} {number:g}; right: {right}")
        return values, tuple(faults), counts

    def forget(self) -> None:
        """The sender starts anew: its counters may begin anywhere."""
        self._counts.clear()

    def _gap(self, name: str, count: int) -> list[str]:
        item = self.section.signals[name]
        assert isinstance(item, CounterItem)
        low, high = self.coder.raw_span(name)
        modulo = item.counter.modulo or high - low + 1
        before, self._counts[name] = self._counts.get(name), count
        wanted = None if before is None else (before + item.counter.step) % modulo
        return [] if wanted in (None, count) else [f"{name} {count}; after {before} comes {wanted}"]
