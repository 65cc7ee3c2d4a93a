"""A life of the daemon in a simulated site in which a call to the outside fails, and what the inverters saw.

Every call the daemon makes goes through a proxy that counts it by its kind and may raise in its place. The
inverters understand frames with cantools, and share nothing with the core but the DBC files.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

from bridge.core.engine import Engine
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import SECOND_US
from bridge.drill.stage import build_site
from bridge.frames import Frame
from bridge.profile.load import LoadedProfile, load_profile
from bridge.replay.recorder import Recorder
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.notify import Notifier
from bridge.service.store import Store
from bridge.service.world import Aborted, Request
from bridge.simulate.coder import Library
from bridge.simulate.world import Killed, VirtualWorld
from tests.service.fakes import ROOT

START_US: Final = 1_700_000_000 * SECOND_US
HANDED_ON: Final = 130
CURRENTS: Final = ("charge_current_limit", "discharge_current_limit")
PROFILES: Final = ("cabin", "boathouse", "jetty")


class Plot(NamedTuple):
    """What is to fail.

    Attributes:
        kind: which calls, such as `world.send`.
        number: of the call, from 1.
        error: makes what it raises.
        lasting: all later calls of the kind fail as well.
        done: the call does its work before it raises.
    """

    kind: str
    number: int
    error: Callable[[], BaseException]
    lasting: bool = False
    done: bool = False


@dataclass
class Life:
    """What became of it.

    Attributes:
        code: exit code, None if it was killed.
        calls: how many there were of each kind.
        sent: what left, by time.
        permissive: (time, inverter) of every frame that allowed a current.
        zeros: (time, inverter) of every frame that said zero for all currents it tells.
        latest: of each inverter, the currents it was told last.
        silent: the daemon had left the inverters to their own time-out.
        fault_us: when the first planned failure was raised.
        following: it had followed before.
        lines: what it said.
        refused: what a strict inverter had against frames: counters, checksums.
    """

    code: int | None = None
    calls: Counter[str] = field(default_factory=Counter)
    sent: list[tuple[int, Frame]] = field(default_factory=list)
    permissive: list[tuple[int, str]] = field(default_factory=list)
    zeros: list[tuple[int, str]] = field(default_factory=list)
    latest: dict[str, dict[str, float]] = field(default_factory=dict)
    silent: bool = False
    fault_us: int | None = None
    following: bool = False
    lines: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


class Proxy:
    """Stands before something, counts its calls, and lets one of them fail."""

    def __init__(self, inner: object, prefix: str, call: Callable[[str, Callable[[], Any]], Any]) -> None:
        self._inner, self._prefix, self._call = inner, prefix, call

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._inner, name)
        if not callable(found):
            return found
        return lambda *args, **values: self._call(f"{self._prefix}.{name}", lambda: found(*args, **values))


@cache
def loaded_profile(name: str) -> LoadedProfile:
    """A shipped profile."""
    return load_profile(ROOT / "profiles" / f"{name}.toml")


@cache
def library() -> Library:
    """Its messages, by cantools."""
    return Library()


class Asked(Notifier):
    """A service manager that wants a sign of life every 4 s."""

    def __init__(self) -> None:
        super().__init__({})
        self.watchdog_us = 4 * SECOND_US
        self.told: list[str] = []

    def tell(self, *lines: str) -> bool:
        """Keeps them."""
        self.told += lines
        return True


def live(
    profile: str, folder: Path, plot: Plot | None = None, *, seconds: float = 14.0, reload_s: float = 9.5
) -> Life:
    """One life: trusted after some seconds, status asked for, a reload of the same profile, and a stop."""
    loaded, life = loaded_profile(profile), Life()

    def call(kind: str, work: Callable[[], Any]) -> Any:
        life.calls[kind] += 1
        hit = plot is not None and plot.kind == kind
        if plot is not None and hit:
            count = life.calls[kind]
            hit = count == plot.number or (plot.lasting and count > plot.number)
        if plot is None or not hit:
            return work()
        if plot.done:
            work()
        if life.fault_us is None:
            life.fault_us = world.t_us
            life.following = daemon is not None and daemon.engine.decision.state is State.FOLLOWING
        raise plot.error()

    site = build_site(loaded, START_US, library())
    world = VirtualWorld(site, START_US, end_us=START_US + round(seconds * SECOND_US))
    world.on_sent = lambda t_us, frame: _heard(life, world, t_us, frame)
    world.at(START_US + round((reload_s - 1.0) * SECOND_US), lambda: world.request(Request.STATUS))
    world.at(START_US + round(reload_s * SECOND_US), lambda: world.request(Request.RELOAD))
    journal = Journal(make_logger(write=life.lines.append))
    recorder = Recorder(folder / "life.log")
    store = Store(folder, loaded.path, wall=lambda: world.t_us)
    engines = _watch_engines(call)
    daemon: Daemon | None = None
    try:
        proxies: Any = {
            name: Proxy(inner, name, call)
            for name, inner in (
                ("world", world),
                ("journal", journal),
                ("recorder", recorder),
                ("store", store),
                ("notifier", Asked()),
            )
        }
        daemon = Daemon(
            loaded,
            proxies["world"],
            proxies["journal"],
            load=lambda: call("load", lambda: loaded),
            recorder=proxies["recorder"],
            store=proxies["store"],
            notifier=proxies["notifier"],
        )
        life.code = daemon.run()
    except Killed:
        life.code = None
    except (KeyboardInterrupt, SystemExit):  # these the daemon hands on
        life.code = HANDED_ON
    except (Exception, Aborted):
        if daemon is not None:  # before, nothing can have been sent
            raise
    finally:
        for name, method in engines.items():
            setattr(Engine, name, method)
    life.sent = world.sent
    life.silent = daemon is not None and daemon.engine.decision.state is State.SILENT
    life.latest = {
        one.name: {c: one.latest[c] for c in CURRENTS if c in one.latest} for one in site.listeners
    }
    return life


def _watch_engines(call: Callable[[str, Callable[[], Any]], Any]) -> dict[str, Any]:
    """Lets calls of the engine fail, too: what the core raises must not hurt either."""
    before = {}
    for name in ("poll", "receive", "close", "make"):
        method = before[name] = getattr(Engine, name)

        def watched(self: Engine, *args: Any, _name: str = name, _method: Any = method, **values: Any) -> Any:
            return call(f"engine.{_name}", lambda: _method(self, *args, **values))

        setattr(Engine, name, watched)
    return before


def _heard(life: Life, world: VirtualWorld, t_us: int, frame: Frame) -> None:
    for listener in world.site.listeners:
        if not listener.seen or listener.seen[-1].frame is not frame:
            continue
        life.refused += (*listener.seen[-1].faults, *listener.seen[-1].gaps)
        told = [listener.seen[-1].values[c] for c in CURRENTS if c in listener.seen[-1].values]
        if any(told):
            life.permissive.append((t_us, listener.name))
        elif told:
            life.zeros.append((t_us, listener.name))


def harm(life: Life, *, within_us: int = 50_000) -> list[str]:
    """What was not as it should be for the inverters; empty if nothing."""
    wrong = []
    for name, currents in life.latest.items():
        if any(currents.values()) and not life.silent:
            wrong.append(f"{name} is left with {currents}")
    if life.code not in (0, None) and life.fault_us is not None and life.permissive:
        late = [t_us for t_us, _ in life.permissive if t_us > life.fault_us]
        if late:
            wrong.append(f"{len(late)} permissive frames after the fault")
        for name in {name for _, name in life.permissive}:
            after = [t_us for t_us, whom in life.zeros if whom == name and t_us >= life.fault_us]
            if life.following and not (after and after[0] - life.fault_us <= within_us):
                wrong.append(f"{name}: no zeros within {within_us / 1000:g} ms of the fault")
    return wrong
