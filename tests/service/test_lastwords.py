"""Last words: zero currents that a strict receiver takes, tried again where they do not leave."""

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from math import inf, nan
from pathlib import Path
from typing import Any

import cantools
import pytest

from bridge.core.engine import Engine
from bridge.core.plan.plan import SECOND_US
from bridge.core.wire.outgoing import QuantityItem
from bridge.errors import EXIT_INTERNAL, EXIT_OK, EXIT_UNSENT, BusDown, BusFull
from bridge.frames import Frame
from bridge.profile.load import LoadedProfile, load_profile
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.lastwords import COUNTED, PATIENCE_US, LastWords, send_patiently
from bridge.service.world import Batch, Request
from tests.service.fakes import Event, Lines, ScriptedWorld, healthy, healthy_script
from tests.service.killing import Plot, harm, live, loaded_profile

DBC = Path(__file__).parents[2] / "dbc_own" / "cabin_inverter.dbc"


def made(world: ScriptedWorld, loaded: LoadedProfile | None = None) -> tuple[Daemon, Lines]:
    """A daemon for the cabin in `world`, and what it says."""
    lines = Lines()
    loaded = loaded or loaded_profile("cabin")
    return Daemon(loaded, world, Journal(make_logger(write=lines)), load=lambda: loaded), lines


class WaitingWorld(ScriptedWorld):
    """Time goes on after the end of the script, as it does."""

    def wait(self, until_us: int) -> Batch:
        """See `ScriptedWorld.wait`."""
        if not self._script and self.asked:
            self._now_us = max(self._now_us, until_us)
            return Batch(self._now_us, [], [], [])
        self.asked = not self._script
        return super().wait(until_us)

    asked = False


@pytest.mark.parametrize("profile", ["cabin", "boathouse", "jetty"])
def test_every_message_that_carries_limits_says_zero(profile: str) -> None:
    """Each page once, and some more times where a counter goes on."""
    loaded = loaded_profile(profile)
    engine = Engine(loaded.plan, 0)
    frames = LastWords(loaded.plan).frames(engine)
    carrying = [one for one in loaded.plan.transmissions if one.carries_limits]
    assert {(frame.bus, frame.key) for frame in frames} <= {(one.bus, one.layout.key) for one in carrying}
    for one in carrying:
        of_it = [frame.data for frame in frames if frame.key == one.layout.key]
        assert len(of_it) in (0, len(one.pages), 3 * len(one.pages))
        assert len(set(of_it)) == len(of_it)


@pytest.mark.parametrize(("profile", "call"), [("cabin", 210), ("boathouse", 300)])
def test_the_failed_engine_s_counters_go_on(profile: str, call: int, tmp_path: Path) -> None:
    """A receiver that wants each number to follow the last, and checksums to be right, takes the zeros."""
    life = live(profile, tmp_path, Plot("engine.poll", call, lambda: ValueError("planted"), lasting=True))
    assert life.code == EXIT_INTERNAL
    assert life.following
    assert harm(life) == []
    assert life.fault_us is not None
    last = [frame for t_us, frame in life.sent if t_us >= life.fault_us]
    assert max(Counter(frame.key for frame in last).values()) == COUNTED
    assert life.refused == []


def test_counters_go_on_where_the_same_profile_was_loaded_again() -> None:
    """The engine at work stays the one it was: its plan is equal to that of the last words, not the same."""
    plan = loaded_profile("boathouse").plan
    words = LastWords(load_profile(Path(__file__).parents[2] / "profiles" / "boathouse.toml").plan)
    assert words.plan is not plan

    def worked() -> Engine:
        engine = Engine(plan, 0)
        engine.poll(5 * SECOND_US)
        return engine

    assert words.frames(worked()) == LastWords(plan).frames(worked()) != words.frames(Engine(plan, 0))


def test_an_engine_that_gives_nothing_leaves_the_frames_kept_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """As many, of the same messages, each with another number of the counter."""
    loaded = loaded_profile("boathouse")
    words, engine = LastWords(loaded.plan), Engine(loaded.plan, 0)
    asked = words.frames(engine)

    def broken(*_: Any) -> Frame:
        raise RuntimeError("broken")

    monkeypatch.setattr(Engine, "make", broken)
    kept = words.frames(engine)
    assert [frame.key for frame in kept] == [frame.key for frame in asked]
    assert len(set(kept)) == len(kept)
    assert words.frames(Engine(loaded_profile("cabin").plan, 0)) == kept  # not the one it knows


@pytest.mark.parametrize("gone_v", [nan, None])
def test_no_voltage_is_looser_in_the_last_words_than_it_was(gone_v: float | None) -> None:
    """The floor may be told before the message that says zero: one that stood higher stays where it was."""
    plan = loaded_profile("cabin").plan
    words, engine = LastWords(plan), Engine(plan, 0)
    key = next(one.layout.key for one in plan.transmissions if one.name.startswith("PackBounds"))

    def bounds() -> bytes:
        (data,) = [frame.data for frame in words.frames(engine) if frame.key == key]
        return data

    rested = bounds()
    said = {"charge_voltage_limit": 50.0, "discharge_voltage_floor": 51.0}
    engine.decision = engine.decision._replace(values={**engine.decision.values, **said})
    told: Any = cantools.database.load_file(DBC).decode_message("PackBounds", bounds())  # type: ignore[union-attr]
    assert told["charge_volts_ceiling"] == pytest.approx(50.0, abs=0.05)
    assert told["draw_volts_floor"] == pytest.approx(51.0, abs=0.05)
    assert told["charge_amps_most"] == told["draw_amps_most"] == 0.0
    engine.decision = engine.decision._replace(
        values={**engine.decision.values, **dict.fromkeys(said, gone_v)}
    )
    assert bounds() == rested


def test_a_voltage_that_cannot_be_said_keeps_no_zeros_back() -> None:
    """A floor beyond what the signal can say: then the profile's, and the counters go on."""
    plan = loaded_profile("boathouse").plan
    words, engine, sound = LastWords(plan), Engine(plan, 0), Engine(plan, 0)
    for one in (engine, sound):
        one.poll(5 * SECOND_US)
    engine.decision = engine.decision._replace(
        values={**engine.decision.values, "discharge_voltage_floor": 1e6}
    )
    assert words.frames(engine) == words.frames(sound)


def test_a_limit_beside_a_reading_has_last_words_once_the_reading_is_known() -> None:
    """Such a frame cannot be made at the start; it is as soon as it can be, for a fault and for a stop."""
    plan = loaded_profile("cabin").plan
    number, before = next(
        (i, one) for i, one in enumerate(plan.transmissions) if one.name.startswith("PackPermissions")
    )
    page = tuple(
        item._replace(quantity="pack_current") if isinstance(item, QuantityItem) else item
        for item in before.pages[0]
    )
    sent = list(plan.transmissions)
    sent[number] = before._replace(pages=(page,))
    plan = plan._replace(transmissions=tuple(sent))
    words, engine = LastWords(plan), Engine(plan, 0)
    key = before.layout.key

    assert key not in {frame.key for frame in words.frames(engine)}
    words.learn({"pack_current": None})
    assert key not in {frame.key for frame in words.frames(engine)}
    words.learn({"pack_current": 0.0})
    assert [frame.key for frame in words.frames(engine)].count(key) == COUNTED
    orderly = [due.frame for due in engine.close(0)]
    assert key not in {frame.key for frame in orderly}
    assert {frame.key for frame in words.beside(orderly)} == {key}


@pytest.mark.parametrize("back_s", [0.0, 0.3, 1.9])
@pytest.mark.parametrize("error", [BusDown("down"), BusFull("full"), OSError(5, "odd")])
def test_zeros_that_cannot_leave_are_tried_again(back_s: float, error: Exception) -> None:
    """They leave as soon as the bus takes them, within two seconds."""
    world = WaitingWorld([], lambda t_us, _: error if t_us < back_s * SECOND_US else None)
    world.asked = True
    frames = [Frame("cabin", 1, b"\x01"), Frame("cabin", 1, b"\x02"), Frame("shed", 1, b"\x03")]
    assert send_patiently(world, frames).why == {}
    assert [frame for _, frame in world.sent] == frames
    assert world.sent[0][0] - back_s * SECOND_US <= 5_000


def test_one_bus_that_takes_nothing_keeps_no_other_from_its_zeros() -> None:
    """And after two seconds it is given up."""
    world = WaitingWorld([], lambda _, frame: BusDown("no bus") if frame.bus == "cabin" else None)
    world.asked = True
    unsent = send_patiently(world, [Frame("cabin", 1, b""), Frame("shed", 1, b"")])
    assert unsent.why == {"cabin": "no bus"}
    assert [frame.bus for _, frame in world.sent] == ["shed"]
    assert PATIENCE_US <= world.now_us() <= PATIENCE_US + 10_000


def test_a_bus_on_which_nothing_was_told_is_not_waited_for() -> None:
    """Nobody goes by what was never said."""
    world = WaitingWorld([], lambda *_: BusDown("no bus"))
    world.asked = True
    assert send_patiently(world, [Frame("cabin", 1, b"")], worth=lambda _: False).why == {"cabin": "no bus"}
    assert world.now_us() == 0


def test_a_clock_that_stands_still_is_not_waited_for() -> None:
    """Whatever is broken: there is an end."""
    world = ScriptedWorld([], lambda *_: BusFull("full"))
    assert send_patiently(world, [Frame("cabin", 1, b"")]).why == {"cabin": "full"}


Refuse = Callable[[int, Frame], Exception | None]


def refusing_from(begin_s: float, end_s: float = 1e9) -> Refuse:
    """A bus that is down for a while."""
    return lambda t_us, _: BusDown("pulled") if begin_s * SECOND_US <= t_us < end_s * SECOND_US else None


def test_a_stop_whose_zeros_do_not_leave_has_its_own_exit_code() -> None:
    """It says which bus, and what is left to do it."""
    world = WaitingWorld(healthy_script(20), refusing_from(19.0))
    daemon, lines = made(world)
    assert daemon.run() == EXIT_UNSENT
    told = lines.having("the zero currents did not leave")
    assert len(told) == 1
    assert "bus cabin: the zero currents did not leave: pulled; tried for 2 s" in told[0]
    assert "left to its own time-out" in told[0]


def test_a_stop_whose_zeros_leave_late_is_an_orderly_one() -> None:
    """The bus came back in time."""
    world = WaitingWorld(healthy_script(20), refusing_from(19.0, 20.6))
    daemon, _ = made(world)
    assert daemon.run() == EXIT_OK
    t_us, values = world.bounds()[-1]
    assert values["charge_amps_most"] == values["draw_amps_most"] == 0
    assert 20.6 * SECOND_US <= t_us < 20.61 * SECOND_US


def test_a_bus_that_was_never_up_is_no_failure_of_a_stop() -> None:
    """No inverter was told anything on it."""
    world = WaitingWorld(healthy_script(5), refusing_from(0.0))
    daemon, lines = made(world)
    assert daemon.run() == EXIT_OK
    assert lines.having("no limits had left on it before")


@pytest.mark.parametrize(("channel", "code"), [("vcan0", EXIT_UNSENT), ("vcan7", EXIT_OK)])
def test_a_bus_with_another_name_is_the_bus_it_was(channel: str, code: int, tmp_path: Path) -> None:
    """What was told on it counts at a stop after the reload; of another channel it does not."""
    shipped = Path(__file__).parents[2] / "profiles" / "cabin.toml"
    text = shipped.read_text().replace('"../dbc_own/', f'"{DBC.parent}/')
    renamed = text.replace('name = "cabin"\nchannel = "vcan0"', f'name = "hut"\nchannel = "{channel}"')
    assert renamed != text
    (tmp_path / "renamed.toml").write_text(renamed)
    script = [*healthy_script(20), Event(20 * SECOND_US, requests=[Request.RELOAD])]
    world = WaitingWorld(script, refusing_from(19.0))
    lines, loaded = Lines(), loaded_profile("cabin")
    journal = Journal(make_logger(write=lines))
    daemon = Daemon(loaded, world, journal, load=lambda: load_profile(tmp_path / "renamed.toml"))
    assert daemon.run() == code
    assert lines.having("bus cabin: the zero currents did not leave")
    assert lines.having("bus hut: the zero currents did not leave")


def test_a_fault_while_the_bus_is_down_waits_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The zeros leave at its return."""
    poll = Engine.poll

    def failing(self: Engine, t_us: int) -> Any:
        if t_us > 15 * SECOND_US:
            raise ZeroDivisionError("planted")
        return poll(self, t_us)

    monkeypatch.setattr(Engine, "poll", failing)
    world = WaitingWorld(healthy_script(20), refusing_from(14.8, 16.5))
    daemon, lines = made(world)
    assert daemon.run() == EXIT_INTERNAL
    t_us, values = world.bounds()[-1]
    assert values["charge_amps_most"] == values["draw_amps_most"] == 0
    assert 16.5 * SECOND_US <= t_us < 16.51 * SECOND_US
    assert not lines.having("did not leave")


def test_a_fault_while_silent_wakes_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """An inverter that was left to its own time-out stays so."""
    poll = Engine.poll

    def failing(self: Engine, t_us: int) -> Any:
        if t_us > 120 * SECOND_US:
            raise ZeroDivisionError("planted")
        return poll(self, t_us)

    monkeypatch.setattr(Engine, "poll", failing)
    world = ScriptedWorld([*healthy_script(10), Event(130 * SECOND_US)])
    daemon, _ = made(world)
    assert daemon.run() == EXIT_INTERNAL
    assert not [t_us for t_us, _ in world.sent if t_us > 80 * SECOND_US]


def test_a_bus_that_returns_while_silent_is_told_zero_once_and_no_more() -> None:
    """It was down from before the data was lost: its inverter would go on until its own time-out."""
    script = [*healthy_script(10), Event(150 * SECOND_US)]
    world = ScriptedWorld(script, refusing_from(9.0, 120.0))
    daemon, lines = made(world)
    assert daemon.run() == EXIT_OK
    assert lines.having("silent: nothing is sent")
    late = [(t_us, frame.key) for t_us, frame in world.sent if t_us > 10 * SECOND_US]
    assert all(120 * SECOND_US <= t_us <= 121 * SECOND_US for t_us, _ in late)
    carrying = [one.layout.key for one in daemon.engine.plan.transmissions if one.carries_limits]
    assert sorted(key for _, key in late) == sorted(carrying)
    _, values = world.bounds()[-1]
    assert values["charge_amps_most"] == values["draw_amps_most"] == 0


@pytest.mark.parametrize("faulty", [False, True])
def test_an_end_while_silent_says_what_never_left(faulty: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bus takes frames again just then; or not at all, which is told and has its exit code."""
    poll = Engine.poll

    def failing(self: Engine, t_us: int) -> Any:
        if faulty and t_us >= 120 * SECOND_US:
            raise ZeroDivisionError("planted")
        return poll(self, t_us)

    monkeypatch.setattr(Engine, "poll", failing)
    for back_s in (120.5, inf):
        world = WaitingWorld([*healthy_script(10), Event(120 * SECOND_US)], refusing_from(9.0, back_s))
        daemon, lines = made(world)
        code = daemon.run()
        if back_s == inf:
            assert lines.having("the zero currents did not leave")
            assert code == (EXIT_INTERNAL if faulty else EXIT_UNSENT)
        else:
            t_us, values = world.bounds()[-1]
            assert 120.5 * SECOND_US <= t_us < 120.6 * SECOND_US
            assert values["charge_amps_most"] == values["draw_amps_most"] == 0
            assert code == (EXIT_INTERNAL if faulty else EXIT_OK)


def test_a_stop_comes_before_whatever_else_is_asked_for() -> None:
    """A reload in the same moment does not put it off."""
    script = [*healthy_script(10), Event(10 * SECOND_US, healthy(1), [], [Request.RELOAD, Request.STOP])]
    world = ScriptedWorld(script)
    daemon, lines = made(world)
    assert daemon.run() == EXIT_OK
    assert world.reopened == []
    assert not lines.having("profile")


def loaded_without(name: str) -> LoadedProfile:
    """The cabin, and one message less."""
    loaded = loaded_profile("cabin")
    sent = tuple(one for one in loaded.plan.transmissions if not one.name.startswith(name))
    assert len(sent) == len(loaded.plan.transmissions) - 1
    return replace(loaded, plan=loaded.plan._replace(transmissions=sent))


@pytest.mark.parametrize("back_s", [0.0, 1.0, 1e6])
def test_the_last_frame_of_a_message_that_is_no_longer_sent_is_tried_again(back_s: float) -> None:
    """The new profile has taken over, and goes on; the old message's zero leaves as soon as it can."""
    world = WaitingWorld([])
    loaded = loaded_profile("cabin")
    key = next(one.layout.key for one in loaded.plan.transmissions if one.name.startswith("PackPermissions"))
    over: list[int] = []

    def refuse(t_us: int, frame: Frame) -> Exception | None:
        if t_us < 10 * SECOND_US or frame.key != key:
            return None
        if daemon.engine.plan is not loaded.plan and not over:
            over.append(t_us)
        return BusFull("full") if not over or t_us < over[0] + back_s * SECOND_US else None

    script = [*healthy_script(30), Event(10 * SECOND_US, requests=[Request.RELOAD])]
    script.sort(key=lambda event: event.t_us)
    world = WaitingWorld(script, refuse)
    lines = Lines()
    daemon = Daemon(
        loaded,
        world,
        Journal(make_logger(write=lines)),
        load=lambda: loaded_without("PackPermissions"),
    )
    assert daemon.run() == EXIT_OK
    assert over
    after = [t_us for t_us, frame in world.sent if frame.key == key and t_us >= over[0]]
    told = lines.having("the zero currents did not leave: full")
    if back_s > 2.0:
        assert after == []
        assert len(told) == 1
    else:
        assert after
        assert after[0] - over[0] <= back_s * SECOND_US + 110_000
        assert not told
    assert [t_us for t_us, frame in world.sent if frame.key == 0xA6 and t_us > over[0] + 3 * SECOND_US]
