"""The discharge law of one bank: current limit and voltage floor, each able to carry the pack alone.

Pure and deterministic: what it answers depends on the calls only. See README.md in this directory.
"""

from collections.abc import Sequence

from bridge.core.cells.reading_clock import ReadingClock
from bridge.core.draw.draw_cells import DrawCells
from bridge.core.draw.draw_current import DrawCurrent, allowed, margin_v
from bridge.core.draw.draw_floor import DrawFloor
from bridge.core.draw.draw_inverter import Inverter
from bridge.core.draw.draw_settings import DrawLearnt, DrawLimits, DrawSettings

__all__ = ["DrawLaw", "DrawLearnt", "DrawLimits", "DrawSettings"]

NEAR = 1.5
"""The law has a floor, and looks at the inverter, once less than this many times the most is allowed."""

LEAVE_S, FORGET_S = 600.0, 43_200.0
"""When the floor has been far for so long the law leaves it, and forgets what was seen of the inverter."""


class DrawLaw:
    """Current limit and floor of one string, step by step. Mutable; owned by one engine."""

    def __init__(self, settings: DrawSettings, learnt: DrawLearnt | None = None) -> None:
        self._settings = settings
        self.cells = DrawCells(settings, learnt.resistance if learnt else ())
        self.current = DrawCurrent(settings)
        self.inverter = Inverter(settings)
        self.floor = DrawFloor(settings)
        self._spare_v = settings.voltmeter_v
        self._near = self._closed = self._contradicted = False
        self._far_s = 0.0
        self._clock = ReadingClock(settings.delay_s)

    @property
    def idle(self) -> bool:
        """Nothing is limited, and the same readings would limit nothing later."""
        return not self._near and self.current.value >= self._settings.most_a

    @property
    def learnt(self) -> DrawLearnt:
        """What a restart need not lose."""
        return DrawLearnt(tuple(self.cells.learnt))

    def step(
        self,
        dt_s: float,
        cells_v: Sequence[float],
        pack_v: float | None,
        current_a: float | None,
        *,
        fresh: bool = True,
        age_s: float = 0.0,
        waited_s: float | None = None,
        coldest_c: float | None = None,
        sent_a: float,
    ) -> DrawLimits:
        """One step further.

        Args:
            dt_s: time since the last call, above 0.
            cells_v: all cells, or only the lowest.
            pack_v: the string; without it, and without all cells, there is no floor.
            current_a: positive charges; `None` if not known.
            fresh: whether the cells' readings came in since the last call.
            age_s: how long ago the oldest of them came in.
            waited_s: how old those before had become when these came; `None`: counted here.
            coldest_c: coldest cell; 25 °C if not known.
            sent_a: the current limit that went out last, which may be tighter than the law's own.
        """
        settings, cells = self._settings, self.cells
        elapsed = self._clock.advance(dt_s, fresh=fresh, age_s=age_s, waited_s=waited_s)
        if fresh:
            drawn_a = 0.0 if current_a is None else -current_a
            cells.update(cells_v, drawn_a, elapsed, 25.0 if coldest_c is None else coldest_c)
        unseen = self._clock.unseen_s
        horizon = unseen + 2.0 * settings.lag_s
        whole = len(cells_v) == settings.cells
        goal_v = settings.floor_v + margin_v(settings, cells.step_v)
        found = allowed(settings, cells, goal_v, horizon)
        limit_a = self.current.follow(found, cells, dt_s, fresh=fresh, known=current_a is not None)
        self._approach(found.amps, dt_s)
        inverter = self.inverter
        if self._near and current_a is not None:
            inverter.look(cells.drawn_a, sent_a, dt_s, elapsed, unseen)
        else:
            inverter.leave()
        string_v = sum(cells.volts) if whole else pack_v
        floor_v = None
        if self._near and string_v is not None:
            spare_v = settings.voltmeter_v
            self._closes(min(cells.levels))
            if not (inverter.ignores or self._closed):
                borne_a = min(max(found.amps, 0.0), settings.most_a)
                spare_v = -spare_v - self.floor.band_v - settings.cable_ohm * borne_a
            floor_v = self._floor(string_v, found.at_once_a, spare_v, dt_s)
        return DrawLimits(floor_v, limit_a, inverter.ignores and current_a is not None)

    def _approach(self, wanted_a: float, dt_s: float) -> None:
        """Whether the floor is near; forgets the inverter when it has been far for long."""
        if wanted_a < NEAR * self._settings.most_a:
            self._near, self._far_s = True, 0.0
            return
        self._far_s += dt_s
        if self._near and self._far_s > LEAVE_S:
            self._near = False
            self.floor = DrawFloor(self._settings)
        if self._far_s > FORGET_S:
            self.inverter = Inverter(self._settings)

    def _closes(self, low_v: float) -> None:
        """A cell at its floor ends it, whatever is obeyed, until it is charged or was never there."""
        if low_v <= self._settings.floor_v:
            self._closed = True
        elif low_v > self._settings.knee_v or self.current.contradicted:
            self._closed = False

    def _floor(self, string_v: float, at_once_a: float, spare_v: float, dt_s: float) -> float:
        settings, cells = self._settings, self.cells
        string_ohm = sum(cells.ohms) * settings.cells / len(cells.ohms)
        rest_v = string_v + string_ohm * cells.drawn_a
        goal_v = rest_v - string_ohm * at_once_a
        goal_v = min(goal_v + spare_v, rest_v + settings.voltmeter_v + settings.wire_v)
        # Once, when it is found: what is found stays for as long as the limit does not fall again.
        contradicted = self.current.contradicted
        at_once = (contradicted and not self._contradicted) or spare_v < 0.0 < self._spare_v
        self._spare_v, self._contradicted = spare_v, contradicted
        return self.floor.follow(goal_v, dt_s, at_once=at_once)
