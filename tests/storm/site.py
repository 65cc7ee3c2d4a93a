"""The site of a storm: a shipped profile, changed at random where a person might, every bound written out.

What is drawn stays sound: the caller lets `check` judge it, and draws again.
"""

import copy
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any, Final

from bridge.drill.toml import written
from bridge.profile.load import load_profile
from tests.sites.draw import draw_site

ROOT: Final = Path(__file__).parents[2]
PROFILES: Final = ROOT / "profiles"
Tables = dict[str, Any]

MOST_CELLS: Final = 40

START_S: Final = 1_900_000_000
"""Engine time of every storm's start, s."""

BASES: Final = ("cabin", "cabin", "jetty", "boathouse", "two")
"""What is drawn from, the quicker ones more often. `two`: the cabin, and another inverter on another bus."""


def base(name: str) -> Tables:
    """A shipped profile as tables, its message definitions by absolute path."""
    if name == "two":
        return _two()
    tables = tomllib.loads((PROFILES / f"{name}.toml").read_text(encoding="utf-8"))
    for table in tables["source"] + tables["transmission"]:
        table["dbc"] = str((PROFILES / table["dbc"]).resolve())
    return tables


def _two() -> Tables:
    tables, other = base("cabin"), base("boathouse")
    for table in tables["source"] + tables["transmission"]:
        table["bus"] = "cabin"
    for table in tables["transmission"]:
        table["inverter"] = "loft"
    second = next(one for one in other["transmission"] if one["message"] == "StringBounds")
    tables["transmission"].append({**second, "bus": "barn", "inverter": "barn"})
    tables["bus"].append({"name": "barn", "channel": "vcan1", "bitrate": 500_000})
    tables["inverter"].append({"name": "barn", "timeout_s": 9.8})
    return tables


def whole(number: int, folder: Path) -> Tables:
    """A site of the generator of whole sites, with message definitions of its own; every bound written out.

    Raises:
        ValueError: it is too large, or too slow, for a storm.
    """
    folder.mkdir(exist_ok=True)
    loaded = load_profile(draw_site(number, folder))
    tables = tomllib.loads(loaded.path.read_text(encoding="utf-8"))
    for table in tables["source"] + tables["transmission"]:
        table["dbc"] = str((folder / table["dbc"]).resolve())
    pack, limits = loaded.plan.limits, tables.setdefault("limits", {})
    charge, draw = loaded.plan.banks[0].charge, loaded.plan.banks[0].discharge
    for name, value in (
        ("cell_target_v", pack.cell_target_v),
        ("cell_floor_v", pack.cell_floor_v),
        ("charge_voltage_v", pack.charge_voltage_v),
        ("discharge_floor_v", pack.discharge_floor_v),
        ("resting_voltage_v", pack.resting_v),
        ("cell_cutoff_high_v", charge.cell_trip_v),
        ("cell_cutoff_high_release_v", charge.cell_release_v),
        ("cell_cutoff_low_v", draw.cell_trip_v),
        ("cell_cutoff_low_release_v", draw.cell_release_v),
        ("charge_coldest_c", charge.coldest_c),
        ("charge_hottest_c", charge.hottest_c),
        ("discharge_coldest_c", draw.coldest_c),
        ("discharge_hottest_c", draw.hottest_c),
        ("temperature_release_c", charge.release_c),
        ("charge_current_a", pack.charge_a),
        ("discharge_current_a", pack.discharge_a),
        ("charge_voltage_rise_v_per_s", pack.rise_v_per_s),
        ("charge_current_rise_a_per_s", pack.charge_rise_a_per_s),
        ("discharge_current_rise_a_per_s", pack.discharge_rise_a_per_s),
    ):
        limits.setdefault(name, value)
    failsafe = tables.setdefault("failsafe", {})
    for name, given in (("hold_s", 3.0), ("steady_s", 5.0)):
        failsafe.setdefault(name, given)
    ramp_s = max(
        limits[f"{way}_current_a"] / limits[f"{way}_current_rise_a_per_s"] for way in ("charge", "discharge")
    )
    cells = tables["pack"]["cells_in_series"] * len(tables["bank"])
    if cells > MOST_CELLS or ramp_s > 25.0 or failsafe["steady_s"] > 10.0 or tables["tick_ms"] < 50:
        raise ValueError(f"{cells} cells, {ramp_s:.0f} s to rise")
    return tables


def text_of(tables: Tables) -> str:
    """Tables as TOML."""
    return "".join(f"{key} = {written(value)}\n" for key, value in tables.items())


def drawn(draw: Random, name: str) -> Tables:
    """A profile that is drawn."""
    tables = base(name)
    tables["tick_ms"] = draw.choice((50, 100, 100, 200, 200, 400) if name != "boathouse" else (100, 200, 400))
    _limits(draw, tables)
    tables["failsafe"] = {
        "hold_s": round(draw.uniform(0.5, 3.0), 1),
        "silent_after_s": draw.choice((4.0, 10.0, 60.0, float("inf"))),
        "steady_s": round(draw.uniform(1.0, 6.0), 1),
        "mismatch_s": round(draw.uniform(1.0, 3.0), 1),
        "other_sender": draw.choice(("zero", "zero", "silent", "warn")),
        "stall_s": round(max(draw.uniform(1.0, 2.5), 3 * tables["tick_ms"] / 1000), 1),
    }
    for source in tables["source"]:
        source["max_age_s"] = round(source["max_age_s"] * draw.uniform(0.9, 1.3), 2)
    for inverter in tables["inverter"]:
        inverter["timeout_s"] = round(draw.uniform(9.0, 16.0), 1)
        inverter["when_silent"] = draw.choice(("warn", "zero"))
    for sent in tables["transmission"]:
        sent["period_ms"] = draw.choice((100, 200, 250, 500, 1000)) if sent["period_ms"] < 2000 else 5000
    if len(tables["bank"]) > 1:
        tables["pack"]["lost_bank"] = draw.choice(("safe", "reduce"))
    if draw.random() < 0.3:
        tables.pop("stages", None)
    return tables


def _limits(draw: Random, tables: Tables) -> None:
    cells, banks = tables["pack"]["cells_in_series"], tables["bank"]
    for bank in banks:
        bank["charge_current_a"] = round(bank["charge_current_a"] * draw.uniform(0.4, 1.0), 1)
        bank["discharge_current_a"] = round(bank["discharge_current_a"] * draw.uniform(0.4, 1.0), 1)
    charge_a = round(sum(b["charge_current_a"] for b in banks) * draw.choice((1.0, 1.0, 0.8)), 1)
    draw_a = round(sum(b["discharge_current_a"] for b in banks) * draw.choice((1.0, 1.0, 0.8)), 1)
    target_v, floor_v = round(draw.uniform(3.44, 3.52), 2), round(draw.uniform(2.85, 3.0), 2)
    tables["limits"] = {
        "cell_target_v": target_v,
        "cell_floor_v": floor_v,
        "charge_voltage_v": round(cells * target_v, 3),
        "discharge_floor_v": round(cells * floor_v, 3),
        "resting_voltage_v": round(cells * 3.35, 3),
        "cell_cutoff_high_v": round(target_v + draw.uniform(0.05, 0.1), 3),
        "cell_cutoff_high_release_v": round(target_v - 0.05, 3),
        "cell_cutoff_low_v": round(floor_v - draw.uniform(0.1, 0.2), 3),
        "cell_cutoff_low_release_v": round(floor_v + 0.1, 3),
        "charge_coldest_c": draw.choice((0.0, 0.0, 2.0)),
        "charge_hottest_c": draw.choice((45.0, 42.0)),
        "discharge_coldest_c": draw.choice((-20.0, -10.0)),
        "discharge_hottest_c": draw.choice((60.0, 55.0)),
        "temperature_release_c": draw.choice((1.0, 2.0, 3.0)),
        "charge_current_a": charge_a,
        "discharge_current_a": draw_a,
        "charge_voltage_rise_v_per_s": round(cells * draw.choice((0.02, 0.04)), 3),
        "charge_current_rise_a_per_s": round(charge_a * draw.choice((0.1, 0.2)), 2),
        "discharge_current_rise_a_per_s": round(draw_a * draw.choice((0.1, 0.2)), 2),
        "charge_by_coldest_cell": {"temperature_c": [2.0, 4.0, 10.0, 15.0], "share": [0.0, 0.1, 0.4, 1.0]},
    }


# ── other profiles of the same site, for reloads ────────────────────────────────────────────────────────


def _scaled(tables: Tables, factor: float) -> Tables:
    limits = tables["limits"]
    for name in ("charge_current_a", "discharge_current_a"):
        limits[name] = round(limits[name] * factor, 1)
        for bank in tables["bank"]:
            bank[name] = round(bank[name] * factor, 1)
    return tables


def tighter(tables: Tables) -> Tables:
    """Half the currents, and less voltage."""
    tables = _scaled(tables, 0.5)
    limits, cells = tables["limits"], tables["pack"]["cells_in_series"]
    limits["charge_voltage_v"] = round(limits["charge_voltage_v"] - 0.02 * cells, 3)
    return tables


def looser(tables: Tables) -> Tables:
    """A fifth more of the currents."""
    return _scaled(tables, 1.2)


def wish(tables: Tables) -> Tables:
    """No charging for an hour."""
    until = datetime.fromtimestamp(START_S, UTC) + timedelta(hours=1)
    tables["options"] = {"inhibit_charge": True, "inhibit_charge_until": until}
    return tables


def words(tables: Tables) -> Tables:
    """Another name, and another share of nothing: what is told stays."""
    tables["name"] = f"{tables['name']}, renamed"
    return tables


def renamed(tables: Tables) -> Tables:
    """Every bus has another name; the wires stay."""
    for bus in tables["bus"]:
        bus["name"] = f"{bus['name']}-2"
    for table in tables["source"] + tables["transmission"]:
        if "bus" in table:
            table["bus"] = f"{table['bus']}-2"
    return tables


def moved(tables: Tables) -> Tables:
    """The last bus is on another wire, where nobody is."""
    tables["bus"][-1]["channel"] = "spare0"
    return tables


def gone(tables: Tables) -> Tables:
    """The last bus is on an interface that does not exist."""
    tables["bus"][-1]["channel"] = "nothere0"
    return tables


def times(tables: Tables) -> Tables:
    """Other times."""
    failsafe = tables["failsafe"]
    failsafe["hold_s"] = round(failsafe["hold_s"] / 2, 2)
    failsafe["steady_s"] = round(failsafe["steady_s"] + 1.0, 1)
    return tables


GOOD: Final[dict[str, Callable[[Tables], Tables]]] = {
    "tighter": tighter,
    "looser": looser,
    "wish": wish,
    "words": words,
    "renamed": renamed,
    "moved": moved,
    "times": times,
    "same": lambda tables: tables,
}
"""Changed profiles that can be run."""


def _with(tables: Tables, section: str, key: str, value: Any) -> str:
    place = tables[section]
    (place[0] if isinstance(place, list) else place)[key] = value
    return text_of(tables)


BAD: Final[dict[str, Callable[[Tables], str]]] = {
    "section": lambda tables: text_of(tables) + "\n[no_such_section]\nfine = false\n",
    "cut": lambda tables: text_of(tables)[: len(text_of(tables)) // 2],
    "empty": lambda _: "",
    "deep": lambda tables: text_of(tables) + "x = " + "[" * 3000 + "]" * 3000 + "\n",
    "long": lambda tables: text_of(tables) + "y = " + "9" * 5000 + "\n",
    "nul": lambda tables: _with(tables, "source", "dbc", "a\0b.dbc"),
    "huge": lambda tables: _with(tables, "source", "max_age_s", 1e308),
    "nan": lambda tables: _with(tables, "failsafe", "hold_s", float("nan")),
    "unsound": lambda tables: _with(tables, "limits", "cell_target_v", 4.4),
    "gone": lambda tables: text_of(gone(tables)),
}
"""Files that cannot be run here."""


def variant(tables: Tables, kind: str) -> str:
    """The text of another profile of the same site."""
    tables = copy.deepcopy(tables)
    return text_of(GOOD[kind](tables)) if kind in GOOD else BAD[kind](tables)
