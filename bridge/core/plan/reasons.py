"""Why a limit is what it is, as data. Logs, tables and pages only render this."""

from collections.abc import Iterable
from enum import Enum
from typing import Final, NamedTuple


class Reason(Enum):
    """The name of a contribution; its value is the sentence a person reads."""

    CONFIGURED = "the configured limit"
    PACK_CAP = "the configured limit of the whole pack"
    HEADROOM = "headroom left by the extreme cell"
    HIGHEST_CELL = "taper by the highest cell"
    CELL_TARGET = "the current that takes no cell past its target"
    TESTED = "a short test of what the inverter makes of this limit"
    CELL_FLOOR = "the current that takes no cell below its floor"
    LOWEST_CELL = "taper by the lowest cell"
    COLDEST_CELL = "taper by the coldest cell"
    HOTTEST_CELL = "taper by the hottest cell"
    STATE_OF_CHARGE = "taper by state of charge"
    CELL_CUT_OFF = "a cell is past its cut-off voltage"
    DEEPLY_DISCHARGED = "gently: a cell is deeply discharged"
    CELL_LOST = "a cell was lower than it survives: not charged until a person has seen to it"
    TEMPERATURE_CUT_OFF = "a cell is outside its temperature span"
    NOT_PERMITTED = "the pack does not permit it"
    PERMITTED_CURRENT = "the pack's own current limit"
    BALANCING = "held while a cell is being balanced"
    INHIBITED = "inhibited in the profile"
    INVERTER_SILENT = "the inverter is not heard"
    RESTED = "resting voltage: the charge is over"
    USUAL_TARGET = "the usual target, until the next full charge"
    COMMISSIONING = "gently, while the pack is commissioned"
    APART = "no bank is connected"
    LOST = "no higher than before a bank or a reading was lost"
    RISING = "rising slowly after a lower limit"
    NOT_WORTH_IT = "kept: the rise would be too small to be worth a change"
    HELD = "held: data is late"
    NOT_TRUSTED = "the pack's data is not trusted"
    RESTING = "resting voltage: the pack's data is not trusted"


_GRAVE: Final = {
    Reason.CELL_LOST: 0,
    Reason.CELL_CUT_OFF: 1,
    Reason.TEMPERATURE_CUT_OFF: 2,
    Reason.NOT_PERMITTED: 3,
    Reason.INVERTER_SILENT: 4,
    Reason.APART: 5,
}
"""What a person should hear of first, where several forbid a current; all others come behind."""


class Contribution(NamedTuple):
    """One bound on a limit.

    Attributes:
        reason: why.
        value: the limit it alone would allow the whole pack, V or A.
        bank: the bank it comes from; "" where it concerns the pack.
    """

    reason: Reason
    value: float
    bank: str


class Limit(NamedTuple):
    """A limit, and everything that bounds it.

    Attributes:
        value: V or A, on the 1e-6 grid; the tightest of all contributions.
        binding: the contribution that makes it so.
        contributions: all of them.
    """

    value: float
    binding: Contribution
    contributions: tuple[Contribution, ...]


def gravest(tied: Iterable[Contribution]) -> Contribution:
    """Of contributions that say the same, the one to be told; of equally grave ones the first."""
    return min(tied, key=lambda one: _GRAVE.get(one.reason, len(_GRAVE)))
