"""What an engine gives besides decisions: frames to send, and what happened, for the log."""

from typing import NamedTuple

from bridge.frames import Frame


class Note(NamedTuple):
    """Something that happened in the core, for the log.

    Attributes:
        t_us: when.
        kind: `refused` (a received frame), `left out` (a reading of one), `waiting` (a frame whose reading is
            not known), `withheld` (a frame that must not leave), `stalled`, `told` (news of the charge or a
            bank).
        subject: the source, transmission, bank or part of the charge concerned.
        text: what was found and what is allowed; or the news.
    """

    t_us: int
    kind: str
    subject: str
    text: str


class Due(NamedTuple):
    """A frame to send.

    Attributes:
        t_us: its deadline; when it was built.
        frame: what to send.
    """

    t_us: int
    frame: Frame
