"""The discharge current limit: what takes no cell below its floor before the law can act again.

With D the current drawn, v a cell's voltage, R its resistance within seconds, s = de/dQ how fast it falls
with the charge drawn, and t the time until a new limit is obeyed and seen, a load that steps to D' leads to

    v + R·D - R·(1 + sqrt(t / T))·D' - s·D'·t = floor + margin

and the lowest D' of all cells is the limit (T: see `draw_cells`). The sag of going from any current to the
limit is in it, so a load may step up to it; and v + R·D = e does not change when the load does, nor does D'.

A cell that has sagged for minutes recovers when the load goes, and that must not bring the load back (it
would pump). Within the time τ it gives back no more than diffusion took, R·D·sqrt(τ / T), so D' grows by no
more than D·sqrt(τ / T). The limit therefore stays where it fell to until

  - charge has gone in;
  - or more has come back than recovery gives, reading after reading: what was shown before was wrong;
  - or it has stood for long, and there is enough for a rise that is worth it.
"""

import math
from typing import NamedTuple

from bridge.core.draw.draw_cells import DIFFUSION_S, E_FOLD, DrawCells
from bridge.core.draw.draw_settings import DrawSettings

BLUR = 0.5
"""Share of the step of the sensors that widens the margin."""

DOUBT_V = 0.0006
"""Margin for what the law does not know, besides the sensors."""

WORTH = 0.04
"""A rise by less than this share of the most is not worth a change."""

CHARGED = 0.005
"""Share of charge that, gone in, lets the limit go up again."""

HOLD_S = 1200.0
"""So long the limit stands where it fell to, though the cells recover: four slow time constants of 300 s."""

AGAINST = 3
"""Readings in a row that must contradict what the limit fell for."""

RECENT_S = 600.0
"""The largest current drawn before the limit fell is forgotten over this time."""

FAR_A = 1e5


def margin_v(settings: DrawSettings, step_v: float) -> float:
    """How far above its floor the level of the lowest cell is to stand, V."""
    return settings.sensor_offset_v + BLUR * step_v + DOUBT_V


class Allowed(NamedTuple):
    """What the first cell to reach its floor allows.

    Attributes:
        amps: the largest current; negative if the cell is below.
        at_once_a: the current whose sag alone would take the cell there, but for what it falls meanwhile.
        cell: its index.
    """

    amps: float
    at_once_a: float
    cell: int


def allowed(settings: DrawSettings, cells: DrawCells, goal_v: float, horizon_s: float) -> Allowed:
    """What keeps every cell above `goal_v` for `horizon_s`."""
    drawn_a, most_a = cells.drawn_a, settings.most_a
    grows = 1.0 + cells.diffusion * math.sqrt(horizon_s / DIFFUSION_S)
    top_v = 2.0 * settings.knee_v - settings.floor_v
    curve = 1.0 / (E_FOLD * 3600.0 * settings.capacity_ah)
    least, at_once, cell = FAR_A, FAR_A, 0
    for i, (volt, ohm, slope) in enumerate(zip(cells.levels, cells.ohms, cells.slopes, strict=True)):
        rest_v = volt + ohm * drawn_a
        room = rest_v - goal_v
        if room > 0.0:
            model = curve * (top_v - rest_v)
            fall = horizon_s * (slope if slope > model else model)
            amps = room / (ohm * grows + fall)
            if amps < least:
                least, cell = amps, i
                at_once = (room - fall * (amps if amps < most_a else most_a)) / ohm
        elif room / ohm < least:
            least = at_once = room / ohm
            cell = i
    return Allowed(max(least, -FAR_A), max(at_once, -FAR_A), cell)


class DrawCurrent:
    """The limit over time: down at once, up only for one of the reasons above.

    Attributes:
        exact: the limit, A.
        value: the same on the wire's grid.
        contradicted: what it fell for last has turned out to be wrong.
    """

    def __init__(self, settings: DrawSettings) -> None:
        self._settings = settings
        self._cell = self._count = 0
        self._rest_v = 0.0
        self._fell_a = 0.0
        self._since_s = 0.0
        self._recent_a = self._gives_a = 0.0
        self._charged_as = 0.0
        self._against = 0
        self._rising = False
        self.exact = settings.most_a
        self.value = settings.most_a
        self.contradicted = False

    def follow(self, found: Allowed, cells: DrawCells, dt_s: float, *, fresh: bool, known: bool) -> float:
        """Moves towards what is allowed, within 0 and the most; returns the limit on the wire's grid.

        Args:
            found: what is allowed.
            cells: what it was found for.
            dt_s: since the last step.
            fresh: whether the readings are new.
            known: whether the current is; if not, any up to the most may have come or gone.
        """
        settings = self._settings
        unseen_a = 0.0 if known else settings.most_a
        drawn_a = max(cells.drawn_a, unseen_a)
        self._recent_a = max(drawn_a, self._recent_a * (1.0 - dt_s / RECENT_S))
        self._gives_a = max(drawn_a, self._gives_a)
        self._charged_as = max(self._charged_as - cells.drawn_a * dt_s, 0.0)
        wanted = min(max(found.amps, 0.0), settings.most_a)
        if wanted <= self.exact:
            self.exact = wanted
            self._cell, self._rest_v, self._fell_a = found.cell, _rest_v(cells, found.cell), cells.drawn_a
            self._count = len(cells.volts)
            self._gives_a = self._recent_a
            self._since_s = self._charged_as = 0.0
            self._against = 0
            self._rising = self.contradicted = False
        else:
            self._since_s += dt_s
            if fresh:
                self._judge(cells, unseen_a)
            worth = wanted - self.exact >= WORTH * settings.most_a
            if self._rising or (worth and self._free):
                self._rising = True
                self.exact = min(wanted, self.exact + settings.rise_a_per_s * dt_s)
        self.value = int(self.exact / settings.wire_a + 1e-6) * settings.wire_a
        return self.value

    def _judge(self, cells: DrawCells, unseen_a: float) -> None:
        """Whether the cell that the limit fell for can have recovered so far; `unseen_a` may have gone."""
        if len(cells.volts) == self._count:
            ohm, rest_v = cells.ohms[self._cell], _rest_v(cells, self._cell)
        elif self._count == 1:  # it fell for the lowest, whichever that was; now all are known
            ohm, rest_v = max(cells.ohms), min(_rest_v(cells, cell) for cell in range(len(cells.volts)))
        else:
            return
        given_v = ohm * self._gives_a * cells.diffusion * math.sqrt(self._since_s / DIFFUSION_S)
        # Of two currents, what a resistance that is not well known makes of their difference counts, too.
        noise_v = 2.0 * (cells.step_v + self._settings.sensor_offset_v)
        noise_v += ohm * max(abs(cells.drawn_a - self._fell_a), unseen_a)
        more = rest_v - self._rest_v > given_v + noise_v
        self._against = self._against + 1 if more else 0
        self.contradicted = self.contradicted or self._against >= AGAINST

    @property
    def _free(self) -> bool:
        charged = self._charged_as >= CHARGED * 3600.0 * self._settings.capacity_ah
        return self.contradicted or charged or self._since_s >= HOLD_S


def _rest_v(cells: DrawCells, cell: int) -> float:
    """What the cell shows without current."""
    return cells.volts[cell] + cells.ohms[cell] * cells.drawn_a
