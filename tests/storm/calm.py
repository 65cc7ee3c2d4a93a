"""Once the storm has been over for the stated time it follows again, and limits are what they should be."""

from collections.abc import Iterator
from typing import NamedTuple

from tests.storm.barred import barred
from tests.storm.book import CHARGE, COLDEST_CHARGE_C, DRAW, LIMITS, Said
from tests.storm.known import Known
from tests.storm.memory import SECOND


class Odd(NamedTuple):
    """What may rightly hold limits back still, because of what was learnt of it.

    Attributes:
        cells: they did what no cell does.
        words: numbers that no pack says could be believed, or cells were cold; what was learnt then, such as
            the part of the current a bank takes, or a resistance, is unlearnt only while currents flow.
        current: a current was told that no limit allowed, or told still when none flowed any more: that is
            held against its direction for a minute.
        order: old readings came behind new ones: cells seemed to leap, which is held against charging for
            up to a minute.
    """

    cells: bool
    words: bool
    current: bool
    order: bool


def wrong(known: Known, t_us: int, odd: Odd) -> Iterator[str]:
    """What is not as it should be by now."""
    book = known.book
    for said in book.said:
        if said.carries_limits and said.wire != "?":
            for inverter in said.inverters:
                yield from _heard_lately(known, t_us, inverter, said)
    for quantity in (CHARGE, DRAW):
        expected, why = _expected(known, t_us, quantity, odd_words=odd.words)
        if odd.cells or odd.current or (odd.order and quantity == CHARGE):
            expected = 0.0
        got = sum(known.told[one, quantity].value for one in book.inverters if (one, quantity) in known.told)
        if got < expected:
            text = f"{quantity} is {got:g} at the end, expected {expected:g} or more ({why})"
            yield text


def _heard_lately(known: Known, t_us: int, inverter: str, said: Said) -> Iterator[str]:
    for quantity in said.quantities & set(LIMITS):
        told = known.told.get((inverter, quantity))
        if told is None or t_us - told.t_us > (3 * said.round_s + 1.0) * SECOND:
            ago = "never" if told is None else f"{(t_us - told.t_us) / SECOND:.1f} s ago"
            yield f"{inverter} was last told {quantity}: {ago}"


def _expected(known: Known, t_us: int, quantity: str, *, odd_words: bool) -> tuple[float, str]:
    """What a current should be again, at least; 0 where anything at all may speak against it."""
    book, cap = known.book, known.book.hard[quantity]
    if barred(known, t_us, quantity) is not None:
        return 0.0, ""
    if book.by_soc or (book.gentle and quantity == CHARGE):
        return 0.0, ""
    plain = book.chemistry == "lfp" and not odd_words
    for track in known.memory.tracks.values():
        place, value = track.read.place, track.last
        if place.owner not in book.banks:
            continue
        # A law that has seen a steady load only does not know the cells' resistance, and allows little.
        if place.quantity == "pack_current" and quantity == CHARGE:
            plain = plain and (value is None or value > -1.0)
        if value is None or (place.quantity == "bank_connected" and not value):
            return 0.0, ""
        for bar in track.bars:
            margin = 0.0 if "permission" in bar.name else 0.01
            if bar.bars == quantity and not bar.released(value + (margin if bar.upper else -margin)):
                return 0.0, ""
        if place.quantity.startswith("cell_voltage"):
            if not book.limits["cell_floor_v"] + 0.1 < value < book.limits["cell_target_v"] - 0.04:
                return 0.0, ""
            plain = plain and 3.2 < value < 3.37
        if place.quantity.startswith("cell_temperature"):
            plain = plain and 16.0 < value < 34.0
            if not COLDEST_CHARGE_C[book.chemistry] + 6.0 < value < 34.0:
                return 0.0, ""
    way = quantity.split("_")[0]
    parts = [table[f"{way}_current_a"] / book.share(n) for n, table in book.banks.items()]
    # Shares that are written out need not come to one, and one message may tell several the least of them.
    shares = [one.get(f"{way}_share", 1.0) for one in book.inverters.values()]
    told = min(1.0, min(shares) * len(shares))
    return (0.4 if plain else 0.001) * told * min(cap, *parts), "nothing speaks against it"
