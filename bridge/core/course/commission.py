"""Commissioning: a new pack of unknown state is brought to top balance, gently, and by itself to an end.

While it lasts the charge current is small, the shown state of charge stays in a window that keeps the
inverter from acting on a number nobody knows yet, and the pack is not taken from its target. It ends once the
cells, at their target and at a low current, have stayed together for a steady stretch, or at its stated end.
At a higher current the spread says more of the cells' resistances than of their charge. Of several banks each
must be there, with its highest cell at the target: of one that is not, nothing is known.
"""

from collections.abc import Sequence

from bridge.core.course.stage import Seen
from bridge.core.plan.reasons import Contribution, Reason
from bridge.core.plan.wishes import Commissioning


class Commission:
    """Commissioning over time. Mutable; owned by one engine.

    Attributes:
        until_us: its stated end, by which it is known.
        active: whether it lasts.
        progress: how it stands, for people; "" before anything is seen, and once it has ended.
        news: what is to be told now; "" for nothing. Holds for one step.
    """

    def __init__(self, wish: Commissioning) -> None:
        self._wish = wish
        self._bound = (Contribution(Reason.COMMISSIONING, wish.current_a, ""),)
        self._steady_us = 0
        self._told_us: int | None = None
        self._seen = "cells not seen yet"
        self.until_us = wish.until_us
        self.active = True
        self.progress = ""
        self.news = ""

    @property
    def charge(self) -> tuple[Contribution, ...]:
        """What it adds to the charge current."""
        return self._bound if self.active else ()

    def step(self, t_us: int, elapsed_us: int, seen: Seen | None, cells_v: Sequence[float] = ()) -> None:
        """Takes what is seen now; `None` while the pack is not trusted: only the stated end counts then.

        `cells_v`: all cells, V, for the count of those at their target; empty if not each is known.
        """
        self.news = ""
        if not self.active:
            return
        if seen is not None:
            self._look(elapsed_us, seen, cells_v)
        if self._steady_us >= self._wish.steady_us:
            self._end(f"done: {self._seen}")
        elif t_us >= self._wish.until_us:
            self._end(f"stated end reached: {self._seen}")
        elif self.progress and (self._told_us is None or t_us - self._told_us >= self._wish.tell_us):
            self._told_us = t_us
            self.news = self.progress

    def _look(self, elapsed_us: int, seen: Seen, cells_v: Sequence[float]) -> None:
        wish = self._wish
        there_v = wish.target_v - wish.near_v
        amps = "current not known" if seen.current_a is None else f"{seen.current_a:.1f} A"
        spread, wanted = f"{seen.spread_v * 1000:.0f} mV", f"{wish.within_v * 1000:.0f} mV"
        there = sum(cell_v >= there_v for cell_v in cells_v)
        count = f", {there} of {len(cells_v)} at their target" if cells_v else ""
        self._seen = f"cells within {spread}, wanted {wanted}{count}; {amps}"
        if seen.away:
            self._seen += f"; waits for {seen.away}"
        at_target = seen.reached_v >= there_v
        # Before the target a spread says nothing: on the plateau all cells look alike.
        of = " of the bank furthest back" if seen.reached_v < seen.high_v else ""
        way = f"highest cell{of} {seen.reached_v:.3f} V on its way to {wish.target_v:.3f} V; {amps}"
        self.progress = f"top balance: {self._seen if at_target else way}"
        low = seen.current_a is not None and seen.current_a <= wish.low_a
        even = at_target and low and not seen.away and seen.spread_v <= wish.within_v
        self._steady_us = self._steady_us + elapsed_us if even else 0

    def _end(self, text: str) -> None:
        self.active = False
        self.progress = ""
        self.news = f"top balance {text}"
