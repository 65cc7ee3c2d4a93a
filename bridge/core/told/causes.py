"""Flags by cause, each known or not: what fields of a receiver, one a cause, can truthfully be filled with.

Alarm and warning are kept apart (as in SunSpec models 802-805). An alarm: the cut-off of this cause has
tripped, the configured current is exceeded, or the data is lost. A warning: it is near, what was told is
exceeded, or data is late; it stays while the alarm is on. None flickers: voltages and temperatures have two
thresholds each, differences and currents must last as well. One bank in trouble is enough; that there is none
is said only if all that count are known.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Final

from bridge.core.bounds.shape import CutOff
from bridge.core.failsafe.machine import State
from bridge.core.limits.compose import FourLimits, Limits
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import SECOND_US, Bank, CurrentSide, Inverter, Plan
from bridge.core.wire.outgoing import FlagItem, QuantityItem
from bridge.quantities import CAUSES

NEAR, AWAY = 2.0, 3.0
"""A temperature is near its end, and away again, at so many times the release's distance (own choice)."""

TOGETHER: Final = 0.8
"""Cells count as together again at this share of the spread that counts as apart (own choice)."""

APART_US: Final = 30 * SECOND_US
"""So long they are apart before it is said, and together before it is taken back (own choice)."""

OVER_US: Final = 3 * SECOND_US
"""So long a current is too high before it is said, and not before it is taken back (own choice)."""

TOLERANCE: Final = 0.02
"""What a current sensor may be wrong by at its greatest, as a share of it (own choice)."""

NONE: Final[Mapping[str, float | None]] = MappingProxyType({})
"""No flag is sent."""

Known = bool | None


def _asked(plan: Plan) -> bool:
    """Whether any of the flags is sent; else none needs to be worked out."""
    return any(
        item.quantity in CAUSES
        for one in plan.transmissions
        for page in one.pages
        for item in page
        if isinstance(item, QuantityItem | FlagItem)
    )


class Causes:
    """All flags by cause over time. Mutable; owned by one engine. Works only if one of the flags is sent."""

    def __init__(self, plan: Plan, start_us: int) -> None:
        limits = plan.limits
        self._asked = _asked(plan)
        self._heard = any(inverter.heartbeat is not None for inverter in plan.inverters)
        over = [
            _nearing(b.charge.cell_trip_v, b.charge.cell_release_v, limits.cell_target_v) for b in plan.banks
        ]
        under = [
            _nearing(b.discharge.cell_trip_v, b.discharge.cell_release_v, limits.cell_floor_v)
            for b in plan.banks
        ]
        self._levels: dict[str, tuple[_Level, ...]] = {
            "cell_over_voltage": _levels(plan.banks, over, "charge cell", _high_v),
            "cell_under_voltage": _levels(plan.banks, under, "discharge cell", _low_v, "charge lost"),
        }
        for way in ("charge", "discharge"):
            sides = [bank.charge if way == "charge" else bank.discharge for bank in plan.banks]
            hot, cold = map(_hot, sides), map(_cold, sides)
            self._levels[f"{way}_over_temperature"] = _levels(plan.banks, hot, f"{way} hot", _hottest_c)
            self._levels[f"{way}_under_temperature"] = _levels(plan.banks, cold, f"{way} cold", _coldest_c)
        spread_v = limits.imbalance_v
        self._spreads = tuple(CutOff(spread_v, TOGETHER * spread_v) for _ in plan.banks)
        self._apart = _Lasting(APART_US)
        self._flows = (
            _Flow([b.charge for b in plan.banks], limits.charge_a, 1.0, start_us),
            _Flow([b.discharge for b in plan.banks], limits.discharge_a, -1.0, start_us),
        )

    @property
    def settled(self) -> bool:
        """Whether the same inputs would give the same flags, however much later."""
        return not self._asked or (self._apart.settled and all(flow.settled for flow in self._flows))

    def flags(
        self,
        t_us: int,
        state: State,
        readings: Sequence[Reading],
        active: Sequence[bool],
        told: FourLimits,
        known: Mapping[str, float],
        limits: Limits,
        gone: Collection[str],
        lost: Sequence[str],
        unheard: Sequence[Inverter],
    ) -> Mapping[str, float | None]:
        """Every flag by its name at `t_us`: 1 yes, 0 no, `None` not known. Nothing if none is sent.

        Args:
            t_us: now.
            state: the fail-safe state.
            readings: one for each bank.
            active: the banks that count.
            told: what the pack is bounded by.
            known: what the banks that count know together.
            limits: which cut-offs are tripped.
            gone: banks that are lost.
            lost: these, and readings that are lost and had bounded a limit.
            unheard: inverters that are not heard.
        """
        if not self._asked:
            return NONE
        tripped, current_a = limits.tripped, known.get("pack_current")
        rows = [reading if on else None for reading, on in zip(readings, active, strict=True)]
        found: dict[str, Known] = {}
        for cause, levels in self._levels.items():
            alarms, warnings = [], []
            for level, reading in zip(levels, rows, strict=True):
                if reading is not None:
                    alarm, warning = level.look(reading, tripped)
                    alarms.append(alarm)
                    warnings.append(warning)
            found[f"{cause}_alarm"], found[f"{cause}_warning"] = _any(alarms), _any(warnings)
        found["cell_imbalance_warning"] = self._apart.update(t_us, self._spread(rows))
        for way, flow, limit in zip(("charge", "discharge"), self._flows, told[1:3], strict=True):
            alarm, warning = flow.look(t_us, limit.value, current_a, rows)
            found[f"{way}_over_current_alarm"], found[f"{way}_over_current_warning"] = alarm, warning
        found["data_lost_alarm"] = state >= State.SAFE
        found["data_lost_warning"] = state >= State.HOLDING or len(lost) > len(gone)
        found["bank_lost_warning"] = bool(gone)
        found["inverter_silent_warning"] = bool(unheard) if self._heard else None
        return {name: None if known is None else float(known) for name, known in found.items()}

    def _spread(self, rows: Sequence[Reading | None]) -> Known:
        apart: list[Known] = []
        for spread, reading in zip(self._spreads, rows, strict=True):
            if reading is not None:
                low_v, high_v = reading.low_v, reading.high_v
                apart.append(None if low_v is None or high_v is None else spread.update(high_v - low_v))
        return _any(apart)


def _any(known: Sequence[Known]) -> Known:
    """Yes if any is; no only if all are known."""
    if any(known):
        return True
    return None if not known or None in known else False


# ── voltages and temperatures ───────────────────────────────────────────────────────────────────────────


def _high_v(reading: Reading) -> float | None:
    return reading.high_v


def _low_v(reading: Reading) -> float | None:
    return reading.low_v


def _hottest_c(reading: Reading) -> float | None:
    return reading.hottest_c


def _coldest_c(reading: Reading) -> float | None:
    return reading.coldest_c


def _nearing(trip_v: float, release_v: float, usual_v: float) -> CutOff:
    """From half way between where a cell usually ends and where it trips; else the cut-off's own."""
    if (trip_v - usual_v) * (trip_v - release_v) > 0.0:
        return CutOff((trip_v + usual_v) / 2, usual_v)
    return CutOff(trip_v, release_v)


def _hot(side: CurrentSide) -> CutOff:
    return CutOff(side.hottest_c - NEAR * side.release_c, side.hottest_c - AWAY * side.release_c)


def _cold(side: CurrentSide) -> CutOff:
    return CutOff(side.coldest_c + NEAR * side.release_c, side.coldest_c + AWAY * side.release_c)


class _Level:
    """One cause in one bank that a voltage or temperature brings about."""

    def __init__(
        self, cut_offs: tuple[str, ...], near: CutOff, pick: Callable[[Reading], float | None]
    ) -> None:
        self._cut_offs = cut_offs
        self._near = near
        self._pick = pick

    def look(self, reading: Reading, tripped: Collection[str]) -> tuple[Known, Known]:
        """Alarm and warning."""
        value = self._pick(reading)
        near = None if value is None else self._near.update(value)
        if any(name in tripped for name in self._cut_offs):
            return True, True
        return (None if value is None else False), near


def _levels(
    banks: Sequence[Bank],
    near: Iterable[CutOff],
    what: str,
    pick: Callable[[Reading], float | None],
    *more: str,
) -> tuple[_Level, ...]:
    rows = zip(banks, near, strict=True)
    return tuple(_Level(tuple(f"{bank.name} {one}" for one in (what, *more)), at, pick) for bank, at in rows)


# ── what must last ──────────────────────────────────────────────────────────────────────────────────────


class _Lasting:
    """A yes or no that changes only once the other has lasted. Not known at once, where it is not."""

    def __init__(self, lasts_us: int) -> None:
        self._lasts_us = lasts_us
        self._value: Known = None
        self._since_us: int | None = None

    @property
    def settled(self) -> bool:
        """Nothing is about to change."""
        return self._since_us is None

    def update(self, t_us: int, known: Known) -> Known:
        """What holds at `t_us`; from not known it is no at first."""
        if known is None:
            self._value = self._since_us = None
        else:
            self._value = bool(self._value)
            if known is self._value:
                self._since_us = None
            else:
                self._since_us = t_us if self._since_us is None else self._since_us
                if t_us - self._since_us >= self._lasts_us:
                    self._value, self._since_us = known, None
        return self._value


class _Flow:
    """Whether more flows one way than is configured (alarm), or than was told of late (warning)."""

    def __init__(self, sides: Sequence[CurrentSide], most_a: float, sign: float, start_us: int) -> None:
        self._sides = sides
        self._sign = sign
        self._most_a = most_a
        self._tolerance_a = TOLERANCE * most_a + sum(side.facts.current_zero_a for side in sides)
        # What the receivers make of a limit is seen once they obey and the reading is in.
        self._window_us = round(max(s.facts.delay_s + 3.0 * s.facts.lag_s for s in sides) * SECOND_US)
        # (when it was last told, limit), falling. What was told before the start is not known.
        self._told = [(start_us, float("inf"))]
        self._alarm, self._warning = _Lasting(OVER_US), _Lasting(OVER_US)

    @property
    def settled(self) -> bool:
        return self._alarm.settled and self._warning.settled and len(self._told) == 1

    def look(
        self, t_us: int, told_a: float, current_a: float | None, rows: Sequence[Reading | None]
    ) -> tuple[Known, Known]:
        """Alarm and warning at `t_us`, at which `told_a` is told."""
        told_a = self._greatest(t_us, told_a)
        flows_a = None if current_a is None else self._sign * current_a
        whole = None if flows_a is None else flows_a > self._most_a + self._tolerance_a
        alarm = self._alarm.update(t_us, _any([whole, *self._banks(rows)]))
        beyond = None if flows_a is None else flows_a > told_a + self._tolerance_a
        warning = self._warning.update(t_us, beyond)
        return alarm, (True if alarm else warning)

    def _banks(self, rows: Sequence[Reading | None]) -> list[Known]:
        return [
            None
            if reading.current_a is None
            else self._sign * reading.current_a > (1.0 + TOLERANCE) * side.max_a + side.facts.current_zero_a
            for side, reading in zip(self._sides, rows, strict=True)
            if reading is not None
        ]

    def _greatest(self, t_us: int, told_a: float) -> float:
        """The greatest limit that was in force within the window."""
        told = self._told
        last_a = told[-1][1]
        told[-1] = (t_us, last_a) if last_a != float("inf") else told[-1]
        while told and told[-1][1] <= told_a:
            told.pop()
        told.append((t_us, told_a))
        while told[0][0] < t_us - self._window_us:
            told.pop(0)
        return told[0][1]
