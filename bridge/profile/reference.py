"""The profile reference, made from the schema.

`python -m bridge.profile.reference > profiles/README.md` writes it.
"""

from collections.abc import Iterator
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from bridge.profile import schema, schema_checksum, schema_limits, schema_signals, schema_stages
from bridge.profile.schema_base import Section, shown
from bridge.quantities import QUANTITIES, Kind

HEAD = """\
# Profile reference

One TOML file describes the pack, the buses, the inverter and all messages. `cabin.toml`, `boathouse.toml`
(two banks, stages) and `jetty.toml` (banks that come and go, commissioning) beside this file are complete
examples; `ampweir check PROFILE` proves a profile on paper, and says of every problem where it is (tables of
an array are counted from 1), what was found and what is allowed.

Rules for all keys: an unknown key is refused. The unit is in the name of a key (`_v` volt, `_a` ampere,
`_c` degrees Celsius, `_s` second, `_ms` millisecond, `_min` minute, `_ah` ampere hour, `_pct` percent,
`_mohm` milliohm) or in its description. Paths are relative to the profile. Current is positive when it
charges the pack; current limits are never negative. A date has its offset: `2026-12-01T12:00:00+01:00`.
`[[name]]` may be repeated, one table each.

Bounds for all keys: a profile has at most 250,000 bytes, the message definitions it names at most 1,000,000
together; a text at most 1,000 characters, all of which can be printed; a voltage, current, time or charge is
at most 1,000,000, any other number is 0 or from 1e-9 to 1e20 in size; a date lies in the years 1970 to 2099.

This file is made from the schema; change `bridge/profile/schema*.py`, then run
`python -m bridge.profile.reference > profiles/README.md`.

"""

SECTIONS: tuple[tuple[str, type[Section]], ...] = (
    ("The file itself", schema.Profile),
    ("[pack]", schema.Pack),
    ("[[bank]]", schema.Bank),
    ("[[bus]]", schema.Bus),
    ("[[inverter]]", schema.Inverter),
    ("[[source]]", schema_signals.Source),
    ("[source.signals]: a reading", schema_signals.Reading),
    ("[source] checksum", schema_checksum.ReceivedChecksum),
    ("[limits]", schema_limits.Limits),
    ("Curve by cell voltage", schema_limits.CellCurve),
    ("Curve by temperature", schema_limits.TemperatureCurve),
    ("Curve by state of charge", schema_limits.SocCurve),
    ("[options]", schema_limits.Options),
    ("[shown_soc]", schema_limits.ShownSoc),
    ("[stages]", schema_stages.Stages),
    ("[commissioning]", schema_stages.Commissioning),
    ("[failsafe]", schema_limits.FailSafe),
    ("[[transmission]]", schema_signals.Transmission),
    *((f"[transmission.signals]: {item.tag[1:-1]}", item) for item in schema_signals.ITEMS),
    ("counter", schema_signals.CounterRule),
    ("checksum", schema_checksum.ChecksumRule),
    ("checksum: by_counter", schema_checksum.ChosenBytes),
)
"""Every table a profile can have, in the order of the reference."""

_WORDS = {float: "number", int: "whole number", str: "text", bool: "true or false", dict: "table"}


def reference() -> str:
    """The whole reference, Markdown."""
    parts = [HEAD]
    for title, section in SECTIONS:
        doc = " ".join((section.__doc__ or "").split())
        parts.append(f"## {title}\n\n{doc}\n\n| key | kind | default | meaning |\n|---|---|---|---|\n")
        parts += [_row(name, field) for name, field in section.model_fields.items()]
        parts.append("\n")
    parts += _quantities()
    return "".join(parts).rstrip() + "\n"


def _row(name: str, field: FieldInfo) -> str:
    text, _, derived = (field.description or "").partition("; default: ")
    default = derived or _default(field)
    return f"| `{name}` | {_kind(field.annotation)} | {default} | {text} |\n"


def _default(field: FieldInfo) -> str:
    if field.default is PydanticUndefined:
        return "must be given"
    if field.default is None:
        return "none"
    if field.default in ({}, ()):
        return "empty"
    return "see below" if isinstance(field.default, Section) else f"`{shown(field.default)}`"


def _kind(annotation: Any) -> str:
    """A type in plain words."""
    origin = get_origin(annotation)
    if origin in (Union, UnionType):
        return " or ".join(_kind(part) for part in get_args(annotation) if part is not NoneType)
    if origin is Literal:
        return " or ".join(f"`{shown(value)}`" for value in get_args(annotation))
    if origin is tuple:
        return (
            "tables" if _is_section(get_args(annotation)[0]) else f"list of {_each(get_args(annotation)[0])}"
        )
    if origin is dict:
        return "table"
    if hasattr(annotation, "__metadata__"):
        return _kind(get_args(annotation)[0])
    if _is_section(annotation):
        return "text or table" if annotation.short_form else "table"
    return _WORDS.get(annotation, "date, time and offset")


def _each(annotation: Any) -> str:
    """The kinds of a list's entries, in the plural."""
    kinds = _kind(annotation).split(" or ")
    return " or ".join(f"lists{kind[4:]}" if kind.startswith("list ") else f"{kind}s" for kind in kinds)


def _is_section(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, Section)


def _quantities() -> Iterator[str]:
    yield "## Quantities\n\n| name | unit | from | to | read or sent | meaning |\n|---|---|---|---|---|---|\n"
    for one in QUANTITIES.values():
        uses = [
            use
            for use, names in (
                ("read", (*schema_signals.MEASURED, *schema_signals.OF_INVERTER)),
                ("sent", schema_signals.SENDABLE),
            )
            if one.name in names
        ]
        each = ", one for each" if one.kind is Kind.CELL else ""
        span = f"{one.low:g} | {one.high:g}" if one.high < 1e9 else "any | any"
        yield f"| `{one.name}` | {one.unit} | {span} | {', '.join(uses)}{each} | {one.meaning} |\n"


if __name__ == "__main__":
    print(reference(), end="")
