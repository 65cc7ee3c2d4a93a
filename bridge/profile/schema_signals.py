"""The sections of a profile about messages: what is received, and what is sent."""

from typing import Annotated, Any, ClassVar, Self

from pydantic import Discriminator, Field, Tag, field_validator, model_validator

from bridge.profile.schema_base import Byte, Number, Positive, Section, Text, shown, wrong
from bridge.profile.schema_checksum import ChecksumRule, ReceivedChecksum
from bridge.quantities import QUANTITIES, Kind

MEASURED = tuple(name for name, one in QUANTITIES.items() if one.kind in (Kind.BANK, Kind.CELL))
"""Quantities a bank is read by."""

OF_INVERTER = tuple(name for name, one in QUANTITIES.items() if one.kind is Kind.INVERTER)
"""Quantities an inverter is read by."""

SENDABLE = tuple(
    name
    for name, one in QUANTITIES.items()
    if one.kind in (Kind.BANK, Kind.LIMIT, Kind.OUTPUT) and name != "bank_connected"
)
"""Quantities an inverter can be told."""


def is_flag(quantity: str) -> bool:
    """Whether the quantity is a yes or no."""
    known = QUANTITIES[quantity]
    return not known.unit and known.high == 1


WORDS = ("j1939", "nan")
"""What may stand for a list of unknown numbers."""

MANY = 256
"""Most numbers in a list of those that mean something."""


class _Short(Section):
    """A table in whose place a bare text may stand."""

    @model_validator(mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        return {cls.short_form: value} if isinstance(value, str) and cls.short_form else value


class Reading(_Short):
    """Where a measured quantity comes from. A bare text stands for `{ signal = "..." }`."""

    short_form = "signal"

    signal: Text | None = Field(default=None, description="signal it is read from")
    signals: tuple[Text, ...] | None = Field(
        default=None,
        min_length=1,
        max_length=400,
        description="in place of signal: one for each cell or probe, in their order",
    )
    first: int = Field(default=1, ge=1, le=400, description="number of the first cell or probe of signals")
    scale: Number = Field(
        default=1.0, description="reading = number * scale + shift; -1.0 turns a sign round"
    )
    shift: Number = Field(default=0.0, description="see scale, in units of the quantity")
    range: tuple[float, float] | None = Field(
        default=None,
        description="lowest and highest believable reading; default: what the quantity can be at all, of a "
        "cell's voltage no less than half of that at which its chemistry's are lost",
    )
    largest_jump: Positive | None = Field(
        default=None, description="largest believable change from one reading to the next; default: any"
    )
    max_age_s: Positive | None = Field(
        default=None, description="an older reading is not used, s; default: the source's"
    )
    optional: bool = Field(default=False, description="the bank is trusted without it")
    true: tuple[float, ...] = Field(
        default=(1.0,), min_length=1, max_length=256, description="of a flag: the numbers that mean yes"
    )
    false: tuple[float, ...] | None = Field(
        default=None,
        min_length=1,
        max_length=MANY,
        description="of a flag: the numbers that mean no; any other is doubt; default: 0, or 1 where 0 means "
        "yes",
    )
    unknown: str | tuple[float, ...] | None = Field(
        default=None,
        description="numbers that say nothing, as the message-definition file scales them: the reading is "
        'left out, and gets older. "j1939": what that standard keeps for errors and for what is not '
        "available (of 8 bits and more: a highest byte of FE or FF; of fewer: the two highest numbers). "
        '"nan": what is not a number',
    )

    @field_validator("unknown", mode="before")
    @classmethod
    def _a_word_or_numbers(cls, unknown: Any) -> Any:
        numbers = isinstance(unknown, tuple) and 0 < len(unknown) <= MANY
        if not (unknown in WORDS or (numbers and all(type(one) in (int, float) for one in unknown))):
            raise wrong(shown(unknown), f'1 to {MANY} numbers, "j1939" or "nan"')
        return unknown

    @model_validator(mode="after")
    def _is_possible(self) -> Self:
        if (self.signal is None) == (self.signals is None):
            raise wrong(
                "both signal and signals" if self.signal else "neither signal nor signals", "one of them"
            )
        if self.scale == 0:
            raise wrong("scale 0", "any number but 0")
        if self.range is not None and self.range[0] >= self.range[1]:
            raise wrong(f"range {shown(self.range)}", "the lower number first")
        return self

    @property
    def no(self) -> tuple[float, ...]:
        """The numbers of a flag that mean no."""
        return self.false or ((1.0,) if 0.0 in self.true else (0.0,))

    @property
    def names(self) -> tuple[str, ...]:
        """The signals, whichever way they were given."""
        return (self.signal,) if self.signal is not None else self.signals or ()


class Source(Section):
    """One received message, and what it says about a bank or an inverter."""

    bus: Text | None = Field(default=None, description="bus it comes on; default: the only one")
    bank: Text | None = Field(default=None, description="bank it speaks for; default: the only one")
    inverter: Text | None = Field(default=None, description="in place of bank: inverter it speaks for")
    dbc: Text = Field(description="message-definition file, relative to the profile")
    message: Text = Field(description="its name in that file")
    max_age_s: Positive = Field(description="a reading older than this never feeds a limit, s")
    counter: Text | None = Field(
        default=None, description="rolling counter; a frame that repeats it is refused"
    )
    counter_step: int | None = Field(
        default=None,
        ge=1,
        le=65_535,
        description="most the counter may advance by from frame to frame; a frame that goes further, as of a "
        "second sender, is refused; default: any step",
    )
    checksum: ReceivedChecksum | None = Field(
        default=None, description="checksum; a frame with a wrong one is refused"
    )
    signals: dict[str, Reading] = Field(min_length=1, max_length=100, description="quantity = signal")

    @model_validator(mode="after")
    def _one_owner(self) -> Self:
        if self.bank is not None and self.inverter is not None:
            raise wrong("both bank and inverter", "one of them")
        return self


class _Item(Section):
    """What one signal of a sent message carries."""


class QuantityItem(_Item, _Short):
    """A quantity, on the safe side of the signal's grid. A bare text stands for `{ quantity = "..." }`."""

    tag: ClassVar[str] = "<quantity>"
    short_form: ClassVar[str | None] = "quantity"

    quantity: Text = Field(description="its name")
    scale: Number = Field(
        default=1.0, description="number = quantity * scale + shift; -1.0 turns a sign round"
    )
    shift: Number = Field(default=0.0, description="see scale, in units of the signal")
    absent: float | None = Field(
        default=None,
        description="number sent while the quantity is not known; default: the frame is withheld",
    )

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, scale: float) -> float:
        if scale == 0:
            raise wrong("0", "any number but 0")
        return scale


class FlagItem(_Item):
    """A yes or no, as two numbers of the signal."""

    tag: ClassVar[str] = "<flag>"

    flag: Text = Field(description="name of a quantity that is a yes or no")
    true: float = Field(default=1.0, description="number that means yes")
    false: float = Field(default=0.0, description="number that means no")
    absent: float | None = Field(
        default=None, description="number sent while it is not known; default: the frame is withheld"
    )


class ConstantItem(_Item):
    """Always the same number."""

    tag: ClassVar[str] = "<constant>"

    constant: float = Field(description="physical number, as the message-definition file scales it")


class ChoiceItem(_Item):
    """Always the same entry of the signal's value table."""

    tag: ClassVar[str] = "<choice>"

    choice: Text = Field(description="text of the entry")


class TextItem(_Item):
    """A piece of a text in ASCII, its first character first on the wire."""

    tag: ClassVar[str] = "<text>"

    text: str = Field(description="the whole text")
    first: int = Field(default=0, ge=0, le=1000, description="first character of the piece, from 0")
    length: int | None = Field(
        default=None, ge=1, le=8, description="characters; default: as many as the signal has bytes"
    )
    pad: Byte = Field(default=32, description="character code behind the end of the text")

    @field_validator("text")
    @classmethod
    def _plain(cls, text: str) -> str:
        if not text.isascii() or not text.isprintable():
            raise wrong(shown(text), "printable ASCII characters")
        return text


class CounterRule(Section):
    """A rolling counter."""

    modulo: int | None = Field(
        default=None,
        ge=2,
        description="it counts 0 to modulo - 1; default: over the whole width of the signal",
    )
    step: int = Field(default=1, ge=1, description="it grows by this with each frame")


class CounterItem(_Item):
    """A rolling counter."""

    tag: ClassVar[str] = "<counter>"

    counter: CounterRule = Field(description="its rule; {} for the usual one")


class ChecksumItem(_Item):
    """A checksum over the finished frame."""

    tag: ClassVar[str] = "<checksum>"

    checksum: ChecksumRule = Field(description="its rule")


AnyItem = QuantityItem | FlagItem | ConstantItem | ChoiceItem | TextItem | CounterItem | ChecksumItem

ITEMS = (QuantityItem, FlagItem, ConstantItem, ChoiceItem, TextItem, CounterItem, ChecksumItem)
"""All that a signal may carry."""


def _tag_of(value: Any) -> str | None:
    if isinstance(value, Section):
        return value.tag
    if isinstance(value, str):
        return QuantityItem.tag
    kinds = [item.tag for item in ITEMS if isinstance(value, dict) and item.tag[1:-1] in value]
    return kinds[0] if kinds else None


Item = Annotated[
    Annotated[QuantityItem, Tag("<quantity>")]
    | Annotated[FlagItem, Tag("<flag>")]
    | Annotated[ConstantItem, Tag("<constant>")]
    | Annotated[ChoiceItem, Tag("<choice>")]
    | Annotated[TextItem, Tag("<text>")]
    | Annotated[CounterItem, Tag("<counter>")]
    | Annotated[ChecksumItem, Tag("<checksum>")],
    Discriminator(
        _tag_of,
        custom_error_type="profile",
        custom_error_message="{found}; allowed: {allowed}",
        custom_error_context={
            "found": "a signal without a content",
            "allowed": "a quantity's name, or a table with one of "
            + ", ".join(item.tag[1:-1] for item in ITEMS),
        },
    ),
]


class Transmission(Section):
    """One message that is sent again and again. A multiplexed one sends its pages in turn."""

    bus: Text | None = Field(default=None, description="bus it goes to; default: the only one")
    inverter: Text | None = Field(
        default=None, description="inverter it is for; default: the only one, or all"
    )
    dbc: Text = Field(description="message-definition file, relative to the profile")
    message: Text = Field(description="its name in that file")
    period_ms: int = Field(ge=1, le=60_000, description="from one frame to the next, ms")
    phase_ms: int | None = Field(
        default=None, ge=0, le=60_000, description="of the first frame, ms; default: spread over the period"
    )
    signals: dict[str, Item] = Field(min_length=1, max_length=400, description="signal = what it carries")
