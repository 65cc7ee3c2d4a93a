"""Where a fault is rehearsed: what every stage can do, and the healthy site on it."""

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Final

from bridge.core.plan.plan import SECOND_US
from bridge.drill.budget import Budget
from bridge.frames import Frame
from bridge.profile.load import LoadedProfile
from bridge.simulate.coder import Library
from bridge.simulate.inverter import Wish
from bridge.simulate.node import Speech
from bridge.simulate.site import BankView, Site

CHARGE: Final = 0.55
TEMPERATURE_C: Final = 25.0
"""The pack in the middle of its charge, at a temperature that suits every chemistry."""

BAD_PROFILE: Final = b"\n[no_such_section]\nfine = false\n"


class Slides:
    """Forced values that move there when a fault begins, and back when it is healed."""

    def __init__(self) -> None:
        self._heals: list[Callable[[], None]] = []

    def on_heal(self, action: Callable[[], None]) -> None:
        """Does something when the fault is healed."""
        self._heals.append(action)

    def heal(self) -> None:
        """The fault is healed."""
        for action in self._heals:
            action()
        self._heals.clear()

    def slide(
        self, now_us: Callable[[], int], first: float, last: float, seconds: float
    ) -> Callable[[int], float]:
        """A value that moves evenly from now on, and back when the fault is healed."""
        begin_us, span_us = now_us(), max(round(seconds * SECOND_US), 1)
        back: list[int] = []
        self.on_heal(lambda: back.append(now_us()))

        def value(t_us: int) -> float:
            share = min(max(t_us - begin_us, 0) / span_us, 1.0)
            if back:
                share *= 1.0 - min(max(t_us - back[0], 0) / span_us, 1.0)
            return first + share * (last - first)

        return value


def heal_site(site: Site) -> None:
    """Every device says again what is so. Forced values that slide back stay."""
    for talker in site.talkers:
        for speech in talker.speeches:
            speech.heal()


class Stage(ABC):
    """What a fault may do, on any stage.

    Attributes:
        loaded: the profile.
        budget: its times.
        site: everything outside the bridge.
        slides: forced values.
    """

    def __init__(self, loaded: LoadedProfile, site: Site) -> None:
        self.loaded = loaded
        self.budget = Budget(loaded.plan)
        self.site = site
        self.slides = Slides()

    def speeches(self, owner: str | None = None) -> list[Speech]:
        """The messages of one bank or inverter; of all banks."""
        owners = self.site.views if owner is None else (owner,)
        return [one for talker in self.site.talkers if talker.owner in owners for one in talker.speeches]

    def speech(self, number: int) -> Speech:
        """The message at one position of the plan's sources."""
        return next(one for talker in self.site.talkers for one in talker.speeches if one.number == number)

    def view(self, bank: str) -> BankView:
        """What a bank's monitor measures."""
        return self.site.views[bank]

    def slide(self, first: float, last: float, seconds: float) -> Callable[[int], float]:
        """A value that moves evenly from now on, and back when the fault is healed."""
        return self.slides.slide(self.now_us, first, last, seconds)

    def watched_s(self, lasts_s: float, *, back_at_once: bool) -> float:
        """How long to watch from when a fault acts: where recovery begins then, not into the recovery."""
        if not back_at_once:
            return lasts_s
        return min(lasts_s, max(self.budget.steady_s - self.budget.tick_s, self.budget.reaction_s))

    @abstractmethod
    def now_us(self) -> int:
        """Time on this stage."""

    @abstractmethod
    def fill_queue(self, bus: str, seconds: float) -> None:
        """No frame can leave for a time."""

    @abstractmethod
    def bus_off(self, bus: str, seconds: float) -> None:
        """The bridge's controller is off the bus for a time."""

    @abstractmethod
    def take_down(self, bus: str) -> None:
        """The interface is down until the fault is healed."""

    @abstractmethod
    def stall(self, seconds: float) -> None:
        """The program stands still for a time."""

    @abstractmethod
    def kill(self, dead_s: float) -> None:
        """The program is killed, and started again later."""

    @abstractmethod
    def crash(self, dead_s: float) -> None:
        """Something inside the program fails; it is started again later."""

    @abstractmethod
    def deafen(self) -> None:
        """No line can be told until the fault is healed."""

    @abstractmethod
    def clog(self) -> None:
        """Nobody takes the lines that are told, until the fault is healed."""

    @abstractmethod
    def fail_disk(self) -> None:
        """What is to be kept cannot be written, until the fault is healed."""

    @abstractmethod
    def hang_driver(self, bus: str, seconds: float) -> None:
        """The driver of a bus is at one frame for a time."""

    @abstractmethod
    def reload_moved(self, bus: str) -> None:
        """The profile on the disk has a bus on another channel, and a reload is asked for; healed, back."""

    @abstractmethod
    def speak_as_bridge(self, frame: Frame) -> None:
        """Another sender sends this frame, which is the bridge's to send."""

    @abstractmethod
    def later(self, seconds: float, action: Callable[[], None]) -> None:
        """Does something after a time."""

    @abstractmethod
    def step_wall_clock(self, seconds: float) -> None:
        """The time of day jumps, until the fault is healed."""

    @abstractmethod
    def reload_bad(self) -> None:
        """The profile on the disk gets a section nobody knows, and a reload is asked for."""

    @abstractmethod
    def reload_tighter(self) -> None:
        """The profile on the disk forbids charging, and a reload is asked for; healed, the same back."""


class NotFeasible(Exception):
    """A fault cannot be injected on this stage; the text says why."""


def build_site(loaded: LoadedProfile, start_us: int, library: Library) -> Site:
    """A healthy site in the middle of its charge."""
    charge_a = 0.6 * loaded.plan.limits.charge_a
    return Site(
        loaded,
        start_us,
        charge=CHARGE,
        wish=lambda _: Wish(charge_a, 0.0),
        temperature_c=TEMPERATURE_C,
        step_us=SECOND_US,
        library=library,
    )
