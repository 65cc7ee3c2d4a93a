"""Defects of the process: how it fails, stops, waits and goes on."""

from collections.abc import Sequence
from typing import Any

from bridge.core.engine import Engine
from bridge.errors import BusDown, BusError
from bridge.frames import Frame
from bridge.service import daemon as daemon_module
from bridge.service.daemon import Daemon
from bridge.service.lastwords import Unsent, send_patiently
from bridge.service.leaving import Leaving
from bridge.service.store import Store
from tests.storm import seams
from tests.storm.defects.put import Put


def journal_raises(put: Put) -> None:
    """What a journal raises goes through to the loop."""

    def writer(self: seams.Lines, line: str) -> None:
        self._world.enter("journal")
        self._told(line)

    put(seams.Lines, "writer", writer)
    put(daemon_module, "contained", lambda inner, _: inner)


def journal_waits(put: Put) -> None:
    """The program waits for whoever reads its journal."""

    def writer(self: seams.Lines, line: str) -> None:
        self._world.enter("journal")
        self._told(line)

    put(seams.Lines, "writer", writer)


def dies_without_zeros(put: Put) -> None:
    """A fault inside ends the program, and says so; nothing is sent."""
    put(daemon_module, "send_patiently", lambda *_, **__: Unsent({}, ()))


def zeros_on_the_first_bus_only(put: Put) -> None:
    """After a fault only the first bus gets its zeros."""

    def send(world: Any, frames: Sequence[Frame], **more: Any) -> Unsent:
        return send_patiently(world, [one for one in frames if one.bus == frames[0].bus], **more)

    put(daemon_module, "send_patiently", send)


def stops_without_zeros(put: Put) -> None:
    """An orderly stop just stops."""
    put(Daemon, "_stop", lambda *_: 0)


def says_all_is_well(put: Put) -> None:
    """Zeros that could not leave are no reason for another exit code."""
    right = Daemon._tell_unsent
    put(Daemon, "_tell_unsent", lambda self, lost: right(self, lost) and 0)


def dies_of_a_bad_profile(put: Put) -> None:
    """A reload that fails ends the program."""

    def not_taken(_: Daemon, __: int, why: str) -> None:
        raise BusError(why)

    put(Daemon, "_not_taken", not_taken)


def dies_of_a_full_queue(put: Put) -> None:
    """A frame that does not leave ends the program."""
    put(daemon_module, "BusError", BusDown)


def no_life_while_the_bus_is_down(put: Put) -> None:
    """A bus that is down counts as death."""
    put(Leaving, "_outside", lambda *_: False)


def stall_ignored(put: Put) -> None:
    """After a stall the program goes on as if nothing had happened."""
    put(Engine, "resume", Engine.poll)


def stands_still_for_the_disk(put: Put) -> None:
    """The state is written while the loop waits."""
    right = Store.save

    def save(self: Store, *args: Any) -> str:
        told = right(self, *args)
        self.wait()
        return told

    put(Store, "save", save)
