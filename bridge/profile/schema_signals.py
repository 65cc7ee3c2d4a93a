"""The sections of a profile about messages: what is received, what is sent, and how a checksum is made."""

from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Discriminator, Field, Tag, field_validator, model_validator

from bridge.core.checksum import MOST_WIDTH
from bridge.profile.schema_base import Byte, Number, Positive, Section, Text, shown, wrong
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


Wide = Annotated[int, Field(ge=0, le=2**MOST_WIDTH - 1)]
"""A number as wide as the widest checksum."""


class ChosenBytes(Section):
    """Constant bytes of a checksum that a counter of the same message chooses: a data-id."""

    signal: Text = Field(description="the counter, a signal of the same message")
    bytes: tuple[Byte | Annotated[tuple[Byte, ...], Field(max_length=64)], ...] = Field(
        min_length=1,
        max_length=256,
        description="for each number of the counter, from 0: a byte, or a list of bytes",
    )
    place: Literal["before", "after"] = Field(
        default="after", description="where they are taken in, as to the bytes of the frame"
    )


class ChecksumRule(Section):
    """How a checksum is made. CRC parameters are those of the usual catalogues.

    Taken in are, in this order: prefix, bytes chosen to stand before, the bytes of over, bytes chosen to
    stand after, suffix.
    """

    algorithm: Literal["sum", "xor", "crc", "sum8", "xor8", "crc8"] = Field(
        description="sum of the pieces, exclusive or of them, or a CRC; with an 8 at the end: of 8 bits"
    )
    width: int | None = Field(
        default=None, ge=1, le=MOST_WIDTH, description="bits of the result; default: those of its signal"
    )
    over: tuple[Annotated[int, Field(ge=0, le=7)], ...] | None = Field(
        default=None,
        max_length=8,
        description="bytes it covers, in order, from 0, its own bits counting as 0; default: all but those "
        "it lies in",
    )
    polynomial: Annotated[int, Field(ge=1, le=2**MOST_WIDTH - 1)] | None = Field(
        default=None, description="of the CRC, without its top bit; a CRC needs it"
    )
    init: Wide = Field(default=0, description="what it starts from")
    xor_out: Wide = Field(default=0, description="exclusive-ored into the result")
    reflect: bool = Field(default=False, description="the CRC takes bits least significant first, in and out")
    reflect_in: bool | None = Field(default=None, description="in; default: see reflect")
    reflect_out: bool | None = Field(default=None, description="out; default: see reflect")
    prefix: tuple[Byte, ...] = Field(
        default=(), max_length=64, description="constant bytes taken in before those of the frame"
    )
    suffix: tuple[Byte, ...] = Field(
        default=(), max_length=64, description="constant bytes taken in after those of the frame"
    )
    by_counter: ChosenBytes | None = Field(
        default=None, description="bytes that a counter chooses, taken in as well; default: none"
    )
    pieces: Literal["nibbles", "bytes", "words_high_first", "words_low_first"] = Field(
        default="bytes", description="what a sum or exclusive or is made of: 4 bits, 8, or 16"
    )
    folded_from: int | None = Field(
        default=None,
        ge=2,
        le=MOST_WIDTH,
        description="bits of a sum or exclusive or before its parts of the width are put together the same "
        "way; default: it is not folded",
    )

    @property
    def kind(self) -> str:
        """The algorithm without its width: sum, xor or crc."""
        return self.algorithm.removesuffix("8")

    def bits(self, length: int) -> int:
        """Bits of the result in a signal of so many bits."""
        return 8 if self.algorithm.endswith("8") else self.width or length

    @property
    def reflects(self) -> tuple[bool, bool]:
        """Whether bits are taken, and given, least significant first."""
        return (
            self.reflect if self.reflect_in is None else self.reflect_in,
            self.reflect if self.reflect_out is None else self.reflect_out,
        )

    @model_validator(mode="after")
    def _is_of_one_kind(self) -> Self:
        name = self.algorithm
        if name.endswith("8") and self.width not in (None, 8):
            raise wrong(f"{name} of width {self.width}", f"{self.kind}, with any width")
        if self.kind == "crc":
            if self.polynomial is None:
                raise wrong(f"{name} without polynomial", "polynomial from 1 to 255, such as 0x1d")
            if self.pieces != "bytes" or self.folded_from is not None:
                raise wrong(f"{name} with pieces or folded_from", "these with a sum or xor only")
        elif self.polynomial is not None or any(self.reflects):
            raise wrong(f"{name} with polynomial or reflect", "these with a CRC only")
        return self


class ReceivedChecksum(ChecksumRule):
    """The checksum of a received message. A frame with another is refused."""

    signal: Text = Field(description="signal that holds it, as wide as it is")


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
