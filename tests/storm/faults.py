"""What goes wrong, and how it ends again: each kind of fault, done to a running storm."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Final

from bridge.errors import BusError
from bridge.frames import Frame
from bridge.service.seam import NoticeKind
from bridge.service.world import Request
from bridge.simulate.node import Speech
from bridge.simulate.site import BankView, Site
from tests.storm.fault import Fault
from tests.storm.site import Tables
from tests.storm.world import StormWorld, Trap

SLIDE_C_PER_S: Final = 6.0
SLIDE_V_PER_S: Final = 0.15
LATE_US: Final = 1_500_000

ERRORS: Final[dict[str, tuple[Callable[[], Exception], ...]]] = {
    "journal": (
        lambda: OSError(28, "No space left on device"),
        lambda: BrokenPipeError(32, "Broken pipe"),
        lambda: UnicodeEncodeError("ascii", "°", 0, 1, "ordinal not in range(128)"),
        lambda: ValueError("I/O operation on closed file."),
    ),
    "disk": (lambda: OSError(28, "No space left on device"), lambda: OSError(5, "Input/output error")),
    "notify": (lambda: BlockingIOError(11, "Resource temporarily unavailable"), lambda: OSError(111, "no")),
    "load": (
        lambda: RecursionError("maximum recursion depth exceeded"),
        lambda: MemoryError(),
        lambda: OSError(5, "Input/output error"),
        lambda: ValueError("embedded null byte"),
    ),
    "send": (lambda: BusError("not sent"), lambda: RuntimeError("a fault inside")),
    "wait": (lambda: RuntimeError("a fault inside"),),
    "any": (lambda: RuntimeError("a fault inside"), lambda: MemoryError()),
}
"""What a call to the outside may raise. Behind `send`, `wait` and `any` the program may end, zeros first."""

FATAL: Final = ("send", "wait", "any")


@dataclass
class Rig:
    """What faults act on.

    Attributes:
        reload: asks for a reload of another profile of the site, by name.
        stop: asks for an orderly stop, and a start so many seconds later.
        dead_s: how long the process is gone, once it is.
        clock_s: how far the wall clock is from the truth.
        excused: the program may end by itself: something fatal was done to it.
        links: what is wrong with a wire: (how, share), by wire.
        forged: what is added to a message: (how, share), by wire and key.
        heard: the last frames of each message, by wire and key.
        twins: messages with a second sender, which repeats some old frames: how late, and which.
    """

    world: StormWorld
    site: Site
    tables: Tables
    draw: Random
    reload: Callable[[str], None]
    stop: Callable[[float], None]
    dead_s: float = 2.0
    clock_s: float = 0.0
    excused: bool = False
    links: dict[str, list[tuple[str, float]]] = field(default_factory=dict)
    forged: dict[tuple[str, int], list[tuple[str, float]]] = field(default_factory=dict)
    heard: dict[tuple[str, int], deque[Frame]] = field(default_factory=dict)
    twins: dict[tuple[str, int], tuple[int, deque[Frame]]] = field(default_factory=dict)

    def speeches(self, message: str) -> list[Speech]:
        """The messages of that name."""
        return [
            one for talker in self.site.talkers for one in talker.speeches if one.section.message == message
        ]

    # ── wires ───────────────────────────────────────────────────────────────────────────────────────

    def transform(self, _: int, frame: Frame) -> list[tuple[int, Frame, bool]]:
        """What becomes of a frame on its way to the program."""
        out = [(0, frame, True)]
        which = frame.bus, frame.key
        old = self.twins.get(which)
        if old is not None:
            delay_us, frames = old
            frames.rotate(-1)
            out.append((delay_us, frames[0], False))
        else:
            self.heard.setdefault(which, deque(maxlen=8)).append(frame)
        for how, share in self.forged.get((frame.bus, frame.key), ()):
            if self.draw.random() < share:
                out.append((0, self._forgery(frame, how), False))
        for how, share in self.links.get(frame.bus, ()):
            out = [one for each in out for one in self._link(each, how, share)]
        return out

    def _forgery(self, frame: Frame, how: str) -> Frame:
        if how == "length":
            return frame._replace(data=frame.data[: self.draw.randrange(len(frame.data) or 1)])
        if how == "far":
            return frame._replace(data=bytes(self.draw.choice((0x00, 0xFF, 0x80)) for _ in frame.data))
        return frame._replace(data=self.draw.randbytes(len(frame.data)))

    def _link(self, one: tuple[int, Frame, bool], how: str, share: float) -> list[tuple[int, Frame, bool]]:
        delay_us, frame, _ = one
        if self.draw.random() >= share:
            return [one]
        if how == "lose":
            return []
        if how == "double":
            return [one, (delay_us, frame, False)]
        most_us = LATE_US if how == "late" else 300_000
        return [(delay_us + self.draw.randrange(1000, most_us), frame, False)]


def apply(rig: Rig, fault: Fault) -> None:
    """The fault happens now; what lasts ends by itself."""
    over = _KINDS[fault.kind](rig, fault)
    if over is not None:
        rig.world.later(fault.lasts_s, over)


Ending = Callable[[], None] | None


def _link(rig: Rig, fault: Fault) -> Ending:
    rows = rig.links.setdefault(fault.what, [])
    row = (fault.how, fault.size)
    rows.append(row)
    return lambda: rows.remove(row)


def _forge(rig: Rig, fault: Fault) -> Ending:
    speech = rig.speeches(fault.what)[0]
    rows = rig.forged.setdefault((speech.bus, speech.coder.key), [])
    row = (fault.how, fault.size)
    rows.append(row)
    return lambda: rows.remove(row)


def _says(rig: Rig, fault: Fault) -> Ending:
    speeches = rig.speeches(fault.what)
    for one in speeches:
        if fault.how == "mute":
            one.muted = True
        elif fault.how == "freeze":
            one.frozen = True
        elif fault.how == "spoil":
            one.spoilt = True
        elif one.origins[0].reading.signal is not None:  # stuck at what its first signal says at most
            span = one.coder.raw_span(one.origins[0].signal)
            one.forced = {one.origins[0].signal: (span[1],)}
    return lambda: _heal(speeches)


def _beyond(rig: Rig, fault: Fault) -> Ending:
    """The current of a bank is said to be the most that its signal can say."""
    found = []
    for one in (s for talker in rig.site.talkers if talker.owner == fault.what for s in talker.speeches):
        for origin in one.origins:
            if origin.quantity == "pack_current" and origin.reading.signal is not None:
                one.forced = {origin.signal: (one.coder.raw_span(origin.signal)[1],)}
                found.append(one)
    return lambda: _heal(found)


def _heal(speeches: list[Speech]) -> None:
    for one in speeches:
        one.heal()


def _bank_silent(rig: Rig, fault: Fault) -> Ending:
    speeches = [s for talker in rig.site.talkers if talker.owner == fault.what for s in talker.speeches]
    for one in speeches:
        one.muted = True
    return lambda: _heal(speeches)


def _bus_down(rig: Rig, fault: Fault) -> Ending:
    world, wire = rig.world, fault.what
    world.down.add(wire)
    world.notice(wire, NoticeKind.DOWN, "the interface is down")

    def over() -> None:
        world.down.discard(wire)
        world.up_us = world.t_us
        world.notice(wire, NoticeKind.UP, "the interface is up again")

    return over


def _bus_full(rig: Rig, fault: Fault) -> Ending:
    rig.world.full.add(fault.what)
    return lambda: rig.world.full.discard(fault.what)


def _stall(rig: Rig, fault: Fault) -> Ending:
    rig.world.stall(fault.size)
    return None


def _kill(rig: Rig, fault: Fault) -> Ending:
    rig.dead_s = fault.size
    rig.world.kill()
    return None


def _stop(rig: Rig, fault: Fault) -> Ending:
    rig.stop(fault.size)
    return None


def _trap(rig: Rig, fault: Fault) -> Ending:
    if fault.how == "block" and fault.what in ("journal", "disk", "notify"):
        return _seam(rig, fault)  # these are held up by what is behind them, for a time
    errors = ERRORS.get(fault.what, ERRORS["any"])
    error = errors[int(fault.size) % len(errors)]
    trap = Trap(fault.what, fault.how, fault.lasts_s, error)
    rig.world.traps.append((int(fault.size), trap))
    rig.excused = rig.excused or (fault.how == "raise" and fault.what in FATAL)
    rig.dead_s = 2.0 if fault.how != "kill" else 1.0
    return None


def _seam(rig: Rig, fault: Fault) -> Ending:
    errors = ERRORS[fault.what]
    error = errors[round(fault.at_s * 1000) % len(errors)]
    trap = Trap(fault.what, fault.how, 0.0, error)
    rig.world.steady[fault.what] = trap

    def over() -> None:
        if rig.world.steady.get(fault.what) is trap:
            del rig.world.steady[fault.what]

    return over


def _clock(rig: Rig, fault: Fault) -> Ending:
    rig.clock_s += fault.size
    return None


def _reload(rig: Rig, fault: Fault) -> Ending:
    rig.reload(fault.what)
    rig.world.request(Request.RELOAD)
    return None


def _cell(rig: Rig, fault: Fault) -> Ending:
    view, limits = rig.site.views[fault.what], rig.tables["limits"]
    now_us, cell = rig.world.t_us, int(fault.size) % rig.tables["pack"]["cells_in_series"]
    if fault.how == "shift":
        view.shift_v = lambda _: 3.0
        return view.heal
    side = "high" if fault.how.startswith("high") else "low"
    trip_v, release_v = limits[f"cell_cutoff_{side}_v"], limits[f"cell_cutoff_{side}_release_v"]
    beyond_v = trip_v + (0.02 if side == "high" else -0.02)
    back_v = trip_v + (release_v - trip_v) / 2 if fault.how.endswith("back") else beyond_v
    first_v = view.cells_v(now_us)[cell]
    end_us = now_us + round(fault.lasts_s * 1e6)
    view.cell_v[cell] = _wave(now_us, end_us, (first_v, beyond_v, back_v), SLIDE_V_PER_S, 8.0)
    return None


def _warmth(rig: Rig, fault: Fault) -> Ending:
    view, limits = rig.site.views[fault.what], rig.tables["limits"]
    now_us = rig.world.t_us
    first_c = view.value("cell_temperature_min", 0, now_us)
    if fault.kind == "hot":
        beyond_c = limits["charge_hottest_c"] - fault.size
    else:
        beyond_c = limits["charge_coldest_c"] + fault.size
    back_c = beyond_c
    if fault.kind == "cold back":
        back_c = limits["charge_coldest_c"] + limits["temperature_release_c"] / 2
    end_us = now_us + round(fault.lasts_s * 1e6)
    view.temperature_c = _wave(now_us, end_us, (first_c, beyond_c, back_c), SLIDE_C_PER_S, 8.0)
    return None


def _wave(
    start_us: int, end_us: int, levels: tuple[float, float, float], rate: float, hold_s: float
) -> Callable[[int], float]:
    """First level, second level for a time, then the third; at the end the first again."""
    first, beyond, back = levels
    there_s = abs(beyond - first) / rate

    def value(t_us: int) -> float:
        s = (t_us - start_us) / 1e6
        if s < there_s:
            now = first + (beyond - first) * s / there_s
        else:
            now = beyond + (back - beyond) * min(max(s - there_s - hold_s, 0.0), 1.0)
        after_s = (t_us - end_us) / 1e6
        return now if after_s <= 0.0 else now + (first - now) * min(after_s / max(there_s, 1e-3), 1.0)

    return value


def _deny(rig: Rig, fault: Fault) -> Ending:
    view: BankView = rig.site.views[fault.what]
    view.forbidden.add(f"{fault.how}_permitted")
    return lambda: view.forbidden.discard(f"{fault.how}_permitted")


def _inverter_dead(rig: Rig, fault: Fault) -> Ending:
    return _bank_silent(rig, fault)


def _twin(rig: Rig, fault: Fault) -> Ending:
    """A second sender of the messages that carry temperatures, or cells, of a bank: from before, for ever."""
    found = []
    for talker in rig.site.talkers:
        for speech in talker.speeches if talker.owner == fault.what else ():
            which = speech.bus, speech.coder.key
            frames = rig.heard.get(which)
            if frames and any(one.quantity.startswith(fault.how) for one in speech.origins):
                rig.twins[which] = round(fault.size * speech.period_us), deque(frames)
                rig.world.watcher.second_sender(rig.world.t_us, *which, there=True)
                found.append(which)

    def over() -> None:
        for which in found:
            if rig.twins.pop(which, None):
                rig.world.watcher.second_sender(rig.world.t_us, *which, there=False)

    return over


def _rival(rig: Rig, fault: Fault) -> Ending:
    """Somebody else tells an inverter limits."""
    world, end_us = rig.world, rig.world.t_us + round(fault.lasts_s * 1e6)
    listener = next(one for one in rig.site.listeners if one.name == fault.what)
    wire, key = sorted(listener.ears)[int(fault.size) % len(listener.ears)]

    def send() -> None:
        if world.t_us < end_us:
            world.foreign(Frame(wire, key, rig.draw.randbytes(8)))
            world.later(0.4, send)

    send()
    return None


_KINDS: Final[dict[str, Callable[[Rig, Fault], Ending]]] = {
    "link": _link,
    "forge": _forge,
    "says": _says,
    "bank silent": _bank_silent,
    "bus down": _bus_down,
    "bus full": _bus_full,
    "stall": _stall,
    "kill": _kill,
    "stop": _stop,
    "trap": _trap,
    "seam": _seam,
    "clock": _clock,
    "reload": _reload,
    "bad reload": _reload,
    "cell": _cell,
    "beyond": _beyond,
    "cold": _warmth,
    "cold back": _warmth,
    "hot": _warmth,
    "deny": _deny,
    "inverter dead": _inverter_dead,
    "twin": _twin,
    "rival": _rival,
}
