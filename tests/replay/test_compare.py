"""What differs between two runs of one capture, and how it is told."""

import json
from pathlib import Path

import pytest
from rich.console import Console

from bridge.core.engine import Due
from bridge.core.failsafe.machine import State
from bridge.core.plan.reasons import Reason
from bridge.core.wire.codec import encode_raws
from bridge.core.wire.outgoing import QuantityItem
from bridge.frames import Frame
from bridge.quantities import LIMITS
from bridge.replay import report
from bridge.replay.compare import Comparison, compare_capture
from bridge.replay.replay import Mark, Sample
from bridge.replay.seen import Seen
from bridge.replay.timeline import Extreme, differences, spans, stats
from tests.replay.live import START_US, profile, run, variant, world


def sample(
    t_us: int,
    volts: float | None = 56.0,
    amps: float = 100.0,
    floor: float = 46.0,
    *,
    state: State | None = State.FOLLOWING,
) -> Sample:
    """A sample with these limits; the discharge current never changes."""
    values = (volts, amps, 200.0, floor)
    return Sample(t_us, state, "", tuple(Mark(value, Reason.CONFIGURED, "") for value in values))


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ninety seconds of a nearly full cabin pack under a strong sun."""
    path = tmp_path_factory.mktemp("recording") / "today.log"
    run(profile("cabin"), world(profile("cabin"), 90, charge=0.93, wish_a=200), path)
    return path


def printed(result: Comparison, width: int = 80, *, frames: bool = False) -> str:
    """The report as a person sees it."""
    console = Console(width=width, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    with console.file:
        report.print_report(result, console, frames=frames)
    return console.export_text()


# ── over time ───────────────────────────────────────────────────────────────────────────────────────────


def test_spans_are_cut_at_every_change_of_either_run() -> None:
    """They follow each other without a gap, from where both are known to the end."""
    old = [sample(0), sample(40)]
    new = [sample(10, 55), sample(30, 54), sample(40, 53), sample(40, 52)]
    found = list(spans(old, new, 50))
    assert [(span.start_us, span.end_us, span.new.marks[0].value) for span in found] == [
        (10, 30, 55),
        (30, 40, 54),
        (40, 50, 52),
    ]
    assert list(spans(old, [], 50)) == []


def test_statistics_are_weighted_by_time() -> None:
    """A limit that holds four times as long counts four times as much; unknown times count nothing."""
    run_samples = [sample(0, 50.0), sample(20, 55.0), sample(100, None, state=State.SAFE)]
    limits, states_us = stats(run_samples, 120)
    row = limits["charge_voltage_limit"]
    assert (row.low, row.mean, row.high, row.known_us) == (50.0, 54.0, 55.0, 100)
    assert row.reasons_us == {(Reason.CONFIGURED, ""): 120}
    assert states_us == {State.FOLLOWING: 100, State.SAFE: 20}


def test_tighter_and_looser_are_told_apart_on_either_side() -> None:
    """More volts or amperes are looser; a lower floor is looser; a last bit of a float is nothing."""
    old = [sample(0)]
    new = [
        sample(0, 56.0 + 1e-12, 100.0, 46.0),
        sample(10, 57.0, 90.0, 45.0),
        sample(30, 55.5, 95.0, 47.5),
        sample(40, 56.0, 100.0, 46.0),
    ]
    rows, intervals = differences(old, new, 100)
    volts, amps, draw, floor = (rows[name] for name in LIMITS)
    assert (volts.tighter_us, volts.equal_us, volts.looser_us) == (10, 70, 20)
    assert (volts.most_tighter, volts.most_looser) == (Extreme(0.5, 30), Extreme(1.0, 10))
    assert (amps.tighter_us, amps.equal_us, amps.looser_us) == (30, 70, 0)
    assert amps.most_tighter == Extreme(10.0, 10)
    assert draw.equal_us == 100
    assert (floor.looser_us, floor.tighter_us) == (20, 10)
    assert [(each.limit, each.looser, each.start_us, each.end_us, each.most) for each in intervals] == [
        ("discharge_voltage_floor", True, 10, 30, 1.0),
        ("charge_voltage_limit", True, 10, 30, 1.0),
        ("charge_current_limit", False, 10, 40, 10.0),
        ("discharge_voltage_floor", False, 30, 40, 1.5),
        ("charge_voltage_limit", False, 30, 40, 0.5),
    ]


def test_a_state_that_differs_is_an_interval() -> None:
    """Following where the old run did not is the looser way; the other is the tighter one."""
    old = [sample(0), sample(10, state=State.SAFE), sample(20)]
    new = [sample(0), sample(30, state=State.HOLDING)]
    _, intervals = differences(old, new, 40)
    assert [(each.limit, each.looser, each.start_us, each.end_us) for each in intervals] == [
        ("", True, 10, 20),
        ("", False, 30, 40),
    ]


def test_a_limit_that_was_withheld_is_not_a_number() -> None:
    """The raw number that says `not available` is no limit of its own."""
    plan = profile("cabin").plan
    sent = next(sent for sent in plan.transmissions if sent.carries_limits)
    items = tuple(
        item._replace(absent_raw=7) if isinstance(item, QuantityItem) and item.quantity in LIMITS else item
        for item in sent.pages[0]
    )
    signals = {item.signal: item.quantity for item in items if isinstance(item, QuantityItem)}
    name = next(signal for signal, quantity in signals.items() if quantity == "charge_voltage_limit")
    seen = Seen(plan._replace(transmissions=(sent._replace(pages=(items,)),)))
    frames = [Frame(sent.bus, sent.layout.key, encode_raws(sent.layout, {name: raw})) for raw in (7, 500)]
    values = [one.marks[0].value for one in seen.samples([Due(i, frame) for i, frame in enumerate(frames)])]
    assert values[0] is None
    assert values[1] is not None


# ── comparisons ─────────────────────────────────────────────────────────────────────────────────────────


def test_a_recording_that_comes_back_says_so(recording: Path) -> None:
    """The same profile: identical, with the number of frames, and the run is described."""
    result = compare_capture(recording, profile("cabin"))
    assert result.identical
    assert result.ok
    assert result.old is None
    assert result.verdict is not None
    text = printed(result)
    assert f"identical: {result.verdict.checked} frames, bit for bit" in text
    assert "following" in text
    assert "the configured limit" in text


def test_a_recording_that_does_not_come_back_is_a_failure(recording: Path, tmp_path: Path) -> None:
    """One changed byte: not ok, the time of the first difference is told, the frame is shown."""
    changed = tmp_path / "changed.log"
    lines = recording.read_text().splitlines(keepends=True)
    bounds = next(sent for sent in profile("cabin").plan.transmissions if sent.carries_limits)
    mark = f"{bounds.layout.key:03X}#"
    at = [i for i, line in enumerate(lines) if mark in line][20]
    lines[at] = lines[at].replace(mark, mark + "FF", 1).replace(" T", "")[:-3] + " T\n"
    changed.write_text("".join(lines))
    Path(f"{changed}.events").write_bytes(Path(f"{recording}.events").read_bytes())

    result = compare_capture(changed, profile("cabin"))

    assert not result.ok
    assert not result.identical
    text = printed(result, 120, frames=True)
    assert "1 of " in text
    stamp_us = round(float(lines[at].split(")")[0][1:]) * 1e6) - START_US
    clock = f"{stamp_us // 1_000_000:02d}.{stamp_us // 10_000 % 100:02d}"
    assert f"did not come back bit for bit, the first at +0:00:{clock}" in text
    assert len(result.frames) == 1


def test_against_itself_nothing_differs(recording: Path) -> None:
    """The same profile on both sides: every frame the same, every limit equal all the time."""
    result = compare_capture(recording, profile("cabin"), profile("cabin"))
    assert result.identical
    assert not result.looser
    assert result.intervals == []
    assert all(row.equal_us == result.end_us - result.start_us for row in result.limits.values())
    assert f"identical: {result.new.sent} frames, bit for bit" in printed(result)


def test_a_bolder_profile_is_called_looser_in_words(recording: Path, tmp_path: Path) -> None:
    """More charge current: looser by the difference of the two limits, and nothing else differs."""
    bold = variant(tmp_path, "cabin", ("charge_current_a = 140", "charge_current_a = 150"))
    result = compare_capture(recording, bold, profile("cabin"))
    assert result.looser
    assert result.ok
    row = result.limits["charge_current_limit"]
    assert row.most_looser.by == pytest.approx(10.0)
    assert row.tighter_us == 0
    assert [name for name, row in result.limits.items() if row.looser_us] == ["charge_current_limit"]
    text = printed(result, 120)
    assert f"{bold.path.name} allows MORE than cabin.toml at times: charge current limit" in text
    assert "charge current limit LOOSER by up to 10.0 A: 150.0 A" in text


def test_a_careful_profile_is_never_called_looser(recording: Path, tmp_path: Path) -> None:
    """Less charge current: tighter, never looser."""
    careful = variant(tmp_path, "cabin", ("charge_current_a = 140", "charge_current_a = 100"))
    result = compare_capture(recording, careful, profile("cabin"))
    assert not result.looser
    assert result.limits["charge_current_limit"].tighter_us > 50e6
    text = printed(result)
    assert "never allows more" in text
    assert "LOOSER" not in text


@pytest.mark.parametrize("exact", [True, False])
def test_without_another_profile_what_was_sent_is_compared(
    recording: Path, tmp_path: Path, exact: bool
) -> None:
    """Both as a receiver saw them: read back from the frames, so that rounding alone makes no difference."""
    capture = tmp_path / "foreign.log"
    capture.write_bytes(recording.read_bytes())
    if exact:
        Path(f"{capture}.events").write_bytes(Path(f"{recording}.events").read_bytes())
    bold = variant(tmp_path, "cabin", ("charge_current_a = 140", "charge_current_a = 150"))
    result = compare_capture(capture, bold)
    assert result.verdict is None
    assert result.old is not None
    assert result.old.label == "recorded"
    assert result.limits["charge_current_limit"].most_looser.by == pytest.approx(10.0, abs=1.0)
    assert result.limits["discharge_voltage_floor"].equal_us > 85e6
    if exact:
        assert [name for name, row in result.limits.items() if row.looser_us] == ["charge_current_limit"]
        assert any("recorded with" in warning for warning in result.warnings)


def test_frames_side_by_side_name_the_signals_that_differ(recording: Path, tmp_path: Path) -> None:
    """Each frame that differs is shown with its bytes in both runs, and its signals before and after."""
    bold = variant(tmp_path, "cabin", ("charge_current_a = 140", "charge_current_a = 150"))
    result = compare_capture(recording, bold, profile("cabin"))
    last = result.frames[-1]
    assert [change.signal for change in last.changes] == ["charge_amps_most"]
    assert last.old is not None
    assert last.new is not None
    assert last.old.t_us == last.new.t_us
    text = printed(result, frames=True)
    assert f"the first 40 of {len(result.frames)}" in text
    assert "charge_amps_most" in text


@pytest.mark.parametrize("width", [80, 120])
def test_the_report_fits_the_terminal(recording: Path, tmp_path: Path, width: int) -> None:
    """No line is wider than the terminal, and no number is cut."""
    bold = variant(tmp_path, "cabin", ("charge_current_a = 140", "charge_current_a = 150"))
    text = printed(compare_capture(recording, bold, profile("cabin")), width, frames=True)
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text


def test_json_holds_the_whole_comparison(recording: Path, tmp_path: Path) -> None:
    """It says the same as the tables."""
    bold = variant(tmp_path, "cabin", ("charge_current_a = 140", "charge_current_a = 150"))
    result = compare_capture(recording, bold, profile("cabin"))
    facts = json.loads(report.as_json(result))
    assert facts["looser"] is True
    assert facts["limits"]["charge_current_limit"]["most_looser"]["by"] == pytest.approx(10.0)
    assert facts["intervals"][0]["looser"] is True
    assert facts["intervals"][0]["words"].count("LOOSER") == 1
    assert len(facts["frames"]) == len(result.frames)
    assert sum(facts["new"]["states_s"].values()) == pytest.approx(90.0)
    assert facts["start_us"] == START_US


def test_other_messages_than_the_profile_sends_are_said_to_be_so(recording: Path, tmp_path: Path) -> None:
    """Where what was sent then cannot be read, the person is told what to compare with."""
    capture = tmp_path / "night.log"
    ours = {f"{sent.layout.key:03X}#" for sent in profile("cabin").plan.transmissions}
    lines = recording.read_text().splitlines(keepends=True)
    for mark in ours:
        lines = [line.replace(mark, "7F1#") for line in lines]
    capture.write_text("".join(lines))
    Path(f"{capture}.events").write_bytes(Path(f"{recording}.events").read_bytes())
    bold = variant(tmp_path, "cabin", ("charge_current_a = 140", "charge_current_a = 150"))
    result = compare_capture(capture, bold)
    assert result.old is None
    assert any("--against OLD" in warning for warning in result.warnings)
    assert "there is nothing to compare with" in printed(result)
