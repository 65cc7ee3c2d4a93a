"""A pack that speaks the hand-made plans, and a rig that runs it with an engine on a virtual clock."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from bridge.core.course.remembered import Kept
from bridge.core.engine import Due, Engine
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Plan
from bridge.core.wire.codec import MessageLayout, encode_raws
from bridge.frames import Frame
from tests.core.layouts import walk
from tests.core.plans import (
    BOUNDS,
    BUS,
    FLAGS,
    PER_PAGE,
    PROOF,
    SECOND,
    SHOWN,
    TICK,
    bank_layouts,
    pages_of,
    seen_before,
)


@dataclass
class Speaker:
    """What one bank says. Extremes and pack voltage follow from the cells unless they are given."""

    cells_v: list[float]
    amps: float = 0.0
    soc: float = 50.0
    coldest_c: float = 20.0
    hottest_c: float = 22.0
    may_charge: int = 1
    may_draw: int = 1
    bleeding: int = 0
    joined: int | None = None
    charge_most_a: float = 500.0
    draw_most_a: float = 500.0
    volts: float | None = None
    low_v: float | None = None
    high_v: float | None = None
    number: int = 0
    count: int = 0

    def __post_init__(self) -> None:
        self._made: dict[tuple[str, tuple[int, ...]], bytes] = {}
        self._layouts = bank_layouts(self.number, len(self.cells_v))

    def totals(self) -> Frame:
        """Sums, permissions, counter and checksum."""
        self.count = (self.count + 1) % 256
        volts = sum(self.cells_v) if self.volts is None else self.volts
        raws = {
            "volts": round(volts * 100),
            "amps": round(self.amps * 10),
            "charge": round(self.soc * 2),
            "may_charge": self.may_charge,
            "may_draw": self.may_draw,
            "bleeding": self.bleeding,
            "count": self.count,
        }
        data = self._data("totals", raws)
        return self._frame("totals", data[:7] + bytes([PROOF.compute(data)]))

    def extremes(self) -> Frame:
        """Extremes of cell voltage and temperature."""
        raws = {
            "low": round(1000 * (min(self.cells_v) if self.low_v is None else self.low_v)),
            "high": round(1000 * (max(self.cells_v) if self.high_v is None else self.high_v)),
            "coldest": round(10 * self.coldest_c),
            "hottest": round(10 * self.hottest_c),
        }
        return self._frame("extremes", self._data("extremes", raws))

    def page(self, page: int) -> Frame:
        """Three cells."""
        raws = {"page": page}
        for cell in range(page * PER_PAGE, min(len(self.cells_v), (page + 1) * PER_PAGE)):
            raws[f"cell_{cell + 1}"] = round(1000 * self.cells_v[cell])
        return self._frame("cells", self._data("cells", raws))

    def permits(self) -> Frame:
        """The pack's own current limits."""
        raws = {"charge_most": round(10 * self.charge_most_a), "draw_most": round(10 * self.draw_most_a)}
        return self._frame("permits", self._data("permits", raws))

    def all(self) -> list[Frame]:
        """Every message once, every page of the cells."""
        pages = [self.page(page) for page in range(pages_of(len(self.cells_v)))]
        switch = [] if self.joined is None else [self._frame("switch", bytes([self.joined]))]
        return [self.totals(), self.extremes(), *pages, self.permits(), *switch]

    def _layout(self, part: str) -> MessageLayout:
        return self._layouts[part]

    def _data(self, part: str, raws: dict[str, int]) -> bytes:
        key = (part, tuple(raws.values()))
        if key not in self._made:
            self._made[key] = encode_raws(self._layout(part), raws)
        return self._made[key]

    def _frame(self, part: str, data: bytes) -> Frame:
        return Frame(BUS, self._layout(part).key, data)


def level(cells: int = 16, cell_v: float = 3.30, number: int = 0) -> Speaker:
    """A bank with all cells alike."""
    return Speaker([cell_v] * cells, number=number)


class Rig:
    """An engine, its banks and a clock.

    Attributes:
        quiet: numbers of the banks that say nothing.
        sent: all frames the engine gave.
    """

    def __init__(
        self, plan: Plan, *speakers: Speaker, start_us: int = 5 * SECOND, kept: Kept | None = None
    ) -> None:
        """With resistances that were seen in an earlier run, unless other things were kept."""
        self.engine = Engine(plan, start_us, seen_before(plan) if kept is None else kept)
        self.speakers = speakers or (level(plan.banks[0].cells),)
        self.t_us = start_us
        self.quiet: set[int] = set()
        self.sent: list[Due] = []

    def hear(self, frames: Iterable[Frame]) -> None:
        """Gives frames to the engine now."""
        for frame in frames:
            self.engine.receive(self.t_us, frame)

    def run(self, seconds: float, every_us: int = TICK, *, without: Iterable[str] = ()) -> None:
        """Lets time pass; every bank speaks every `every_us`, less the messages named `without`."""
        until_us = self.t_us + round(seconds * SECOND)
        silent = {
            layout.key
            for number in range(len(self.speakers))
            for part, layout in bank_layouts(number, 1).items()
            if part in without
        }
        while self.t_us < until_us:
            for speaker in self.speakers:
                if speaker.number not in self.quiet:
                    self.hear(frame for frame in speaker.all() if frame.key not in silent)
            self.t_us += every_us
            self.sent += self.engine.poll(self.t_us)

    def wait(self, seconds: float) -> None:
        """Lets time pass in ticks while nobody speaks."""
        quiet, self.quiet = self.quiet, {speaker.number for speaker in self.speakers}
        self.run(seconds)
        self.quiet = quiet

    def state(self) -> State:
        """Fail-safe state now."""
        return self.engine.decision.state

    def warnings(self) -> tuple[str, ...]:
        """Warnings now."""
        return self.engine.decision.warnings

    def limits(self) -> tuple[float, float, float, float]:
        """Charge voltage, charge current, discharge current, floor, as decided."""
        d = self.engine.decision
        return (
            d.charge_voltage.value,
            d.charge_current.value,
            d.discharge_current.value,
            d.discharge_floor.value,
        )


def on_the_wire(frame: Frame) -> dict[str, Fraction]:
    """What a frame says, by a plain bit walk and exact decimals."""
    layout = {layout.key: layout for layout in (BOUNDS, FLAGS, SHOWN)}[frame.key]
    return {place.name: walk(place, frame.data) * Fraction(repr(place.factor)) for place in layout.fields}
