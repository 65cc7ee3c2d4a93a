"""In a dry run another bridge may be at work: it sends what would be ours, told once, and no input."""

from typing import TYPE_CHECKING

from bridge.frames import Frame
from bridge.service.journal import Journal

if TYPE_CHECKING:
    from bridge.core.plan.plan import Plan


class Others:
    """Frames that another bridge sends in place of this one. Mutable; owned by one daemon."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._told: set[tuple[str, int]] = set()

    def sent(self, plan: "Plan", t_us: int, frame: Frame) -> bool:
        """Whether the frame is one that this program would send if the run were not dry."""
        which = frame.bus, frame.key
        name = next((s.name for s in plan.transmissions if (s.bus, s.layout.key) == which), None)
        if name is not None and which not in self._told:
            self._told.add(which)
            self._journal.say(t_us, f"somebody else sends {name}, as may be expected in a dry run")
        return name is not None
