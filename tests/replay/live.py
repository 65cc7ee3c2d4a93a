"""Recorded runs of the real daemon in a simulated world, for the tests of this folder."""

from collections.abc import Callable
from functools import cache
from pathlib import Path

from bridge.profile.load import LoadedProfile, load_profile
from bridge.replay.recorder import Recorder
from bridge.replay.session import Session
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.simulate.inverter import Wish
from bridge.simulate.site import Site
from bridge.simulate.world import VirtualWorld

START_US = 1_750_000_000_123_457
PROFILES = Path(__file__).parents[2] / "profiles"


@cache
def profile(name: str) -> LoadedProfile:
    """One of the profiles the project ships."""
    return load_profile(PROFILES / f"{name}.toml")


def variant(folder: Path, name: str, *changes: tuple[str, str]) -> LoadedProfile:
    """A shipped profile with pieces of its text replaced."""
    text = (PROFILES / f"{name}.toml").read_text().replace("../dbc_own", str(PROFILES.parent / "dbc_own"))
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / f"{name}_{len(list(folder.iterdir()))}.toml"
    path.write_text(text)
    return load_profile(path)


def channels(loaded: LoadedProfile) -> dict[str, str]:
    """Buses of a profile, and what their interfaces call them."""
    return {bus.name: bus.channel for bus in loaded.buses}


def session(path: Path, loaded: LoadedProfile) -> Session:
    """A capture for this profile."""
    return Session(path, loaded.plan, channels(loaded))


def world(
    loaded: LoadedProfile, seconds: float, *, charge: float = 0.6, wish_a: float = 60.0
) -> VirtualWorld:
    """A simulated site in which the daemon is asked to stop after some seconds."""
    site = Site(loaded, START_US, charge=charge, wish=lambda _: Wish(wish_a, 5.0))
    return VirtualWorld(site, START_US, end_us=START_US + round(seconds * 1e6))


def run(
    loaded: LoadedProfile,
    outside: VirtualWorld,
    path: Path | None,
    load: Callable[[], LoadedProfile] | None = None,
) -> Recorder | None:
    """Runs the daemon in this world until it stops, recording to `path`."""
    journal = Journal(make_logger(write=lambda _: None), str)
    recorder = Recorder(path) if path is not None else None
    Daemon(loaded, outside, journal, load=load or (lambda: loaded), recorder=recorder).run()
    return recorder
