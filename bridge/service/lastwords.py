"""The last frames: zero currents, whatever has happened, and tried again for a while where they cannot leave.

After a fault inside nothing is rebuilt that may have failed. Frames were made at the start, when all was
well. The failed engine is only asked for the same zero currents once more, because its counters are where a
strict receiver expects them; where it cannot make them, those kept for this go out.
"""

import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from typing import Final, NamedTuple

from bridge.core.engine import Engine
from bridge.core.plan.plan import Plan
from bridge.core.succession import Succession
from bridge.core.wire.outgoing import CounterItem, Transmission
from bridge.errors import EXIT_OK, EXIT_UNSENT, BusError
from bridge.frames import Frame
from bridge.service.journal import Journal
from bridge.service.seam import BusNotice
from bridge.service.world import Request, World

PATIENCE_US: Final = 2_000_000
"""Zero currents that cannot leave are tried again for this long."""

AGAIN_US: Final = 5_000
"""From one attempt to the next."""

COUNTED: Final = 3
"""After a fault, a message with a counter goes out this often: some receivers want two in a row."""

_VOLTAGES: Final[tuple[tuple[str, Callable[[float, float], float]], ...]] = (
    ("charge_voltage_limit", min),
    ("discharge_voltage_floor", max),
)

_STUCK: Final = 100
"""So many waits without any time passing, and the clock is broken."""


class Unsent(NamedTuple):
    """What did not leave in the end.

    Attributes:
        why: by bus, what was the matter.
        notices: what happened to the buses meanwhile.
        requests: what was asked of the daemon meanwhile.
    """

    why: Mapping[str, str]
    notices: tuple[BusNotice, ...] = ()
    requests: tuple[Request, ...] = ()


class LastWords:
    """Frames that say zero currents, for one plan.

    To make one also proves, before anything is sent, that such frames can be built.

    Attributes:
        plan: whose messages they are.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        engine = Engine(plan, 0)
        engine.poll(0)
        engine.close(0)
        self._zeros = engine.decision.values
        self._spare: Engine | None = engine
        self._counts = {
            i: len(one.pages) * (COUNTED if _has_counter(one) else 1)
            for i, one in enumerate(plan.transmissions)
            if one.carries_limits
        }
        self._kept: dict[int, list[Frame]] = {i: [] for i in self._counts}
        self.learn({})

    def learn(self, readings: Mapping[str, float | None]) -> None:
        """Makes what could not be made yet because a reading was not known; `readings` are those of now."""
        if self._spare is None:
            return
        values = self._with(readings)
        for i, count in self._counts.items():
            kept = self._kept[i]
            kept += _made(self._spare, i, values, count - len(kept))
        if all(len(self._kept[i]) == count for i, count in self._counts.items()):
            self._spare = None

    def frames(self, engine: Engine | Succession) -> list[Frame]:
        """One frame of every page that carries limits, and more of those that count. Never raises."""
        plain: Mapping[str, float | None] = self._zeros
        values = plain
        with suppress(Exception):
            plain = {**engine.decision.values, **_known(self._zeros)}
            values = self._with(engine.decision.values)
        frames: list[Frame] = []
        known = self._knows(engine)
        for i, count in self._counts.items():
            made = _made(engine, i, values, count) if known else []
            if known:  # a voltage that was tighter still may be more than a signal can say
                made += _made(engine, i, plain, count - len(made))
            frames += made if len(made) == count else self._kept[i]
        return frames

    def beside(self, frames: Iterable[Frame]) -> list[Frame]:
        """What an orderly end that gave `frames` could not make, because a reading is not known any more."""
        made = {(frame.bus, frame.key) for frame in frames}
        kept = (frame for i in self._counts for frame in self._kept[i])
        return [frame for frame in kept if (frame.bus, frame.key) not in made]

    def _knows(self, engine: Engine | Succession) -> bool:
        """Whether its messages are these: also where the same profile was loaded again meanwhile."""
        with suppress(Exception):
            return engine.plan is self.plan or engine.plan == self.plan
        return False

    def _with(self, readings: Mapping[str, float | None]) -> Mapping[str, float | None]:
        """Zero currents, and the readings as they were; no voltage looser than it was."""
        values = {**readings, **_known(self._zeros)}
        for name, tighter in _VOLTAGES:
            before, zero = readings.get(name), self._zeros.get(name)
            if before is not None and zero is not None and before == before:
                values[name] = tighter(before, zero)
        return values


def _known(values: Mapping[str, float | None]) -> dict[str, float]:
    return {name: value for name, value in values.items() if value is not None}


def _has_counter(transmission: Transmission) -> bool:
    return any(isinstance(item, CounterItem) for page in transmission.pages for item in page)


def _made(engine: Engine | Succession, i: int, values: Mapping[str, float | None], count: int) -> list[Frame]:
    """Up to `count` frames of one transmission: fewer, where it is this engine that has failed."""
    frames: list[Frame] = []
    try:
        while len(frames) < count:
            frames.append(engine.make(i, values))
    except Exception:
        return frames
    return frames


def send_patiently(
    world: World, frames: Sequence[Frame], *, worth: Callable[[str], bool] = lambda _: True
) -> Unsent:
    """Sends all of them, each message's in order; tries again for `PATIENCE_US` where they do not leave.

    Nothing that a bus or the world raises ends it; the world is looked after meanwhile, and so a bus that
    comes back is found.

    Args:
        world: the way out.
        frames: what is to leave.
        worth: says of a bus whether to try more than once.
    """
    why: dict[str, str] = {}
    notices: list[BusNotice] = []
    requests: list[Request] = []
    pending = attempt(world, frames, why)
    begin_us = before_us = _now(world)
    stuck = 0
    while pending and before_us - begin_us < PATIENCE_US and stuck < _STUCK:
        if not any(worth(frame.bus) for frame in pending):
            break
        _pause(world, before_us + AGAIN_US, notices, requests)
        now_us = _now(world)
        stuck = 0 if now_us > before_us else stuck + 1
        before_us = max(now_us, before_us)
        pending = attempt(world, pending, why)
    lost = {frame.bus for frame in pending}
    return Unsent({bus: text for bus, text in why.items() if bus in lost}, tuple(notices), tuple(requests))


def attempt(world: World, frames: Sequence[Frame], why: dict[str, str]) -> list[Frame]:
    """Tries each once; returns those that did not leave, and of their messages what came behind them."""
    pending: list[Frame] = []
    behind = set()
    for frame in frames:
        if (frame.bus, frame.key) not in behind:
            try:
                world.send(frame)
                continue
            except BusError as problem:
                why[frame.bus] = str(problem)
            except Exception as problem:  # one bus must not keep the others from their zeros
                why[frame.bus] = f"{type(problem).__name__}: {problem}"
            behind.add((frame.bus, frame.key))
        pending.append(frame)
    return pending


def _pause(world: World, until_us: int, notices: list[BusNotice], requests: list[Request]) -> None:
    """Lets a moment pass, and the world look after its buses."""
    try:
        batch = world.wait(until_us)
    except Exception:  # then time has to pass without it
        time.sleep(AGAIN_US / 1e6)
    else:
        notices += batch.notices
        requests += batch.requests


def _now(world: World) -> int:
    try:
        return world.now_us()
    except Exception:
        return 0


def tell_unsent(journal: Journal, t_us: int, lost: Unsent, told_on: Collection[str]) -> int:
    """Says which zero currents did not leave; returns the exit code of an orderly stop.

    Args:
        journal: where to.
        t_us: engine time.
        lost: what did not leave.
        told_on: the buses on which limits had left before.
    """
    for notice in lost.notices:
        journal.notice(t_us, notice)
    for bus, why in lost.why.items():
        if bus in told_on:
            text = f"tried for {PATIENCE_US / 1e6:g} s; its inverter is left to its own time-out"
        else:
            text = "no limits had left on it before"
        journal.say(t_us, f"bus {bus}: the zero currents did not leave: {why}; {text}", "error")
    return EXIT_UNSENT if any(bus in told_on for bus in lost.why) else EXIT_OK
