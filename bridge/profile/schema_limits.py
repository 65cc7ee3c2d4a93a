"""The sections of a profile that bound the pack: curves, limits, wishes, shown charge, fail-safe times."""

from math import inf
from typing import Annotated, Any, Literal, Self

from pydantic import AwareDatetime, Field, field_validator, model_validator

from bridge.core.plan.curve import Curve
from bridge.profile.schema_base import (
    MOST,
    Celsius,
    NotNegative,
    Percent,
    Positive,
    Section,
    Share,
    shown,
    wrong,
)

Shares = Annotated[
    tuple[Share, ...],
    Field(min_length=1, max_length=100, description="share of the current at each position, 0 to 1"),
]


class _Points(Section):
    share: Shares

    def positions(self) -> tuple[float, ...]:
        raise NotImplementedError

    def curve(self) -> Curve:
        """The curve; valid, because the section was."""
        return Curve(self.positions(), self.share)

    @model_validator(mode="after")
    def _is_a_curve(self) -> Self:
        try:
            self.curve()
        except ValueError as problem:
            found, _, allowed = str(problem).partition("; allowed: ")
            raise wrong(found, allowed) from None
        return self


class CellCurve(_Points):
    """Share of a current by the voltage of a cell."""

    cell_v: tuple[Positive, ...] = Field(min_length=1, max_length=100, description="cell voltages, rising, V")

    def positions(self) -> tuple[float, ...]:
        """Where the points lie."""
        return self.cell_v


class TemperatureCurve(_Points):
    """Share of a current by the temperature of a cell."""

    temperature_c: tuple[Celsius, ...] = Field(
        min_length=1, max_length=100, description="temperatures, rising, °C"
    )

    def positions(self) -> tuple[float, ...]:
        """Where the points lie."""
        return self.temperature_c


class SocCurve(_Points):
    """Share of a current by state of charge."""

    soc_pct: tuple[Percent, ...] = Field(
        min_length=1, max_length=100, description="states of charge, rising, %"
    )

    def positions(self) -> tuple[float, ...]:
        """Where the points lie."""
        return self.soc_pct


_FALLING = ("charge_by_highest_cell", "charge_by_hottest_cell", "discharge_by_hottest_cell", "charge_by_soc")
_RISING = (
    "discharge_by_lowest_cell",
    "charge_by_coldest_cell",
    "discharge_by_coldest_cell",
    "discharge_by_soc",
)


class Curves(Section):
    """Derating curves. Those not given: the chemistry's, and none by state of charge."""

    charge_by_highest_cell: CellCurve | None = Field(
        default=None, description="share of the charge current, falls; default: see above"
    )
    charge_by_coldest_cell: TemperatureCurve | None = Field(
        default=None, description="share of the charge current, rises; default: see above"
    )
    charge_by_hottest_cell: TemperatureCurve | None = Field(
        default=None, description="share of the charge current, falls; default: see above"
    )
    charge_by_soc: SocCurve | None = Field(
        default=None, description="share of the charge current, falls; default: see above"
    )
    discharge_by_lowest_cell: CellCurve | None = Field(
        default=None, description="share of the discharge current, rises; default: see above"
    )
    discharge_by_coldest_cell: TemperatureCurve | None = Field(
        default=None, description="share of the discharge current, rises; default: see above"
    )
    discharge_by_hottest_cell: TemperatureCurve | None = Field(
        default=None, description="share of the discharge current, falls; default: see above"
    )
    discharge_by_soc: SocCurve | None = Field(
        default=None, description="share of the discharge current, rises; default: see above"
    )

    @field_validator(*_FALLING)
    @classmethod
    def _falls(cls, points: _Points | None) -> _Points | None:
        if points is not None and not points.curve().falls:
            raise wrong(f"shares {shown(points.share)}", "shares that never rise")
        return points

    @field_validator(*_RISING)
    @classmethod
    def _rises(cls, points: _Points | None) -> _Points | None:
        if points is not None and not points.curve().rises:
            raise wrong(f"shares {shown(points.share)}", "shares that never fall")
        return points


def _optional(description: str) -> Any:
    return Field(default=None, description=description)


class Limits(Curves):
    """Bounds of the pack and of every bank. Everything not given follows from the chemistry and the banks."""

    charge_voltage_v: Positive | None = _optional(
        "charge voltage of the pack, never exceeded, V; default: cells times cell_target_v"
    )
    discharge_floor_v: Positive | None = _optional(
        "the pack is never discharged below this, V; default: cells times cell_floor_v"
    )
    resting_voltage_v: Positive | None = _optional(
        "charge voltage while the pack is not trusted, V; default: cells times the chemistry's"
    )
    cell_target_v: Positive | None = _optional("what the highest cell may reach, V; default: the chemistry's")
    cell_floor_v: Positive | None = _optional("what the lowest cell may fall to, V; default: the chemistry's")
    cell_knee_v: Positive | None = _optional(
        "where, charging, the cell voltage begins to rise steeply, V; default: the chemistry's, "
        "at most 0.05 V below cell_target_v"
    )
    cell_low_knee_v: Positive | None = _optional(
        "where, discharging, the cell voltage begins to fall steeply, V; default: the chemistry's"
    )
    cell_cutoff_high_v: Positive | None = _optional(
        "no charging once a cell is this high, V; default: half way from target to the chemistry's maximum"
    )
    cell_cutoff_high_release_v: Positive | None = _optional(
        "charging again once it is back here, V; default: 0.05 V below the target"
    )
    cell_cutoff_low_v: Positive | None = _optional(
        "no discharging once a cell is this low, V; default: half way from floor to the chemistry's minimum"
    )
    cell_cutoff_low_release_v: Positive | None = _optional(
        "discharging again once it is back here, V; default: 0.1 V above the floor"
    )
    cell_deep_v: Positive | None = _optional(
        "at or below this the lowest cell is deeply discharged, and charged gently only, V; default: the "
        "chemistry's minimum"
    )
    cell_deep_end_v: Positive | None = _optional(
        "from here on charged in full, V; default: half way from cell_deep_v to cell_floor_v"
    )
    deep_charge_rate: float = Field(
        default=0.05, ge=0.0, le=0.1, description="what gently means: so many A for each Ah of the bank"
    )
    cell_lost_v: Positive | None = _optional(
        "no charging any more once a cell was this low, V; default: where the chemistry's are lost"
    )
    cell_lost_release_v: Positive | None = _optional(
        "until it is back here, by itself or a person's work, V; default: cell_floor_v"
    )
    cell_imbalance_v: Positive = Field(
        default=0.2, description="cells of a bank that differ by this count as apart, V: a flag, no limit"
    )
    charge_coldest_c: Celsius | None = _optional("no charging at or below this, °C; default: the chemistry's")
    charge_hottest_c: Celsius | None = _optional("no charging at or above this, °C; default: the chemistry's")
    discharge_coldest_c: Celsius | None = _optional(
        "no discharging at or below this, °C; default: the chemistry's"
    )
    discharge_hottest_c: Celsius | None = _optional(
        "no discharging at or above this, °C; default: the chemistry's"
    )
    temperature_release_c: Positive = Field(
        default=2.0, description="how far back inside a temperature must come before current flows again, °C"
    )
    charge_current_a: Positive | None = _optional(
        "most the whole pack is charged with (wiring, fuse, inverter), A; default: the sum of the banks"
    )
    discharge_current_a: Positive | None = _optional(
        "most that is drawn from the whole pack, A; default: the sum of the banks"
    )
    charge_voltage_rise_v_per_s: Positive | None = _optional(
        "fastest rise of the charge voltage, V a second; default: 0.01 V a second for each cell"
    )
    charge_current_rise_a_per_s: Positive | None = _optional(
        "fastest rise of the charge current, A a second; default: a twentieth of the limit a second"
    )
    discharge_current_rise_a_per_s: Positive | None = _optional(
        "fastest rise of the discharge current, A a second; default: a twentieth of the limit a second"
    )
    voltage_deadband_v: NotNegative = Field(
        default=0.05, description="the charge voltage rises only for a larger gap, V"
    )
    current_deadband_a: NotNegative | None = _optional(
        "currents rise only for a larger gap, A; default: a hundredth of the smaller limit"
    )
    request_charge_below_soc_pct: Percent | None = _optional(
        "ask for charge below this state of charge, %; default: not by state of charge"
    )
    request_charge_until_soc_pct: Percent | None = _optional("and until this, %; default: 5 more")
    request_charge_below_cell_v: Positive | None = _optional(
        "ask for charge when a cell is below this, V; default: 0.05 V above the floor"
    )
    request_charge_until_cell_v: Positive | None = _optional(
        "and until the lowest is back here, V; default: 0.05 V above the low knee"
    )


class Options(Section):
    """Wishes of the person. Those with an end expire by themselves."""

    hold_charge_while_balancing: bool = Field(
        default=False, description="no charging while a cell is being balanced"
    )
    inhibit_charge: bool = Field(default=False, description="no charging at all")
    inhibit_charge_until: AwareDatetime | None = _optional(
        "when that ends by itself: date, time and offset, as 2026-12-01T12:00:00+01:00; default: never"
    )
    inhibit_discharge: bool = Field(default=False, description="no discharging at all")
    inhibit_discharge_until: AwareDatetime | None = _optional("when that ends by itself; default: never")

    @model_validator(mode="after")
    def _an_end_needs_a_wish(self) -> Self:
        for wish, until in (
            ("inhibit_charge", self.inhibit_charge_until),
            ("inhibit_discharge", self.inhibit_discharge_until),
        ):
            if until is not None and not getattr(self, wish):
                raise wrong(f"{wish}_until without {wish}", f"{wish} = true beside it, or neither")
        return self


class ShownSoc(Section):
    """State of charge as shown to the inverter for a time: a window, or one value."""

    low_pct: Percent | None = _optional("never shown lower than this, %")
    high_pct: Percent | None = _optional("never shown higher than this, %")
    fixed_pct: Percent | None = _optional("shown whatever the pack reports, %; in place of the window")
    until: AwareDatetime = Field(description="from then on as the pack reports it: date, time and offset")

    @model_validator(mode="after")
    def _window_or_value(self) -> Self:
        if self.fixed_pct is not None:
            if self.low_pct is not None or self.high_pct is not None:
                raise wrong("fixed_pct beside low_pct or high_pct", "either a value or a window")
        elif self.low_pct is None and self.high_pct is None:
            raise wrong("neither fixed_pct nor low_pct nor high_pct", "a value or a window")
        elif self.window[0] >= self.window[1]:
            raise wrong(f"low_pct {self.low_pct:g} and high_pct {self.high_pct:g}", "low_pct below high_pct")
        return self

    @property
    def window(self) -> tuple[float, float]:
        """Lowest and highest value shown, %."""
        if self.fixed_pct is not None:
            return self.fixed_pct, self.fixed_pct
        return self.low_pct or 0.0, 100.0 if self.high_pct is None else self.high_pct


class FailSafe(Section):
    """Times of the fail-safe states."""

    hold_s: NotNegative = Field(
        default=3.0, description="last limits are held this long after data was lost, s"
    )
    silent_after_s: float = Field(
        default=60.0,
        ge=0,
        allow_inf_nan=True,
        description="so long after that nothing is sent any more, s; inf: zero currents are sent for ever",
    )
    steady_s: NotNegative = Field(
        default=5.0, description="data must be trusted this long before limits follow it, s"
    )
    mismatch_s: NotNegative = Field(
        default=3.0,
        description="readings may contradict each other this long, s: those of several messages are not of "
        "one moment, and a load switches between them",
    )
    stall_s: Positive = Field(
        default=2.0, description="a longer gap in the program's own running counts as a restart, s"
    )
    restart: Literal["zero", "go_on"] = Field(
        default="zero",
        description="a restart begins with zero currents; or, within hold_s of the last trusted data, with "
        "the last limits, which then only fall until data is trusted again (needs a state directory)",
    )
    other_sender: Literal["warn", "zero", "silent"] = Field(
        default="zero",
        description="while somebody else sends frames that are ours to send: only warn, send zero currents, "
        "or send nothing",
    )
    sum_tolerance_v: Positive | None = _optional(
        "largest believable difference of pack voltage and sum of cells, V; default: 0.03 V for each cell"
    )

    @field_validator("silent_after_s")
    @classmethod
    def _ever_or_never(cls, seconds: float) -> float:
        if MOST < seconds < inf:
            raise wrong(f"{seconds:g}", f"at most {MOST}, or inf")
        return seconds
