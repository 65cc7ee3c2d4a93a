"""The charge law of one bank: charge voltage and charge current, each able to carry the pack alone.

Pure and deterministic: what it answers depends on the calls only. See README.md in this directory.
"""

import math
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import replace

from bridge.core.cells.headroom import participation
from bridge.core.cells.reading_clock import ReadingClock
from bridge.core.charging.charge_cells import Cells
from bridge.core.charging.charge_current import (
    FREE,
    UNSURE,
    CurrentLimit,
    allowed_a,
    fades,
    lasting_a,
    margin_v,
)
from bridge.core.charging.charge_moment import Moment
from bridge.core.charging.charge_settings import NOTHING, ChargeLimits, ChargeSettings, Learnt
from bridge.core.charging.charge_voltage import VoltageLimit

__all__ = ["ChargeLaw", "ChargeLimits", "ChargeSettings", "Learnt"]

CURRENT_GAIN = 0.01
"""Largest error of the current sensor, as a share of what flows."""

DOUBT_V = 0.001
"""Room that a step up needs besides what it does to the worst cell."""

LASTING_S = 30.0
"""A rise leads no further than to what may still flow so much later, past the horizon."""

LEAST_WANTED_C = -0.18
"""Below zero the voltage is taken down below the string, by no more than this current would."""

UNKNOWN_V = 0.0012
"""Margin for not knowing which of the cells is the highest, and so neither its resistance nor its rise."""


class ChargeLaw:
    """Charge voltage and current of one string, step by step. Mutable; owned by one engine."""

    def __init__(self, settings: ChargeSettings, learnt: Learnt | None = None) -> None:
        self._settings = settings
        self.cells = Cells(settings, learnt or NOTHING)
        self.current = CurrentLimit(settings)
        self.first = CurrentLimit(replace(settings, rise_a_per_s=settings.most_a))
        self.voltage = VoltageLimit(settings, learnt or NOTHING)
        self._clock = ReadingClock(settings.delay_s)
        self.wanted_a = self._first_a = self._lasting_a = settings.most_a
        self._before: tuple[Cells, CurrentLimit, CurrentLimit, VoltageLimit] | None = None

    @property
    def idle(self) -> bool:
        """Nothing is limited, and the same readings would limit nothing later."""
        return self.voltage.idle and self.current.value >= self._settings.most_a

    @property
    def learnt(self) -> Learnt | None:
        """What is worth keeping over a restart; `None` if nothing is."""
        found = self.voltage.learnt._replace(ohms=self.cells.learnt)
        return None if found == NOTHING else found

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
        sent_v: float,
        sent_a: float,
    ) -> ChargeLimits:
        """One step further.

        Args:
            dt_s: time since the last call, above 0.
            cells_v: all cells, or only the lowest and the highest.
            pack_v: the string; needed if not all cells are known.
            current_a: positive charges; `None` if not known.
            fresh: whether the cells' readings came in since the last call.
            age_s: how long ago the oldest of them came in.
            waited_s: how old those before had become when these came; `None`: counted here.
            coldest_c: coldest cell; 25 °C if not known.
            sent_v, sent_a: the limits that went out last, which may be tighter than the law's own.
        """
        elapsed = self._clock.advance(dt_s, fresh=fresh, age_s=age_s, waited_s=waited_s)
        now = self._look(dt_s, elapsed, cells_v, pack_v, current_a, fresh=fresh, coldest_c=coldest_c)
        voltage, cells = self.voltage, self.cells
        limit_v = voltage.follow(now, sent_v, sent_a)
        charger = voltage.charger
        limit_a = self.current.follow(
            self.wanted_a,
            now.current_a,
            dt_s,
            lasting_a=self._lasting_a,
            heeded=not charger.unfelt,
            passes_a=charger.passes_a(now, self.current.value),
        )
        first_a = self.first.follow(
            self._first_a, now.current_a, dt_s, passes_a=charger.passes_a(now, self.first.value)
        )
        least_a = min(limit_a, first_a)
        return ChargeLimits(
            limit_v,
            min(least_a, charger.test_a),
            charger.ignores,
            voltage.seek.voltage_ignored,
            cells.contact,
            voltage.seek.tests,
            charger.test_a < least_a,
        )

    def _look(
        self,
        dt_s: float,
        elapsed: float,
        cells_v: Sequence[float],
        pack_v: float | None,
        current_a: float | None,
        *,
        fresh: bool,
        coldest_c: float | None,
    ) -> Moment:
        """Updates the estimates and the current that is wanted."""
        settings, cells = self._settings, self.cells
        if fresh:
            self._weigh(cells_v, current_a or 0.0)
            cells = self.cells
            cells.update(cells_v, current_a or 0.0, elapsed, 25.0 if coldest_c is None else coldest_c)
        unseen = self._clock.unseen_s
        horizon = unseen + self.voltage.charger.answer_s
        whole = len(cells_v) == settings.cells
        goal_v = settings.target_v - margin_v(settings, cells) - (0.0 if whole else UNKNOWN_V)
        self.wanted_a = leads_a = allowed_a(settings, cells, goal_v, horizon)
        in_doubt = current_a is not None and cells.doubt > UNSURE
        self._first_a = (
            allowed_a(settings, cells, goal_v, horizon, doubt_ohm=cells.doubt_ohm) if in_doubt else math.inf
        )
        self._lasting_a = self.wanted_a
        if self.current.may_rise(self.wanted_a):
            self._lasting_a = lasting_a(settings, cells, goal_v, horizon + LASTING_S)
        charger = self.voltage.charger
        if charger.unfelt:
            fade = fades(settings, cells, horizon - (charger.known_lag_s or settings.lag_s))
            leads_a = allowed_a(settings, cells, goal_v, horizon, fade=fade)
        high_v = max(cells_v)
        string_v = sum(cells.volts) if whole or pack_v is None else pack_v
        string_ohm = sum(cells.ohms) * settings.cells / len(cells_v)
        worst_share = max(cells.ohms) / string_ohm
        most_a = settings.most_a + 2.0 * settings.wire_v / string_ohm
        return Moment(
            dt_s=dt_s,
            elapsed_s=elapsed,
            high_v=high_v,
            string_v=string_v,
            string_ohm=string_ohm,
            room_v=self._room_v(cells.volts, string_v, max(cells.volts)),
            current_a=current_a,
            blur_a=settings.current_zero_a + CURRENT_GAIN * (current_a or 0.0),
            wanted_a=min(max(leads_a, LEAST_WANTED_C * settings.capacity_ah), most_a),
            beyond_a=max(self.wanted_a - most_a, 0.0),
            free=self.wanted_a >= FREE * settings.most_a,
            spare_v=goal_v - max(cells.highs),
            step_v=DOUBT_V + settings.wire_v * worst_share,
            worst_share=worst_share,
            settle_s=unseen + 2.0 * settings.lag_s,
            unseen_s=unseen,
        )

    def _weigh(self, cells_v: Sequence[float], current_a: float) -> None:
        """Readings far from the last count at once, but are forgotten if the next contradict them."""
        before = self._before
        self._before = None
        if before is not None and not before[0].far(cells_v, current_a):
            self.cells, self.current, self.first, self.voltage = before
        elif before is None and self.cells.far(cells_v, current_a):
            self._before = deepcopy((self.cells, self.current, self.first, self.voltage))

    def _room_v(self, cells_v: Sequence[float], string_v: float, high_v: float) -> float:
        """What the string bears until its highest cell is at its target, by the practice of the trade."""
        settings = self._settings
        room = settings.target_v - high_v
        if high_v <= settings.knee_v:
            return settings.cells * room
        if len(cells_v) == settings.cells:
            return participation(cells_v, high_v, settings.knee_v) * room
        rest_v = (string_v - high_v) / (settings.cells - 1)
        share = min(max((rest_v - settings.knee_v) / (high_v - settings.knee_v), 0.0), 1.0)
        return (1.0 + (settings.cells - 1) * share) * room
