"""The most a current may be, by what the monitors say, and by what those said that are lost."""

import math
from collections.abc import Iterator

from tests.storm.book import CHARGE, DRAW, Place
from tests.storm.known import Known, Most, Word, name_of
from tests.storm.memory import NEVER_US, SECOND, Track, curve_at


def most(known: Known, quantity: str) -> Most:
    """The most a current may be, and why."""
    rows = [word.most[quantity] for word in known.words.values()]
    if len(known.books) > 1:
        return min(rows, default=(math.inf, ""))
    book, turn_us = known.book, known.turn_us
    for bank in book.banks:
        if known.apart(bank) or (book.reduces and len(book.banks) > 1):
            continue
        whole = 1.0 if any(known.left_out(one) for one in book.banks) else book.share(bank)
        for track, most_a in _said(known, bank, quantity, turn_us):
            if turn_us - track.good_us <= track.read.age_s * SECOND:
                rows.append((most_a / whole, f"{name_of(track.read.place)} was {track.last}"))
    return min(rows, default=(math.inf, ""))


def note_lost(known: Known) -> None:
    """Notes the last word of each bank that is lost by now: silent as a whole, after it had been trusted."""
    book, turn_us = known.book, known.turn_us
    if len(known.books) > 1 or not book.reduces or any(known.apart(bank) for bank in book.banks):
        return
    for bank in [one for one in book.banks if one not in known.words]:
        tracks = [known.memory.tracks[read.place] for read in book.required[bank]]
        if not all(_was_trusted(known, track) for track in tracks):
            continue
        last_us = max(
            track.good_us for track in known.memory.tracks.values() if track.read.place.owner == bank
        )
        age_s = max(track.read.age_s for track in tracks)
        if turn_us - last_us <= (age_s + book.hold_s + book.steady_s + book.react_s) * SECOND:
            continue
        share, rows = book.share(bank), {}
        for quantity in (CHARGE, DRAW):
            said = [
                (most_a / share, f"{name_of(track.read.place)} was {track.last} when it was lost")
                for track, most_a in _said(known, bank, quantity, last_us)
            ]
            rows[quantity] = min(said, default=(math.inf, ""))
        known.words[bank] = Word(turn_us, rows)


def _was_trusted(known: Known, track: Track) -> bool:
    """Whether a reading had been there, beyond doubt and for long, before its last."""
    book = known.book
    long_us = round((book.steady_s + book.hold_s + book.mismatch_s + track.read.age_s + 5.0) * SECOND)
    dirty_us = known.memory.dirty_us.get(known.memory.of[track.read.place], NEVER_US)
    began_us = max(track.since_us, known.steady_from_us, known.anew_us, known.bound_us, dirty_us)
    return track.good_us != NEVER_US and track.good_us - began_us > long_us


def _said(known: Known, bank: str, quantity: str, now_us: int) -> Iterator[tuple[Track, float]]:
    """What a bank's readings of lately allow its own current at most, A, each by the loosest of them."""
    book, way = known.book, "charge" if quantity == CHARGE else "discharge"
    table = book.banks[bank]
    curve = table.get(f"{way}_by_coldest_cell", book.limits.get(f"{way}_by_coldest_cell"))
    for name in ("cell_temperature_min", f"{way}_current_permitted"):
        track = known.memory.tracks.get(Place(bank, name, 0))
        if track is None or not track.recent or (name.startswith("cell") and curve is None):
            continue
        values = track.lately(now_us - known.lag_us(track) - round(2 * track.read.age_s * SECOND))
        if name.startswith("cell"):
            yield track, max(curve_at(curve, value) for value in values) * table[f"{way}_current_a"]
        else:
            yield track, max(values)
