"""A recorded run replays bit for bit: the same frames at the same stamps, whatever happened live."""

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from bridge.core.bounds.current import cut_offs
from bridge.core.charging.charge_settings import Learnt
from bridge.core.course.remembered import NOTHING, Going, Kept
from bridge.core.engine import Due, Engine
from bridge.core.failsafe.machine import State
from bridge.core.succession import Succession
from bridge.frames import EXTENDED, Frame
from bridge.profile.load import LoadedProfile
from bridge.replay.recorder import Recorder, events_path, origin_of
from bridge.replay.replay import Known, Run, replay
from bridge.replay.session import Session, Started
from bridge.replay.verify import aligned, verify
from bridge.service.world import Request
from tests.replay.live import START_US, channels, profile, run, session, variant, world

NAMES = ("cabin", "boathouse")


class Turn(NamedTuple):
    """One turn of a daemon: how long it waited, what came in, what went wrong.

    Attributes:
        wait_us: from the turn before.
        frames: what came in.
        lost: the frames that are due do not leave.
        reload: the profile is loaded again afterwards.
    """

    wait_us: int
    frames: list[Frame]
    lost: bool
    reload: bool


@cache
def good_frames(name: str) -> tuple[Frame, ...]:
    """What a sound pack and inverter say in ten seconds."""
    outside = world(profile(name), 10)
    return tuple(outside.site.advance(START_US + 10_000_000))


def turns(name: str) -> st.SearchStrategy[list[Turn]]:
    """Runs of a daemon in a bad world: stalls, garbage, gaps, lost frames, reloads."""
    loaded = profile(name)
    keys = [(source.bus, source.key) for source in loaded.plan.sources]
    keys += [(sent.bus, sent.layout.key) for sent in loaded.plan.transmissions]
    bus = st.sampled_from([bus.name for bus in loaded.buses])
    spoilt = st.builds(
        lambda at, data: Frame(at[0], at[1], data), st.sampled_from(keys), st.binary(max_size=8)
    )
    odd = st.builds(
        Frame, bus, st.sampled_from([0, 0x7FF, EXTENDED, EXTENDED | 0x7FF]), st.binary(max_size=8)
    )
    good = good_frames(name)
    stretch = st.integers(0, len(good) - 1).flatmap(
        lambda i: st.integers(1, 12).map(lambda n: list(good[i : i + n]))
    )
    nothing: st.SearchStrategy[list[Frame]] = st.just([])
    frames = st.one_of(nothing, stretch, st.lists(st.one_of(spoilt, odd), max_size=3))
    wait = st.one_of(st.integers(0, 3_000), st.integers(0, 250_000), st.integers(0, 6_000_000))
    rarely = st.integers(0, 9).map(lambda n: n == 0)
    return st.lists(st.builds(Turn, wait, frames, rarely, rarely), max_size=40)


def known(loaded: LoadedProfile) -> st.SearchStrategy[Kept]:
    """What an engine of a profile may know from before."""
    cells, banks = loaded.plan.banks[0].cells, [bank.name for bank in loaded.plan.banks]
    ohms = st.lists(st.floats(0.4, 8.0), min_size=cells, max_size=cells).map(tuple)
    offset = st.none() | st.floats(-0.5, 0.7)
    learnt = st.builds(
        Learnt, ohms, offset, st.floats(0, 200), st.none() | st.floats(1.5, 8.0), st.booleans()
    )
    names = [name for bank in loaded.plan.banks for name in cut_offs(bank)]
    gone = [f"bank {banks[-1]}", str(loaded.plan.slots[0])]
    return st.builds(
        Kept,
        st.none() | st.integers(0, START_US),
        resting=st.booleans(),
        full=st.just(False),
        commissioned_us=st.none() | st.integers(0, 2 * START_US),
        tripped=st.frozensets(st.sampled_from(names), max_size=2),
        lost=st.frozensets(st.sampled_from(gone)),
        caps=st.none() | st.tuples(*[st.floats(0.0, 60.0)] * 4),
        learnt=st.dictionaries(st.sampled_from(banks), learnt),
        drawn=st.dictionaries(st.sampled_from(banks), ohms),
        going=st.none()
        | st.builds(
            Going,
            st.integers(START_US - 5_000_000, START_US),
            st.tuples(*[st.floats(0.0, 60.0)] * 4),
            st.frozensets(st.sampled_from([str(slot) for slot in loaded.plan.slots])),
        ),
    )


def drive(
    loaded: LoadedProfile, path: Path, script: Sequence[Turn], *, stop: bool = True, kept: Kept = NOTHING
) -> list[Due]:
    """What the daemon does, in short: everything the engine made, recorded to `path`."""
    engine, recorder, made = Succession(loaded.plan, START_US, kept), Recorder(path), list[Due]()
    recorder.start(START_US, loaded, kept)

    def dispatch(due: list[Due], lost: bool) -> None:
        for item in due:
            made.append(item)
            recorder.sent(item)
            if lost:
                recorder.unsent(item, "queue full")

    t_us = START_US
    for turn in script:
        t_us += turn.wait_us
        if t_us - engine.next_deadline_us > loaded.plan.tick_us:
            recorder.resumed(t_us, engine.latest_us)
            dispatch(engine.resume(t_us), turn.lost)
        else:
            dispatch(engine.poll(t_us), turn.lost)
        for frame in turn.frames:
            recorder.received(t_us, frame)
            engine.receive(t_us, frame)
        if turn.reload:
            dispatch(engine.close(t_us), turn.lost)
            kept = engine.kept
            engine.restart(t_us, loaded.plan, kept)
            recorder.reloaded(t_us, loaded, kept)
    if stop:
        dispatch(engine.close(t_us), False)
        recorder.stopped(t_us)
    recorder.close()
    return made


def replayed(path: Path, loaded: LoadedProfile) -> Run:
    """The replay of a recording with a profile."""
    return replay(loaded.plan, session(path, loaded).steps())


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("stop", [True, False])
@settings(
    max_examples=80, deadline=None, phases=[Phase.generate], suppress_health_check=[HealthCheck.too_slow]
)
@given(data=st.data())
def test_any_recorded_run_replays_bit_for_bit(
    tmp_path_factory: pytest.TempPathFactory, name: str, stop: bool, data: st.DataObject
) -> None:
    """Stalls, garbage, gaps, lost frames, reloads, an end in good order or none, whatever was known from
    before: all frames come back."""
    loaded, path = profile(name), tmp_path_factory.mktemp("run") / "run.log"
    script = [*data.draw(turns(name)), Turn(1000, [good_frames(name)[0]], False, False)]

    made = drive(loaded, path, script, stop=stop, kept=data.draw(known(loaded)))
    result = replayed(path, loaded)

    assert result.frames[: len(made)] == made
    assert [due.t_us for due in result.frames[len(made) :]] == []
    verdict = verify(result, origin_of(loaded))
    assert verdict.mismatches == ()
    assert verdict.checked == len(made)


@pytest.mark.parametrize("name", NAMES)
def test_the_daemon_with_every_kind_of_trouble_replays_bit_for_bit(tmp_path: Path, name: str) -> None:
    """The real daemon in a simulated world: short and long stalls, a full queue, a bus down, silence."""
    loaded, path = profile(name), tmp_path / "run.log"
    outside = world(loaded, 90, charge=0.95, wish_a=150)
    buses = {bus.name for bus in loaded.buses}
    for second, action in {
        12.345: lambda: outside.stall(0.35),
        20.01: lambda: outside.stall(5.5),
        33.3: lambda: outside.full.update(buses),
        36.3: outside.full.clear,
        40.0: lambda: outside.down.update(buses),
        52.7: outside.down.clear,
        70.0: lambda: outside.request(Request.RELOAD),
        71.0: lambda: outside.request(Request.STATUS),
    }.items():
        outside.at(START_US + round(second * 1e6), action)
    run(loaded, outside, path)

    result = replayed(path, loaded)
    verdict = verify(result, origin_of(loaded))

    assert verdict.identical
    assert verdict.checked > 250
    assert len(result.segments) == 2
    assert any(made.why_not for made in result.made)
    assert [note.kind for note in result.notes].count("stalled") == 1
    states = {sample.state for sample in result.samples}
    assert {State.STARTING, State.FOLLOWING, State.HOLDING, State.SAFE} <= states


def test_what_was_known_from_before_is_an_input(tmp_path: Path) -> None:
    """A pack that rested was told another voltage: without what the recording holds of it, nothing agrees."""
    stages = ("[failsafe]", "[stages]\n[failsafe]")
    loaded, path = variant(tmp_path, "cabin", stages), tmp_path / "run.log"
    script = [Turn(90_000, [frame], False, False) for frame in good_frames("cabin")]
    drive(loaded, path, script, kept=Kept(START_US - 1, resting=True))
    assert verify(replayed(path, loaded), origin_of(loaded)).identical

    events = events_path(path)
    events.write_text(events.read_text().replace('"resting": true', '"resting": false'))
    assert verify(replayed(path, loaded), origin_of(loaded)).mismatches


def test_another_profile_whose_banks_it_does_not_fit_begins_with_nothing(tmp_path: Path) -> None:
    """What one bank has learnt says nothing of two others."""
    path = tmp_path / "run.log"
    drive(profile("cabin"), path, [], kept=Kept(learnt={"shelf": Learnt()}))
    started = next(iter(session(path, profile("boathouse")).steps()))
    assert isinstance(started, Started)
    assert started.kept["learnt"]
    replay(profile("boathouse").plan, [started])


def test_every_change_of_the_decision_is_seen(tmp_path: Path) -> None:
    """A sample is where the decision of the live engine changed, and nowhere else."""
    loaded, path = profile("cabin"), tmp_path / "run.log"
    script = [Turn(90_000, [frame], False, False) for frame in good_frames("cabin")]
    drive(loaded, path, script)

    samples = replayed(path, loaded).samples

    engine, t_us, live = Engine(loaded.plan, START_US), START_US, list[object]()
    for turn in script:
        t_us += turn.wait_us
        for at_us in range(t_us - turn.wait_us + 1, t_us + 1, 1000):
            engine.poll(at_us)
        engine.poll(t_us)
        decision = engine.decision
        marks = [(limit.value, limit.binding.reason) for limit in decision.limits.values()]
        if not live or live[-1] != (decision.state, decision.cause, marks):
            live.append((decision.state, decision.cause, marks))
        engine.receive(t_us, turn.frames[0])
    assert len(samples) > 3
    assert [
        (sample.state, sample.cause, [(mark.value, mark.reason) for mark in sample.marks])
        for sample in samples[:-1]
    ] == live


def test_a_stall_is_measured_from_the_last_call_not_from_the_last_deadline(tmp_path: Path) -> None:
    """A gap of just the allowed length is no restart, live or replayed, wherever the deadlines are."""
    loaded = profile("cabin")
    stall_us = loaded.plan.times.stall_us
    beat = Turn(1_000, [good_frames("cabin")[0]], False, False)
    for extra_us, stalls in ((0, []), (1, ["stalled"])):
        path = tmp_path / f"{extra_us}.log"
        waits = (50_000, stall_us + extra_us)
        drive(loaded, path, [*(Turn(wait_us, [], False, False) for wait_us in waits), beat])
        assert [note.kind for note in replayed(path, loaded).notes if note.kind == "stalled"] == stalls


@pytest.mark.parametrize("first_us", [0, 1, 5_000_000])
def test_what_is_due_at_the_very_start_comes_back(tmp_path: Path, first_us: int) -> None:
    """Polled at the instant of the start and then late, or late from the start: the same frames."""
    loaded, path = profile("cabin"), tmp_path / "run.log"
    waits = (first_us, 5_000_000, 1_000)
    script = [Turn(wait_us, [], False, False) for wait_us in waits]
    script.append(Turn(1_000, [good_frames("cabin")[0]], False, False))
    assert replayed_after(loaded, path, script) == drive(loaded, tmp_path / "again.log", script)


def replayed_after(loaded: LoadedProfile, path: Path, script: Sequence[Turn]) -> list[Due]:
    """What the replay of a run makes."""
    drive(loaded, path, script)
    return replayed(path, loaded).frames


def test_a_recording_cut_between_two_frames_of_one_stamp_is_exact_up_to_there(tmp_path: Path) -> None:
    """Killed while writing: the frame that is not there any more is no mismatch."""
    loaded, path = profile("cabin"), tmp_path / "run.log"
    beats = [Turn(10_000, [good_frames("cabin")[0]], False, False)] * 200
    drive(loaded, path, [*beats, Turn(5_000_000, [], False, False)], stop=False)
    lines = path.read_text().splitlines(keepends=True)
    stamps = [line.split()[0] for line in lines]
    sent = [line.endswith(" T\n") for line in lines]
    cut = max(i for i in range(1, len(lines)) if stamps[i] == stamps[i - 1] and sent[i] and sent[i - 1])
    path.write_text("".join(lines[:cut]))
    verdict = verify(replayed(path, loaded))
    assert verdict.mismatches == ()
    assert verdict.checked > 5


# ── a replay that is not the same is found out ──────────────────────────────────────────────────────────


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """A run of the cabin with one short and one long stall."""
    path = tmp_path / "run.log"
    outside = world(profile("cabin"), 40)
    outside.at(START_US + 12_345_000, lambda: outside.stall(0.65))
    outside.at(START_US + 20_010_000, lambda: outside.stall(5.5))
    run(profile("cabin"), outside, path)
    return path


def sent_line(path: Path, number: int) -> tuple[list[str], int]:
    """All lines of a log, and where the sent frame of that number is."""
    lines = path.read_text().splitlines(keepends=True)
    return lines, [i for i, line in enumerate(lines) if line.endswith(" T\n")][number]


@pytest.mark.parametrize("number", [0, 50, -1])
def test_one_changed_bit_is_found(recording: Path, number: int) -> None:
    """A recorded frame with another byte is one mismatch, with both frames."""
    lines, at = sent_line(recording, number)
    digit = lines[at].index("#") + 1
    lines[at] = lines[at][:digit] + f"{int(lines[at][digit], 16) ^ 1:X}" + lines[at][digit + 1 :]
    recording.write_text("".join(lines))

    verdict = verify(replayed(recording, profile("cabin")), origin_of(profile("cabin")))

    assert not verdict.identical
    (one,) = verdict.mismatches
    assert one.recorded is not None
    assert one.replayed is not None
    assert one.recorded.t_us == one.replayed.t_us
    assert one.recorded.frame != one.replayed.frame


def test_a_stamp_off_by_a_microsecond_is_found(recording: Path) -> None:
    """The same frame a microsecond later is one frame missing and one too many."""
    lines, at = sent_line(recording, 30)
    lines[at] = lines[at].replace("23457)", "23458)")
    recording.write_text("".join(lines))
    verdict = verify(replayed(recording, profile("cabin")))
    assert sorted((one.recorded is None, one.replayed is None) for one in verdict.mismatches) == [
        (False, True),
        (True, False),
    ]


def test_a_stall_left_out_is_found(recording: Path) -> None:
    """Without the event of a stall the frames skipped by it come back, and are told."""
    events = events_path(recording)
    events.write_text("".join(line for line in events.open() if '"resume"' not in line))
    verdict = verify(replayed(recording, profile("cabin")))
    assert any(one.recorded is None for one in verdict.mismatches)


def test_an_order_that_differs_is_found(tmp_path: Path) -> None:
    """Two frames of one stamp, the other way round, are a mismatch although each has its like."""
    loaded, path = profile("cabin"), tmp_path / "run.log"
    drive(loaded, path, [Turn(10_000, list(good_frames("cabin")[:1]), False, False)] * 50)
    result = replayed(path, loaded)
    made, last = result.made, result.segments[0].made
    same = next(i for i in range(len(made) - 1, 0, -1) if made[i].t_us == made[i - 1].t_us)
    last[same - 1], last[same] = last[same], last[same - 1]
    verdict = verify(result)
    assert len(verdict.mismatches) == 2


def test_a_recording_of_another_profile_is_not_verified(recording: Path, tmp_path: Path) -> None:
    """Only segments recorded with this very profile count; with none nothing is called identical."""
    other = variant(tmp_path, "cabin", ("charge_current_a = 140", "charge_current_a = 141"))
    verdict = verify(replayed(recording, other), origin_of(other))
    assert (verdict.checked, verdict.mismatches, verdict.identical) == (0, (), False)
    assert verdict.other > 50


def test_the_same_profile_in_another_place_is_verified(recording: Path, tmp_path: Path) -> None:
    """What counts is the content of profile and message definitions, not where they lie."""
    loaded = profile("cabin")
    (tmp_path / "profiles").mkdir()
    (tmp_path / "dbc_own").mkdir()
    moved = tmp_path / "profiles" / "mine.toml"
    moved.write_bytes(loaded.path.read_bytes())
    for dbc in {one.dbc for one in (*loaded.received, *loaded.sent)}:
        (tmp_path / "dbc_own" / dbc.name).write_bytes(dbc.read_bytes())
    from bridge.profile.load import load_profile

    mine = load_profile(moved)
    assert verify(replayed(recording, mine), origin_of(mine)).identical


def test_alignment_pairs_frames_by_stamp_and_identifier() -> None:
    """What is the same falls out; what differs is paired; what only one side has stands alone."""
    one, other = Frame("a", 1, b"\x01"), Frame("a", 2, b"\x02")
    old = [Due(1, one), Due(1, other), Due(2, one), Due(3, one)]
    new = [Due(1, other), Due(1, one), Due(2, one._replace(data=b"\x07")), Due(4, one)]
    assert aligned(old, new) == [
        (Due(2, one), Due(2, one._replace(data=b"\x07"))),
        (Due(3, one), None),
        (None, Due(4, one)),
    ]


def test_a_run_whose_profile_was_changed_replays_with_both_profiles_at_hand(tmp_path: Path) -> None:
    """A reload that does not interrupt, one during another, one that does nothing: all frames come back. With
    one of the profiles alone, what the other had a part in is not compared, and is counted.
    """
    (tmp_path / "profiles").mkdir()
    first = profile("cabin")
    wish = ("[failsafe]", "[options]\ninhibit_charge = true\n[failsafe]")
    tight = variant(tmp_path / "profiles", "cabin", wish)
    lower = variant(tmp_path / "profiles", "cabin", ("charge_current_a = 140 ", "charge_current_a = 90 "))
    outside, path = world(first, 60, charge=0.9, wish_a=100), tmp_path / "run.log"
    script = [(20.05, tight), (30.0, lower), (32.0, tight), (45.0, tight), (50.0, first)]
    coming = [loaded for _, loaded in script]
    for at_s, _ in script:
        outside.at(START_US + round(at_s * 1e6), lambda: outside.request(Request.RELOAD))
    outside.at(START_US + 47_000_000, lambda: outside.stall(0.8))
    run(first, outside, path, lambda: coming.pop(0))
    assert not coming

    others = [Known(origin_of(one), one.plan) for one in (tight, lower)]
    steps = Session(path, first.plan, channels(first), None, [tight.plan, lower.plan]).steps
    whole = replay(first.plan, steps(), others)
    verdict = verify(whole, origin_of(first), [one.origin for one in others])
    assert verdict.identical
    assert verdict.checked == len(whole.made) > 200
    assert any(sample.state is State.FOLLOWING for sample in whole.segments[2].samples)

    alone = verify(replayed(path, first), origin_of(first))
    assert not alone.mismatches
    assert 0 < alone.checked < verdict.checked
    assert alone.checked + alone.other == verdict.checked
    stranger = verify(replayed(path, tight), origin_of(tight))
    assert (stranger.checked, stranger.mismatches) == (0, ())
