"""A restart that goes on from the last limits, where the profile lets it: as after a pause, no further."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.core.course.remembered import Going
from bridge.frames import Frame
from bridge.profile.load import LoadedProfile
from bridge.replay.recorder import Recorder, origin_of
from bridge.replay.replay import replay
from bridge.replay.verify import verify
from bridge.service import store as store_module
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.store import Store
from bridge.service.world import Request
from bridge.simulate.inverter import Wish
from bridge.simulate.site import Site
from bridge.simulate.world import Killed, VirtualWorld
from tests.replay.live import START_US, session, variant
from tests.service.fakes import SECOND_US, Lines
from tests.service.test_store import Knowing, cabin

GOES_ON = ("[failsafe]", '[failsafe]\nrestart = "go_on"')


class House:
    """A cabin with a load on it, and the lives of the daemon there.

    Attributes:
        drawn: the discharge limit at each of its frames since the last start, by time.
    """

    def __init__(self, loaded: LoadedProfile, folder: Path) -> None:
        self.loaded, self.folder = loaded, folder
        self.site = Site(loaded, START_US, charge=0.6, wish=lambda _: Wish(-80.0, 80.0))
        self.world = VirtualWorld(self.site, START_US)
        self.lines = Lines()
        self.drawn: list[tuple[int, float]] = []
        self.ahead_us = 0

    def wall(self) -> int:
        """The time of day, which somebody may set."""
        return self.world.t_us + self.ahead_us

    def live(
        self, seconds: float, *, killed: bool = True, gap_s: float = 0.5, record: Path | None = None
    ) -> None:
        """So many seconds of life; then nothing for a while."""
        world, self.lines, self.drawn = self.world, Lines(), []
        store = Store(self.folder, self.loaded.path, wall=self.wall, up=lambda: world.t_us)
        recorder = None if record is None else Recorder(record)
        journal = Journal(make_logger(write=self.lines))
        daemon = Daemon(self.loaded, world, journal, load=lambda: self.loaded, store=store, recorder=recorder)

        def sent(t_us: int, _: Frame) -> None:
            self.drawn.append((t_us, daemon.engine.decision.discharge_current.value))

        world.on_sent = sent
        end_us = world.t_us + round(seconds * SECOND_US)
        world.at(end_us, world.kill if killed else lambda: world.request(Request.STOP))
        try:
            daemon.run()
        except Killed:
            if recorder is not None:
                recorder.close()
        store.wait()
        world.skip_to(world.t_us + round(gap_s * SECOND_US))
        world.gone = False


@pytest.fixture
def house(tmp_path: Path) -> House:
    """One whose profile lets a restart go on."""
    (tmp_path / "profile").mkdir()
    made = House(variant(tmp_path / "profile", "cabin", GOES_ON), tmp_path / "state")
    made.live(60.0)
    return made


def test_a_restart_within_the_holding_time_goes_on_without_a_dip(house: House, tmp_path: Path) -> None:
    """The limit is what it was, from the first frame on; it is recorded as an input, and so it replays."""
    house.live(20.0, record=tmp_path / "run.log")
    assert {amps for _, amps in house.drawn} == {200.0}
    assert house.lines.having("limits go on from those of ")
    run = replay(house.loaded.plan, session(tmp_path / "run.log", house.loaded).steps())
    assert verify(run, origin_of(house.loaded)).identical


def test_without_data_the_limit_is_zero_when_the_holding_time_is_over(house: House) -> None:
    """Counted from the last sign of life, not from the restart; nothing rises meanwhile."""
    killed_us = house.world.t_us - SECOND_US // 2
    house.world.on_receive = lambda _, __: []
    house.live(20.0)
    assert {amps for t_us, amps in house.drawn if t_us < killed_us + 2_500_000} == {200.0}
    assert {amps for t_us, amps in house.drawn if t_us > killed_us + 3_100_000} == {0.0}


@pytest.mark.parametrize("default", [False, True])
def test_zero_is_where_a_restart_begins_otherwise(house: House, tmp_path: Path, default: bool) -> None:
    """By default; and after too long a time, even where it may go on."""
    if default:
        (tmp_path / "other").mkdir()
        house = House(variant(tmp_path / "other", "cabin"), tmp_path / "state")
        house.live(60.0)
    else:
        house.live(60.0, gap_s=3.2)
    house.live(3.0)
    assert {amps for _, amps in house.drawn} == {0.0}


def test_an_orderly_stop_told_zero_and_a_restart_begins_there(house: House) -> None:
    """What was sent last counts."""
    house.live(60.0, killed=False)
    house.live(3.0)
    assert {amps for _, amps in house.drawn} == {0.0}
    assert not house.lines.having("limits go on")


def forged(**changes: Any) -> Callable[[Path], None]:
    """Changes the file so that it does not look damaged."""

    def change(path: Path) -> None:
        whole = json.loads(path.read_text())
        whole["going"].update({key: value for key, value in changes.items() if key in whole["going"]})
        whole.update({key: value for key, value in changes.items() if key not in whole["going"]})
        whole["check"] = store_module._check([whole["wall_us"], whole["up_us"]], whole["going"])
        path.write_text(json.dumps(whole))

    return change


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda path: path.write_bytes(b""), "no JSON"),
        (lambda path: path.write_bytes(b"[" * 50_000), "no JSON"),
        (lambda path: path.write_text(path.read_text().replace("200.0", "250.0")), "damaged"),
        (forged(up_us=True), "damaged"),
        (forged(up_us=10**400), "damaged"),
        (forged(up_us=2**61), "the clock was set since"),
        (forged(boot="another"), "of another boot of the machine"),
        (forged(fingerprint=""), "of other banks"),
        (forged(limits=[float("nan")] * 4), "caps: nan"),
        (forged(limits=[1e9] * 4), "caps: 1000000000.0"),
        (forged(limits=None), "going: "),
        (forged(heard=["nobody"]), "going.heard"),
        (forged(trusted_us=-1), "damaged"),
        (forged(trusted_us=3 * SECOND_US), "s old; allowed: 3 s"),
    ],
)
def test_any_doubt_means_zero(house: House, spoil: Callable[[Path], object], why: str) -> None:
    """Damaged, forged, of another pack or boot: told in one line."""
    spoil(house.folder / f"{house.loaded.path.stem}.going.json")
    house.live(3.0)
    assert {amps for _, amps in house.drawn} == {0.0}
    told = house.lines.having("limits begin at zero")
    assert len(told) == 1
    assert why in told[0]


@pytest.mark.parametrize("by_s", [-60.0, 60.0])
def test_a_clock_that_was_set_means_zero(house: House, by_s: float) -> None:
    """Either way: how long nothing ran is not known for sure."""
    house.ahead_us = round(by_s * SECOND_US)
    house.live(3.0)
    assert {amps for _, amps in house.drawn} == {0.0}
    assert house.lines.having("the clock was set since; limits begin at zero")


class Falling(Knowing):
    """An engine whose discharge limit can be set."""

    amps = 200.0

    @property
    def going(self) -> Going:
        """How it stands."""
        return Going(self.latest_us, (56.0, 100.0, self.amps, 48.0))


def test_what_is_on_the_disk_is_no_older_than_the_last_fall(house: House) -> None:
    """Rises and repeats wait for their second; a fall does not."""
    store = Store(house.folder, house.loaded.path, wall=house.wall, up=house.wall)
    path = house.folder / f"{house.loaded.path.stem}.going.json"
    engine = Falling(cabin().plan, START_US)

    def written(t_us: int, amps: float) -> float:
        engine.amps = amps
        store.look(house.loaded, engine, t_us)
        store.wait()
        return float(json.loads(path.read_text())["going"]["limits"][2])

    told = [
        written(START_US + i * 200_000, amps) for i, amps in enumerate([200.0, 210.0, 190.0, 190.0, 200.0])
    ]
    assert told == [200.0, 200.0, 190.0, 190.0, 190.0]
    assert written(START_US + 2 * 200_000 + SECOND_US, 200.0) == 200.0
