"""From the sections for the course of a charge to what the core works by; all given voltages are in order."""

from bridge.core.course.stage import RESTART_V
from bridge.core.plan.plan import SECOND_US, PackLimits, Slot
from bridge.core.plan.wishes import Commissioning, Stages
from bridge.profile.findings import Findings
from bridge.profile.schema import Profile

MINUTE_US = 60 * SECOND_US
DAY_US = 86_400 * SECOND_US

TAIL_C = 0.02
"""A charge counts as over at this many C (common practice of the trade, no source)."""

GENTLE = 0.1
"""Share of the pack's limit that a new pack is charged with (own choice)."""

NEAR_V = 0.02
"""The highest cell counts as at its target from this far below (own choice)."""

CHARGER_V = 0.25
"""Even cells stay below their target by what the charger's voltmeter is wrong, and a step, all together."""

ABOVE_KNEE = 0.7
"""For that a cell counts as there no lower than this share of the way down to the knee (own choice)."""


def compile_stages(
    profile: Profile, limits: PackLimits, slots: tuple[Slot, ...], findings: Findings
) -> Stages | None:
    """The stages, or `None` where the profile has none; notes voltages that stand the wrong way round."""
    wish, cells = profile.stages, profile.pack.cells_in_series
    if wish is None:
        return None
    rest_v = limits.resting_v if wish.resting_voltage_v is None else wish.resting_voltage_v
    mean_v = wish.restart_below_mean_cell_v
    if mean_v is None and wish.restart_below_soc_pct is None and wish.restart_below_lowest_cell_v is None:
        mean_v = round(rest_v / cells - RESTART_V, 6)
    tail_a = wish.tail_current_a
    if tail_a is None and _read_of_all(profile, "pack_current", slots):
        tail_a = round(TAIL_C * sum(bank.capacity_ah for bank in profile.bank), 6)
    stages = Stages(
        cells=cells,
        target_v=limits.cell_target_v,
        within_v=_near_v(limits, cells, wish.usual_cell_v or limits.cell_target_v)
        if wish.absorption_within_v is None
        else wish.absorption_within_v,
        hold_us=round(wish.absorption_min * MINUTE_US),
        tail_a=tail_a,
        rest_v=rest_v,
        restart_soc=wish.restart_below_soc_pct,
        restart_low_v=wish.restart_below_lowest_cell_v,
        restart_mean_v=mean_v,
        usual_v=wish.usual_cell_v,
        full_every_us=None if wish.full_every_days is None else round(wish.full_every_days * DAY_US),
        balance_within_v=wish.balance_within_v,
        balance_us=round((wish.balance_min or 120.0) * MINUTE_US),
        full_soc=wish.full_soc_only_when_full,
    )
    _check_order(stages, limits, findings)
    return stages


def _near_v(limits: PackLimits, cells: int, target_v: float) -> float:
    """From how far below the highest cell counts as at its target, where nothing is said."""
    return round(max(NEAR_V, min(CHARGER_V / cells, ABOVE_KNEE * (target_v - limits.knee_v))), 6)


def _read_of_all(profile: Profile, quantity: str, slots: tuple[Slot, ...]) -> bool:
    """Whether every bank is read for it."""
    owners = {slot.owner for slot in slots if slot.quantity == quantity}
    return owners >= {bank.name for bank in profile.bank}


def _check_order(stages: Stages, limits: PackLimits, findings: Findings) -> None:
    """Voltages that stand the wrong way round: a stage would never come, or never end."""
    rest_v = stages.rest_v / stages.cells
    reach_v = min(stages.target_v, stages.usual_v or stages.target_v) - stages.within_v
    steep_v, steep = round(stages.target_v - limits.knee_v, 6), "less than from cell_knee_v to cell_target_v"
    of_a_cell = "below the resting voltage of a cell"
    rows: tuple[tuple[str, float | None, float, str], ...] = (
        ("usual_cell_v", stages.usual_v, stages.target_v, "below limits.cell_target_v"),
        ("restart_below_mean_cell_v", stages.restart_mean_v, rest_v, of_a_cell),
        ("restart_below_lowest_cell_v", stages.restart_low_v, rest_v, of_a_cell),
        (
            "resting_voltage_v",
            rest_v,
            reach_v,
            "for each cell, below where the highest counts as at its target",
        ),
        ("absorption_within_v", stages.within_v, steep_v, steep),
        ("balance_within_v", stages.balance_within_v, steep_v, steep),
    )
    for name, value, most, allowed in rows:
        if value is not None and value >= most:
            findings.fail(("stages", name), f"{value:g}", f"{allowed}, {most:.6g}")
    if rest_v * stages.cells < limits.discharge_floor_v:
        findings.fail(
            ("stages", "resting_voltage_v"), f"{stages.rest_v:g}", f"at least {limits.discharge_floor_v:g}"
        )


def compile_commissioning(profile: Profile, limits: PackLimits, until_us: int | None) -> Commissioning | None:
    """Commissioning until `until_us`, or `None` where it is not wished."""
    wish = profile.commissioning
    if wish is None or until_us is None:
        return None
    share = GENTLE if wish.charge_share is None else wish.charge_share
    current_a = share * limits.charge_a if wish.charge_current_a is None else wish.charge_current_a
    low_a = TAIL_C * sum(bank.capacity_ah for bank in profile.bank)
    return Commissioning(
        until_us=until_us,
        current_a=round(current_a, 6),
        target_v=limits.cell_target_v,
        near_v=_near_v(limits, profile.pack.cells_in_series, limits.cell_target_v),
        within_v=wish.cells_within_v,
        low_a=round(low_a, 6) if wish.low_current_a is None else wish.low_current_a,
        steady_us=round(wish.steady_min * MINUTE_US),
        tell_us=round(wish.tell_every_min * MINUTE_US),
        window=wish.window,
    )
