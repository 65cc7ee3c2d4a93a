"""Do the stages of a charge, and commissioning, fit the pack, and is what they look at read at all?"""

from bridge.core.plan.wishes import Stages
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.findings import Findings, Key
from bridge.profile.load import LoadedProfile

LONGEST_REST_C = 0.1
"""A tail current above this many C is hardly a tail (own choice)."""

FINEST_V = 0.004
"""A spread below two steps of two usual sensors is not measured (own choice)."""


def check_stages(loaded: LoadedProfile, findings: Findings) -> None:
    """Notes stages that cannot do what they are for."""
    if loaded.plan.stages is not None:
        _check_stages(loaded, loaded.plan.stages, findings)
    if loaded.plan.commissioning is not None:
        _check_commissioning(loaded, findings)
    _check_sent_stage(loaded, findings)
    _check_banks(loaded, findings)


def _unread(loaded: LoadedProfile, quantity: str) -> str:
    """The first bank that is not read for it; "" if all are."""
    return next((bank.name for bank in loaded.plan.banks if quantity not in bank.slots), "")


def _check_stages(loaded: LoadedProfile, stages: Stages, findings: Findings) -> None:
    plan, cell = loaded.plan, CHEMISTRIES[loaded.profile.pack.chemistry]
    if bank := _unread(loaded, "pack_current"):
        if stages.tail_a is not None:
            key: Key = ("stages", "tail_current_a")
            findings.fail(key, f"no pack_current of bank {bank}", "a source of it, or absorption_min alone")
    elif stages.tail_a is not None and stages.tail_a >= plan.limits.charge_a:
        found, most = f"{stages.tail_a:g}", f"well below the pack's charge limit, {plan.limits.charge_a:g}"
        findings.fail(("stages", "tail_current_a"), found, most)
    capacity_ah = sum(bank.capacity_ah for bank in plan.banks)
    if stages.tail_a is not None and stages.tail_a > LONGEST_REST_C * capacity_ah:
        found = f"{stages.tail_a:g} A for {capacity_ah:g} Ah"
        findings.warn(("stages", "tail_current_a"), found, f"at most 0.1C, {LONGEST_REST_C * capacity_ah:g}")
    if stages.restart_soc is not None:
        if bank := _unread(loaded, "state_of_charge"):
            key = ("stages", "restart_below_soc_pct")
            findings.fail(key, f"no state_of_charge of bank {bank}", "a source of it, or a voltage")
        elif stages.restart_soc >= 99.0:
            found = f"{stages.restart_soc:g}"
            findings.warn(
                ("stages", "restart_below_soc_pct"), found, "below 99: it would start again at once"
            )
    rest_v = loaded.profile.pack.cells_in_series * cell.resting_v
    if stages.rest_v > rest_v + 1e-6:
        allowed = f"at most {rest_v:.6g}, what {cell.name} cells can rest at"
        findings.warn(("stages", "resting_voltage_v"), f"{stages.rest_v:g}", allowed)
    _check_reach(loaded, stages, findings)
    floor_v = plan.limits.cell_floor_v
    for name, value, floor, unit in (
        ("restart_below_soc_pct", stages.restart_soc, 0.0, "%"),
        ("restart_below_lowest_cell_v", stages.restart_low_v, floor_v, "V"),
        ("restart_below_mean_cell_v", stages.restart_mean_v, floor_v, "V"),
    ):
        if value is not None and value <= floor:
            allowed = f"above {floor:g} {unit}: the pack is not discharged below, and never charged again"
            findings.warn(("stages", name), f"{value:g}", allowed)
    if stages.usual_v is not None and stages.full_every_us is None:
        allowed = "full_every_days beside it: only a full charge balances the cells"
        findings.warn(("stages", "usual_cell_v"), f"{stages.usual_v:g}, never a full charge", allowed)
    if stages.balance_within_v is not None and stages.balance_within_v < FINEST_V:
        allowed = f"at least {FINEST_V:g}: less is not measured"
        findings.warn(("stages", "balance_within_v"), f"{stages.balance_within_v:g}", allowed)


def _check_reach(loaded: LoadedProfile, stages: Stages, findings: Findings) -> None:
    """Limits that keep the cells from where the highest counts as at its target: no stage would ever end."""
    plan = loaded.plan
    reach_v = round(stages.target_v - stages.within_v, 6)
    if plan.limits.charge_voltage_v < stages.cells * reach_v:
        found = f"{plan.limits.charge_voltage_v:g} beside [stages]"
        allowed = (
            f"at least {stages.cells * reach_v:g}: below, cells that are alike are never at their target"
        )
        findings.warn(("limits", "charge_voltage_v"), found, allowed)
    for number, bank in enumerate(plan.banks):
        if bank.charge.by_cell.at(reach_v) <= 0.0:
            key: Key = ("bank", number, "charge_by_highest_cell")
            findings.warn(key, f"share 0 at {reach_v:g} V, beside [stages]", "above 0 there: nothing flows")


def _check_commissioning(loaded: LoadedProfile, findings: Findings) -> None:
    plan, wish, profile = loaded.plan, loaded.plan.commissioning, loaded.profile
    assert wish is not None
    if bank := _unread(loaded, "pack_current"):
        findings.fail(
            ("commissioning",), f"no pack_current of bank {bank}", "a source of it: its end is seen by it"
        )
    if profile.shown_soc is not None and wish.window is not None:
        findings.fail(("shown_soc",), "beside [commissioning], which has its own window", "one of them")
    if wish.current_a >= plan.limits.charge_a:
        allowed = f"below the pack's charge limit, {plan.limits.charge_a:g}"
        findings.fail(("commissioning", "charge_current_a"), f"{wish.current_a:g}", allowed)
    if wish.low_a > wish.current_a:
        found = f"{wish.low_a:g}, above the charge current meanwhile, {wish.current_a:g}"
        findings.warn(
            ("commissioning", "low_current_a"), found, "below it: else a spread counts under current"
        )
    if wish.within_v < FINEST_V:
        allowed = f"at least {FINEST_V:g}: less is not measured"
        findings.warn(("commissioning", "cells_within_v"), f"{wish.within_v:g}", allowed)
    if loaded.profile.options.inhibit_charge:
        found = "beside [commissioning]: it cannot go on without charging"
        findings.warn(("options", "inhibit_charge"), found, "one of them")


def _check_sent_stage(loaded: LoadedProfile, findings: Findings) -> None:
    """A stage that nobody computes is never known: its frame would wait for ever."""
    if loaded.plan.stages is not None:
        return
    for number, one in enumerate(loaded.plan.transmissions):
        for item in (item for page in one.pages for item in page):
            if getattr(item, "quantity", "") == "charge_stage":
                key: Key = ("transmission", number, "signals", item.signal)
                findings.fail(key, "charge_stage without stages", "a section [stages]")


def _check_banks(loaded: LoadedProfile, findings: Findings) -> None:
    """What is judged by less than it should be."""
    for number, bank in enumerate(loaded.plan.banks):
        if "cell_temperature_max" not in bank.slots and not bank.probe_slots:
            found = f"no source of the hottest cell of {bank.name}: heat is judged by the coldest"
            findings.warn(("bank", number), found, "cell_temperature_max, or cell_temperature of its probes")
