"""Reads a profile and the message definitions it names: a plan, or all problems at once."""

from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from bridge.core.plan.plan import Plan
from bridge.core.wire.codec import MessageLayout
from bridge.errors import AmpweirError, ProfileError
from bridge.profile.buses import BusConfig
from bridge.profile.compile import compile_plan
from bridge.profile.findings import Definitions, Findings
from bridge.profile.parse import parsed
from bridge.profile.reading import refused
from bridge.profile.schema import Profile
from bridge.profile.validate import validated


class Definition(NamedTuple):
    """Where a message of the profile is defined, for a decoder of one's own.

    Attributes:
        dbc: the message-definition file.
        message: name in that file.
        layout: as this program understood it.
    """

    dbc: Path
    message: str
    layout: MessageLayout


@dataclass(frozen=True, slots=True)
class LoadedProfile:
    """A profile that can be run. What `check` has to say about it is another matter.

    Attributes:
        path: the file, as given.
        profile: what it says; its sources and transmissions are in the order of the plan's.
        plan: the same for the core.
        buses: the buses, each with the frame keys wanted from it.
        received: definition of each source of the plan, in order.
        sent: definition of each transmission of the plan, in order.
    """

    path: Path
    profile: Profile
    plan: Plan
    buses: tuple[BusConfig, ...]
    received: tuple[Definition, ...]
    sent: tuple[Definition, ...]

    @property
    def definitions(self) -> dict[tuple[str, int], Definition]:
        """Definitions of all messages, by name of the bus and key of the frame."""
        rows = [(source.bus, one) for source, one in zip(self.plan.sources, self.received, strict=True)]
        rows += [(each.bus, one) for each, one in zip(self.plan.transmissions, self.sent, strict=True)]
        return {(bus, one.layout.key): one for bus, one in rows}


def load_profile(path: Path | str) -> LoadedProfile:
    """The profile in a file, compiled.

    Raises:
        ProfileError: with every problem found in it and in the message definitions it names. Nothing else is
            raised, whatever the files are.
    """
    try:
        return _loaded(path)
    except AmpweirError:
        raise
    except Exception as fault:
        raise unusable(str(path), fault) from fault


def unusable(file: str, fault: Exception) -> ProfileError:
    """The last net: a fault of the program's own over a file is a problem of that file's, in one line."""
    found = f"{type(fault).__name__}: {fault}" if str(fault) else type(fault).__name__
    return refused(file, "file", f"cannot be used: {found}", "a profile that this program can work with")


def _loaded(path: Path | str) -> LoadedProfile:
    file = str(path)
    raw = parsed(Path(path), file)
    findings = Findings(file)
    profile = validated(raw, findings)
    if profile is None:
        raise ProfileError(findings.problems)
    home = Path(path).parent
    definitions = Definitions(home, findings)
    compiled = compile_plan(profile, definitions, findings)
    if compiled is None:
        raise ProfileError(findings.problems)
    plan, received = compiled
    return LoadedProfile(
        path=Path(path),
        profile=profile,
        plan=plan,
        buses=_buses(profile, plan),
        received=tuple(
            Definition(definitions.path(section.dbc), section.message, layout)
            for section, layout in zip(profile.source, received.layouts, strict=True)
        ),
        sent=tuple(
            Definition(definitions.path(section.dbc), section.message, each.layout)
            for section, each in zip(profile.transmission, plan.transmissions, strict=True)
        ),
    )


def _buses(profile: Profile, plan: Plan) -> tuple[BusConfig, ...]:
    return tuple(
        BusConfig(
            name=bus.name,
            interface=bus.interface,
            channel=bus.channel,
            bitrate=bus.bitrate,
            options=tuple(bus.options.items()),
            # Ours, too: a frame of ours that comes in was sent by somebody else.
            keys=frozenset(source.key for source in plan.sources if source.bus == bus.name)
            | frozenset(sent.layout.key for sent in plan.transmissions if sent.bus == bus.name),
        )
        for bus in profile.bus
    )
