"""When nothing is to be sent any more, for certain, so that the inverter's own time-out acts."""

from tests.storm.known import RIVAL_QUIET_S, Known
from tests.storm.memory import NEVER_US, SECOND


def all_lost(known: Known, t_us: int) -> bool:
    """Whether the pack's data has been lost for longer than the stated time."""
    book, reasons = known.book, []
    # Against somebody else who tells the inverters limits, zeros go on; silence counts from their end.
    quiet_s = (t_us - known.rival_us[1]) / SECOND
    if quiet_s <= RIVAL_QUIET_S + book.hold_s + book.silent_s + 2 * book.react_s:
        return False
    for bank in book.banks:
        if known.left_out(bank):
            continue
        if known.apart(bank):
            return False
        tracks = [known.memory.tracks[read.place] for read in book.required[bank]]
        reasons.append(
            any(
                one.good_us != NEVER_US
                and (known.turn_us - one.good_us) / SECOND
                > one.read.age_s + book.hold_s + book.silent_s + 2 * book.react_s
                for one in tracks
            )
        )
    return bool(reasons) and (all(reasons) if book.reduces else any(reasons))
