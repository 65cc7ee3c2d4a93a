"""Error frames against their published definition: linux/can.h and linux/can/error.h.

The numbers are typed here by hand from those headers, so that the program's are checked by a second hand; the
headers themselves, where installed, and python-can's and Python's own constants check both.
"""

import re
import socket
from pathlib import Path

import pytest
from can.interfaces.socketcan import constants

from bridge.service import socketcan
from bridge.service.seam import NoticeKind

HEADERS = [Path("/usr/include/linux/can.h"), Path("/usr/include/linux/can/error.h")]

PUBLISHED = {
    "CAN_EFF_FLAG": (0x80000000, socketcan.EFF_FLAG),
    "CAN_RTR_FLAG": (0x40000000, socketcan.RTR_FLAG),
    "CAN_ERR_FLAG": (0x20000000, socketcan.ERR_FLAG),
    "CAN_ERR_CRTL": (0x00000004, socketcan.ERR_CRTL),
    "CAN_ERR_BUSOFF": (0x00000040, socketcan.ERR_BUSOFF),
    "CAN_ERR_RESTARTED": (0x00000100, socketcan.ERR_RESTARTED),
}

CONTROLLER = {
    0x01: "receive buffer",  # CAN_ERR_CRTL_RX_OVERFLOW
    0x02: "transmit buffer",  # CAN_ERR_CRTL_TX_OVERFLOW
    0x04: "receive error counter above the warning level",  # CAN_ERR_CRTL_RX_WARNING
    0x08: "transmit error counter above the warning level",  # CAN_ERR_CRTL_TX_WARNING
    0x10: "error passive on receive",  # CAN_ERR_CRTL_RX_PASSIVE
    0x20: "error passive on transmit",  # CAN_ERR_CRTL_TX_PASSIVE
    0x40: "error active again",  # CAN_ERR_CRTL_ACTIVE
}
"""Bits of byte 1 of a frame of the class CAN_ERR_CRTL (linux/can/error.h)."""


@pytest.mark.parametrize("name", PUBLISHED)
def test_flags_and_classes_are_the_published_ones(name: str) -> None:
    """The program's number is that of the header, and of python-can and Python where they have one."""
    published, ours = PUBLISHED[name]
    assert ours == published
    for library in (constants, socket):
        assert getattr(library, name, published) & 0xFFFF_FFFF == published


@pytest.mark.skipif(
    not all(path.exists() for path in HEADERS), reason="the kernel's headers are not installed"
)
@pytest.mark.parametrize("name", PUBLISHED)
def test_flags_and_classes_are_those_of_the_installed_headers(name: str) -> None:
    """The headers on this machine define the same numbers."""
    text = "\n".join(path.read_text() for path in HEADERS)
    found = re.search(rf"^#define\s+{name}\s+(0x[0-9A-Fa-f]+)U", text, re.MULTILINE)
    assert found is not None
    assert int(found[1], 16) == PUBLISHED[name][0]


@pytest.mark.parametrize(
    ("can_id", "kind"),
    [
        (0x20000040, NoticeKind.BUS_OFF),
        (0x20000100, NoticeKind.RESTARTED),
        (0x20000004, NoticeKind.ERROR_WARNING),
    ],
)
def test_each_class_is_told_apart(can_id: int, kind: NoticeKind) -> None:
    """One class gives one notice (classes: linux/can/error.h)."""
    assert [notice.kind for notice in socketcan.error_notices("pack", can_id, bytes(8))] == [kind]


def test_classes_may_come_together() -> None:
    """Classes are bits: one frame may carry several, and classes not asked about say nothing."""
    notices = socketcan.error_notices("pack", 0x20000000 | 0x40 | 0x04 | 0x20 | 0x08, bytes(8))
    assert {notice.kind for notice in notices} == {NoticeKind.BUS_OFF, NoticeKind.ERROR_WARNING}


@pytest.mark.parametrize("bit", CONTROLLER)
def test_controller_problems_are_spelled_out(bit: int) -> None:
    """Byte 1 says what troubles the controller, and only that is told."""
    (notice,) = socketcan.error_notices("pack", 0x20000004, bytes([0, bit, 0, 0, 0, 0, 0, 0]))
    assert [other for other, text in CONTROLLER.items() if text in notice.text] == [bit]
