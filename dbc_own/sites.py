"""What the messages of the example sites say, and from which codings `draw.py` may choose.

Sites: a lakeside cabin (one bank of 16 LFP cells, one bus, 11-bit identifiers), its boathouse (two banks on
the bus `landing`, the inverter on the bus `house`, 29-bit identifiers) and its jetty (two small banks of 8
cells that can be unplugged, one bus, 11-bit identifiers).
"""

from typing import NamedTuple


class Code(NamedTuple):
    """One way to put a number into bits: value = raw * factor + offset (decimal texts)."""

    bits: int
    factor: str = "1"
    offset: str = "0"
    signed: bool = False
    float32: bool = False


class Field(NamedTuple):
    """One signal.

    Attributes:
        name: its name.
        codes: ways of coding it; one is drawn.
        low, high: the range written into the file, in `unit`.
        family: signals of one family in a file share the drawn code; its own name if empty.
        chooser: it selects the page; with `page` as well it is nested below another chooser.
        page: page it belongs to, counted from 0 in the order of the draw; None if always there.
        chosen_by: the chooser that `page` refers to.
    """

    name: str
    codes: tuple[Code, ...]
    low: float
    high: float
    unit: str
    comment: str
    family: str = ""
    values: str = ""
    aligned: bool = False
    chooser: bool = False
    page: int | None = None
    chosen_by: str = ""


class Message(NamedTuple):
    """One message of 8 bytes; `ordered` keeps its fields one after the other from byte 0."""

    name: str
    sender: str
    cycle_ms: int
    comment: str
    fields: tuple[Field, ...]
    ordered: bool = False


class File(NamedTuple):
    """One DBC file, drawn from its own seed; `intel` is the share of little-endian messages."""

    name: str
    seed: int
    extended: bool
    intel: float
    nodes: tuple[str, ...]
    messages: tuple[Message, ...]


# --- what the signals say ------------------------------------------------------------------------------

VOLTS = (Code(10, "0.1"), Code(12, "0.02"), Code(16, "0.01"), Code(14, "0.005"))
FINE_VOLTS = (Code(12, "0.025"), Code(13, "0.025"))
AMPS = (
    Code(14, "0.1", signed=True),
    Code(16, "0.05", signed=True),
    Code(13, "0.1", "-409.6"),
    Code(16, "0.02", "-640"),
)
LIMIT_AMPS = (Code(13, "0.1"), Code(15, "0.05"), Code(14, "0.05"))
CELL = (Code(13, "0.001"), Code(15, "0.0005"), Code(14, "0.0005", "-0.25"), Code(13, "0.001", "-0.5"))
WARMTH = (Code(8, "1", "-55"), Code(9, "0.5", "-48"), Code(10, "0.25", "-60"), Code(8, signed=True))
PERCENT = (Code(8, "0.5"), Code(10, "0.1"), Code(11, "0.05"), Code(7))
SWITCH2 = '0 "off" 1 "on" 2 "not told"'
STATES = '0 "starting" 1 "following" 2 "holding" 3 "safe" 4 "silent"'


def volts(name: str, comment: str, codes: tuple[Code, ...] = VOLTS) -> Field:
    """Return a voltage of a 16-cell string."""
    return Field(name, codes, 0, 80, "V", comment)


def amps(name: str, comment: str, codes: tuple[Code, ...] = AMPS) -> Field:
    """Return a current, positive when it charges the pack."""
    return Field(name, codes, -400, 400, "A", comment)


def limit_amps(name: str, comment: str) -> Field:
    """Return a current limit, a magnitude."""
    return Field(name, LIMIT_AMPS, 0, 500, "A", comment)


def cell(name: str, comment: str, codes: tuple[Code, ...] = CELL) -> Field:
    """Return the voltage of one cell; all in one file share a code."""
    return Field(name, codes, 0, 5, "V", comment, family="cell")


def warmth(name: str, comment: str) -> Field:
    """Return a temperature."""
    return Field(name, WARMTH, -40, 100, "degC", comment, family="warmth")


def percent(name: str, comment: str, codes: tuple[Code, ...] = PERCENT) -> Field:
    """Return a charge in percent."""
    return Field(name, codes, 0, 100, "%", comment)


def flag(name: str, comment: str) -> Field:
    """Return a yes or no in one bit."""
    return Field(name, (Code(1),), 0, 1, "", comment)


def switch(name: str, comment: str) -> Field:
    """Return a yes or no in two bits, with names."""
    return Field(name, (Code(2),), 0, 2, "", comment, values=SWITCH2)


def number(name: str, bits: tuple[int, ...], high: int, comment: str, values: str = "") -> Field:
    """Return a whole number from 0."""
    return Field(name, tuple(Code(size) for size in bits), 0, high, "", comment, values=values)


def count(bits: int, name: str = "count") -> Field:
    """Return a rolling count: one more in every frame, then 0 again."""
    return number(name, (bits,), 2**bits - 1, "rolling count: one more in every frame")


def check(kind: str) -> Field:
    """Return a checksum byte over the seven other bytes of its frame, in their order."""
    return Field("check", (Code(8),), 0, 255, "", f"{kind} over the seven other bytes", aligned=True)


def chooser(name: str, bits: int) -> Field:
    """Return the selector of a multiplexed message."""
    return number(name, (bits,), 2**bits - 1, "page selector")._replace(chooser=True)


def on_page(page: int, *fields: Field, chosen_by: str = "page") -> tuple[Field, ...]:
    """Return the fields, moved to a page."""
    return tuple(field._replace(page=page, chosen_by=chosen_by) for field in fields)


# --- the two sites -------------------------------------------------------------------------------------


def _cells(first: int, codes: tuple[Code, ...] = CELL) -> tuple[Field, ...]:
    return tuple(cell(f"cell_{n:02d}", f"voltage of cell {n}", codes) for n in range(first, first + 4))


def _extremes() -> tuple[Field, ...]:
    return (
        cell("highest_cell", "highest cell voltage"),
        cell("lowest_cell", "lowest cell voltage"),
        warmth("hottest_probe", "hottest temperature probe"),
        warmth("coldest_probe", "coldest temperature probe"),
    )


def _bounds(codes: tuple[Code, ...]) -> tuple[Field, ...]:
    return (
        volts("charge_volts_ceiling", "charge no higher than this", codes),
        limit_amps("charge_amps_most", "charge with no more than this"),
        limit_amps("draw_amps_most", "draw no more than this"),
        volts("draw_volts_floor", "discharge no lower than this", codes),
    )


def _permissions() -> tuple[Field, ...]:
    return (
        flag("charge_ok", "charging is allowed now"),
        flag("draw_ok", "discharging is allowed now"),
        flag("please_charge", "the pack asks to be charged"),
        switch("alarm", "data lost or implausible"),
        switch("warning", "something to look at"),
        number("bridge_state", (3, 4), 4, "fail-safe state of the bridge", STATES),
    )


def _inverter_report() -> tuple[Field, ...]:
    return (
        count(8, "beat"),
        volts("terminal_volts", "voltage at the inverter's own terminals"),
        amps("terminal_amps", "current at the inverter's own terminals"),
        number("mode", (3,), 3, "what it is doing", '0 "off" 1 "charging" 2 "feeding" 3 "waiting"'),
    )


CABIN_PACK = (
    Message(
        "PackOverview",
        "Monitor",
        500,
        "The pack as a whole",
        (
            volts("pack_volts", "voltage across the pack"),
            amps("pack_amps", "current, positive when charging"),
            percent("charge_left", "state of charge as the monitor counts it"),
        ),
    ),
    Message("CellExtremes", "Monitor", 500, "The outermost cells and probes", _extremes()),
    *(
        Message(f"Cells{letter}", "Monitor", 1000, f"Cells {first} to {first + 3}", _cells(first))
        for letter, first in (("A", 1), ("B", 5), ("C", 9), ("D", 13))
    ),
    Message(
        "PackSwitches",
        "Monitor",
        500,
        "What the monitor permits",
        (
            flag("may_charge", "the monitor permits charging"),
            flag("may_draw", "the monitor permits discharging"),
            flag("bleeding", "a cell is being balanced"),
            count(4),
        ),
    ),
)

CABIN_INVERTER = (
    Message("PackBounds", "Bridge", 500, "The four limits", _bounds((Code(10, "0.1"), Code(12, "0.1")))),
    Message(
        "PackStatus",
        "Bridge",
        1000,
        "The pack, to be shown",
        (
            percent("shown_charge", "state of charge as shown"),
            volts("pack_volts", "voltage across the pack"),
            amps("pack_amps", "current, positive when charging"),
            warmth("pack_warmth", "temperature of the hottest probe"),
        ),
    ),
    Message("PackPermissions", "Bridge", 1000, "What is allowed", (*_permissions(), count(8))),
    Message(
        "NamePlate",
        "Bridge",
        5000,
        "Name of the pack, 8 characters of ASCII",
        tuple(number(f"letter_{n}", (8,), 255, f"character {n}") for n in range(1, 9)),
        ordered=True,
    ),
    Message("InverterReport", "Inverter", 1000, "Sign of life of the inverter", _inverter_report()),
)


def _bank(bank: str, overview: tuple[Field, ...], pages: tuple[Field, ...]) -> tuple[Message, ...]:
    narrow = (Code(13, "0.001"), Code(13, "0.001", "-0.5"))
    cells = tuple(field for page in range(4) for field in on_page(page, *_cells(4 * page + 1, narrow)))
    permits = (
        flag("may_charge", "the bank permits charging"),
        flag("may_draw", "the bank permits discharging"),
    )
    return (
        Message(f"{bank}Overview", bank, 250, "The bank as a whole", overview),
        Message(f"{bank}Extremes", bank, 500, "Outermost cells and probes", (*_extremes(), *permits)),
        Message(f"{bank}CellPages", bank, 250, "Cell voltages, four a page", (*pages, *cells)),
    )


RECORD = Message(
    "BankOneRecord",
    "BankOne",
    2000,
    "What the bank remembers; a page may have leaves of its own",
    (
        chooser("page", 3),
        *on_page(0, number("days_awake", (16,), 65000, "days in service")),
        *on_page(1, chooser("leaf", 2)),
        *on_page(0, cell("highest_ever", "highest cell voltage ever"), chosen_by="leaf"),
        *on_page(1, cell("lowest_ever", "lowest cell voltage ever"), chosen_by="leaf"),
    ),
)

BANK_ONE = (
    *_bank(
        "BankOne",
        (
            volts("bank_volts", "voltage across the bank", FINE_VOLTS),
            amps("bank_amps", "current, positive when charging", (Code(16, "0.02", "-640"),)),
            percent("charge_left", "state of charge"),
            count(4),
            check("sum8"),
        ),
        (chooser("page", 3), check("xor8")),
    ),
    RECORD,
)

FLOAT_PERCENT = (Code(32, signed=True, float32=True),)

BANK_TWO = _bank(
    "BankTwo",
    (
        volts("bank_volts", "voltage across the bank", (Code(10, "0.1"),)),
        amps("bank_amps", "positive when charging; raw falls as it rises", (Code(14, "-0.1", "800"),)),
        percent("charge_left", "state of charge", FLOAT_PERCENT),
        check("xor8"),
    ),
    (chooser("page", 4), count(4)),
)

BOATHOUSE_INVERTER = (
    Message(
        "StringBounds",
        "Bridge",
        200,
        "The four limits",
        (*_bounds((Code(12, "0.025"),)), count(4), check("crc8")),
    ),
    Message(
        "StringNews",
        "Bridge",
        250,
        "One page after the other",
        (
            chooser("page", 4),
            *on_page(0, volts("string_volts", "voltage"), amps("string_amps", "positive when charging")),
            *on_page(
                1,
                percent("shown_charge", "state of charge as shown"),
                warmth("warmest", "hottest probe of both banks"),
                warmth("coldest", "coldest probe of both banks"),
            ),
            *on_page(2, *_permissions()),
        ),
    ),
    Message("HouseReport", "Inverter", 500, "Sign of life", (*_inverter_report(), check("sum8"))),
)


def _crate(name: str) -> tuple[Message, ...]:
    return (
        Message(
            f"{name}State",
            name,
            500,
            "The bank as a whole",
            (
                volts("bank_volts", "voltage across the bank"),
                amps("bank_amps", "current, positive when charging"),
                percent("charge_left", "state of charge"),
                flag("plugged_in", "the bank is joined to the bars of the jetty"),
                flag("may_charge", "the bank permits charging"),
                flag("may_draw", "the bank permits discharging"),
                count(4),
            ),
        ),
        Message(f"{name}Extremes", name, 500, "Outermost cells and probes", _extremes()),
    )


JETTY_BANKS = (*_crate("CrateLeft"), *_crate("CrateRight"))

JETTY_INVERTER = (
    Message("JettyBounds", "Bridge", 500, "The four limits", _bounds((Code(12, "0.1"),))),
    Message(
        "JettyNews",
        "Bridge",
        1000,
        "What is shown, and what is allowed",
        (percent("shown_charge", "state of charge as shown"), *_permissions()),
    ),
    Message("JettyReport", "Inverter", 1000, "Sign of life of the inverter", _inverter_report()),
)

FILES = (
    File("cabin_pack", 704_371, False, 0.5, ("Monitor", "Bridge"), CABIN_PACK),
    File("cabin_inverter", 704_312, False, 0.5, ("Bridge", "Inverter"), CABIN_INVERTER),
    File("boathouse_bank_one", 704_321, True, 0.0, ("BankOne", "Bridge"), BANK_ONE),
    File("boathouse_bank_two", 704_322, True, 0.0, ("BankTwo", "Bridge"), BANK_TWO),
    File("boathouse_inverter", 704_323, True, 0.0, ("Bridge", "Inverter"), BOATHOUSE_INVERTER),
    File("jetty_banks", 530_917, False, 0.5, ("Bridge", "CrateLeft", "CrateRight"), JETTY_BANKS),
    File("jetty_inverter", 530_918, False, 0.5, ("Bridge", "Inverter"), JETTY_INVERTER),
)
