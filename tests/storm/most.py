"""The most a current may be, by what the monitors say."""

import math

from tests.storm.book import CHARGE, Place
from tests.storm.known import Known
from tests.storm.memory import SECOND, curve_at


def most(known: Known, quantity: str) -> tuple[float, str]:
    """The most a current may be, and why."""
    cap, why = math.inf, ""
    book, turn_us = known.book, known.turn_us
    if len(known.books) > 1:
        return cap, why
    way = "charge" if quantity == CHARGE else "discharge"
    for bank, table in book.banks.items():
        if known.apart(bank) or (book.reduces and len(book.banks) > 1):
            continue
        whole = book.share(bank) if not any(known.apart(one) for one in book.banks) else 1.0
        curve = table.get(f"{way}_by_coldest_cell", book.limits.get(f"{way}_by_coldest_cell"))
        for name, give in (
            ("cell_temperature_min", curve),
            (f"{way}_current_permitted", None),
        ):
            track = known.memory.tracks.get(Place(bank, name, 0))
            if track is None or not track.recent:
                continue
            lag_us = known.lag_us(track)
            values = track.lately(turn_us - lag_us - round(2 * track.read.age_s * SECOND))
            if name.startswith("cell"):
                if give is None:
                    continue
                most = max(curve_at(give, value) for value in values) * table[f"{way}_current_a"]
            else:
                most = max(values)
            if turn_us - track.good_us <= track.read.age_s * SECOND and most / whole < cap:
                cap, why = most / whole, f"{name} of {bank} was {track.last}"
    return cap, why
