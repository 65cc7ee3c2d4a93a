"""A received frame whose counter chooses bytes of its checksum."""

import pytest

from bridge.core.pack.intake import Memory, check_integrity
from bridge.core.plan.plan import Source
from bridge.core.wire.checksum import Checksum, Chosen
from bridge.core.wire.codec import Decoder, Field, MessageLayout
from bridge.errors import FrameRefused

LAYOUT = MessageLayout("Chosen", 0x300, 2, (Field("count", 0, 8), Field("check", 8, 8)))
DECODER = Decoder(LAYOUT, ["count", "check"])
CHECKSUM = Checksum("sum", (0,), chosen=Chosen((b"\x10", b"\x20", b"\x30")))
SOURCE = Source("Chosen", "b", 0x300, DECODER, (), None, CHECKSUM, 1, "shelf", 0)


def check(source: Source, data: bytes) -> None:
    """Raises FrameRefused."""
    check_integrity(source, Memory(), DECODER.decode(data), data)


def test_the_bytes_are_those_of_the_frames_own_counter() -> None:
    """Number and id are added up; another number's id is not its own."""
    for count, byte in ((0, 0x10), (1, 0x20), (2, 0x30)):
        check(SOURCE, bytes([count, count + byte]))
        with pytest.raises(
            FrameRefused, match=f"Chosen: checksum {count + byte + 1}; allowed: {count + byte}"
        ):
            check(SOURCE, bytes([count, count + byte + 1]))


def test_a_number_that_chooses_nothing_is_refused() -> None:
    """There is no telling what such a frame should carry."""
    with pytest.raises(FrameRefused, match="Chosen: counter 3; allowed: 0 to 2"):
        check(SOURCE, bytes([3, 3]))


def test_a_checksum_without_a_chooser_takes_the_first() -> None:
    """None is chosen where nothing chooses."""
    check(SOURCE._replace(chooser=None), bytes([7, 7 + 0x10]))
    check(SOURCE._replace(checksum=Checksum("sum", (0,))), bytes([7, 7]))
