"""What all sections of a profile share: strict models, and errors that say what is found and allowed."""

import re
from datetime import date, datetime
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

MOST = 1_000_000
"""No voltage, current, time or charge of a profile is larger: nothing that is built, and hardly a slip."""

Text = Annotated[str, Field(min_length=1)]
Positive = Annotated[float, Field(gt=0, le=MOST)]
NotNegative = Annotated[float, Field(ge=0, le=MOST)]
Number = Annotated[float, Field(ge=-1e9, le=1e9)]
Celsius = Annotated[float, Field(ge=-273.15, le=1000)]
Share = Annotated[float, Field(ge=0, le=1)]
PartOfWhole = Annotated[float, Field(gt=0, le=1)]
Percent = Annotated[float, Field(ge=0, le=100)]
Byte = Annotated[int, Field(ge=0, le=255)]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


class Section(BaseModel):
    """One table of the profile: frozen, strict (a text is no number), unknown keys refused, no NaN.

    TOML arrays reach it as tuples (`bridge.profile.load` sees to that).
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True, defer_build=True)

    tag: ClassVar[str] = ""
    """Set where one of several tables may stand: `<kind>`, never part of what the user sees."""

    short_form: ClassVar[str | None] = None
    """The key that a bare text in place of the table stands for."""


def wrong(found: str, allowed: str) -> PydanticCustomError:
    """An error with the two parts every message to the user has."""
    return PydanticCustomError(
        "profile", "{found}; allowed: {allowed}", {"found": found.replace("{", "("), "allowed": allowed}
    )


def path_text(parts: tuple[str | int, ...]) -> str:
    """A dotted key as TOML writes it; tables of an array are counted from 1 in brackets."""
    text = ""
    for part in parts:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += ("." if text else "") + (part if _BARE_KEY.fullmatch(part) else f'"{part}"')
    return text or "profile"


def shown(value: Any) -> str:
    """A value of the profile as the user would recognise it, on one short line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        value = "[" + ", ".join(shown(one) for one in value) + "]"
    elif isinstance(value, datetime | date):
        value = value.isoformat()
    elif isinstance(value, str):
        value = f'"{value}"'
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."
