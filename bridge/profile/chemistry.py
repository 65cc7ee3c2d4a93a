"""Cell chemistries: what a cell of the kind bears, and sensible targets well inside it.

The absolute voltage spans: LFP from cell makers' sheets (3.65 V, 2.5 V; charge 0..45 °C and none below
0 °C; discharge -20..60 °C); NMC, NCA, LTO and sodium-ion spans as the PyBaMM parameter sets
(Chen2020 and Mohtat2020, NCA_Kim2011) and common practice give them. Temperatures of the other
chemistries, all targets and all curves are common practice of the trade, no source. A profile may ask
for less than this, never for more.

Above the plateau the charge law takes the voltage to rise by (v - plateau) / e-fold for each whole charge.
LFP: fitted to the open-circuit curve of Prada2013, whose foot is at 3.315 V; 20 mV of its hysteresis come on
top while it is charged. NMC and NCA rise almost evenly: the two numbers make the law's curve as steep as
those of Chen2020 and NCA_Kim2011, or steeper, everywhere from the knee to the maximum. For LTO and sodium-ion
there is no published curve here: that of LFP, the steepest, stretched from floor to target, is on the safe
side.

Below `cell_min_v` a cell is deeply discharged. The rule is that of the pre-charge of charger circuits, from
memory of their data sheets: below a threshold a tenth or a twentieth of the usual current, in C some 0.05 to
0.1, and full current above it; here it rises in a straight line. Below `lost_v` copper of the collector goes
into solution, and comes out again as needles when such a cell is charged: LFP, NMC and NCA cells that were
below some 2.0 V are thrown away (common practice, no source). LTO and sodium-ion have collectors of
aluminium and bear more; half a volt below their minimum is a choice of ours on the safe side.
"""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Chemistry:
    """One kind of cell. Voltages in V a cell, temperatures in °C.

    Attributes:
        name: as profiles name it.
        cell_max_v: no cell may ever be charged above this.
        cell_min_v: no cell may ever be discharged below this.
        target_v: default voltage at which the highest cell counts as full.
        resting_v: default voltage a cell can rest at for ever.
        floor_v: default voltage at which the lowest cell counts as empty.
        knee_v: where, charging, the voltage begins to rise steeply.
        low_knee_v: where, discharging, the voltage begins to fall steeply.
        charge_min_c, charge_max_c: charging only between these.
        discharge_min_c, discharge_max_c: discharging only between these.
        plateau_v: from where, charging, the rise of the voltage is reckoned.
        e_fold: share of charge over which the voltage above it grows e-fold.
        lost_v: a cell that was this low must not be charged any more.
    """

    name: str
    cell_max_v: float
    cell_min_v: float
    target_v: float
    resting_v: float
    floor_v: float
    knee_v: float
    low_knee_v: float
    charge_min_c: float
    charge_max_c: float
    discharge_min_c: float
    discharge_max_c: float
    plateau_v: float
    e_fold: float
    lost_v: float

    @property
    def charge_by_highest_cell(self) -> tuple[tuple[float, float], ...]:
        """Points of (cell V, share of the charge current), falling: behind the charge law, which governs."""
        top = self.target_v
        end = min(top + 0.03, self.cell_max_v)
        return ((min(top, end - 0.01), 1.0), (end, 0.0))

    @property
    def discharge_by_lowest_cell(self) -> tuple[tuple[float, float], ...]:
        """Points of (cell V, share of the discharge current), rising: a backstop below the floor.

        Above it the discharge law bounds the current wherever the lowest cell is known.
        """
        least_v = min(self.cell_min_v, self.floor_v - 0.02)
        return ((round((self.floor_v + least_v) / 2, 6), 0.0), (self.floor_v, 1.0))

    @property
    def charge_by_coldest_cell(self) -> tuple[tuple[float, float], ...]:
        """Points of (°C, share of the charge current), rising."""
        low = self.charge_min_c
        return ((low, 0.0), (low + 1.0, 0.1), (low + 10.0, 0.2), (low + 15.0, 1.0))

    @property
    def charge_by_hottest_cell(self) -> tuple[tuple[float, float], ...]:
        """Points of (°C, share of the charge current), falling."""
        return ((self.charge_max_c - 7.0, 1.0), (self.charge_max_c, 0.0))

    @property
    def discharge_by_coldest_cell(self) -> tuple[tuple[float, float], ...]:
        """Points of (°C, share of the discharge current), rising."""
        low = self.discharge_min_c
        return ((low, 0.0), (low + 20.0, 1.0))

    @property
    def discharge_by_hottest_cell(self) -> tuple[tuple[float, float], ...]:
        """Points of (°C, share of the discharge current), falling."""
        return ((self.discharge_max_c - 10.0, 1.0), (self.discharge_max_c, 0.0))


_ALL = (
    Chemistry("lfp", 3.65, 2.5, 3.50, 3.35, 2.90, 3.40, 3.05, 0.0, 45.0, -20.0, 60.0, 3.335, 0.0097, 2.0),
    Chemistry("nmc", 4.20, 2.5, 4.10, 3.90, 3.20, 3.90, 3.45, 0.0, 45.0, -20.0, 60.0, 3.70, 0.18, 2.0),
    Chemistry("nca", 4.20, 2.7, 4.10, 3.90, 3.20, 3.90, 3.45, 0.0, 45.0, -20.0, 60.0, 3.70, 0.18, 2.0),
    Chemistry("lto", 2.70, 1.5, 2.60, 2.40, 1.90, 2.45, 2.10, -20.0, 50.0, -30.0, 60.0, 2.41, 0.0097, 1.0),
    Chemistry("sodium", 4.20, 2.0, 3.90, 3.60, 2.30, 3.70, 2.60, -10.0, 45.0, -20.0, 60.0, 3.46, 0.0097, 1.5),
)

CHEMISTRIES: Final[dict[str, Chemistry]] = {chemistry.name: chemistry for chemistry in _ALL}
"""All presets by name."""
