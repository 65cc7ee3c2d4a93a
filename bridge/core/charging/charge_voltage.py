"""The charge voltage limit: what leads to the current that is allowed, if nothing else limits it.

With e the voltage of the string at rest, R its resistance, I' the current that no cell is taken too far by
(see `charge_current`) and b the offset of the charger (see `charge_offset`), the charger gives I' when sent

    W = e + R·I' + b(I')

e = V - R·I and I' do not change while the current does, so a charger on its way moves nothing. The limit
is held while it lies within a band below W that is wider than a step on the wire; it goes down at once
and up one step at a time. A voltage that is held takes the current back by itself as the cells rise; so
where the current limit gives no answer, I' may begin the higher (see `fades`). Once the charger has been
seen to obey the current limit, that is the finer of the two, and the band lies above W instead. As long
as b is not known, the limit is not above what the practice of the trade allows (see `headroom`).
"""

from bridge.core.charging.charge_charger import Charger
from bridge.core.charging.charge_moment import Moment
from bridge.core.charging.charge_seek import FLOWS_C, Seek, Stage
from bridge.core.charging.charge_settings import ChargeSettings, Learnt

BLEND_V = 0.040
"""Width, above the knee, of the passage from the ceiling to the law."""

FORGET_BELOW_V, FORGET_S = 0.05, 600.0
"""What was learnt of the charger is forgotten this far below the knee, or below it with room for far more
than the most, after so long."""

OBEYED_V = (0.04, 0.26)
"""Band around W once the current limit is obeyed."""

ALONE_V = (-0.11, 0.005)
"""Band around W while the voltage limit may have to carry the pack alone: wider than a step on the wire."""

ABOVE_V = 0.001_25
"""Once the current limit has given no answer, the voltage may stand above W by what takes the worst cell this
much nearer to its target: steps of the voltage are the finest there is then, and rounding down costs more."""

IGNORED_V = (-0.14, 0.3)
"""Band around W when the voltage limit is ignored: it only should not move."""

STEADY_S = 4.0

SOURCE_V = 0.2
"""The source is what limits where the string stands so much lower than the voltage, less a known b."""

FAR, BEYOND = 0.1, 0.5
"""From there W is only known to this share of the way to it, and what the cells bear beyond the most, up to
this share of that, need not be taken from the voltage: what clouds do to W is nothing to follow."""


class VoltageLimit:
    """The limit over time. Mutable; owned by one law.

    Attributes:
        value: the limit, V, on the wire's grid.
        charger, seek: what is known of the charger.
    """

    def __init__(self, settings: ChargeSettings, learnt: Learnt) -> None:
        self._settings = settings
        self.value = self._grid(settings.ceiling_v)
        self._begin(learnt)

    def _begin(self, learnt: Learnt) -> None:
        self.charger = Charger(self._settings, learnt)
        self.seek = Seek(self._settings, learnt)
        self._share = 0.0
        self._below_s = 0.0
        self._steady_s = 0.0

    @property
    def idle(self) -> bool:
        """The knee has not been entered."""
        return self._share == 0.0

    @property
    def learnt(self) -> Learnt:
        """What is known of the charger."""
        charger, offset = self.charger, self.seek.known
        return Learnt((), *offset, charger.known_lag_s, charger.ignores)

    def _grid(self, volts: float) -> float:
        step = self._settings.wire_v
        return int(max(volts, 0.0) / step + 1e-6) * step  # absurd readings can ask for less than nothing

    def follow(self, now: Moment, sent_v: float, sent_a: float) -> float:
        """One step further: the limit.

        Args:
            now: what is seen.
            sent_v, sent_a: limits that went out last.
        """
        self._enter(now)
        ceiling_v = self._settings.ceiling_v
        if self._share == 0.0:
            self._move((ceiling_v, ceiling_v), now.dt_s, rises=True)
            return self.value
        charger, seek = self.charger, self.seek
        charger.remember(sent_v, sent_a, now)
        if now.elapsed_s and now.current_a is not None:
            charger.judge(now)
        seek.step(now, charger, self.value, self._steady_s)
        goal = self._goal(now)
        if seek.voltage_ignored:
            self._move(_band(goal, IGNORED_V), now.dt_s, rises=now.spare_v > 0.0)
        elif seek.tries:
            self._steady_s += now.dt_s
        elif seek.held_v is not None and now.spare_v > 0.0:
            self._move((seek.held_v, seek.held_v), now.dt_s, rises=True)
        elif charger.obeys and not charger.ignores and seek.offset.verified:
            low_v, high_v = _band(goal, OBEYED_V)
            # Under a cloud the string sinks, and W with it, until the sun is back: nothing to follow.
            high_v += now.string_ohm * now.beyond_a
            self._move((low_v, high_v if charger.felt(now) else ceiling_v), now.dt_s, rises=True)
        else:
            self._alone(now, goal, sent_v)
        return self.value

    def _alone(self, now: Moment, goal: float, sent_v: float) -> None:
        """The voltage limit may have to carry the pack; where the source is what limits, it waits for it."""
        offset = self.seek.offset
        rises = now.spare_v > now.step_v and self._steady_s + now.dt_s >= STEADY_S
        low, high = ALONE_V
        if self.charger.unfelt:
            high += ABOVE_V / now.worst_share
            if offset.verified and sent_v - now.string_v - offset.at(now.amps) > SOURCE_V:
                way_a = max(now.wanted_a - now.amps, 0.0)
                beyond_a = min(now.beyond_a, BEYOND * self._settings.most_a)
                high += now.string_ohm * (FAR * way_a + beyond_a)
                rises = False
        self._move(_band(goal, (low, high)), now.dt_s, rises=rises)

    def _goal(self, now: Moment) -> float:
        """W, or what stands for it while the current or the offset is not known."""
        seek, ceiling_v = self.seek, self._settings.ceiling_v
        b = 0.0 if seek.voltage_ignored else seek.offset.at(now.wanted_a)
        goal = now.string_v + now.string_ohm * (now.wanted_a - now.amps) + b
        if now.current_a is None:
            goal = now.string_v + now.room_v + b + 0.05
        elif not seek.offset.verified and now.wanted_a > now.amps:
            goal = min(goal, now.string_v + max(now.room_v, 0.0) + b)
        elif not seek.offset.verified and now.amps < FLOWS_C * self._settings.capacity_ah:
            goal = now.string_v + now.room_v
        goal = ceiling_v + self._share * (min(goal, ceiling_v) - ceiling_v)
        if seek.stage is Stage.DOWN:
            goal = min(goal, seek.down_v)
        elif seek.stage is Stage.SETTLING:
            goal = min(goal, self.value)
        return goal

    def _enter(self, now: Moment) -> None:
        """The knee is entered smoothly, and left only after a long time well below it."""
        knee_v = self._settings.knee_v
        x = min(max((now.high_v - knee_v) / BLEND_V, 0.0), 1.0)
        self._share = 1.0 if self.seek.offset.verified else max(self._share, x * x * (3.0 - 2.0 * x))
        # A current that wrong learning holds down may lift the cells far enough to keep it: see `free`.
        bottom_v = knee_v if now.free else knee_v - FORGET_BELOW_V
        self._below_s = self._below_s + now.dt_s if now.high_v < bottom_v else 0.0
        if self._below_s > FORGET_S:
            self._begin(self.learnt._replace(ignores=False))

    def _move(self, band_v: tuple[float, float], dt_s: float, *, rises: bool) -> None:
        """Keeps the limit within a band: down at once, up by one step where it may rise."""
        step = self._settings.wire_v
        top = min(band_v[1], self._settings.ceiling_v)
        self._steady_s += dt_s
        if self.value > top + 1e-9:
            self.value = self._grid(top)
            self._steady_s = 0.0
        elif rises and self.value < min(band_v[0], top - step + 1e-6):
            self.value = self._grid(self.value + 1.1 * step)
            self._steady_s = 0.0


def _band(around_v: float, edges_v: tuple[float, float]) -> tuple[float, float]:
    return around_v + edges_v[0], around_v + edges_v[1]
