"""A profile as the observer reads it: raw TOML by tomllib, messages by cantools, nothing of the program.

Rules it cannot find written out in the profile it does not check; the generator of the storm's sites writes
them out.
"""

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

import cantools
from cantools.database.can import Database, Message, Signal

EXTENDED: Final = 0x8000_0000
LIMITS: Final = (
    "charge_voltage_limit",
    "charge_current_limit",
    "discharge_current_limit",
    "discharge_voltage_floor",
)
CHARGE, DRAW = LIMITS[1], LIMITS[2]
COLDEST_CHARGE_C: Final = {"lfp": 0.0, "nmc": 0.0, "nca": 0.0, "lto": -20.0, "sodium": -10.0}
"""Where a profile may ask for less, but never for more."""

KEPT: Final = 4096


class Place(NamedTuple):
    """One reading: of which bank or inverter, what, and the number of the cell or probe, 0 for none."""

    owner: str
    quantity: str
    number: int


class Read(NamedTuple):
    """How one signal is to be read; `true` and `false` are the numbers that mean yes and no, for a flag."""

    place: Place
    signal: str
    scale: float
    shift: float
    low: float
    high: float
    true: tuple[float, ...]
    false: tuple[float, ...]
    unknown: tuple[float, ...]
    age_s: float
    required: bool


class Heard:
    """One message the program receives."""

    def __init__(self, table: Mapping[str, Any], wire: str, owner: str, message: Message) -> None:
        self.wire, self.owner, self.message = wire, owner, message
        self.name: str = table["message"]
        self.key = key_of(message)
        self.of_bank = "inverter" not in table
        self.counter: str | None = table.get("counter")
        self.counter_step: int = table.get("counter_step", 0)
        length = message.get_signal_by_name(self.counter).length if self.counter else 0
        self.counter_span = 2**length
        self.checksum: Mapping[str, Any] | None = table.get("checksum")
        self.reads = tuple(_reads(table, owner, message))
        self._decoded: dict[bytes, dict[str, float] | None] = {}

    def decode(self, data: bytes) -> dict[str, float] | None:
        """Numbers by signal; `None` for a frame that cannot be read."""
        if data not in self._decoded:
            if len(self._decoded) > KEPT:
                self._decoded.clear()
            self._decoded[data] = decoded(self.message, data)
        return self._decoded[data]


class Said:
    """One message the program sends."""

    def __init__(
        self, table: Mapping[str, Any], wire: str, inverters: tuple[str, ...], message: Message
    ) -> None:
        self.wire, self.inverters, self.message = wire, inverters, message
        self.name: str = table["message"]
        self.key = key_of(message)
        self.period_s = table["period_ms"] / 1000
        self.items: dict[str, Any] = {
            signal: {"quantity": item} if isinstance(item, str) else item
            for signal, item in table["signals"].items()
        }
        self.quantities = {one.get("quantity") or one.get("flag") for one in self.items.values()} - {None}
        self.pages = _pages(message, self.items)
        self._decoded: dict[bytes, dict[str, float] | None] = {}

    @property
    def carries_limits(self) -> bool:
        """Whether one of the four limits is in it."""
        return not self.quantities.isdisjoint(LIMITS)

    @property
    def round_s(self) -> float:
        """How long until everything in it has been sent again."""
        return float(self.period_s * self.pages)

    def decode(self, data: bytes) -> dict[str, float] | None:
        """Numbers by signal; `None` for a frame that cannot be read."""
        if data not in self._decoded:
            if len(self._decoded) > KEPT:
                self._decoded.clear()
            self._decoded[data] = decoded(self.message, data)
        return self._decoded[data]

    def step(self, signal: str, scale: float) -> float:
        """The step in which a signal is told, in units of the quantity."""
        return abs(float(self.message.get_signal_by_name(signal).scale) / scale)


class Book:
    """What a profile promises."""

    def __init__(self, text: str, wires: Mapping[str, str]) -> None:
        """Reads it.

        Args:
            text: the profile; its message definitions by absolute paths.
            wires: which wire is at an interface, by its name.
        """
        raw = tomllib.loads(text)
        limits, failsafe = raw["limits"], raw.get("failsafe", {})
        self.name: str = raw["name"]
        self.tick_s = raw.get("tick_ms", 100) / 1000
        self.hold_s: float = failsafe.get("hold_s", 3.0)
        self.silent_s: float = failsafe.get("silent_after_s", 60.0)
        self.steady_s: float = failsafe.get("steady_s", 5.0)
        self.mismatch_s: float = failsafe.get("mismatch_s", 3.0)
        self.stall_s: float = failsafe.get("stall_s", 2.0)
        self.other_sender: str = failsafe.get("other_sender", "zero")
        self.reduces = raw["pack"].get("lost_bank", "safe") == "reduce"
        self.banks: dict[str, Mapping[str, Any]] = {one["name"]: one for one in raw["bank"]}
        self.inverters: dict[str, Mapping[str, Any]] = {one["name"]: one for one in raw["inverter"]}
        self.options: Mapping[str, Any] = raw.get("options", {})
        self.by_soc = any("by_soc" in key for one in (limits, *raw["bank"]) for key in one)
        self.gentle = "commissioning" in raw or bool(self.options.get("hold_charge_while_balancing"))
        self.limits: Mapping[str, Any] = limits
        self.chemistry: str = raw["pack"]["chemistry"]
        self._wires = {one["name"]: wires.get(one["channel"], "?") for one in raw["bus"]}
        self.hard = {
            LIMITS[0]: limits.get("charge_voltage_v"),
            LIMITS[1]: limits.get("charge_current_a", sum(b["charge_current_a"] for b in raw["bank"])),
            LIMITS[2]: limits.get("discharge_current_a", sum(b["discharge_current_a"] for b in raw["bank"])),
            LIMITS[3]: limits.get("discharge_floor_v"),
        }
        volts_a_s = limits.get("charge_voltage_rise_v_per_s", 0.01 * raw["pack"]["cells_in_series"])
        self.rises = {
            LIMITS[0]: volts_a_s,
            LIMITS[1]: limits.get("charge_current_rise_a_per_s", self.hard[CHARGE] / 20),
            LIMITS[2]: limits.get("discharge_current_rise_a_per_s", self.hard[DRAW] / 20),
            LIMITS[3]: volts_a_s,
        }
        self.senses = repr([raw["bank"], raw["bus"], raw["source"], raw["transmission"]])
        self.heard = [self._heard(table) for table in raw["source"]]
        self.said = [self._said(table) for table in raw["transmission"]]
        self.hears: dict[tuple[str, int], list[Heard]] = {}
        for one in self.heard:
            self.hears.setdefault((one.wire, one.key), []).append(one)
        self.says = {(one.wire, one.key): one for one in self.said}
        self.required = {
            bank: tuple(
                read for one in self.heard for read in one.reads if one.owner == bank and read.required
            )
            for bank in self.banks
        }
        self.tell_s = max(one.round_s for one in self.said if one.carries_limits)

    @property
    def react_s(self) -> float:
        """From a believed reading to the frame that shows it."""
        return float(3 * self.tick_s)

    def share(self, bank: str) -> float:
        """The part of the current a bank is expected to take."""
        return float(self.banks[bank]["capacity_ah"] / sum(b["capacity_ah"] for b in self.banks.values()))

    def _heard(self, table: Mapping[str, Any]) -> Heard:
        owner = table.get("inverter") or table.get("bank") or next(iter(self.banks))
        return Heard(table, self._wire(table), owner, message_of(table["dbc"], table["message"]))

    def _said(self, table: Mapping[str, Any]) -> Said:
        inverters = (table["inverter"],) if "inverter" in table else tuple(self.inverters)
        return Said(table, self._wire(table), inverters, message_of(table["dbc"], table["message"]))

    def _wire(self, table: Mapping[str, Any]) -> str:
        return self._wires[table["bus"]] if "bus" in table else next(iter(self._wires.values()))


def _unknown(given: Any, signal: Signal) -> tuple[float, ...]:
    """The numbers that stand for no reading; of the word, the two highest of few bits, or bytes FE and FF."""
    if given != "j1939":
        return () if isinstance(given, str) else tuple(given)
    length, scale, offset = signal.length, float(signal.scale), float(signal.offset)
    raws = range(2**length - 2, 2**length) if length < 8 else range(0xFE << length - 8, 2**length)
    return tuple(raw * scale + offset for raw in (raws if len(raws) < 3000 else raws[-1:]))


def _reads(table: Mapping[str, Any], owner: str, message: Message) -> list[Read]:
    found = []
    for quantity, given in table["signals"].items():
        how: Mapping[str, Any] = {"signal": given} if isinstance(given, str) else given
        names = how.get("signals") or [how["signal"]]
        # Less than nothing is never permitted.
        low, high = how.get("range", (0.0 if quantity.endswith("current_permitted") else -1e9, 1e9))
        each = quantity in ("cell_voltage", "cell_temperature")
        for n, name in enumerate(names):
            place = Place(owner, quantity, how.get("first", 1) + n if each else 0)
            found.append(
                Read(
                    place,
                    name,
                    how.get("scale", 1.0),
                    how.get("shift", 0.0),
                    low,
                    high,
                    tuple(how.get("true", (1.0,))),
                    tuple(how.get("false", ((1.0,) if 0.0 in how.get("true", (1.0,)) else (0.0,)))),
                    _unknown(how.get("unknown", ()), message.get_signal_by_name(name)),
                    how.get("max_age_s", table["max_age_s"]),
                    required="inverter" not in table and not how.get("optional", False),
                )
            )
    return found


@cache
def _database(path: str) -> Database:
    database = cantools.database.load_file(Path(path), database_format="dbc")
    assert isinstance(database, Database)
    return database


@cache
def message_of(path: str, name: str) -> Message:
    """A message of a DBC file."""
    return _database(path).get_message_by_name(name)


def key_of(message: Message) -> int:
    """Its identifier, marked if it has 29 bits."""
    return message.frame_id | (EXTENDED if message.is_extended_frame else 0)


def decoded(message: Message, data: bytes) -> dict[str, float] | None:
    """What cantools reads."""
    if len(data) < message.length:
        return None
    try:
        found = message.decode(data, decode_choices=False)
    except Exception:  # whatever cantools has to say against it
        return None
    assert isinstance(found, dict)
    return {name: float(value) for name, value in found.items()}  # type: ignore[arg-type]


def _pages(message: Message, items: Mapping[str, Any]) -> int:
    pages = {
        tuple(signal.multiplexer_ids)
        for signal in message.signals
        if signal.name in items and signal.multiplexer_ids
    }
    return max(len(pages), 1)
