"""A stretch of time on the virtual clock, through the very frames the profile describes.

Every step the monitors say what they measure, encoded by cantools; the engine decodes, decides and encodes;
the inverters decode that with cantools and obey; the cells take what flows. What the engine sends and when
does not depend on when it is asked (see `bridge.core.engine`), and the physics looks at the inverters once a
step, so all frames of a step are passed on together: nothing comes out differently, and it is quicker.

To be quicker still, unless it is to be exact: the core decides once a step, and a message of one page that
is due several times within a step, in which nothing moves, is sent once. A profile that does not believe
readings of a step ago is always simulated exactly.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from bridge.core.engine import Engine, Note
from bridge.core.plan.plan import SECOND_US
from bridge.core.told.decision import Decision
from bridge.frames import Frame
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.load import LoadedProfile
from bridge.simulate.inverter import Wish
from bridge.simulate.pack import Switch
from bridge.simulate.packs import PackWish, drawn_pack
from bridge.simulate.site import USUAL_CHARGER, Charger, Site
from bridge.simulate.sky import made_day

MIDNIGHT_US: Final = 1_781_999_999_999_999 // (86_400 * SECOND_US) * 86_400 * SECOND_US
"""The same date every time, so that the same options give the same day: 2026-06-20, 0 h UTC."""

OLDEST_STEPS: Final = 1.1
"""A message that is sent once a step is a step old at most, and its jitter, when it is decided on."""


@dataclass(frozen=True, slots=True)
class Setup:
    """What to simulate.

    Attributes:
        hours: for how long.
        start_s: time of day at the start.
        pack: which pack.
        weather, load, sun_a: see `bridge.simulate.sky`.
        charger: the inverters' hardware.
        silence: nothing of the core reaches an inverter from this time of day on, for so long: both in s.
        step_us: the physics moves on in steps of this length.
        exact: the core's own tick, and every single frame.
        row_us: a row of the record for each of these; a multiple of the step.
        switches: banks that join or leave: time of day in s, name of the bank, whether it joins.
    """

    hours: float = 24.0
    start_s: float = 6 * 3600.0
    pack: PackWish = field(default_factory=PackWish)
    weather: str = "clear"
    load: str = "evening"
    sun_a: float | None = None
    charger: Charger = USUAL_CHARGER
    silence: tuple[float, float] | None = None
    step_us: int = SECOND_US
    exact: bool = False
    row_us: int = 10 * SECOND_US
    switches: tuple[tuple[float, str, bool], ...] = ()

    @property
    def start_us(self) -> int:
        """Engine time of the start."""
        return MIDNIGHT_US + round(self.start_s * SECOND_US)

    def silent(self, t_us: int) -> bool:
        """Whether the inverters hear nothing at a time; the same every day."""
        if self.silence is None:
            return False
        from_s, lasts_s = self.silence
        return (t_us - MIDNIGHT_US - from_s * SECOND_US) % (86_400 * SECOND_US) < lasts_s * SECOND_US

    @property
    def end_us(self) -> int:
        """Engine time of the end: a whole number of steps from the start."""
        steps = max(round(self.hours * 3600 * SECOND_US / self.step_us), 1)
        return self.start_us + steps * self.step_us


def wish_of(loaded: LoadedProfile, setup: Setup) -> Callable[[float], Wish]:
    """Sun and loads by seconds since the start."""
    day = made_day(
        setup.weather,
        setup.load,
        seed=setup.pack.seed,
        capacity_ah=sum(bank.capacity_ah for bank in loaded.plan.banks),
        sun_a=setup.sun_a,
        end_s=setup.start_s + setup.hours * 3600.0,
    )
    return lambda t_s: day(setup.start_s + t_s)


def switches_of(loaded: LoadedProfile, setup: Setup) -> list[Switch]:
    """What joins and leaves, by seconds since the start; a time of day before that is one of the next day.

    Raises:
        ValueError: what cannot be: no such bank, a bank that joins or leaves twice, none left.
    """
    names = [bank.name for bank in loaded.plan.banks]
    found = []
    for at_s, name, joins in setup.switches:
        if name not in names:
            raise ValueError(f"no bank {name!r}; allowed: one of {', '.join(names)}")
        found.append(Switch((at_s - setup.start_s) % 86_400.0, names.index(name), joins))
    found.sort()
    before: dict[int, bool] = {}
    joined = {n for n in range(len(names)) if not next((one.joins for one in found if one.bank == n), False)}
    if not joined:
        raise ValueError("no bank is connected at the start; allowed: one at least, at any time")
    for one in found:
        if before.get(one.bank) is one.joins:
            word = "joins" if one.joins else "leaves"
            raise ValueError(f"bank {names[one.bank]} {word} twice; allowed: joining and leaving in turn")
        before[one.bank] = one.joins
        (joined.add if one.joins else joined.discard)(one.bank)
        if not joined:
            raise ValueError(
                f"nothing is left when bank {names[one.bank]} leaves; allowed: one at least, at any time"
            )
    return found


def site_of(loaded: LoadedProfile, setup: Setup) -> Site:
    """The site at the start; the same every time."""
    chemistry = CHEMISTRIES[loaded.profile.pack.chemistry]
    rows = [(bank.cells, bank.capacity_ah) for bank in loaded.plan.banks]
    stated_ohm = [bank.resistance_ohm for bank in loaded.plan.banks]
    banks = drawn_pack(setup.pack, chemistry, rows, stated_ohm)
    return Site(
        loaded,
        setup.start_us,
        charge=setup.pack.charge,
        wish=wish_of(loaded, setup),
        temperature_c=setup.pack.temperature_c,
        step_us=setup.step_us,
        banks=banks,
        charger=setup.charger,
        switches=switches_of(loaded, setup),
    )


class Loop:
    """Runs an engine against a site, step after step.

    Attributes:
        site: everything outside.
        engine: the core.
        sent, received: frames so far.
        news: of the course of the charge, in the last step, and of each source the first refusal.
    """

    def __init__(self, loaded: LoadedProfile, setup: Setup) -> None:
        self.site = site_of(loaded, setup)
        plan, start_us = loaded.plan, setup.start_us
        oldest_us = OLDEST_STEPS * setup.step_us
        self._exact = setup.exact or any(slot.max_age_us < oldest_us for slot in plan.slots)
        if not self._exact and plan.tick_us < setup.step_us:
            # In the middle of each step: what was measured at its start is acted on before its end.
            plan, start_us = plan._replace(tick_us=setup.step_us), start_us - setup.step_us // 2
        self.engine = Engine(plan, start_us)
        self.sent = self.received = 0
        self.news: list[str] = []
        self._refused: set[str] = set()
        self._setup = setup

    def run(self, look: Callable[[int, Site, Decision], None]) -> None:
        """Runs to the end; `look(t_us, site, decision)` is called after every step, when it is over."""
        setup, site, engine = self._setup, self.site, self.engine
        step_us, step_s = setup.step_us, setup.step_us / 1e6
        for t_us in range(setup.start_us, setup.end_us, step_us):
            until_us = t_us + step_us
            frames = self._said(until_us)
            self.received += len(frames)
            for at_us, frame in frames:
                engine.receive(at_us, frame)
            for due in engine.poll(until_us - 1):
                self.sent += 1
                if not setup.silent(due.t_us):
                    site.hear(due.t_us, due.frame)
            for listener in site.listeners:
                listener.seen.clear()
            self.news = list(self._new(engine.take_notes()))
            site.move(step_s)
            look(until_us, site, engine.decision)

    def _new(self, notes: Sequence[Note]) -> Iterator[str]:
        for note in notes:
            if note.kind == "told":
                yield f"{note.subject}: {note.text}" if note.subject.startswith("bank ") else note.text
            elif note.kind == "refused" and note.subject not in self._refused:
                self._refused.add(note.subject)
                yield f"refused: {note.text}"

    def _said(self, until_us: int) -> list[tuple[int, Frame]]:
        """What the devices send before `until_us`, in order."""
        frames: list[tuple[int, Frame]] = []
        for talker in self.site.talkers:
            talker.tell(until_us, frames, once=not self._exact)
        frames.sort(key=_stamp)
        return frames


def _stamp(stamped: tuple[int, Frame]) -> int:
    return stamped[0]


def time_of_day(t_us: int, *, seconds: bool = True) -> str:
    """`HH:MM:SS` or `HH:MM`; the next days go on counting: 25:00 is 1 o'clock in the night after."""
    total_s = (t_us - MIDNIGHT_US) // SECOND_US
    text = f"{total_s // 3600:02d}:{total_s // 60 % 60:02d}"
    return f"{text}:{total_s % 60:02d}" if seconds else text
