"""What the inverters themselves report: shown, told when it comes and goes, and compared.

With the pack's own sensors: the voltage at an inverter's terminals differs from the pack's by what falls off
along the cables, and by the error of its voltmeter; the sum of all currents differs from the pack's by what
other devices on the bars take or give. With what it was told: what an inverter understood is one of the last
numbers it was sent, or the step below. What differs by more, and lasts, is a warning with figures.
"""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final, NamedTuple

from bridge.core.failsafe.machine import State
from bridge.core.pack.state import PackState, Reading
from bridge.core.plan.plan import Inverter, Plan
from bridge.core.wire.outgoing import QuantityItem

PATIENCE_US: Final = 10_000_000
"""What differs is told when it has lasted so long: an inverter answers late, and is not read at one instant
with the pack (own choice)."""

SHARE: Final = 0.02
"""What an inverter says of a limit may be rounded by so much of the largest there is (own choice)."""

CURRENT_SHARE: Final = 0.05
"""Two sensors of a current may differ by so much of the largest there is (common practice, no source: that of
an inverter is right to a few per cent)."""

NEWS: Final = 0.3
"""A figure is told anew when it has changed by this share of what was told (own choice)."""

UNDERSTOOD: Final = {
    "inverter_charge_voltage_limit": "charge_voltage_limit",
    "inverter_charge_current_limit": "charge_current_limit",
    "inverter_discharge_current_limit": "discharge_current_limit",
    "inverter_discharge_voltage_floor": "discharge_voltage_floor",
}
"""A limit as an inverter understood it, and the limit that it was told."""

IN_WORDS: Final = {
    "charge_voltage_limit": ("charge to", "V", 2),
    "charge_current_limit": ("charge with", "A", 1),
    "discharge_current_limit": ("draw", "A", 1),
    "discharge_voltage_floor": ("draw down to", "V", 2),
}


TURNED: Final = "the sign of one of them looks wrong (a negative scale in the profile turns it round)"
ELSEWHERE: Final = "something else on the bars charges or draws, or one of them is wrong"


class Report(NamedTuple):
    """What one inverter reports now, by quantity; `None` where that is too old, or was never seen."""

    inverter: str
    values: Mapping[str, float | None]


class _Span:
    """The lowest and highest of what was told lately: over the last `PATIENCE_US` to twice that."""

    __slots__ = ("_before", "_now", "_since_us")

    def __init__(self, t_us: int, value: float) -> None:
        self._since_us = t_us
        self._before = self._now = (value, value)

    def add(self, t_us: int, value: float) -> None:
        if t_us - self._since_us >= PATIENCE_US:
            self._since_us, self._before, self._now = t_us, self._now, (value, value)
        low, high = self._now
        if not low <= value <= high:
            self._now = min(low, value), max(high, value)

    @property
    def ends(self) -> tuple[float, float]:
        return min(self._before[0], self._now[0]), max(self._before[1], self._now[1])


class _Lasting:
    """What lasts, and the figure that was told of it: a text does not change with every reading."""

    def __init__(self) -> None:
        self._since: dict[object, int] = {}
        self._told: dict[object, tuple[float, str]] = {}

    def text(self, key: object, t_us: int, gap: float | None, text: str) -> str | None:
        """The text for what differs by `gap` (`None`: it does not), once it has lasted."""
        if gap is None:
            self._since.pop(key, None)
            self._told.pop(key, None)
            return None
        if t_us - self._since.setdefault(key, t_us) < PATIENCE_US:
            return None
        told = self._told.get(key)
        if told is None or abs(told[0] - gap) > NEWS * abs(told[0]):
            self._told[key] = told = gap, text
        return told[1]


class Reports:
    """All inverters that report more than a sign of life. Mutable; owned by one engine.

    Attributes:
        now: what all report.
    """

    def __init__(self, plan: Plan, pack: PackState) -> None:
        self._plan = plan
        self._pack = pack
        self._cap_a = max(plan.limits.charge_a, plan.limits.discharge_a)
        self._blur_a = CURRENT_SHARE * self._cap_a + sum(
            bank.charge.facts.current_zero_a for bank in plan.banks
        )
        self._blur_a += plan.other_devices_a
        self._mine = [
            one for one in plan.inverters if any(name != "inverter_heartbeat" for name in one.slots)
        ]
        self._steps = [_steps(plan, one) for one in self._mine]
        self._told: list[dict[str, _Span]] = [{} for _ in self._mine]
        self._lasting = _Lasting()
        self._speaks: dict[str, bool] = {}
        self._news: list[tuple[str, str]] = []
        self.now: tuple[Report, ...] = ()

    def look(
        self, t_us: int, state: State, readings: Sequence[Reading], active: Sequence[bool]
    ) -> tuple[str, ...]:
        """Takes what all report at `t_us`; returns what a person should look at, a sentence each."""
        found = tuple(Report(one.name, self._values(one, t_us)) for one in self._mine)
        self.now = found = self.now if found == self.now else found
        warnings: list[str | None] = []
        packs_v = [
            reading.pack_v
            for reading, on in zip(readings, active, strict=True)
            if on and reading.pack_v is not None and state is State.FOLLOWING
        ]
        for n, (one, report) in enumerate(zip(self._mine, found, strict=True)):
            self._tell(one, report)
            if report.values.get("inverter_fault"):
                warnings.append(f"inverter {one.name} reports a fault")
            if report.values.get("inverter_warning"):
                warnings.append(f"inverter {one.name} reports a warning")
            warnings.append(self._voltage(t_us, one, report, packs_v))
            warnings += [self._limit(t_us, n, report, name) for name in UNDERSTOOD if name in report.values]
        warnings.append(self._current(t_us, found, readings, active))
        return tuple(text for text in warnings if text is not None)

    def told(self, t_us: int, number: int, values: Mapping[str, float | None]) -> None:
        """The transmission of that number was made from these quantities."""
        to = self._plan.transmissions[number].inverter
        for one, told, steps in zip(self._mine, self._told, self._steps, strict=True):
            if to is None or to == one.name:
                for name in steps:
                    value = values.get(name)
                    if value is None or f"inverter_{name}" not in one.slots:
                        continue
                    if name in told:
                        told[name].add(t_us, value)
                    else:
                        told[name] = _Span(t_us, value)

    def take_news(self) -> list[tuple[str, str]]:
        """Whose reports came or went since the last call, and how."""
        news, self._news = self._news, []
        return news

    def _values(self, one: Inverter, t_us: int) -> Mapping[str, float | None]:
        fresh = self._pack.fresh
        return MappingProxyType(
            {name: fresh(slot, t_us) for name, slot in one.slots.items() if name != "inverter_heartbeat"}
        )

    def _tell(self, one: Inverter, report: Report) -> None:
        speaks = any(value is not None for value in report.values.values())
        if speaks is not self._speaks.get(one.name, False):
            self._speaks[one.name] = speaks
            text = f"reports {in_words(report)}" if speaks else "reports nothing any more"
            self._news.append((f"inverter {one.name}", text))

    def _voltage(self, t_us: int, one: Inverter, report: Report, packs_v: Sequence[float]) -> str | None:
        said_v = report.values.get("inverter_voltage")
        if said_v is None or not packs_v:
            return self._lasting.text((one.name, "V"), t_us, None, "")
        pack_v = min(packs_v, key=lambda volts: abs(volts - said_v))
        gap_v = said_v - pack_v
        text = (
            f"inverter {one.name} reports {said_v:.1f} V, the pack's own sensors {pack_v:.1f} V: one of them "
            "is wrong, or much falls off along the cables"
        )
        return self._lasting.text(
            (one.name, "V"), t_us, gap_v if abs(gap_v) > one.voltage_error_v else None, text
        )

    def _current(
        self, t_us: int, found: Sequence[Report], readings: Sequence[Reading], active: Sequence[bool]
    ) -> str | None:
        said = [report.values.get("inverter_current") for report in found]
        seen = [r.current_a for r, on in zip(readings, active, strict=True) if on]
        gap_a: float | None = None
        text = ""
        if len(said) == len(self._plan.inverters) and None not in said and seen and None not in seen:
            inverters_a = sum(amps for amps in said if amps is not None)
            pack_a = sum(amps for amps in seen if amps is not None)
            if abs(inverters_a - pack_a) > self._blur_a:
                gap_a = inverters_a - pack_a
            turned = abs(inverters_a + pack_a) < self._blur_a
            text = f"the inverters report {inverters_a:+.0f} A together, the pack's own sensors "
            text += f"{pack_a:+.0f} A: {TURNED if turned else ELSEWHERE}"
        return self._lasting.text("A", t_us, gap_a, text)

    def _limit(self, t_us: int, n: int, report: Report, name: str) -> str | None:
        limit, said = UNDERSTOOD[name], report.values[name]
        told = self._told[n].get(limit)
        gap: float | None = None
        text = ""
        if said is not None and told is not None:
            low, high = told.ends
            words, unit, digits = IN_WORDS[limit]
            most = self._cap_a if unit == "A" else self._plan.limits.charge_voltage_v / 10.0
            blur = self._steps[n][limit] + SHARE * most
            if not low - blur <= said <= high + blur:
                gap = said - high if said > high else said - low
            span = f"{high:.{digits}f}" if high - low <= blur else f"{low:.{digits}f} to {high:.{digits}f}"
            text = (
                f"inverter {report.inverter} has understood: {words} {said:.{digits}f} {unit}; "
                f"it was told {span} {unit}"
            )
        return self._lasting.text((report.inverter, name), t_us, gap, text)


def in_words(report: Report) -> str:
    """What an inverter reports, for people: `53.12 V, +48.2 A, understood: charge to 56.00 V`."""
    values = report.values
    volts, amps = values.get("inverter_voltage"), values.get("inverter_current")
    parts = [] if volts is None else [f"{volts:.2f} V"]
    parts += [] if amps is None else [f"{amps:+.1f} A"]
    understood = [
        f"{IN_WORDS[limit][0]} {said:.{IN_WORDS[limit][2]}f} {IN_WORDS[limit][1]}"
        for name, limit in UNDERSTOOD.items()
        if (said := values.get(name)) is not None
    ]
    if understood:
        parts.append("understood: " + ", ".join(understood))
    for name in ("fault", "warning"):
        if values.get(f"inverter_{name}"):
            parts.append(f"a {name}")
    return ", ".join(parts) or "that all is well"


def reporting(plan: Plan) -> bool:
    """Whether any inverter reports more than a sign of life."""
    return any(name != "inverter_heartbeat" for one in plan.inverters for name in one.slots)


def _steps(plan: Plan, inverter: Inverter) -> dict[str, float]:
    """The coarsest step in which each limit is told to an inverter; those it is never told are missing."""
    steps: dict[str, float] = {}
    for one in plan.transmissions:
        if one.inverter is None or one.inverter == inverter.name:
            for item in (item for page in one.pages for item in page):
                if isinstance(item, QuantityItem) and item.quantity in IN_WORDS:
                    steps[item.quantity] = max(float(item.grid.step), steps.get(item.quantity, 0.0))
    return steps
