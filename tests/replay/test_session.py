"""A capture as steps: what is an input, what was sent, and what cannot be used."""

import json
from pathlib import Path

import pytest

from bridge.errors import CaptureError
from bridge.frames import Frame
from bridge.replay.recorder import events_path
from bridge.replay.session import Ended, Made, Received, Resumed, Session, Started
from tests.replay.live import START_US, channels, profile, run, session, world

PACK = Frame("cabin", profile("cabin").plan.sources[0].key, b"\x00" * 8)
SENT = Frame("cabin", profile("cabin").plan.transmissions[0].layout.key, b"\x00" * 8)
STAMP = "(1750000000.123457)"


def capture(folder: Path, *lines: str, events: str | None = None) -> Path:
    """A capture of these lines, with events beside it if wanted."""
    path = folder / "night.log"
    path.write_text("".join(f"{line}\n" for line in lines))
    if events is not None:
        events_path(path).write_text(events)
    return path


def start(**changes: object) -> str:
    """The first line of the events."""
    facts = {
        "event": "start",
        "t_us": START_US,
        "after_line": 0,
        "profile": "p.toml",
        "profile_sha256": "00",
        "dbc_sha256": {},
        "buses": {"cabin": "vcan0"},
    }
    return json.dumps(facts | changes) + "\n"


def refusal(path: Path, channel_map: dict[str, str] | None = None) -> str:
    """The text of the error a capture ends in."""
    cabin = profile("cabin")
    with pytest.raises(CaptureError) as caught:
        list(Session(path, cabin.plan, channels(cabin), channel_map).steps())
    return str(caught.value)


def test_a_foreign_capture_is_sorted_by_identifier(tmp_path: Path) -> None:
    """What the profile sends was sent then, marked or not; what it asks for is an input, marked or not."""
    path = capture(
        tmp_path,
        f"{STAMP} vcan0 {PACK}",
        f"{STAMP} vcan0 {SENT}",
        f"{STAMP} vcan0 {PACK} T",
        f"{STAMP} vcan0 {SENT} T",
        f"{STAMP} vcan0 7FF#",
    )
    found = session(path, profile("cabin"))
    assert list(found.steps()) == [
        Started(START_US, None),
        Received(START_US, PACK),
        Made(START_US, SENT, ""),
        Received(START_US, PACK),
        Made(START_US, SENT, ""),
        Ended(START_US, closed=False),
    ]
    assert found.other == {("vcan0", 0x7FF): 1}
    assert not found.exact
    assert "night.log.events is missing" in found.warnings()[0]


def test_a_recording_is_sorted_by_its_marks(tmp_path: Path) -> None:
    """What came in with one of our own identifiers was another sender's: an input, and not ours."""
    path = capture(
        tmp_path, f"{STAMP} vcan0 {SENT}", f"{STAMP} vcan0 {SENT} T", f"{STAMP} vcan0 {PACK}", events=start()
    )
    steps = list(session(path, profile("cabin")).steps())
    assert [type(step) for step in steps] == [Started, Received, Made, Received, Ended]


def test_in_a_dry_run_others_were_expected(tmp_path: Path) -> None:
    """What came in with an identifier of ours was sent by the bridge at work: no input."""
    path = capture(tmp_path, f"{STAMP} vcan0 {SENT}", f"{STAMP} vcan0 {PACK}", events=start(dry=True))
    found = session(path, profile("cabin"))
    assert [type(step) for step in found.steps()] == [Started, Received, Ended]
    assert sum(found.other.values()) == 1


def test_events_stand_where_they_happened(tmp_path: Path) -> None:
    """Resume, reload and stop come between the frames they came between; an unsent frame knows why."""
    events = start() + "".join(
        json.dumps(facts) + "\n"
        for facts in (
            {"event": "resume", "t_us": START_US + 5, "after_line": 1, "latest_us": START_US + 2},
            {"event": "unsent", "t_us": START_US, "after_line": 2, "why": "queue full"},
            json.loads(start(event="reload", t_us=START_US + 7, after_line=2)),
            {"event": "stop", "t_us": START_US + 9, "after_line": 3},
        )
    )
    path = capture(
        tmp_path, f"{STAMP} vcan0 {PACK}", f"{STAMP} vcan0 {SENT} T", f"{STAMP} vcan0 {PACK}", events=events
    )
    steps = list(session(path, profile("cabin")).steps())
    assert [step._replace(origin=None) if isinstance(step, Started) else step for step in steps] == [
        Started(START_US, None),
        Received(START_US, PACK),
        Resumed(START_US + 5, START_US + 2),
        Made(START_US, SENT, "queue full"),
        Ended(START_US + 7, closed=True),
        Started(START_US + 7, None),
        Received(START_US, PACK),
        Ended(START_US + 9, closed=True),
    ]


def test_a_recording_can_be_iterated_over_again(tmp_path: Path) -> None:
    """A second pass gives the same steps and the same counts."""
    path = tmp_path / "run.log"
    run(profile("cabin"), world(profile("cabin"), 3), path)
    found = session(path, profile("cabin"))
    assert list(found.steps()) == list(found.steps())


def test_what_a_killed_program_left_is_used(tmp_path: Path) -> None:
    """Events beyond the last frame, and an event cut off in its middle, are left out, and it is said."""
    late = json.dumps({"event": "stop", "t_us": START_US + 9, "after_line": 2}) + "\n"
    for rest in (late, late[:20]):
        path = capture(tmp_path, f"{STAMP} vcan0 {PACK}", events=start() + rest)
        found = session(path, profile("cabin"))
        assert list(found.steps())[-1] == Ended(START_US, closed=False)
        assert found.warnings() == ["the recording was cut off; it is replayed up to there"]


@pytest.mark.parametrize("marked", [True, False])
def test_a_renamed_channel_is_told_by_hand(tmp_path: Path, marked: bool) -> None:
    """`--channel` wins over what recording and profile say."""
    events = start(buses={"attic": "can7"}) if marked else None
    path = capture(tmp_path, f"{STAMP} can7 {PACK}", events=events)
    assert "no frame the profile knows, but" in refusal(path)
    cabin = profile("cabin")
    steps = list(Session(path, cabin.plan, channels(cabin), {"can7": "cabin"}).steps())
    assert steps[1] == Received(START_US, PACK)


def test_a_recording_knows_its_buses_by_name(tmp_path: Path) -> None:
    """A recording on another interface is for the same bus of the profile."""
    path = capture(tmp_path, f"{STAMP} can7 {PACK}", events=start(buses={"cabin": "can7"}))
    assert list(session(path, profile("cabin")).steps())[1] == Received(START_US, PACK)


def test_frames_on_an_unknown_channel_are_told(tmp_path: Path) -> None:
    """What is left out because its channel is not known is no secret."""
    path = capture(tmp_path, f"{STAMP} can7 {PACK}", f"{STAMP} vcan0 {PACK}")
    found = session(path, profile("cabin"))
    assert len(list(found.steps())) == 3
    assert any("frames on can7 are left out" in text and "cabin (vcan0)" in text for text in found.warnings())


# ── what cannot be used ─────────────────────────────────────────────────────────────────────────────────


def test_a_capture_of_something_else_says_what_is_there_and_what_was_wanted(tmp_path: Path) -> None:
    """No frame of the profile: channels and identifiers found, and those wanted, are named."""
    # the same number with 29 bits is another identifier
    path = capture(tmp_path, f"{STAMP} can7 123#00", f"{STAMP} can7 123#", f"{STAMP} vcan0 {PACK.key:08X}#")
    text = refusal(path)
    assert f"no frame the profile knows, but 123 on can7 (2), {PACK.key:08X} on vcan0 (1)" in text
    assert f"{PACK.key:03X} on vcan0" in text.partition("allowed:")[2]
    assert str(path) in text


def test_a_recording_of_another_site_is_refused(tmp_path: Path) -> None:
    """Frames sent then that the profile does not send are no reason to take the capture for its own."""
    path = capture(tmp_path, f"{STAMP} vcan0 7F1#00 T", events=start())
    assert "no frame the profile knows, but 7F1 on vcan0 (1)" in refusal(path)


def test_a_bus_the_profile_does_not_have_is_refused(tmp_path: Path) -> None:
    """A wrong name after `--channel` is an error that names the right ones."""
    text = refusal(capture(tmp_path, f"{STAMP} can7 {PACK}"), {"can7": "attic"})
    assert "channel can7: bus 'attic'; allowed: a bus of the profile: ['cabin']" in text


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    """An unreadable capture is one clear error."""
    assert "cannot be read" in refusal(tmp_path / "nothing.log")


def test_an_empty_capture_is_refused(tmp_path: Path) -> None:
    """Nothing in it, with or without events, is one clear error."""
    assert "the capture is empty" in refusal(capture(tmp_path))
    assert "the capture is empty" in refusal(capture(tmp_path, events=start()))


def test_a_truncated_capture_names_the_line(tmp_path: Path) -> None:
    """A last line cut in its middle is told with its number."""
    path = capture(tmp_path, f"{STAMP} vcan0 {PACK}")
    with path.open("a") as file:
        file.write(f"{STAMP} vcan0 2")
    assert "line 2: the capture is truncated here" in refusal(path)


@pytest.mark.parametrize(
    ("events", "told"),
    [
        ("", "file: no event in it"),
        ("{\n", "line 1: no JSON"),
        ("\udcff\n", "line 1: no JSON"),
        ("[]\n", "line 1: event None; allowed: start, reload"),
        ('{"event": "begin"}\n', "line 1: event 'begin'; allowed: start, reload"),
        ('{"event": ["stop"]}\n', "line 1: event ['stop']; allowed: start"),
        ('{"event": "stop", "t_us": 1, "after_line": 0}\n', "line 1: event 'stop'; allowed: `start` first"),
        (start() + start(), "line 2: event 'start'; allowed: `start` first, and only there"),
        (start(t_us="soon"), "line 1: t_us is 'soon'; allowed: int in event 'start'"),
        (start(t_us=True), "line 1: t_us is True; allowed: int"),
        (start(t_us=-1), "line 1: t_us is -1; allowed: 0 or more"),
        (start(buses=None), "line 1: buses is None; allowed: dict"),
        (start(buses={"cabin": 1}), "line 1: something else in dbc_sha256 or buses; allowed: texts"),
        (start(kept=3), "line 1: kept is 3; allowed: a table"),
        (start() + '{"event": "resume", "t_us": 1, "after_line": 0}\n', "line 2: latest_us is None"),
        (
            start(after_line=2) + '{"event": "stop", "t_us": 1, "after_line": 1}\n',
            "line 2: after_line goes back to 1; allowed: 2 or more",
        ),
    ],
)
def test_damaged_events_name_file_and_line(tmp_path: Path, events: str, told: str) -> None:
    """Whatever is wrong with the events is one clear error."""
    path = capture(tmp_path, f"{STAMP} vcan0 {PACK}")
    events_path(path).write_bytes(events.encode(errors="surrogateescape"))
    text = refusal(path)
    assert told in text
    assert "night.log.events" in text
