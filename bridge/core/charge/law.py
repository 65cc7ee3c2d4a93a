"""The charge law of one bank, from its three parts. Pure and deterministic. See README.md here."""

import math
from collections.abc import Sequence

from bridge.core.cells.reading_clock import ReadingClock
from bridge.core.charge import constants as k
from bridge.core.charge.bound import Limit, bound_a, margin_v
from bridge.core.charge.cells import Cells
from bridge.core.charge.supervisor import Seen, State, Supervisor
from bridge.core.charge.voltage import Voltage, Wanted
from bridge.core.charging.charge_settings import NOTHING, ChargeLimits, ChargeSettings, Learnt


class PartsLaw:
    """Charge voltage and current of one string, step by step. Mutable; owned by one engine."""

    def __init__(self, settings: ChargeSettings, learnt: Learnt | None = None) -> None:
        kept = learnt or NOTHING
        self._settings = settings
        self.cells = Cells(settings, kept.ohms)
        self.limit = Limit(settings)
        self.supervisor = Supervisor(settings, State.IGNORES if kept.ignores else State.STARTING)
        if kept.lag_s is not None:
            self.supervisor.answer_s = max(settings.lag_s, min(kept.lag_s, k.MOST_ANSWER_S))
        self.voltage = Voltage(settings)
        self._clock = ReadingClock(settings.delay_s)
        self._bound_a = self._lasting_a = settings.most_a

    @property
    def idle(self) -> bool:
        """Nothing is limited, and the same readings would limit nothing later."""
        full = self.limit.exact_a >= self._settings.most_a and self._bound_a >= self._settings.most_a
        return full and self.supervisor.state is State.OBEYS and self.supervisor.longer_s == 0.0

    @property
    def learnt(self) -> Learnt | None:
        """What is worth keeping over a restart; `None` if nothing is."""
        if self.cells.doubt >= k.UNKNOWN and not self.supervisor.ignores:
            return None
        known = len(self.cells.factors) == self._settings.cells
        return Learnt(
            ohms=self.cells.factors if known else (),
            lag_s=self.supervisor.answer_s,
            ignores=self.supervisor.ignores,
        )

    @property
    def horizon_s(self) -> float:
        """The time until what is said now is obeyed and seen."""
        watch = self.supervisor
        return self._clock.unseen_s + k.ANSWERS * watch.answer_s + watch.longer_s

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
        del sent_v
        settings, cells, watch = self._settings, self.cells, self.supervisor
        elapsed = self._clock.advance(dt_s, fresh=fresh, age_s=age_s, waited_s=waited_s)
        unseen_s = self._clock.unseen_s
        if fresh:
            cold = 25.0 if coldest_c is None else coldest_c
            cells.update(cells_v, current_a or 0.0, elapsed, unseen_s=unseen_s, coldest_c=cold)
        goal_v = settings.target_v - margin_v(settings, cells)
        free = self._bound_a >= k.FREE * settings.most_a
        state = watch.update(Seen(dt_s, current_a, sent_a, unseen_s, free, self.voltage.powerless))
        bound = self._bound_a = bound_a(cells, goal_v, self.horizon_s)
        lasting = bound
        if self.limit.exact_a < min(bound, settings.most_a):
            lasting = bound_a(cells, goal_v, self.horizon_s + k.LOOK_AHEAD_S)
        amps = self.limit.follow(bound, lasting, current_a or 0.0, dt_s)
        volts = self._volts(dt_s, cells_v, pack_v, current_a)
        amps = min(amps, watch.cap_a)
        wire_a = settings.wire_a
        return ChargeLimits(
            volts,
            math.floor(amps / wire_a + 1e-6) * wire_a,
            watch.ignores,
            state is State.NEITHER,
            cells.contact,
            False,
            state is State.TRIED,
        )

    def _volts(
        self, dt_s: float, cells_v: Sequence[float], pack_v: float | None, current_a: float | None
    ) -> float:
        """The voltage limit, by what is believed of the current's."""
        settings, cells, voltage = self._settings, self.cells, self.voltage
        if not self.supervisor.ignores:
            return voltage.rest()
        if self.supervisor.state is State.NEITHER:
            return min(voltage.value_v, voltage.down_v(settings.cells * k.FOOT_V))
        ohm = sum(cells.ohms) * settings.cells / len(cells_v)
        rest_v = sum(cells.rests_v) * settings.cells / len(cells_v) + ohm * cells.slow_a
        if len(cells_v) < settings.cells and pack_v is not None:
            rest_v = pack_v - ohm * (current_a or 0.0)
        settle_s = self._clock.unseen_s + k.SETTLES * self.supervisor.answer_s
        spare_v = settings.target_v - max(cells_v)
        return voltage.carry(Wanted(dt_s, rest_v, ohm, self._bound_a, current_a, settle_s, spare_v))
