"""The daemon killed and started again: what it kept, what it says, and that no limit is stepped up by it."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest

from bridge.core.course.remembered import NOTHING
from bridge.profile.load import LoadedProfile
from bridge.replay.recorder import Recorder, origin_of
from bridge.replay.replay import replay
from bridge.replay.verify import verify
from bridge.service import start, store
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.store import Store
from bridge.service.world import Request
from bridge.simulate.inverter import Wish
from bridge.simulate.site import Site
from bridge.simulate.world import Killed, VirtualWorld
from tests.replay.live import START_US, session, variant
from tests.service.fakes import CABIN, ROOT, SECOND_US, Lines, ScriptedWorld

STAGES = ("[failsafe]", "[stages]\nabsorption_min = 2\nfull_every_days = 14\n[failsafe]")
MINUTE_US = 60 * SECOND_US


@pytest.fixture(autouse=True)
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    """Kept every minute, so that a test need not last ten."""
    monkeypatch.setattr(store, "SAVE_US", MINUTE_US)


class Lives:
    """One simulated site, and the lives of the daemon there.

    Attributes:
        loaded: the profile.
        next: what it has become by a reload.
        lines: what was said in the life at hand.
        volts: the charge voltage limit of that life, as sent.
    """

    def __init__(self, loaded: LoadedProfile, folder: Path | None) -> None:
        self.loaded = self.next = loaded
        self.lines = Lines()
        self.volts: list[float] = []
        self._folder = folder
        self._site = Site(loaded, START_US, charge=0.985, wish=lambda _: Wish(160.0, 2.0))
        self.world = VirtualWorld(self._site, START_US)

    def live(self, minutes: float, *, killed: bool, dry: bool = False, record: Path | None = None) -> Daemon:
        """A life of so many minutes, ended by SIGKILL or in good order; then 5 s of nothing."""
        world, kept = self.world, None
        self.lines, self.volts = Lines(), []
        if self._folder is not None:
            kept = Store(self._folder, self.loaded.path, wall=world.now_us)
        recorder = None if record is None else Recorder(record)
        journal = Journal(make_logger(write=self.lines))
        daemon = Daemon(
            self.loaded, world, journal, load=lambda: self.next, store=kept, recorder=recorder, dry=dry
        )
        world.on_sent = lambda _, __: self.volts.append(daemon.engine.decision.charge_voltage.value)
        end_us = world.t_us + round(minutes * MINUTE_US)
        world.at(end_us, world.kill if killed else lambda: world.request(Request.STOP))
        try:
            daemon.run()
        except Killed:
            if kept is not None:
                kept.wait()
        world.skip_to(world.t_us + 5 * SECOND_US)
        world.gone = False
        return daemon


@pytest.fixture
def loaded(tmp_path: Path) -> LoadedProfile:
    """The cabin with stages: full after two minutes at its target."""
    (tmp_path / "profile").mkdir()
    return variant(tmp_path / "profile", "cabin", STAGES)


def test_a_full_pack_rests_on_after_a_sigkill_and_the_run_replays(
    tmp_path: Path, loaded: LoadedProfile
) -> None:
    """What was kept comes back, is recorded as an input, and the charge voltage never leaves the resting one;
    a daemon that keeps nothing would charge it up again."""
    lives = Lives(loaded, tmp_path / "state")
    first = lives.live(14, killed=True)
    assert first.engine.decision.stage.startswith("resting: ")
    assert max(lives.volts) > 53.6
    assert not lives.lines.having("over a restart")

    second = lives.live(3, killed=True, record=tmp_path / "run.log")

    assert second.engine.decision.stage == "resting: charged before the restart"
    assert max(lives.volts) <= 53.6
    assert lives.lines.having(
        "known from before: what was learnt of charger and cells; last full charge 0.0 days"
    )
    run = replay(loaded.plan, session(tmp_path / "run.log", loaded).steps())
    assert verify(run, origin_of(loaded)).identical

    forgetful = Lives(loaded, None)
    forgetful.live(14, killed=True)
    forgetful.live(3, killed=True)
    assert max(forgetful.volts) > 53.6


def test_a_stop_in_good_order_keeps_it_too_and_a_dry_run_only_reads(
    tmp_path: Path, loaded: LoadedProfile
) -> None:
    """The file is as new as the stop; a dry run leaves it as it is."""
    lives = Lives(loaded, tmp_path / "state")
    lives.live(0.5, killed=False)
    file = tmp_path / "state" / f"{loaded.path.stem}.kept.json"
    before = file.read_bytes()
    lives.live(2, killed=False, dry=True)
    assert file.read_bytes() == before
    assert lives.lines.having("known from before")


def test_a_reload_forgets_only_what_belongs_to_another_pack(loaded: LoadedProfile) -> None:
    """Another wish: the engine goes on with what it knew; other cells: it knows nothing."""
    wished = STAGES[1].replace("[stages]", "[options]\ninhibit_discharge = true\n[stages]")
    for change, stage in (
        (("inhibit", "inhibit"), ("resting: ",)),
        (("capacity_ah = 280", "capacity_ah = 270"), ("bulk: ", "absorption: ")),
    ):
        lives = Lives(loaded, None)
        lives.next = variant(loaded.path.parent, "cabin", (STAGES[0], wished), change)
        lives.world.at(START_US + 14 * MINUTE_US, partial(lives.world.request, Request.RELOAD))
        daemon = lives.live(14.5, killed=True)
        assert lives.lines.having("the new one has taken over")
        assert daemon.engine.decision.stage.startswith(stage)


def test_a_full_disk_is_told_once_and_the_service_goes_on(
    tmp_path: Path, loaded: LoadedProfile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Limits are followed all the same."""

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    lives = Lives(loaded, tmp_path / "state")
    daemon = lives.live(6, killed=False)
    assert len(lives.lines.having("No space left on device; nothing is kept over a restart")) == 1
    assert max(lives.volts) > 54.0
    assert daemon.engine.kept != NOTHING


@pytest.mark.parametrize("seconds", [0.2, 0.45])
def test_a_real_sigkill_at_any_moment_leaves_a_whole_file(tmp_path: Path, seconds: float) -> None:
    """A process that writes all the time is killed: the old or the new file is there, never half of one."""
    command = [sys.executable, "-m", "tests.service.keeper", str(tmp_path)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"writing\n"
        time.sleep(seconds)
        process.send_signal(signal.SIGKILL)
    from tests.service.test_store import cabin

    found = Store(tmp_path, CABIN, wall=lambda: 2 * START_US).load(cabin(), 2 * START_US)
    assert not found.bad
    assert found.kept.last_full_us is not None


WRITES_S = 0.25
"""What one write may take on the card of a machine that tests."""


@pytest.mark.parametrize("seconds", [0.05, 0.11, 0.17, 0.29])
def test_a_real_sigkill_forgets_nothing_that_was_tightened_but_what_was_being_written(
    tmp_path: Path, seconds: float
) -> None:
    """Killed at any moment: the caps on the disk are no older than a write takes."""
    command = [sys.executable, "-m", "tests.service.keeper", str(tmp_path), "trip"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        first = process.stdout.readline()
        time.sleep(seconds)
        killed_ns = time.monotonic_ns()
        process.send_signal(signal.SIGKILL)
        lines = [first, *process.stdout]
    told = [line.split() for line in lines if line.endswith("\n")]
    due = [float(amps) for at_ns, amps in told if killed_ns - int(at_ns) > WRITES_S * 1e9]
    from tests.service.test_store import cabin

    found = Store(tmp_path, CABIN, wall=lambda: 2 * START_US).load(cabin(), 2 * START_US)
    assert not found.bad
    if due or found.kept.caps is not None:
        assert found.kept.caps is not None
        assert found.kept.caps[1] <= min(due, default=1000.0)


class ShortWorld(ScriptedWorld):
    """Stops at once."""

    @contextmanager
    def signals(self) -> Iterator[None]:
        """None come."""
        yield


def test_where_nothing_is_kept_it_is_said_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Neither under a service manager nor with --state; with one of them there is a file."""
    monkeypatch.setattr(start, "LiveWorld", lambda _: ShortWorld([]))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)

    def run(state: Path | None) -> list[str]:
        start.run_live(CABIN, dry=False, record=None, status_every_s=0, log="plain", state=state)
        return [line for line in capfd.readouterr().out.splitlines() if "over a restart" in line]

    assert len(run(None)) == 1
    assert run(tmp_path) == []
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    assert run(None) == []


def test_the_service_manager_says_where(monkeypatch: pytest.MonkeyPatch) -> None:
    """The first of the folders it names; none where there is no service manager."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    assert start.state_directory() is None
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/ampweir:/var/lib/other")
    assert start.state_directory() == Path("/var/lib/ampweir")
