"""When a current must be zero for certain."""

from collections.abc import Iterator
from typing import Final

from tests.storm.book import CHARGE
from tests.storm.known import Known, name_of
from tests.storm.memory import NEVER_US, SECOND, Bar, Track

RIVAL_S: Final = 2.0
"""Another sender is noticed within so long, once the program has run so long."""

TWIN_FRAMES: Final = 16
"""Two senders of one message are noticed within so many of its frames."""


def barred(known: Known, t_us: int, quantity: str) -> str | None:
    """Why a current must be zero, if it must for certain."""
    book, turn_us = known.book, min(t_us, known.turn_us)
    sure_us = round((min(one.steady_s for one in known.books) - 2 * book.tick_s) * SECOND)
    if turn_us < known.steady_from_us + sure_us:
        return "the program has only just started, or stood still"
    if (why := _inhibited(known, t_us, quantity)) is not None:
        return why
    for track, bar, since_us in _tripped(known):
        lag_us = known.lag_us(track) + (sure_us if book.reduces and len(book.banks) > 1 else 0)
        if bar.bars == quantity and turn_us - since_us > lag_us:
            return f"{bar.name}: {name_of(track.read.place)} was {track.last}"
    if (why := _two(known, turn_us, quantity)) is not None:
        return why
    found = [
        None if known.apart(bank) else _untrusted(known, bank, turn_us, sure_us)
        for bank in book.banks
        if not known.left_out(bank)
    ]
    reasons = [why for why in found if why is not None]
    if reasons and (len(reasons) == len(found) or not book.reduces):
        return reasons[0]
    return _unheard(known, turn_us)


def _two(known: Known, turn_us: int, quantity: str) -> str | None:
    """What must be zero because somebody else tells the inverters limits, or speaks for the pack."""
    book, (first_us, last_us) = known.book, known.rival_us
    sure_us = max(first_us, known.began_us, known.bound_us) + round((RIVAL_S + book.react_s) * SECOND)
    if book.other_sender != "warn" and sure_us < turn_us < last_us + SECOND:
        return "somebody else sends what is the program's to send"
    if book.reduces and len(book.banks) > 1:
        return None  # one in doubt is left out: of it the worst of what two senders say need not count
    for which, since_us in known.memory.twins.items():
        for track in known.memory.tracks.values():
            if known.memory.of[track.read.place] != which or known.apart(track.read.place.owner):
                continue
            if turn_us - track.genuine_us > track.read.age_s * SECOND:
                continue
            wait_s = TWIN_FRAMES * track.read.age_s / 2 + book.hold_s + book.mismatch_s
            for bar, truly_us in track.truly_us.items():
                known_us = max(since_us, truly_us, known.began_us) + round(wait_s * SECOND)
                if bar.bars == quantity and turn_us > known_us:
                    return f"{bar.name}, by {name_of(track.read.place)}, which has two senders"
    return None


def _tripped(known: Known) -> Iterator[tuple[Track, Bar, int]]:
    for track in known.memory.tracks.values():
        if track.tripped_us and not known.apart(track.read.place.owner):
            for bar, since_us in track.tripped_us.items():
                yield track, bar, since_us


def _untrusted(known: Known, bank: str, t_us: int, sure_us: int) -> str | None:
    """Why a bank cannot be trusted, for certain."""
    book = max(known.books, key=lambda one: one.hold_s)
    for read in known.book.required[bank]:
        track = known.memory.tracks[read.place]
        if track.good_us == NEVER_US:
            return f"{name_of(read.place)} was never seen"
        lost_us = track.good_us + round((read.age_s + book.hold_s + book.react_s) * SECOND)
        if t_us > lost_us:
            return f"{name_of(read.place)} was last seen {(t_us - track.good_us) / SECOND:.2f} s ago"
        if t_us < track.since_us + sure_us:
            return f"{name_of(read.place)} is there again for {(t_us - track.since_us) / SECOND:.2f} s only"
    return None


def _unheard(known: Known, t_us: int) -> str | None:
    for heard in known.book.heard:
        if heard.of_bank or known.book.inverters[heard.owner].get("when_silent") != "zero":
            continue
        for read in heard.reads:
            if read.place.quantity != "inverter_heartbeat":
                continue
            heard_us = max(known.memory.tracks[read.place].good_us, known.began_us, known.anew_us)
            if t_us - heard_us > (read.age_s + known.book.react_s) * SECOND:
                return f"inverter {heard.owner} is not heard"
    return None


def _inhibited(known: Known, t_us: int, quantity: str) -> str | None:
    way = "charge" if quantity == CHARGE else "discharge"
    for book in known.bounding(t_us):
        until = book.options.get(f"inhibit_{way}_until")
        if not book.options.get(f"inhibit_{way}") or (until and t_us >= until.timestamp() * SECOND):
            return None
    return f"the profile wishes no {way}"
