"""A capture as the steps an engine went through, or would have gone through, in order.

A recording (a capture with FILE.events beside it) gives exactly what the engine was given. Any other
capture gives its frames: those the profile asks for are inputs; those with the identifier of one of the
profile's transmissions are what was sent then, by whatever sent it, and never an input. In a recording those
that came in were somebody else's, and an input, unless the run was dry.
"""

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from bridge.core.plan.plan import Plan
from bridge.errors import CaptureError, Problem, Severity
from bridge.frames import Frame
from bridge.replay.candump import CaptureReader, LogLine
from bridge.replay.events import Event, Events, read_events
from bridge.replay.recorder import Origin, events_path

_SHOWN: Final = 12
"""Most identifiers named in one message to a person."""


class Started(NamedTuple):
    """An engine was made.

    Attributes:
        t_us: when.
        origin: what it was made from; `None` for a foreign capture.
        kept: what it knew from before, as `bridge.core.course.remembered` reads it; empty: nothing.
    """

    t_us: int
    origin: Origin | None
    kept: Mapping[str, Any] = MappingProxyType({})


class Replaced(NamedTuple):
    """Another profile was taken, whose engine takes over from the one at work. As `Started`."""

    t_us: int
    origin: Origin | None
    kept: Mapping[str, Any] = MappingProxyType({})


class Received(NamedTuple):
    """A frame the profile asks for came in, or one of ours that somebody else sent."""

    t_us: int
    frame: Frame


class Made(NamedTuple):
    """A frame was due then. `why_not`: why it did not leave; "" if it did."""

    t_us: int
    frame: Frame
    why_not: str


class Resumed(NamedTuple):
    """The program was late; it had reached `latest_us` before."""

    t_us: int
    latest_us: int


class Ended(NamedTuple):
    """The engine's life ended: `closed` in good order, or the capture just stops there."""

    t_us: int
    closed: bool


Step = Started | Replaced | Received | Made | Resumed | Ended


class Session:
    """One capture, for one profile. Can be iterated over as often as wished; the counts are of the last pass.

    Args:
        path: the capture.
        plan: of the profile.
        channels: each bus of the profile, and what its interface calls it.
        channel_map: channel in the capture: bus of the profile, where the names do not tell.
        others: plans of further profiles the recording was made with, whose frames are of interest, too.

    Attributes:
        exact: it is a recording: engine times are known.
        errors: error frames seen on the bus.
        other: frames the profile has no use for, counted by channel and frame key.

    Raises:
        CaptureError: FILE.events is damaged, or `channel_map` names a bus the profile does not have. While
            iterating: the capture is unreadable, or holds nothing the profile knows.
    """

    def __init__(
        self,
        path: Path | str,
        plan: Plan,
        channels: Mapping[str, str],
        channel_map: Mapping[str, str] | None = None,
        others: Sequence[Plan] = (),
    ) -> None:
        self.path = Path(path)
        self._reader = CaptureReader(path)
        self._events: Events | None = read_events(path)
        self._map = dict(channel_map or {})
        self._channels = dict(channels)
        for channel, bus in self._map.items():
            if bus not in channels:
                raise self._error(
                    f"channel {channel}", f"bus {bus!r}", f"a bus of the profile: {[*channels]}"
                )
        plans = (plan, *others)
        self._inputs = {(source.bus, source.key) for one in plans for source in one.sources}
        self._outputs = {(sent.bus, sent.layout.key) for one in plans for sent in one.transmissions}
        self.exact = self._events is not None
        self.other: Counter[tuple[str, int]] = Counter()
        self._beyond = 0

    @property
    def errors(self) -> int:
        """Error frames in the capture."""
        return self._reader.errors

    def steps(self) -> Iterator[Step]:
        """Everything that happened, in order: `Started` first, `Ended` last, for each engine."""
        self.other = Counter()
        steps = self._foreign() if self._events is None else self._recorded(self._events.events)
        known = False
        for step in steps:
            known = known or isinstance(step, Received) or (isinstance(step, Made) and self._ours(step))
            yield step
        if not known:
            raise self._unknown()

    def warnings(self) -> list[str]:
        """What a person should know about the capture; whole after a pass."""
        found = []
        if self._events is None:
            found.append(
                f"{events_path(self.path).name} is missing: the run starts at the first frame, "
                "and what was sent then cannot be compared to the microsecond"
            )
        elif self._events.cut_off or self._beyond:
            found.append("the recording was cut off; it is replayed up to there")
        strange = sorted({channel for channel, _ in self.other if self._bus(channel, {}) is None})
        if strange and self._events is None:
            found.append(
                f"frames on {', '.join(strange)} are left out: the profile's buses are "
                f"{_listed(self._channels)}; --channel {strange[0]}=BUS tells which is which"
            )
        return found

    # ── the two kinds of captures ───────────────────────────────────────────────────────────────────

    def _foreign(self) -> Iterator[Step]:
        t_us: int | None = None
        buses: dict[str, str | None] = {}
        inputs, outputs = self._inputs, self._outputs
        for line in self._reader:
            if t_us is None:
                yield Started(line.t_us, None)
            t_us, channel = line.t_us, line.channel
            if channel not in buses:
                buses[channel] = self._bus(channel, {})
            bus = buses[channel]
            pair = (bus or "", line.key)
            # On a machine that plays both sides ` T` marks every frame, so the identifier decides.
            if pair in outputs and (line.sent or pair not in inputs):
                yield Made(t_us, Frame(bus or "", line.key, line.data), "")
            elif pair in inputs:
                yield Received(t_us, Frame(bus or "", line.key, line.data))
            else:
                self.other[channel, line.key] += 1
        if t_us is not None:
            yield Ended(t_us, closed=False)

    def _recorded(self, events: tuple[Event, ...]) -> Iterator[Step]:
        unsent = {event.after_line: event.why for event in events if event.kind == "unsent"}
        waiting = [event for event in reversed(events) if event.kind != "unsent"]
        buses: Mapping[str, str] = {}
        t_us, lines, running, inputs = 0, 0, False, self._inputs
        for line in self._reader:
            while waiting and waiting[-1].after_line < line.line:
                event = waiting.pop()
                buses = event.buses or buses
                if event.origin is not None:
                    inputs = self._inputs if event.dry else self._inputs | self._outputs
                yield from self._happened(event)
                running = event.kind != "stop"
            t_us, lines = line.t_us, line.line
            step = self._step(line, buses, unsent, inputs)
            if step is not None:
                yield step
        while waiting and waiting[-1].after_line <= lines:
            event = waiting.pop()
            yield from self._happened(event)
            t_us, running = max(t_us, event.t_us), event.kind != "stop"
        self._beyond = len(waiting)
        if running:
            yield Ended(t_us, closed=False)

    def _step(
        self,
        line: LogLine,
        buses: Mapping[str, str],
        unsent: Mapping[int, str],
        inputs: Collection[tuple[str, int]],
    ) -> Step | None:
        bus = self._bus(line.channel, buses)
        if line.sent:
            frame = Frame(bus or buses.get(line.channel, line.channel), line.key, line.data)
            made = Made(line.t_us, frame, unsent.get(line.line, ""))
            if not self._ours(made):
                self.other[line.channel, line.key] += 1
            return made
        if bus is not None and (bus, line.key) in inputs:
            return Received(line.t_us, Frame(bus, line.key, line.data))
        self.other[line.channel, line.key] += 1
        return None

    @staticmethod
    def _happened(event: Event) -> Iterator[Step]:
        if event.kind == "resume":
            yield Resumed(event.t_us, event.latest_us)
        elif event.kind == "stop":
            yield Ended(event.t_us, closed=True)
        elif event.kind == "replace":
            yield Replaced(event.t_us, event.origin, event.kept)
        else:
            if event.kind == "reload":
                yield Ended(event.t_us, closed=True)
            yield Started(event.t_us, event.origin, event.kept)

    def _ours(self, made: Made) -> bool:
        return (made.frame.bus, made.frame.key) in self._outputs

    def _bus(self, channel: str, recorded: Mapping[str, str]) -> str | None:
        """The profile's bus for a channel: as told, else by the recording, else by the profile."""
        if channel in self._map:
            return self._map[channel]
        if recorded.get(channel) in self._channels:
            return recorded[channel]
        return next((bus for bus, own in self._channels.items() if own == channel), None)

    # ── what cannot be used ─────────────────────────────────────────────────────────────────────────

    def _unknown(self) -> CaptureError:
        names = [f"{_id(key)} on {channel} ({count})" for (channel, key), count in self.other.most_common()]
        more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
        found = f"no frame the profile knows, but {', '.join(names[:_SHOWN]) or 'none at all'}{more}"
        wanted = [f"{_id(key)} on {self._channels.get(bus, bus)}" for bus, key in sorted(self._inputs)]
        more = f" and {len(wanted) - _SHOWN} more" if len(wanted) > _SHOWN else ""
        allowed = f"{', '.join(wanted[:_SHOWN])}{more}; --channel CAPTURED=BUS tells which bus a channel is"
        return self._error("file", found, allowed)

    def _error(self, key: str, found: str, allowed: str) -> CaptureError:
        return CaptureError([Problem(Severity.FAIL, str(self.path), key, found, allowed)])


def _id(key: int) -> str:
    return str(Frame("", key, b"")).rstrip("#")


def _listed(channels: Mapping[str, str]) -> str:
    return ", ".join(f"{bus} ({channel})" for bus, channel in channels.items())
