"""The profile as the person writes it: one TOML file, checked key by key.

What a key means and its unit stands here and nowhere else; `profiles/README.md` is made from it.
"""

from typing import Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.schema_base import NotNegative, PartOfWhole, Positive, Section, Text, shown, wrong
from bridge.profile.schema_limits import Curves, FailSafe, Limits, Options, ShownSoc
from bridge.profile.schema_signals import Source, Transmission
from bridge.profile.schema_stages import Commissioning, Stages

VERSION = 1
"""The profile version this program reads."""

OptionValue = str | int | float | bool


class Pack(Section):
    """What all banks have in common."""

    chemistry: Text = Field(description="kind of cell: " + ", ".join(CHEMISTRIES))
    cells_in_series: int = Field(ge=1, le=400, description="cells in series in each bank")
    lost_bank: Literal["safe", "reduce"] = Field(
        default="safe",
        description="when one of several banks is lost: zero currents, or on with the remaining ones",
    )
    shares: Literal["fixed", "by need"] = Field(
        default="fixed",
        description="how several inverters share the current limits: as their shares say, or by the currents "
        "they report, a quarter of its share kept for each",
    )
    other_devices_a: NotNegative = Field(
        default=0.0,
        description="most that devices on the common bars charge or draw which are no inverter of this "
        "profile, A; the currents that the inverters report are compared with the pack's own",
    )

    @field_validator("chemistry")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in CHEMISTRIES:
            raise wrong(shown(name), ", ".join(CHEMISTRIES))
        return name


class Bank(Curves):
    """One string of cells; several stand in parallel. Curves given here replace those of [limits]."""

    name: Text = Field(description="its name")
    capacity_ah: Positive = Field(description="charge it holds, Ah; current is shared in proportion")
    charge_current_a: Positive = Field(description="most it may be charged with, A")
    discharge_current_a: Positive = Field(description="most that may be drawn from it, A")
    resistance_mohm: Positive | None = Field(
        default=None,
        description="resistance of the string with its cables, up to where the banks are joined, mΩ; "
        "foresees what joining them would drive",
    )
    cell_sensor_error_v: float = Field(
        default=0.002, ge=0, le=0.05, description="largest error of a cell sensor, either way, V"
    )
    current_sensor_error_a: float = Field(
        default=1.0, ge=0, le=20, description="largest error of the current sensor where none flows, A"
    )
    telemetry_delay_s: float = Field(
        default=1.0, ge=0, le=30, description="how old a reading may be when its frame comes in, s"
    )


class Bus(Section):
    """One CAN bus."""

    name: Text = Field(description="its name")
    interface: Text = Field(default="socketcan", description="kind of interface, as python-can names it")
    channel: Text = Field(description="interface on this machine, such as can0")
    bitrate: int = Field(ge=5_000, le=1_000_000, description="bits a second")
    options: dict[str, Any] = Field(
        default={}, max_length=50, description="further options of the interface, passed on as they are"
    )

    @field_validator("options")
    @classmethod
    def _plain(cls, options: dict[str, Any]) -> dict[str, OptionValue]:
        for key, value in options.items():
            if not isinstance(value, str | int | float | bool):
                raise wrong(f"{key} = {shown(value)}", "texts, numbers, true and false")
        if options.get("receive_own_messages"):
            raise wrong("receive_own_messages", "off: our own frames would be taken for somebody else's")
        return options


class Inverter(Section):
    """One receiver of limits."""

    name: Text = Field(description="its name")
    timeout_s: Positive = Field(
        description="how long it goes on with the last limits when nothing more arrives, s (from its manual)"
    )
    response_s: float = Field(
        default=3.0,
        ge=0.1,
        le=60,
        description="how slowly its charger obeys: the time constant, at the slowest, s",
    )
    when_silent: Literal["warn", "zero"] = Field(
        default="warn", description="while it is not heard: only warn, or send zero currents"
    )
    role: Literal["both", "charges", "discharges"] = Field(
        default="both",
        description="what it does with the pack; a limit of the other direction it is not told",
    )
    charge_share: PartOfWhole | None = Field(
        default=None,
        description="its part of the pack's charge current limit; default: an equal part, among those that "
        "charge, of what the stated ones leave",
    )
    discharge_share: PartOfWhole | None = Field(
        default=None, description="the same of the discharge current limit; default: an equal part likewise"
    )

    voltage_error_v: Positive | None = Field(
        default=None,
        description="what it reports at its terminals and the pack's own voltage may differ by so much, V, "
        "cables included; default: 0.05 for each cell in series",
    )

    @model_validator(mode="after")
    def _share_of_its_role(self) -> Self:
        for key, without in (("charge_share", "discharges"), ("discharge_share", "charges")):
            if self.role == without and getattr(self, key) is not None:
                raise wrong(f'{key} of an inverter whose role is "{without}"', "the share of its own role")
        return self


class Profile(Section):
    """The whole profile."""

    profile_version: Literal[1] = Field(description="version of this format")
    name: Text = Field(description="name of the site, for people")
    tick_ms: int = Field(default=100, ge=1, le=60_000, description="limits are computed this often, ms")
    pack: Pack = Field(description="what all banks have in common")
    bank: tuple[Bank, ...] = Field(min_length=1, max_length=32, description="one table for each bank")
    bus: tuple[Bus, ...] = Field(min_length=1, max_length=16, description="one table for each bus")
    inverter: tuple[Inverter, ...] = Field(
        min_length=1, max_length=32, description="one table for each inverter"
    )
    source: tuple[Source, ...] = Field(
        min_length=1, max_length=400, description="one table for each received message"
    )
    transmission: tuple[Transmission, ...] = Field(
        min_length=1, max_length=200, description="one table for each sent message"
    )
    limits: Limits = Field(default=Limits(), description="bounds of the pack and its cells")
    options: Options = Field(default=Options(), description="wishes of the person")
    shown_soc: ShownSoc | None = Field(default=None, description="state of charge as shown to the inverter")
    stages: Stages | None = Field(default=None, description="stages of a charge")
    commissioning: Commissioning | None = Field(
        default=None, description="a new pack is brought to top balance, for a time"
    )
    failsafe: FailSafe = Field(default=FailSafe(), description="times of the fail-safe states")

    @field_validator("bank", "bus", "inverter")
    @classmethod
    def _names_differ(cls, tables: tuple[Any, ...]) -> tuple[Any, ...]:
        names = [table.name for table in tables]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise wrong(f"the name {shown(twice[0])} more than once", "each name once")
        return tables
