"""One moment of a charge, as the parts of the charge law see it."""

from typing import NamedTuple


class Moment(NamedTuple):
    """What is seen, believed and wanted now. V, A, Ohm and s; positive currents charge.

    Attributes:
        dt_s: since the last step.
        elapsed_s: since the last new readings, if these are new; else 0.
        high_v: highest cell.
        string_v, string_ohm: the whole string.
        room_v: what the string bears until its highest cell is at its target, by the practice of the trade.
        current_a: what flows; `None` if not known.
        blur_a: largest error of what is told of the current.
        wanted_a: current to which the limits are to lead.
        beyond_a: how much more than that the cells would bear.
        free: even a multiple of the most would take no cell to its target.
        spare_v: how far the highest cell is below where it may be.
        step_v: what a step of the voltage limit may do to one cell, and so the room it needs.
        worst_share: what of a change of the string's voltage the cell of most resistance takes.
        settle_s: time until a change is obeyed and seen.
        unseen_s: the part of it that is not the charger's.
    """

    dt_s: float
    elapsed_s: float
    high_v: float
    string_v: float
    string_ohm: float
    room_v: float
    current_a: float | None
    blur_a: float
    wanted_a: float
    beyond_a: float
    free: bool
    spare_v: float
    step_v: float
    worst_share: float
    settle_s: float
    unseen_s: float

    @property
    def amps(self) -> float:
        """What flows; 0 if not known."""
        return 0.0 if self.current_a is None else self.current_a
