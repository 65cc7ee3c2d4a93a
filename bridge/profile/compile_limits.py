"""From the limits of a profile to bounds of pack and banks: the profile's number, else the chemistry's."""

from dataclasses import replace
from typing import Final

from bridge.core.plan.curve import Curve
from bridge.core.plan.plan import CurrentSide, Deep, PackLimits
from bridge.profile.chemistry import CHEMISTRIES, Chemistry
from bridge.profile.findings import Findings
from bridge.profile.schema import Bank, Profile
from bridge.profile.schema_limits import Curves

LEAST_RAMP_V = 0.05
"""Over no less than this the current rises from gently to full (own choice)."""

KNEE_BELOW_V: Final = 0.05
"""Where no knee is stated it lies so far below the target at least (own choice)."""

Points = tuple[tuple[float, float], ...]


def _given(value: float | None, default: float) -> float:
    return round(default, 6) if value is None else value


class LimitCompiler:
    """Works out every bound; defaults follow from the chemistry and the profile's own cell voltages."""

    def __init__(self, profile: Profile, findings: Findings) -> None:
        self._profile = profile
        self._findings = findings
        limits = profile.limits
        base = CHEMISTRIES[profile.pack.chemistry]
        target_v = _given(limits.cell_target_v, base.target_v)
        # A target beyond the chemistry is for `check` to refuse, in words; it must not break a curve here.
        self._chemistry: Chemistry = replace(
            base,
            target_v=target_v,
            floor_v=_given(limits.cell_floor_v, base.floor_v),
            knee_v=_given(limits.cell_knee_v, round(min(base.knee_v, target_v - KNEE_BELOW_V), 6)),
            low_knee_v=_given(limits.cell_low_knee_v, base.low_knee_v),
            cell_max_v=max(base.cell_max_v, target_v + 0.01),
        )
        self._base = base
        self._check_order()

    def _check_order(self) -> None:
        """Bounds that stand the wrong way round: nothing could be computed with them."""
        cell = self._chemistry
        rows = (
            ("cell_knee_v", cell.knee_v, cell.target_v, "below cell_target_v"),
            ("cell_floor_v", cell.floor_v, cell.low_knee_v, "below cell_low_knee_v"),
            ("cell_low_knee_v", cell.low_knee_v, cell.knee_v, "below cell_knee_v"),
            ("cell_cutoff_high_release_v", self.high_release_v, self.high_v, "below cell_cutoff_high_v"),
            ("cell_lost_v", self.lost_v, self.deep_v, "below cell_deep_v"),
            ("cell_lost_v", self.lost_v, self.lost_release_v, "below cell_lost_release_v"),
            ("cell_deep_v", self.deep_v, self.deep_end_v, "below cell_deep_end_v"),
            ("cell_cutoff_low_v", self.low_v, self.low_release_v, "below cell_cutoff_low_release_v"),
        )
        for name, low, high, allowed in rows:
            if low >= high:
                self._findings.fail(("limits", name), f"{low:g}", f"{allowed}, {high:g}")
        limits, release = self._profile.limits, self._profile.limits.temperature_release_c
        for way, low, high in (
            ("charge", _given(limits.charge_coldest_c, cell.charge_min_c), self._hottest("charge")),
            (
                "discharge",
                _given(limits.discharge_coldest_c, cell.discharge_min_c),
                self._hottest("discharge"),
            ),
        ):
            if low + 2 * release >= high:
                allowed = f"well below {way}_hottest_c, {high:g}"
                self._findings.fail(("limits", f"{way}_coldest_c"), f"{low:g}", allowed)

    def _hottest(self, way: str) -> float:
        limits, cell = self._profile.limits, self._chemistry
        if way == "charge":
            return _given(limits.charge_hottest_c, cell.charge_max_c)
        return _given(limits.discharge_hottest_c, cell.discharge_max_c)

    @property
    def high_v(self) -> float:
        """No charging once a cell is this high, V."""
        middle = (self._chemistry.target_v + max(self._base.cell_max_v, self._chemistry.target_v)) / 2
        return _given(self._profile.limits.cell_cutoff_high_v, middle)

    @property
    def high_release_v(self) -> float:
        """Charging again once it is back here, V."""
        default = min(self._chemistry.target_v, self.high_v) - 0.05
        return _given(self._profile.limits.cell_cutoff_high_release_v, default)

    @property
    def low_v(self) -> float:
        """No discharging once a cell is this low, V."""
        middle = (self._chemistry.floor_v + min(self._base.cell_min_v, self._chemistry.floor_v)) / 2
        return _given(self._profile.limits.cell_cutoff_low_v, middle)

    @property
    def low_release_v(self) -> float:
        """Discharging again once it is back here, V."""
        default = max(self._chemistry.floor_v, self.low_v) + 0.1
        return _given(self._profile.limits.cell_cutoff_low_release_v, default)

    @property
    def deep_v(self) -> float:
        """At or below this a cell is deeply discharged, V."""
        return _given(self._profile.limits.cell_deep_v, self._base.cell_min_v)

    @property
    def deep_end_v(self) -> float:
        """From here on charged in full, V."""
        middle = max((self.deep_v + self._chemistry.floor_v) / 2, self.deep_v + LEAST_RAMP_V)
        return _given(self._profile.limits.cell_deep_end_v, middle)

    @property
    def lost_v(self) -> float:
        """No charging any more once a cell was this low, V."""
        return _given(self._profile.limits.cell_lost_v, self._base.lost_v)

    @property
    def lost_release_v(self) -> float:
        """Until it is back here, V."""
        return _given(self._profile.limits.cell_lost_release_v, max(self._chemistry.floor_v, self.deep_v))

    def _deep(self, bank: Bank) -> Deep:
        """What a deeply discharged cell of a bank bears."""
        gently = min(1.0, self._profile.limits.deep_charge_rate * bank.capacity_ah / bank.charge_current_a)
        end_v = max(self.deep_end_v, self.deep_v + 1e-6)  # the wrong way round is noted already
        return Deep(Curve((self.deep_v, end_v), (gently, 1.0)), self.lost_v, self.lost_release_v)

    def charge(self, bank: Bank) -> CurrentSide:
        """What bounds charging of one bank."""
        limits, cell = self._profile.limits, self._chemistry
        return CurrentSide(
            max_a=bank.charge_current_a,
            by_cell=self._curve("charge_by_highest_cell", bank, cell.charge_by_highest_cell),
            by_coldest=self._curve("charge_by_coldest_cell", bank, cell.charge_by_coldest_cell),
            by_hottest=self._curve("charge_by_hottest_cell", bank, cell.charge_by_hottest_cell),
            by_soc=self._own_curve("charge_by_soc", bank),
            cell_trip_v=self.high_v,
            cell_release_v=self.high_release_v,
            coldest_c=_given(limits.charge_coldest_c, cell.charge_min_c),
            hottest_c=self._hottest("charge"),
            release_c=limits.temperature_release_c,
            deep=self._deep(bank),
        )

    def discharge(self, bank: Bank) -> CurrentSide:
        """What bounds discharging of one bank."""
        limits, cell = self._profile.limits, self._chemistry
        return CurrentSide(
            max_a=bank.discharge_current_a,
            by_cell=self._curve("discharge_by_lowest_cell", bank, cell.discharge_by_lowest_cell),
            by_coldest=self._curve("discharge_by_coldest_cell", bank, cell.discharge_by_coldest_cell),
            by_hottest=self._curve("discharge_by_hottest_cell", bank, cell.discharge_by_hottest_cell),
            by_soc=self._own_curve("discharge_by_soc", bank),
            cell_trip_v=self.low_v,
            cell_release_v=self.low_release_v,
            coldest_c=_given(limits.discharge_coldest_c, cell.discharge_min_c),
            hottest_c=self._hottest("discharge"),
            release_c=limits.temperature_release_c,
        )

    def _own_curve(self, name: str, bank: Bank) -> Curve | None:
        """The bank's curve, else that of [limits], else `None`."""
        for section in (bank, self._profile.limits):
            assert isinstance(section, Curves)
            points = getattr(section, name)
            if points is not None:
                curve: Curve = points.curve()
                return curve
        return None

    def _curve(self, name: str, bank: Bank, default: Points) -> Curve:
        own = self._own_curve(name, bank)
        return own if own is not None else Curve(*zip(*default, strict=True))

    def pack(self) -> PackLimits:
        """Bounds of the whole pack."""
        profile, limits, cell = self._profile, self._profile.limits, self._chemistry
        count = profile.pack.cells_in_series
        charge_a = _given(limits.charge_current_a, sum(bank.charge_current_a for bank in profile.bank))
        draw_a = _given(limits.discharge_current_a, sum(bank.discharge_current_a for bank in profile.bank))
        below_v = _given(limits.request_charge_below_cell_v, cell.floor_v + 0.05)
        until_v = _given(limits.request_charge_until_cell_v, max(cell.low_knee_v, below_v) + 0.05)
        below_soc, until_soc = self._request_soc()
        if below_v >= until_v:
            key = ("limits", "request_charge_below_cell_v")
            self._findings.fail(key, f"{below_v:g}", f"below request_charge_until_cell_v, {until_v:g}")
        return PackLimits(
            charge_voltage_v=_given(limits.charge_voltage_v, count * cell.target_v),
            discharge_floor_v=_given(limits.discharge_floor_v, count * cell.floor_v),
            resting_v=_given(limits.resting_voltage_v, count * min(cell.resting_v, cell.target_v)),
            cell_target_v=cell.target_v,
            cell_floor_v=cell.floor_v,
            knee_v=cell.knee_v,
            low_knee_v=cell.low_knee_v,
            charge_a=charge_a,
            discharge_a=draw_a,
            rise_v_per_s=_given(limits.charge_voltage_rise_v_per_s, 0.01 * count),
            charge_rise_a_per_s=_given(limits.charge_current_rise_a_per_s, charge_a / 20),
            discharge_rise_a_per_s=_given(limits.discharge_current_rise_a_per_s, draw_a / 20),
            voltage_deadband_v=limits.voltage_deadband_v,
            current_deadband_a=_given(limits.current_deadband_a, min(charge_a, draw_a) / 100),
            request_below_soc=below_soc,
            request_until_soc=until_soc,
            request_below_v=below_v,
            request_until_v=until_v,
            plateau_v=cell.plateau_v,
            e_fold=cell.e_fold,
            imbalance_v=limits.cell_imbalance_v,
        )

    def _request_soc(self) -> tuple[float | None, float | None]:
        limits = self._profile.limits
        below, until = limits.request_charge_below_soc_pct, limits.request_charge_until_soc_pct
        if below is None:
            if until is not None:
                key = ("limits", "request_charge_until_soc_pct")
                self._findings.fail(key, f"{until:g}", "request_charge_below_soc_pct beside it")
            return None, None
        until = min(below + 5.0, 100.0) if until is None else until
        if below >= until:
            key = ("limits", "request_charge_below_soc_pct")
            self._findings.fail(key, f"{below:g}", f"below request_charge_until_soc_pct, {until:g}")
        return below, until
