"""What the inverters of a drawn site are told, in one message or several, or on pages."""

from typing import Any, Final, NamedTuple

from tests.sites.definitions import FLOAT, Code, Message, Signal, code_for
from tests.sites.dice import Dice
from tests.sites.heard import checksum_of
from tests.sites.traits import Table, Traits

PERIODS_MS: Final = (20, 50, 100, 100, 200, 250, 500, 500, 1000, 1000, 2000)


class Said(NamedTuple):
    """One signal, and what it carries."""

    signal: Signal
    item: Any


def draw_transmissions(dice: Dice, site: Traits) -> None:
    """Draws what each inverter is told; several may share what is said to all."""
    shared = len(site.inverters) > 1 and dice.happens(0.4)
    if shared:
        bus = site.inverters[0]["bus"]
        for inverter in site.inverters:
            inverter["bus"] = bus
        _told(dice, site, "all.dbc", bus, None)
    else:
        for inverter in site.inverters:
            name = inverter["name"]
            _told(dice, site, f"{name}.dbc", inverter["bus"], name if len(site.inverters) > 1 else None)
    for inverter in site.inverters:
        del inverter["bus"]
    if len(site.inverters) > 1:
        _share(dice, site, shared=shared)


def _share(dice: Dice, site: Traits, *, shared: bool) -> None:
    """Parts of several inverters, or one that only charges or discharges."""
    if dice.happens(0.4):
        for way in ("charge_share", "discharge_share"):
            left = 1.0
            for inverter in site.inverters:
                inverter[way] = share = round(left * dice.between(0.2, 0.6), 3)
                left -= share
    elif not shared and dice.happens(0.5):
        one = dice.pick(site.inverters)
        one["role"], gone = dice.pick((("charges", "discharge"), ("discharges", "charge")))
        for table in site.transmissions:
            if table.get("inverter") == one["name"]:
                signals = table["signals"]
                table["signals"] = {
                    name: item for name, item in signals.items() if name != f"{gone}_current_limit"
                }
        site.transmissions = [one for one in site.transmissions if set(one["signals"]) - {"count", "check"}]


def _told(dice: Dice, site: Traits, file: str, bus: str, inverter: str | None) -> None:
    groups = _limit_groups(dice, site)
    news = _news(dice, site)
    way = dice.pick(("messages", "messages", "pages"))
    whole = [one for group in groups for one in group]
    if len(groups) == 1 and sum(one.signal.code.bits for one in whole) > 48:
        groups = [whole[:2], whole[2:]]
    if way == "pages" and len(groups) > 1:
        paged = [
            one._replace(signal=one.signal._replace(page=n))
            for n, group in enumerate(groups)
            for one in group
        ]
        _send(dice, site, file, bus, inverter, "Bounds", paged, pages=len(groups))
    else:
        for n, group in enumerate(groups):
            _send(dice, site, file, bus, inverter, f"Bounds{n + 1}", group)
    while news:
        taken: list[Said] = []
        while news and sum(one.signal.code.bits for one in taken) + news[-1].signal.code.bits <= 40:
            taken.append(news.pop())
        _send(dice, site, file, bus, inverter, f"News{len(news)}", taken)


def _limit_groups(dice: Dice, site: Traits) -> list[list[Said]]:
    """The limits, put together as some inverter wants them."""
    volts = _limit(dice, site, "charge_voltage_limit")
    charge = _limit(dice, site, "charge_current_limit")
    draw = _limit(dice, site, "discharge_current_limit")
    floor = [_limit(dice, site, "discharge_voltage_floor")] if dice.happens(0.85) else []
    way = dice.pick(("one", "one", "by direction", "by unit", "each"))
    if way == "by direction":
        return [[volts, charge], [draw, *floor]]
    if way == "by unit":
        return [[volts, *floor], [charge, draw]]
    if way == "each":
        return [[volts], [charge], [draw], *([floor] if floor else [])]
    return [[volts, charge, draw, *floor]]


def _limit(dice: Dice, site: Traits, quantity: str) -> Said:
    bounds = site.bounds
    if quantity.endswith("current_limit"):
        most_a = bounds["charge_a" if quantity.startswith("charge") else "draw_a"]
        factors = ("0.1", "0.05", "0.5", "0.25", "0.3") if most_a > 20 else ("0.1", "0.05", "0.02")
        code = code_for(dice, 0.0, 1.1 * most_a, factors, zero=True, floats=0.03)
        if quantity.startswith("discharge") and not code.float32 and dice.happens(0.15):
            code = Code(code.bits + 1, abs(code.factor), signed=True)
            return Said(Signal(quantity, code, "A"), {"quantity": quantity, "scale": -1.0})
        return _scaled(dice, quantity, code, "A")
    low_v = min(bounds["rest_v"], bounds["floor_v"]) - 1.0
    factors = ("0.1", "0.05", "0.02", "0.01", "0.025")
    code = code_for(dice, max(low_v, 0.0), 1.05 * bounds["charge_v"] + 0.5, factors, floats=0.03)
    return _scaled(dice, quantity, code, "V")


def _scaled(dice: Dice, quantity: str, code: Code, unit: str) -> Said:
    if not code.float32 and dice.happens(0.15):
        code = code._replace(factor=code.factor * 1000, offset=code.offset * 1000)
        return Said(Signal(quantity, code, f"m{unit}"), {"quantity": quantity, "scale": 1000.0})
    return Said(Signal(quantity, code, unit if dice.happens(0.8) else ""), quantity)


def _news(dice: Dice, site: Traits) -> list[Said]:
    """What is shown besides the limits."""
    read = {name for source in site.sources for name in source["signals"]}
    found = []
    for name in ("charge_allowed", "discharge_allowed", "charge_requested", "alarm", "warning"):
        if dice.happens(0.4):
            bits = dice.pick((1, 2))
            item: Table = {"flag": name}
            if dice.happens(0.3):
                item |= {"true": 0.0, "false": 1.0}
            if bits == 2 and dice.happens(0.5):
                item["absent"] = 3.0
            found.append(Said(Signal(name, Code(bits)), item))
    if dice.happens(0.3):
        found.append(Said(Signal("failsafe_state", Code(dice.pick((3, 4)))), "failsafe_state"))
    high_v = 1.1 * site.cells * site.cell.cell_max_v
    most_a = 1.2 * max(site.bounds["charge_a"], site.bounds["draw_a"])
    rows = (
        ("pack_voltage", "pack_voltage", 0.0, high_v, ("0.1", "0.01", "0.05"), "V"),
        ("pack_current", "pack_current", -most_a, most_a, ("0.1", "0.5"), "A"),
        ("shown_state_of_charge", "state_of_charge", 0.0, 100.0, ("0.5", "1", "0.1"), "%"),
        ("cell_temperature_min", "cell_temperature", -50.0, 80.0, ("1", "0.5"), "degC"),
    )
    for name, source, low, high, factors, unit in rows:
        if not any(one.startswith(source) for one in read) or not dice.happens(0.35):
            continue
        code = code_for(dice, low, high, factors, floats=0.05)
        absent = -1.0 if code == FLOAT else code.number(dice.pick(code.raws))
        found.append(Said(Signal(name, code, unit), {"quantity": name, "absent": absent}))
    if dice.happens(0.2):
        values = '0 "off" 1 "pack" 2 "other"'
        found.append(Said(Signal("kind", Code(3), values=values), {"choice": "pack"}))
    if dice.happens(0.2):
        found.append(Said(Signal("plate", Code(8)), {"constant": float(dice.below(256))}))
    if dice.happens(0.1):
        found.append(Said(Signal("letters", Code(16), aligned=True), {"text": "WEIR", "first": 2}))
    return dice.shuffled(found)


def _send(
    dice: Dice,
    site: Traits,
    file: str,
    bus: str,
    inverter: str | None,
    name: str,
    said: list[Said],
    pages: int = 1,
) -> None:
    stem = file.removesuffix(".dbc")
    period_ms = max(dice.pick(PERIODS_MS), site.tick_ms if dice.happens(0.97) else 1)
    message = Message(f"{stem}_{name}", "Bridge", [one.signal for one in said], period_ms, pages=pages)
    signals: Table = {one.signal.name: one.item for one in said}
    if message.bits() <= 58 and dice.happens(0.4):
        bits = dice.pick((2, 4))
        message.signals.append(Signal("count", Code(bits)))
        signals["count"] = {"counter": {"modulo": 2**bits - 1} if dice.happens(0.3) else {}}
    if message.bits() <= 44 and dice.happens(0.3):
        signal, rule = checksum_of(dice)
        message.signals.append(signal)
        signals["check"] = {"checksum": rule}
    table: Table = {"bus": bus, "dbc": file, "message": message.name, "period_ms": period_ms}
    if inverter is not None:
        table["inverter"] = inverter
    if dice.happens(0.2):
        table["phase_ms"] = dice.below(period_ms)
    site.files.setdefault(file, []).append(message)
    site.transmissions.append(table | {"signals": signals})
