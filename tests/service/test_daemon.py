"""The daemon against a scripted world: what is sent, said, recorded, and what happens when things fail."""

from pathlib import Path
from typing import Any

import pytest

from bridge.core.engine import Engine
from bridge.core.told.decision import Decision
from bridge.errors import (
    EXIT_INTERNAL,
    EXIT_OK,
    BusDown,
    BusFull,
    Problem,
    ProfileError,
    Severity,
)
from bridge.frames import Frame
from bridge.profile.buses import BusConfig
from bridge.profile.load import LoadedProfile, load_profile
from bridge.replay.recorder import Recorder
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.notify import Notifier
from bridge.service.seam import BusNotice, NoticeKind
from bridge.service.world import Request
from tests.service.fakes import CABIN, SECOND_US, Event, Lines, ScriptedWorld, healthy, healthy_script

FIRST_A = pytest.approx(72.1)
"""What the healthy pack is allowed while no current has told of its resistances."""


class ListeningNotifier(Notifier):
    """Keeps what would be told to a service manager that expects a sign of life every 4 s."""

    def __init__(self) -> None:
        super().__init__({})
        self.watchdog_us = 4 * SECOND_US
        self.told: list[str] = []

    def tell(self, *lines: str) -> bool:
        """Keeps the lines."""
        self.told += lines
        return True


def make(world: ScriptedWorld, **options: Any) -> tuple[Daemon, Lines]:
    """A daemon for the cabin in `world`, and what it says."""
    lines = Lines()
    loaded = load_profile(CABIN)
    options.setdefault("load", lambda: loaded)
    return Daemon(loaded, world, Journal(make_logger(write=lines)), **options), lines


def test_limits_follow_a_healthy_pack_after_a_steady_stretch() -> None:
    """Currents are zero for the steady stretch, then ramp up; on stopping the last frame says zero again."""
    world = ScriptedWorld(healthy_script(120, 3.34))
    daemon, lines = make(world)

    assert daemon.run() == EXIT_OK

    bounds = world.bounds()
    early = [values for t_us, values in bounds if t_us < 5 * SECOND_US]
    assert early
    assert all(values["charge_amps_most"] == 0 and values["draw_amps_most"] == 0 for values in early)
    late = [values for t_us, values in bounds if t_us > 100 * SECOND_US]
    assert 0.0 < late[0]["charge_amps_most"] < 72.0
    assert late[0]["draw_amps_most"] == 200.0
    assert bounds[-1][1]["charge_amps_most"] == 0
    assert bounds[-1][1]["draw_amps_most"] == 0
    assert lines.having("following: limits follow the pack")
    amps = late[0]["charge_amps_most"]
    told = lines.having("the current that takes no cell past its target")[-1]
    assert abs(float(told.split()[2]) - amps) < 0.06


def test_a_dry_run_sends_nothing() -> None:
    """With `dry`, everything is computed, the frames are shown as bytes and values, and nothing leaves."""
    world = ScriptedWorld(healthy_script(20))
    daemon, lines = make(world, dry=True)

    daemon.run()

    assert world.sent == []
    assert lines.having("following")
    shown = lines.having("would send 0A6#")
    assert "on cabin: PackBounds" in shown[0]
    assert "charge_amps_most=0A" in shown[0]
    assert len(lines.having("would send 4EC#434142494E203136 on cabin: NamePlate")) == 1
    assert 10 < len(shown) < 22


def test_somebody_else_who_sends_our_limits_gets_zeros_and_is_told_of() -> None:
    """A frame with an identifier of ours that came in is another's: zero currents, and a line names it."""
    script = healthy_script(60)
    script[80].frames.append(Frame("cabin", 0xA6, bytes(8)))
    world = ScriptedWorld(script)
    daemon, lines = make(world)

    daemon.run()

    after = [values for t_us, values in world.bounds() if 40.2 * SECOND_US < t_us < 46 * SECOND_US]
    assert after
    assert all(values["charge_amps_most"] == 0 and values["draw_amps_most"] == 0 for values in after)
    assert lines.having("somebody else sends what is ours to send: 0A6, PackBounds on cabin")
    assert world.bounds()[-3][1]["draw_amps_most"] > 0


def test_in_a_dry_run_somebody_else_is_expected() -> None:
    """The bridge at work is told of once, and judged as little as it is by the inverter."""
    script = healthy_script(60)
    for event in script:
        event.frames.append(Frame("cabin", 0xA6, bytes(8)))
    world = ScriptedWorld(script)
    daemon, lines = make(world, dry=True)

    daemon.run()

    assert len(lines.having("somebody else sends PackBounds on cabin, as may be expected")) == 1
    assert daemon.engine.decision.warnings == ()
    assert lines.having("following: limits follow the pack")


def test_one_frame_that_does_not_leave_does_not_delay_the_others() -> None:
    """A full queue loses its frame; the next slot is tried as usual; it is said once, and when over."""

    def refuse(t_us: int, frame: Frame) -> Exception | None:
        full = 10 * SECOND_US <= t_us < 12 * SECOND_US
        return BusFull("full") if full and frame.key == 0xA6 else None

    world = ScriptedWorld(healthy_script(20), refuse)
    daemon, lines = make(world)

    daemon.run()

    during = [frame for t_us, frame in world.sent if 10 * SECOND_US <= t_us < 12 * SECOND_US]
    assert {frame.key for frame in during} >= {0x531, 0x1BC}
    assert 0xA6 not in {frame.key for frame in during}
    assert len(lines.having("transmit queue full")) == 1
    assert len(lines.having("all frames leave again")) == 1


def test_a_bus_that_is_down_ends_nothing() -> None:
    """While the bus is down frames are lost; afterwards they leave again."""
    world = ScriptedWorld(
        healthy_script(20), lambda t_us, _: BusDown("down") if 6 * SECOND_US < t_us < 9 * SECOND_US else None
    )
    daemon, _ = make(world)

    assert daemon.run() == EXIT_OK

    stamps = [t_us for t_us, _ in world.sent]
    assert not any(6 * SECOND_US < t_us < 9 * SECOND_US for t_us in stamps)
    assert any(t_us > 9 * SECOND_US for t_us in stamps)


ALL = {0xA6, 0x531, 0x1BC, 0x4EC}


@pytest.mark.parametrize(
    ("refused", "how", "alive"),
    [
        (ALL, BusDown("down"), True),
        (ALL, BusFull("full"), True),
        ({0xA6}, BusFull("full"), False),
        ({0xA6}, BusDown("down"), False),
    ],
)
def test_signs_of_life_stop_while_a_limit_does_not_leave_a_bus_that_takes_others(
    refused: set[int], how: Exception, alive: bool
) -> None:
    """Waiting for a bus that takes nothing is life; one limit that does not leave beside others is not."""
    notifier = ListeningNotifier()
    fed_at: list[int] = []

    def refuse(t_us: int, frame: Frame) -> Exception | None:
        return how if 30 * SECOND_US < t_us < 58 * SECOND_US and frame.key in refused else None

    world = ScriptedWorld(healthy_script(60), refuse)
    told = notifier.tell

    def tell(*lines: str) -> bool:
        if "WATCHDOG=1" in lines:
            fed_at.append(world.now_us())
        return told(*lines)

    notifier.tell = tell  # type: ignore[method-assign]
    daemon, _ = make(world, notifier=notifier)

    daemon.run()

    assert "READY=1" in notifier.told[0]
    assert notifier.told[-2:] == ["WATCHDOG=1", "STOPPING=1"]
    assert any(fed > 25 * SECOND_US for fed in fed_at)
    assert any(34 * SECOND_US < fed < 58 * SECOND_US for fed in fed_at) == alive
    stuck = [line for line in notifier.told if "no frame leaves on cabin" in line]
    assert bool(stuck) == alive


def test_a_loop_that_stood_still_starts_over_without_a_burst() -> None:
    """After a stall each message goes out once, at zero currents, and trust has to be earned again."""
    world = ScriptedWorld(healthy_script(40))
    world.late = {20 * SECOND_US: 3 * SECOND_US}
    daemon, lines = make(world)

    daemon.run()

    after = [values for t_us, values in world.bounds() if 22 * SECOND_US < t_us < 25 * SECOND_US]
    assert all(values["charge_amps_most"] == 0 for values in after)
    at_once = [frame.key for t_us, frame in world.sent if 22.9 * SECOND_US < t_us < 23.12 * SECOND_US]
    assert len(at_once) == len(set(at_once))
    assert lines.having("stalled")


def test_a_bad_profile_at_reload_changes_nothing_and_says_so() -> None:
    """The old profile goes on, limits as before; every problem is told."""

    def load() -> LoadedProfile:
        raise ProfileError([Problem(Severity.FAIL, "x.toml", "limits.cell_target_v", "4.2", "up to 3.65")])

    script = [*healthy_script(60), Event(60 * SECOND_US, requests=[Request.RELOAD])]
    script += [Event((60 + i) * SECOND_US + 2_000, healthy(1 + i)) for i in range(5)]
    world = ScriptedWorld(script)
    daemon, lines = make(world, load=load)
    engine = daemon.engine

    daemon.run()

    assert daemon.engine is engine
    after = [values for t_us, values in world.bounds() if t_us > 61 * SECOND_US]
    assert after[0]["charge_amps_most"] == FIRST_A
    assert lines.having("profile not taken, nothing changed: x.toml: limits.cell_target_v: 4.2")


def test_a_bus_that_cannot_be_opened_at_reload_changes_nothing() -> None:
    """The old buses and the old engine stay."""
    world = ScriptedWorld([*healthy_script(10), Event(10 * SECOND_US, requests=[Request.RELOAD])])
    world.bad_buses = True
    daemon, lines = make(world)
    engine = daemon.engine

    daemon.run()

    assert daemon.engine is engine
    assert lines.having("profile not taken, nothing changed: bus 'cabin': no such interface")


def reloading(world: ScriptedWorld, old: str, new: str, tmp_path: Path) -> tuple[Daemon, Lines]:
    """A daemon whose profile has changed by the time it is loaded again."""
    text = CABIN.read_text().replace("../dbc_own", str(CABIN.parents[1] / "dbc_own"))
    assert old in text
    changed = tmp_path / CABIN.name
    changed.write_text(text.replace(old, new))
    return make(world, load=lambda: load_profile(changed))


def test_a_profile_that_tightens_is_taken_without_an_interruption(tmp_path: Path) -> None:
    """No charging from the next tick on; not one frame allows less to be drawn than before."""
    script = [*healthy_script(60), Event(60 * SECOND_US, requests=[Request.RELOAD])]
    script += [Event(60 * SECOND_US + i * 500_000 + 2_000, healthy(1 + i)) for i in range(30)]
    world = ScriptedWorld(script)
    daemon, lines = reloading(world, "[failsafe]", "[options]\ninhibit_charge = true\n[failsafe]", tmp_path)

    daemon.run()

    assert world.reopened
    assert lines.having("profile taken: lakeside cabin; it takes over once its readings are trusted")
    assert lines.having("the profile: the new one has taken over")
    bounds = [(t_us, values) for t_us, values in world.bounds() if t_us > 55 * SECOND_US][:-1]
    assert {values["draw_amps_most"] for _, values in bounds} == {bounds[0][1]["draw_amps_most"]}
    assert bounds[0][1]["charge_amps_most"] > 0.0
    assert all(values["charge_amps_most"] == 0.0 for t_us, values in bounds if t_us > 60.3 * SECOND_US)


class AskedWorld(ScriptedWorld):
    """Keeps what had been sent last when it was asked for other buses."""

    asked: float | None = None

    def reopen(self, buses: tuple[BusConfig, ...]) -> None:
        """Looks at the last limit."""
        self.asked = self.bounds()[-1][1]["draw_amps_most"]
        super().reopen(buses)


@pytest.mark.parametrize("bad", [False, True])
def test_where_a_bus_is_another_one_the_old_one_hears_zero_before_the_new_one_is_opened(
    tmp_path: Path, bad: bool
) -> None:
    """And where that cannot be opened, the old profile begins anew, from zero."""
    script = [*healthy_script(60), Event(60 * SECOND_US, requests=[Request.RELOAD])]
    script += [Event(60 * SECOND_US + i * 500_000 + 2_000, healthy(1 + i)) for i in range(30)]
    world = AskedWorld(script)
    world.bad_buses = bad
    daemon, lines = reloading(world, 'channel = "vcan0"', 'channel = "vcan7"', tmp_path)
    assert daemon.run() == EXIT_OK
    assert world.asked == 0.0
    bounds = world.bounds()
    assert all(v["draw_amps_most"] == 0 for t, v in bounds if 60.001 * SECOND_US < t < 65 * SECOND_US)
    assert any(v["draw_amps_most"] > 0 for t, v in bounds if t > 70 * SECOND_US)
    assert bool(lines.having("profile not taken, nothing changed: bus 'cabin'")) is bad
    assert bool(lines.having("profile taken: lakeside cabin; currents begin at zero")) is not bad


def test_a_fault_inside_sends_zero_currents_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """An unexpected exception ends the daemon, but not before the safe frames are out."""
    poll = Engine.poll

    def failing(self: Engine, t_us: int) -> Any:
        if t_us > 100 * SECOND_US:
            raise ZeroDivisionError("planted")
        return poll(self, t_us)

    monkeypatch.setattr(Engine, "poll", failing)
    world = ScriptedWorld(healthy_script(120))
    daemon, lines = make(world)

    assert daemon.run() == EXIT_INTERNAL

    assert world.bounds()[-2][1]["charge_amps_most"] == FIRST_A
    assert world.bounds()[-1][1]["charge_amps_most"] == 0
    assert lines.having("internal fault, currents to zero: ZeroDivisionError: planted")


def test_refused_frames_are_told_with_what_is_allowed_but_not_each_time() -> None:
    """A source that is out of range again and again is told once a minute, with its count."""
    script = []
    for event in healthy_script(70):
        frames = [frame for frame in event.frames if frame.key != 0x458]
        script.append(Event(event.t_us, [*frames, Frame("cabin", 0x458, bytes(8))]))
    world = ScriptedWorld(script)
    daemon, lines = make(world)

    daemon.run()

    said = lines.having("refused: PackOverview")
    assert len(said) == 2
    assert "allowed: 30 to 65" in said[0]
    assert "repeats=" in said[1]


def test_notices_and_the_status_line_are_told() -> None:
    """What happens to a bus is told, and the status line on request."""
    notice = BusNotice("cabin", NoticeKind.BUS_OFF, "the controller is off the bus")
    script = [
        *healthy_script(10),
        Event(10 * SECOND_US, notices=[notice]),
        Event(11 * SECOND_US, requests=[Request.STATUS]),
    ]
    world = ScriptedWorld(script)
    daemon, lines = make(world)

    daemon.run()

    assert lines.having("bus cabin: the controller is off the bus")
    status = lines.having("cells 3.320 V–3.320 V")
    assert len(status) == 1
    assert status[0].startswith("holding") or status[0].startswith("following")


def test_a_recording_holds_every_frame_in_and_out(tmp_path: Path) -> None:
    """The log has the received frames, and the sent ones marked as such."""
    world = ScriptedWorld(healthy_script(10))
    daemon, _ = make(world, recorder=Recorder(tmp_path / "run.log"))

    daemon.run()

    lines = (tmp_path / "run.log").read_text().splitlines()
    sent = [line for line in lines if line.endswith(" T")]
    assert len(sent) == len(world.sent)
    assert len(lines) - len(sent) == 20 * 8


def test_every_decision_reaches_the_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    """The journal sees each change of state, so that the person can read why."""
    seen: list[Decision] = []
    monkeypatch.setattr(Journal, "decision", lambda _, decision: seen.append(decision))
    world = ScriptedWorld(healthy_script(8))
    daemon, _ = make(world)

    daemon.run()

    assert {decision.state.name for decision in seen} == {"STARTING", "FOLLOWING"}
