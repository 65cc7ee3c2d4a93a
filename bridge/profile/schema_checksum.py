"""The sections of a profile about how a checksum is made."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from bridge.core.wire.checksum import MOST_WIDTH
from bridge.profile.schema_base import Byte, Section, Text, wrong

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
