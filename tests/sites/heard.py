"""What is heard in a drawn site: the monitors of its banks, and the inverters' signs of life."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any, Final, NamedTuple

from tests.sites.definitions import Code, Message, Signal, code_for
from tests.sites.dice import Dice
from tests.sites.traits import Table, Traits

CYCLES_MS: Final = (20, 50, 100, 100, 200, 250, 250, 500, 500, 1000, 1000, 2000)
POLYNOMIALS: Final = {
    4: (0x3, 0x9, 0xF),
    8: (0x07, 0x1D, 0x2F, 0x31, 0x9B, 0xD5),
    16: (0x1021, 0x8005, 0x3D65, 0x8BB7),
}
"""CRC polynomials of the published catalogues, by width."""

CELL_STEPS: Final = ("0.001", "0.001", "0.0005", "0.002", "0.0003", "0.005")


class Reading(NamedTuple):
    """One quantity, with the signal or signals it is read from."""

    quantity: str
    signals: tuple[Signal, ...]
    table: Table

    @property
    def bits(self) -> int:
        """What its signals take."""
        return sum(one.code.bits for one in self.signals)


def draw_sources(dice: Dice, site: Traits) -> None:
    """Draws the messages of all banks and inverters, and their tables."""
    groups = [_bank_readings(dice, site, bank) for bank in site.banks]
    busy = sum(len(group) for group in groups)
    for bank, readings in zip(site.banks, groups, strict=True):
        bus = dice.pick(site.buses)["name"]
        file = f"{bank['name']}.dbc"
        messages = site.files.setdefault(file, [])
        for message, table in _messages(dice, bank["name"], readings, busy):
            messages.append(message)
            _finish(dice, site, message, table)
            if len(site.banks) > 1:
                table["bank"] = bank["name"]
            site.sources.append({"bus": bus, "dbc": file, "message": message.name} | table)
    for inverter in site.inverters:
        inverter["bus"] = dice.pick(site.buses)["name"]
        if dice.happens(0.6):
            _heartbeat(dice, site, inverter)


# ── what a bank says ────────────────────────────────────────────────────────────────────────────────────


def _bank_readings(dice: Dice, site: Traits, bank: Table) -> list[Reading]:
    """Everything that is read of a bank, in drawn groups of signals."""
    cell, cells = site.cell, site.cells
    code = code_for(dice, 0.0, cell.cell_max_v + 0.4, CELL_STEPS, floats=0.03)
    code = code if code.bits <= 16 or code.float32 else Code(16, Decimal("0.0005"))
    way = dice.pick(("all", "extremes", "extremes", "both", "pages", "pages and extremes"))
    if code.float32 and way not in ("extremes",):
        code = Code(13, Decimal("0.001"))
    optional_cells = way in ("both", "pages and extremes") and dice.happens(0.3)
    found = [_volts(dice, site), *_current(dice, bank), *_soc(dice)]
    if way != "all" and way != "pages":
        names = ("cell_voltage_max", "cell_voltage_min")
        found += [_reading(dice, name, code, "V", _cell_span(dice, site)) for name in names]
    if way != "extremes":
        paged = way.startswith("pages")
        signals = tuple(Signal(f"cell_{n + 1:02d}", code, "V", 0 if paged else None) for n in range(cells))
        table: Table = {"signals": [one.name for one in signals]} | _cell_span(dice, site)
        if optional_cells:
            table["optional"] = True
        found.append(Reading("cell_voltage", signals, table))
    found += _warmth(dice)
    found += _flags(dice)
    if dice.happens(0.2):
        most_a = bank["charge_current_a"]
        span = code_for(dice, 0.0, 1.2 * most_a, ("0.1", "0.5", "1", "0.3"), zero=True)
        found.append(_reading(dice, "charge_current_permitted", span, "A", {}))
        most_a = bank["discharge_current_a"]
        span = code_for(dice, 0.0, 1.2 * most_a, ("0.1", "0.5", "1", "0.7"), zero=True)
        found.append(_reading(dice, "discharge_current_permitted", span, "A", {}))
    return found


def _reading(dice: Dice, quantity: str, code: Code, unit: str, table: Table) -> Reading:
    """One signal; now and then in thousandths of its unit, or without a unit."""
    more: Table = {}
    if not code.float32 and unit in ("V", "A") and dice.happens(0.2):
        code = code._replace(factor=code.factor * 1000, offset=code.offset * 1000)
        more, unit = {"scale": 0.001}, f"m{unit}"
    elif dice.happens(0.2):
        unit = ""
    if not code.float32 and dice.happens(0.15):
        more["unknown"] = [code.number(code.raws[1])]
    signal = Signal(quantity, code, unit)
    return Reading(quantity, (signal,), {"signal": signal.name} | more | table)


def _volts(dice: Dice, site: Traits) -> Reading:
    low_v, high_v = site.cells * site.cell.cell_min_v, site.cells * site.cell.cell_max_v
    factors: tuple[str, ...] = ("0.1", "0.05", "0.02", "0.01", "0.025", "0.03")
    if site.cells < 8:
        factors = ("0.02", "0.01", "0.005", "0.025")
    code = code_for(dice, 0.5 * low_v, 1.15 * high_v, factors, floats=0.05)
    table: Table = {}
    if dice.happens(0.4):
        table["range"] = [round(0.7 * low_v, 1), round(1.1 * high_v, 1)]
    if dice.happens(0.3):
        table["largest_jump"] = round(site.cells * dice.between(0.25, 0.8), 2)
    return _reading(dice, "pack_voltage", code, "V", table)


def _current(dice: Dice, bank: Table) -> list[Reading]:
    if dice.happens(0.15):
        return []
    most_a = 1.3 * max(bank["charge_current_a"], bank["discharge_current_a"])
    table: Table = {}
    if dice.happens(0.3):
        table["range"] = [-round(2.0 * most_a), round(2.0 * most_a)]
        most_a *= 2.2
    if dice.happens(0.1):
        table["optional"] = True
    code = code_for(dice, -most_a, most_a, ("0.1", "0.05", "0.02", "0.5", "0.3"), zero=True, floats=0.1)
    if dice.happens(0.2):
        signal = Signal("pack_current", code, "A")
        return [Reading("pack_current", (signal,), {"signal": signal.name, "scale": -1.0} | table)]
    return [_reading(dice, "pack_current", code, "A", table)]


def _soc(dice: Dice) -> list[Reading]:
    if dice.happens(0.2):
        return []
    table: Table = {"optional": True} if dice.happens(0.4) else {}
    code = code_for(dice, 0.0, 100.0, ("0.5", "0.1", "1", "0.4"), floats=0.1)
    return [_reading(dice, "state_of_charge", code, "%", table)]


def _warmth(dice: Dice) -> list[Reading]:
    code = code_for(dice, -45.0, 105.0, ("1", "0.5", "0.25", "0.1"), floats=0.03)
    table: Table = {}
    if dice.happens(0.3):
        table["range"] = [-42.0, 102.0]
    if dice.happens(0.3):
        table["largest_jump"] = dice.between(6.0, 25.0, 1)
    way = dice.pick(("both", "both", "coldest", "one", "probes"))
    if way in ("both", "coldest"):
        names = ("cell_temperature_min", "cell_temperature_max")[: 2 if way == "both" else 1]
        return [_reading(dice, name, code, "degC", dict(table)) for name in names]
    count = 1 if way == "one" or code.float32 else 2 + dice.below(3)
    signals = tuple(Signal(f"probe_{n + 1}", code, "degC") for n in range(count))
    named: Table = {"signals": [one.name for one in signals]} if count > 1 else {"signal": signals[0].name}
    return [Reading("cell_temperature", signals, named | table)]


def _flags(dice: Dice) -> list[Reading]:
    found = []
    for name, share in (
        ("charge_permitted", 0.5),
        ("discharge_permitted", 0.5),
        ("balancing", 0.3),
        ("bank_connected", 0.2),
    ):
        if not dice.happens(share):
            continue
        code = Code(dice.pick((1, 1, 2)))
        table: Table = {"signal": name}
        if dice.happens(0.3):
            table["true"] = dice.pick(([0.0], [1.0])) if code.bits == 1 else dice.pick(([1.0], [2.0, 3.0]))
            if code.bits == 2 and dice.happens(0.5):
                table["false"] = [0.0]
        if name == "balancing" and dice.happens(0.5):
            table["optional"] = True
        found.append(Reading(name, (Signal(name, code),), table))
    return found


def _cell_span(dice: Dice, site: Traits) -> Table:
    table: Table = {}
    if dice.happens(0.4):
        table["range"] = [round(0.8 * site.cell.cell_min_v, 2), round(site.cell.cell_max_v + 0.3, 2)]
    if dice.happens(0.3):
        table["largest_jump"] = dice.between(0.15, 0.8, 2)
    return table


# ── how it says it ──────────────────────────────────────────────────────────────────────────────────────


def _messages(dice: Dice, bank: str, readings: Sequence[Reading], busy: int) -> list[tuple[Message, Table]]:
    """Readings put together into messages, in a drawn order; cells have messages or pages of their own."""
    found: list[tuple[Message, Table]] = []
    plain = dice.shuffled([one for one in readings if one.quantity != "cell_voltage"])
    while plain:
        room, most = dice.pick((20, 36, 52)), 52
        taken = [plain.pop()]
        while plain and sum(one.bits for one in taken) + plain[-1].bits <= min(room, most):
            taken.append(plain.pop())
        signals = [signal for one in taken for signal in one.signals]
        message = Message(f"{bank}_part_{len(found) + 1}", bank, signals, _cycle_ms(dice, busy))
        found.append((message, {"signals": {one.quantity: one.table for one in taken}}))
    for one in readings:
        if one.quantity == "cell_voltage":
            found += _cells(dice, bank, one, busy)
    return found


def _cells(dice: Dice, bank: str, reading: Reading, busy: int) -> list[tuple[Message, Table]]:
    each = max(1, 50 // reading.signals[0].code.bits)
    parts = [reading.signals[n : n + each] for n in range(0, len(reading.signals), each)]
    if reading.signals[0].page is not None and len(parts) > 1:
        signals = [one._replace(page=n) for n, part in enumerate(parts) for one in part]
        cycle_ms = min(_cycle_ms(dice, busy), 500)
        message = Message(f"{bank}_cells", bank, signals, cycle_ms, pages=len(parts))
        return [(message, {"signals": {"cell_voltage": reading.table}})]
    found = []
    cycle_ms = _cycle_ms(dice, busy + len(parts))
    for n, part in enumerate(parts):
        table = reading.table | {"signals": [one.name for one in part], "first": n * each + 1}
        signals = [one._replace(page=None) for one in part]
        message = Message(f"{bank}_cells_{n + 1}", bank, signals, cycle_ms)
        found.append((message, {"signals": {"cell_voltage": table}}))
    return found


def _cycle_ms(dice: Dice, busy: int) -> int:
    """The more there is to say, the slower each of it."""
    return max(dice.pick(CYCLES_MS), 20 if busy < 10 else 100 if busy < 25 else 250)


def _finish(dice: Dice, site: Traits, message: Message, table: Table) -> None:
    """Counter, checksum, allowed ages; what the file states of the period."""
    if dice.happens(0.4) and message.bits() <= 56:
        message.signals.append(Signal("count", Code(dice.pick((2, 4, 8)))))
        table["counter"] = "count"
    if dice.happens(0.35) and message.bits() <= 44:
        signal, rule = checksum_of(dice)
        message.signals.append(signal)
        table["checksum"] = {"signal": "check"} | rule
    if message.pages == 1 and message.bits() <= 40 and dice.happens(0.3):
        message.length = -(-message.bits() // 8) + 1
    round_s = message.cycle_ms * message.pages / 1000
    age_s = max(round_s * dice.between(2.5, 7.0, 1), 2.5 * site.tick_ms / 1000, 0.3)
    table["max_age_s"] = age_s = round(min(age_s, 59.0), 2)
    own_ages_s = []
    for name, reading in table["signals"].items():
        own_s = age_s
        if dice.happens(0.1):
            reading["max_age_s"] = own_s = round(min(age_s * dice.between(1.0, 2.0), 59.0), 2)
        if not reading.get("optional") and name != "inverter_heartbeat":
            own_ages_s.append(own_s)
    site.ages_s += own_ages_s
    if dice.happens(0.2):
        message.cycle_ms = 0


def checksum_of(dice: Dice) -> tuple[Signal, dict[str, Any]]:
    """A checksum of 4, 8 or 16 bits: its signal, and the rule."""
    bits = dice.pick((4, 8, 8, 8, 16))
    kind = dice.pick(("sum", "xor", "crc"))
    rule: dict[str, Any] = {"algorithm": kind}
    if bits == 8 and dice.happens(0.5):
        rule["algorithm"] = f"{kind}8"
    most = 1 << bits
    if kind == "crc":
        rule["polynomial"] = dice.pick(POLYNOMIALS[bits])
        if dice.happens(0.3):
            rule["reflect"] = True
    elif bits == 4:
        rule["pieces"] = "nibbles"
    if dice.happens(0.4):
        rule["init"] = dice.below(most)
    if dice.happens(0.3):
        rule["xor_out"] = dice.below(most)
    if dice.happens(0.2):
        rule["prefix"] = [dice.below(256) for _ in range(1 + dice.below(2))]
    if dice.happens(0.2):
        rule["suffix"] = [dice.below(256) for _ in range(1 + dice.below(2))]
    return Signal("check", Code(bits), aligned=bits > 4), rule


def _heartbeat(dice: Dice, site: Traits, inverter: Table) -> None:
    """An inverter that is heard: any moving number will do."""
    name = inverter["name"]
    beat = Signal("beat", Code(dice.pick((4, 8, 16))))
    message = Message(f"{name}_report", name, [beat], _cycle_ms(dice, 0))
    table: Table = {"inverter": name, "signals": {"inverter_heartbeat": "beat"}}
    message.signals.append(Signal("mode", Code(3)))
    if dice.happens(0.3):
        low_v, high_v = 0.5 * site.cells * site.cell.cell_min_v, 1.1 * site.cells * site.cell.cell_max_v
        code = code_for(dice, low_v, high_v, ("0.1", "0.05"))
        message.signals.append(Signal("volts", code, "V"))
        table["signals"] |= {"inverter_voltage": {"signal": "volts"}}
    if dice.happens(0.3):
        signal, rule = checksum_of(dice)
        message.signals.append(signal)
        table["checksum"] = {"signal": "check"} | rule
    file = f"{name}.dbc"
    site.files.setdefault(file, []).append(message)
    table["max_age_s"] = round(max(message.cycle_ms / 1000 * dice.between(3.0, 8.0, 1), 0.5), 2)
    table["max_age_s"] = max(table["max_age_s"], 2.5 * site.tick_ms / 1000)
    site.sources.append({"bus": inverter["bus"], "dbc": file, "message": message.name} | table)
    if dice.happens(0.4):
        inverter["when_silent"] = "zero"
