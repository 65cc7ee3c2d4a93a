"""Planted defects: programs wrong in one place, each of a kind that was seen. A storm must find them.

Each takes `put(owner, name, value)`, see `put`.
"""

from collections.abc import Callable
from typing import Final

from tests.storm.defects import data, kept, limits, process
from tests.storm.defects.put import Put

__all__ = ["DEFECTS", "Put"]

DEFECTS: Final[dict[str, tuple[Callable[[Put], None], frozenset[str]]]] = {
    one.__name__.replace("_", " "): (one, frozenset(shown_by.split(", ")) - {""})
    for one, shown_by in (
        (process.journal_raises, "seam journal, trap journal"),
        (process.journal_waits, "seam journal, trap journal"),
        (process.dies_without_zeros, "trap send, trap wait, trap any"),
        (process.zeros_on_the_first_bus_only, "trap send, trap wait, trap any"),
        (process.stops_without_zeros, "stop"),
        (process.says_all_is_well, "stop"),
        (process.dies_of_a_bad_profile, "bad reload"),
        (process.dies_of_a_full_queue, "bus full"),
        (process.no_life_while_the_bus_is_down, "bus down, bus full"),
        (process.stall_ignored, "stall, trap"),
        (process.stands_still_for_the_disk, "seam disk"),
        (kept.caps_forgotten, "kill, stop, trap"),
        (kept.cut_offs_forgotten, "kill, stop, trap"),
        (kept.state_written_late, "kill, trap"),
        (kept.begins_where_it_was, "kill, stop, trap"),
        (data.never_too_old, "says, bank silent, bus down"),
        (data.one_vouches_for_another, "says"),
        (data.refused_counts_as_fresh, "says"),
        (data.frozen_counter_accepted, "says"),
        (data.checksum_ignored, "says"),
        (data.everything_is_believed, "says, beyond"),
        (data.holds_for_ever, "says, bank silent, bus down"),
        (data.trusts_at_once, ""),
        (data.silent_is_not_silent, "says, bank silent, bus down"),
        (data.dead_inverter_ignored, "inverter dead, says, bus down"),
        (limits.cold_ignored, "cold, cold back, hot"),
        (limits.permission_ignored, "deny"),
        (limits.cut_off_without_hysteresis, "cell, cold, cold back, hot"),
        (limits.rises_too_fast, ""),
        (limits.falls_slowly, "cell, cold, cold back, hot, deny"),
        (limits.rounds_up, ""),
        (limits.allowed_lags, "cold, cold back, cell, deny, says, bank silent"),
        (limits.lost_bank_loosens, "bank silent, says"),
        (limits.wish_ignored, "reload"),
        (kept.sums_not_shared, ""),
        (kept.rivals_ignored, "rival"),
        (kept.twins_ignored, "twin"),
        (kept.profile_taken_late, "reload"),
    )
}
"""All of them by their names, with the faults without which nobody could see them; none: at any time."""
