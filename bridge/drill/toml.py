"""Writes a profile again, on other channels."""

import json
import math
import tomllib
from datetime import date, datetime, time
from pathlib import Path
from typing import Any


def on_channels(profile: Path, channels: dict[str, str]) -> str:
    """The text of a profile with other channels, all SocketCAN, that can stand in any folder."""
    tables = tomllib.loads(profile.read_text(encoding="utf-8"))
    for bus in tables["bus"]:
        bus["interface"] = "socketcan"
        bus["channel"] = channels[bus["name"]]
        bus.pop("options", None)
    for table in tables["source"] + tables["transmission"]:
        table["dbc"] = str((profile.parent / Path(table["dbc"]).expanduser()).resolve())
    return "".join(f"{_key(key)} = {written(value)}\n" for key, value in tables.items())


def written(value: Any) -> str:
    """A value as TOML writes it, on one line: tables are inline tables."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case float() if not math.isfinite(value):
            return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
        case int() | float():
            return repr(value)
        case datetime() | date() | time():
            return value.isoformat()
        case dict():
            return "{" + ", ".join(f"{_key(key)} = {written(one)}" for key, one in value.items()) + "}"
        case list():
            return "[" + ", ".join(written(one) for one in value) + "]"
    raise TypeError(f"{type(value).__name__}; allowed: what TOML knows")


def _key(key: str) -> str:
    return json.dumps(key, ensure_ascii=False)
