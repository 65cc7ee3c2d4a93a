"""What the person wishes of the course of a charge."""

from typing import NamedTuple


class Stages(NamedTuple):
    """What the person wishes of the stages. Voltages of a cell in V unless said otherwise; times in µs.

    Attributes:
        cells: cells in series.
        target_v: what the highest cell may reach.
        within_v: the highest cell counts as at its target from this far below.
        hold_us: absorption ends after this long at the target.
        tail_a: absorption ends when the pack's current is at most this, A.
        rest_v: charge voltage of the pack afterwards.
        restart_soc: charging starts again below this state of charge, %; by the mean cell while not known.
        restart_low_v, restart_mean_v: or with the lowest, or the mean, cell below this.
        usual_v: target between full charges.
        full_every_us: a full charge is due after this long.
        balance_within_v: the pack is held at the target while cells differ by more than this.
        balance_us: and for no longer than this.
        full_soc: 100 % is shown only while the pack is full.
    """

    cells: int
    target_v: float
    within_v: float
    hold_us: int
    tail_a: float | None
    rest_v: float
    restart_soc: float | None
    restart_low_v: float | None
    restart_mean_v: float | None
    usual_v: float | None
    full_every_us: int | None
    balance_within_v: float | None
    balance_us: int
    full_soc: bool


class Commissioning(NamedTuple):
    """What the person wishes of it. Times in µs, cell voltages in V.

    Attributes:
        until_us: engine time of its end.
        current_a: most the pack is charged with meanwhile, A.
        target_v: what the highest cell is brought to.
        near_v: it counts as there from this far below.
        within_v: wanted spread of all cells.
        low_a: the spread counts at this current or less, A.
        steady_us: and for so long without a break.
        tell_us: progress is told this often.
        window: shown state of charge stays between these, %; `None`: no window.
    """

    until_us: int
    current_a: float
    target_v: float
    near_v: float
    within_v: float
    low_a: float
    steady_us: int
    tell_us: int
    window: tuple[float, float] | None
