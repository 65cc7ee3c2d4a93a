"""Draws a random valid site from a seed: DBC files and a profile that names them."""

from pathlib import Path
from typing import Any

from bridge.drill.toml import written
from tests.sites.definitions import dbc_text, draw_keys, place
from tests.sites.dice import Dice
from tests.sites.heard import draw_sources
from tests.sites.told import draw_transmissions
from tests.sites.traits import Table, Traits, draw_traits

LATEST_S = 0.05
"""A frame of the bridge is on the bus after so long, at the latest, in these sites."""


def draw_site(seed: int, folder: Path) -> Path:
    """Draws a site; the same seed gives the same files.

    Args:
        seed: decides everything.
        folder: for the profile and its message definitions.

    Returns:
        The profile.
    """
    dice = Dice(f"site {seed}")
    site = draw_traits(dice)
    draw_sources(dice, site)
    draw_transmissions(dice, site)
    tables = _profile(dice, site, seed)
    taken: set[int] = set()
    for file, messages in site.files.items():
        for message in messages:
            place(dice, message)
        draw_keys(dice, messages, taken, wide=dice.happens(0.4))
        (folder / file).write_text(dbc_text(messages, seed), encoding="utf-8")
    path = folder / "site.toml"
    path.write_text(_text(tables), encoding="utf-8")
    return path


def _profile(dice: Dice, site: Traits, seed: int) -> Table:
    failsafe = _failsafe(dice, site)
    _timeouts(dice, site, failsafe)
    pack: Table = {"chemistry": site.cell.name, "cells_in_series": site.cells}
    if len(site.banks) > 1 and dice.happens(0.6):
        pack["lost_bank"] = dice.pick(("safe", "reduce"))
    read = _required(site)
    tables: Table = {
        "profile_version": 1,
        "name": f"site {seed}",
        "tick_ms": site.tick_ms,
        "pack": pack,
        "bank": site.banks,
        "bus": site.buses,
        "inverter": site.inverters,
        "limits": site.limits | _by_soc(dice, site, read),
        "failsafe": failsafe,
        "source": site.sources,
        "transmission": site.transmissions,
    }
    options = _options(dice, read)
    if options:
        tables["options"] = options
    if dice.happens(0.25):
        tables["stages"] = _stages(dice, site, read)
        for one in site.transmissions:
            if "failsafe_state" in one["signals"] and dice.happens(0.5):
                one["signals"]["failsafe_state"] = "charge_stage"
    elif "pack_current" in read and dice.happens(0.1):
        tables["commissioning"] = _commissioning(dice, site)
    if dice.happens(0.1) and "commissioning" not in tables:
        tables["shown_soc"] = {"fixed_pct": 50.0, "until": "@2030-06-01T12:00:00+01:00"}
    return tables


def _failsafe(dice: Dice, site: Traits) -> Table:
    tick_s = site.tick_ms / 1000
    times: Table = {
        "hold_s": dice.pick((0.0, 0.5, 1.0, 2.0, 3.0, 3.0, 5.0, 10.0)),
        "silent_after_s": dice.pick((2.5, 6.0, 30.0, 60.0, 60.0, 300.0, float("inf"))),
        "steady_s": dice.pick((1.0, 2.0, 3.0, 5.0, 5.0, 10.0, 20.0)),
        "mismatch_s": dice.pick((0.0, 1.0, 3.0, 3.0, 6.0)),
        "other_sender": dice.pick(("warn", "zero", "zero", "silent")),
        "stall_s": round(max(3 * tick_s, dice.pick((0.5, 1.0, 2.0, 2.0, 4.0))), 3),
    }
    if dice.happens(0.3):
        times["sum_tolerance_v"] = round(site.cells * dice.between(0.02, 0.03, 4), 3)
    given = [name for name in times if dice.happens(0.7)]
    given += ["stall_s"] if 3 * tick_s > 2.0 else []
    found = {name: value for name, value in times.items() if name in given}
    if "silent_after_s" in found:  # zeros go out once before, on every page
        rounds_s = [one["period_ms"] / 1000 * _pages(site, one) for one in site.transmissions]
        found["silent_after_s"] = round(max(found["silent_after_s"], max(rounds_s) + 2 * tick_s), 3)
    # Voltages of several messages are not of one moment.
    if found.get("mismatch_s", 3.0) + found.get("hold_s", 3.0) < max(site.ages_s) / 2:
        found["mismatch_s"] = round(max(site.ages_s) / 2 + 0.01, 2)
    return found


def _timeouts(dice: Dice, site: Traits, failsafe: Table) -> None:
    """Time-outs that the fault time budget of the profile just meets, or easily."""
    tick_s = site.tick_ms / 1000
    hold_s = -(-failsafe.get("hold_s", 3.0) // tick_s) * tick_s
    noticed_s = max(*site.ages_s, failsafe.get("mismatch_s", 3.0))
    for inverter in site.inverters:
        rounds_s = [
            one["period_ms"] / 1000 * _pages(site, one)
            for one in site.transmissions
            if one.get("inverter") in (None, inverter["name"])
        ]
        worst_s = noticed_s + failsafe.get("stall_s", 2.0) + tick_s + hold_s + max(rounds_s) + LATEST_S
        inverter["timeout_s"] = round(worst_s * dice.pick((1.02, 1.3, 2.0, 4.0)) + 0.05, 1)


def _pages(site: Traits, transmission: Table) -> int:
    return next(m.pages for m in site.files[transmission["dbc"]] if m.name == transmission["message"])


def _required(site: Traits) -> set[str]:
    """What is required of every bank."""
    found: set[str] | None = None
    for bank in site.banks:
        names = {
            name
            for source in site.sources
            if source.get("bank", bank["name"]) == bank["name"] and "inverter" not in source
            for name, reading in source["signals"].items()
            if not reading.get("optional")
        }
        found = names if found is None else found & names
    return found or set()


def _by_soc(dice: Dice, site: Traits, read: set[str]) -> Table:
    curves: Table = {}
    if "state_of_charge" in read and dice.happens(0.2):
        share = dice.between(0.05, 0.6)
        curves["charge_by_soc"] = {"soc_pct": [dice.between(60.0, 90.0, 0), 99.0], "share": [1.0, share]}
    if "state_of_charge" in read and dice.happens(0.2):
        share = dice.between(0.0, 0.5)
        curves["discharge_by_soc"] = {"soc_pct": [5.0, dice.between(10.0, 40.0, 0)], "share": [share, 1.0]}
    if "state_of_charge" in read and dice.happens(0.1):
        curves["request_charge_below_soc_pct"] = dice.between(5.0, 30.0, 0)
    del site
    return curves


def _options(dice: Dice, read: set[str]) -> Table:
    options: Table = {}
    if "balancing" in read and dice.happens(0.5):
        options["hold_charge_while_balancing"] = True
    if dice.happens(0.03):
        options["inhibit_charge"] = True
    elif dice.happens(0.03):
        options["inhibit_discharge"] = True
        options["inhibit_discharge_until"] = "@2030-06-01T12:00:00+01:00"
    return options


def _stages(dice: Dice, site: Traits, read: set[str]) -> Table:
    stages: Table = {"absorption_min": dice.between(10.0, 90.0, 0)}
    smallest_ah = sum(bank["capacity_ah"] for bank in site.banks)
    if "pack_current" in read and dice.happens(0.4):
        most_a = min(0.08 * smallest_ah, 0.5 * site.bounds["charge_a"])
        stages["tail_current_a"] = round(most_a * dice.between(0.2, 1.0), 2)
    if dice.happens(0.3):
        stages["balance_within_v"] = dice.pick((0.005, 0.01, 0.02))
    if "state_of_charge" in read and dice.happens(0.3):
        stages["restart_below_soc_pct"] = dice.between(60.0, 95.0, 0)
    if dice.happens(0.2):
        stages["full_every_days"] = dice.pick((7.0, 14.0, 30.0))
    return stages


def _commissioning(dice: Dice, site: Traits) -> Table:
    wish: Table = {"until": "@2030-05-01T12:00:00+01:00"}
    if dice.happens(0.5):
        wish["charge_share"] = dice.between(0.05, 0.5, 2)
    del site
    return wish


# ── as TOML ─────────────────────────────────────────────────────────────────────────────────────────────


def _text(tables: Table) -> str:
    """Scalars first, then a section for each table; what is below stands on one line."""
    lines = [f"{key} = {_value(value)}" for key, value in tables.items() if not _is_section(value)]
    for key, value in tables.items():
        for one in value if isinstance(value, list) else [value] if _is_section(value) else []:
            lines += ["", f"[[{key}]]" if isinstance(value, list) else f"[{key}]"]
            lines += [f"{name} = {_value(inner)}" for name, inner in one.items()]
    return "\n".join([*lines, ""])


def _is_section(value: Any) -> bool:
    return isinstance(value, dict | list)


def _value(value: Any) -> str:
    """As `written`, with dates marked by `@`."""
    if isinstance(value, str) and value.startswith("@"):
        return value[1:]
    return written(value)
