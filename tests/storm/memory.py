"""What the observer remembers of the readings that reached the program: nothing here is the program's."""

from collections import deque
from typing import Final, NamedTuple

from tests.storm import sums
from tests.storm.book import CHARGE, DRAW, Book, Heard, Place, Read

NEVER_US: Final = -(2**62)
IN_A_ROW: Final = 3
"""So many frames in a row must say it until the observer counts on it: a jump has to be confirmed."""

SECOND: Final = 1_000_000

PLAUSIBLE: Final = {"cell_voltage": (1.0, 4.8), "cell_temperature": (-40.0, 100.0)}
"""Beyond, a program may believe a reading or not where the profile writes no range: both end in zeros."""


class Bar(NamedTuple):
    """What one reading forbids, with hysteresis.

    Attributes:
        name: what it is.
        bars: the current that must be zero.
        upper: it trips at or above `trip`, else at or below.
        trip, release: where it trips, and where it is well back.
    """

    name: str
    bars: str
    upper: bool
    trip: float
    release: float

    def trips(self, value: float) -> bool:
        """Whether a reading is beyond."""
        return value >= self.trip if self.upper else value <= self.trip

    def released(self, value: float) -> bool:
        """Whether a reading is well back."""
        return value <= self.release if self.upper else value >= self.release


class Track:
    """One reading over time.

    Attributes:
        read: how it is read.
        good_us: the last frame that could be believed.
        since_us: from when it has been there without a loss.
        recent: the last of them, with their times.
        tripped_us: bars that stand, with the time since when the program must know.
        truly_us: bars of which every frame of the true sender has spoken since then, without a pause.
        genuine_us: the last of its frames.
    """

    def __init__(self, read: Read, bars: tuple[Bar, ...]) -> None:
        self.read = read
        self.bars = bars
        self.good_us = self.since_us = NEVER_US
        self.recent: deque[tuple[int, float]] = deque(maxlen=12)
        self.tripped_us: dict[Bar, int] = {}
        self.truly_us: dict[Bar, int] = {}
        self.genuine_us = NEVER_US

    def take(self, t_us: int, value: float, lost_after_s: float, *, genuine: bool = True) -> None:
        """A believable reading was handed to the program."""
        if genuine:
            if t_us - self.genuine_us > self.read.age_s * SECOND:
                self.truly_us.clear()  # while it was silent it was no sender beside another
            self.genuine_us = t_us
            for bar in self.bars:
                if not bar.trips(value):
                    self.truly_us.pop(bar, None)
                else:
                    self.truly_us.setdefault(bar, t_us)
        if t_us - self.good_us > lost_after_s * SECOND:
            self.since_us = t_us
        self.good_us = t_us
        self.recent.append((t_us, value))
        for bar in self.bars:
            if bar.released(value):
                self.tripped_us.pop(bar, None)
            elif bar not in self.tripped_us and len(self.recent) >= IN_A_ROW:
                last = [one for _, one in list(self.recent)[-IN_A_ROW:]]
                if all(bar.trips(one) for one in last):
                    self.tripped_us[bar] = t_us

    def forget(self) -> None:
        """The program has started anew: it knows no reading, but what has tripped stays."""
        self.truly_us.clear()
        self.good_us = self.since_us = NEVER_US
        self.recent.clear()

    @property
    def last(self) -> float | None:
        """The latest reading."""
        return self.recent[-1][1] if self.recent else None

    def lately(self, from_us: int) -> list[float]:
        """Readings since then, and the last three in any case."""
        recent = list(self.recent)
        return [v for n, (t_us, v) in enumerate(recent) if t_us >= from_us or n >= len(recent) - IN_A_ROW]


class Memory:
    """All readings.

    Attributes:
        tracks: by place.
        dirty_us: when a message last was not what its sender sent, or could not be believed, by its name and
            owner.
        counters: the last of each message.
        twins: messages that have a second sender, since when.
    """

    def __init__(self, book: Book) -> None:
        self.book = book
        self.tracks: dict[Place, Track] = {}
        self.dirty_us: dict[tuple[str, str], int] = {}
        self.counters: dict[tuple[str, str], float] = {}
        self.of: dict[Place, tuple[str, str]] = {}
        self.doubtful = False
        self.twins: dict[tuple[str, str], int] = {}
        self.change(book)

    def change(self, book: Book) -> None:
        """Another profile counts: other bounds, the same readings."""
        self.book = book
        for heard in book.heard:
            for read in heard.reads:
                old = self.tracks.get(read.place)
                track = Track(read, bars(book, read))
                if old is not None:
                    track.good_us, track.since_us, track.recent = old.good_us, old.since_us, old.recent
                    track.tripped_us = {bar: t for bar, t in old.tripped_us.items() if bar in track.bars}
                self.tracks[read.place] = track
                self.of[read.place] = heard.name, heard.owner

    def forget(self) -> None:
        """The program has started anew."""
        self.counters.clear()
        for track in self.tracks.values():
            track.forget()

    def untrip(self) -> None:
        """Nothing counts as tripped."""
        for track in self.tracks.values():
            track.tripped_us.clear()

    def take(self, t_us: int, wire: str, key: int, data: bytes, *, genuine: bool) -> None:
        """A frame was handed to the program."""
        for heard in self.book.hears.get((wire, key), ()):
            which = heard.name, heard.owner
            self.doubtful = not genuine
            found = self._believed(heard, data)
            if found is None or self.doubtful:
                self.dirty_us[which] = t_us
            if found is None:
                continue
            for read, value in found:
                after_s = read.age_s + self.book.hold_s + self.book.react_s
                self.tracks[read.place].take(t_us, value, after_s, genuine=genuine)

    def _believed(self, heard: Heard, data: bytes) -> list[tuple[Read, float]] | None:
        numbers = heard.decode(data)
        if numbers is None:
            return None
        if heard.checksum is not None:
            name = heard.checksum["signal"]
            if sums.right(heard.message, name, heard.checksum, data) not in (None, numbers[name]):
                return None
        which = heard.name, heard.owner
        if heard.counter is not None:
            before, self.counters[which] = self.counters.get(which), numbers[heard.counter]
            count = numbers[heard.counter]
            if before == count:
                return None
            step = 0.0 if before is None else (count - before) % heard.counter_span
            if heard.counter_step and step > heard.counter_step:
                return None
        found = []
        for read in heard.reads:
            number = numbers.get(read.signal)
            if number is None:
                continue
            flag = is_flag(read.place.quantity)
            if number in read.unknown or (flag and number not in (*read.true, *read.false)):
                self.doubtful = True
                continue
            value = float(number in read.true) if flag else number * read.scale + read.shift
            if not flag and not read.low <= value <= read.high:
                if read.required:
                    return None
                self.doubtful = True
                continue
            self.doubtful = self.doubtful or not _plausible(read.place.quantity, value)
            found.append((read, value))
        return found


def _plausible(quantity: str, value: float) -> bool:
    spans = [span for name, span in PLAUSIBLE.items() if quantity.startswith(name)]
    return all(low <= value <= high for low, high in spans)


def is_flag(quantity: str) -> bool:
    """Whether a reading is a yes or no."""
    return quantity in ("charge_permitted", "discharge_permitted", "balancing", "bank_connected")


def bars(book: Book, read: Read) -> tuple[Bar, ...]:
    """What a reading may forbid, as far as the profile writes it out."""
    limits, quantity = book.limits, read.place.quantity
    found = []
    if quantity == "charge_permitted":
        found.append(Bar("permission to charge denied", CHARGE, False, 0.0, 1.0))
    if quantity == "discharge_permitted":
        found.append(Bar("permission to discharge denied", DRAW, False, 0.0, 1.0))
    if quantity in ("cell_voltage", "cell_voltage_max") and "cell_cutoff_high_v" in limits:
        trip, back = limits["cell_cutoff_high_v"], limits["cell_cutoff_high_release_v"]
        found.append(Bar("cell over its cut-off", CHARGE, True, trip, back))
    if quantity in ("cell_voltage", "cell_voltage_min") and "cell_cutoff_low_v" in limits:
        trip, back = limits["cell_cutoff_low_v"], limits["cell_cutoff_low_release_v"]
        found.append(Bar("cell under its cut-off", DRAW, False, trip, back))
    if quantity.startswith("cell_temperature"):
        release_c = limits.get("temperature_release_c", 2.0)
        for way, bars_ in (("charge", CHARGE), ("discharge", DRAW)):
            if (cold := limits.get(f"{way}_coldest_c")) is not None:
                found.append(Bar(f"too cold to {way}", bars_, False, cold, cold + release_c))
            if (hot := limits.get(f"{way}_hottest_c")) is not None:
                found.append(Bar(f"too hot to {way}", bars_, True, hot, hot - release_c))
    return tuple(found)


def curve_at(curve: dict[str, list[float]], value: float) -> float:
    """A share by straight lines between points, level beyond them."""
    xs = next(points for name, points in curve.items() if name != "share")
    ys = curve["share"]
    if value <= xs[0]:
        return ys[0]
    for (x0, y0), (x1, y1) in zip(zip(xs, ys, strict=True), list(zip(xs, ys, strict=True))[1:], strict=False):
        if value <= x1:
            return y0 + (y1 - y0) * (value - x0) / (x1 - x0)
    return ys[-1]
