"""What the observer knows of the program, of what reached it, and of what it told."""

from typing import Final, NamedTuple

from tests.storm.book import Book, Place
from tests.storm.memory import NEVER_US, SECOND, Memory, Track


class Told(NamedTuple):
    """What an inverter was told last.

    Attributes:
        t_us: when it was on the wire.
        made_us: when the program last looked before it; sending may have held it up since.
        value: what.
        wire: where.
    """

    t_us: int
    made_us: int
    value: float
    wire: str


Most = tuple[float, str]
"""The most a current may be, A, and why."""


class Word(NamedTuple):
    """What a bank said last before it was lost.

    Attributes:
        since_us: the program must know since then that it is lost.
        most: of each current.
    """

    since_us: int
    most: dict[str, Most]


class Known:
    """Mutable; the rules only read it.

    Attributes:
        memory: of the readings that reached the program.
        told: what each inverter was told last, by inverter and quantity.
        books: the profile in force last; before it the one the program still works by, after a reload.
        bound_us: until then the looser of these bounds it.
        began_us: the process started.
        anew_us: it started, or took a profile by way of zeros.
        steady_from_us: it started, or went on after a stall.
        turn_us: it had its last turn.
        words: what banks said last that are lost.
        rival_us: somebody else was first, and last, heard to speak to the inverters.
    """

    def __init__(self, book: Book, start_us: int) -> None:
        self.memory = Memory(book)
        self.told: dict[tuple[str, str], Told] = {}
        self.books = [book]
        self.bound_us = self.began_us = self.anew_us = self.steady_from_us = self.turn_us = start_us
        self.rival_us = NEVER_US, NEVER_US
        self.words: dict[str, Word] = {}

    @property
    def book(self) -> Book:
        """The profile in force."""
        return self.books[-1]

    def bounding(self, t_us: int) -> list[Book]:
        """The profiles whose bounds count: the looser of them, just after a reload."""
        return self.books if t_us < self.bound_us else self.books[-1:]

    def apart(self, bank: str) -> bool:
        """Whether a bank says that it is not connected."""
        track = self.memory.tracks.get(Place(bank, "bank_connected", 0))
        return track is not None and 0.0 in track.lately(self.turn_us - 2 * SECOND)

    def left_out(self, bank: str) -> bool:
        """Whether a bank is not connected for certain: all that it said of it lately, and beyond doubt."""
        track = self.memory.tracks.get(Place(bank, "bank_connected", 0))
        if track is None or any(track.lately(self.turn_us - 2 * SECOND)):
            return False
        return bool(track.recent) and self._doubted_s(track) == 0.0

    def lag_us(self, track: Track) -> int:
        """How long the program may take to show a reading: longer where its message was doubtful lately."""
        react_s = max(self.books, key=lambda one: one.hold_s).react_s
        return round((react_s + self._doubted_s(track)) * SECOND)

    def _doubted_s(self, track: Track) -> float:
        """For how long a message that was doubtful lately may still be in doubt; 0: it was not."""
        book = max(self.books, key=lambda one: one.hold_s)
        wide_s = track.read.age_s + book.hold_s + book.mismatch_s + 2.0
        dirty_us = self.memory.dirty_us.get(self.memory.of[track.read.place], NEVER_US)
        clean = self.turn_us - dirty_us > wide_s * SECOND
        return 0.0 if clean else wide_s


def name_of(place: Place) -> str:
    """For people."""
    number = f" {place.number}" if place.number else ""
    return f"{place.quantity}{number} of {place.owner}"


RIVAL_QUIET_S: Final = 62.0
"""Whoever sends seldom counts as there for so long at most, and a profile may want silence meanwhile."""
