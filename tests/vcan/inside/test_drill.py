"""The drill on real interfaces: the program as a process of its own, killed, stopped, cut off."""

import subprocess
from pathlib import Path

import pytest

from bridge.drill.onbus import run_drill_on_bus
from bridge.drill.result import DrillReport, Outcome
from bridge.drill.toml import on_channels
from bridge.errors import BusError
from bridge.profile.load import LoadedProfile, load_profile

PROFILES = Path(__file__).parents[3] / "profiles"


def quick(folder: Path, name: str, channels: dict[str, str]) -> LoadedProfile:
    """A shipped profile with short times and fast rises, so that a real second is enough for much."""
    text = on_channels(PROFILES / f"{name}.toml", channels)
    rises = '"charge_current_rise_a_per_s" = 200.0, "discharge_current_rise_a_per_s" = 200.0'
    for slow, fast in (
        ('"cell_target_v" =', f'{rises}, "charge_voltage_rise_v_per_s" = 3.0, "cell_target_v" ='),
        ('"steady_s" = 5.0', '"steady_s" = 1.0'),
        ('"hold_s" = 3.0', '"hold_s" = 1.0'),
        ('"timeout_s" = 10.0', '"timeout_s" = 8.0'),
    ):
        text = text.replace(slow, fast)
    path = folder / f"{name}.toml"
    path.write_text(text)
    return load_profile(path)


def outcomes(report: DrillReport) -> dict[str, tuple[Outcome, tuple[str, ...]]]:
    """Outcome and remarks of each fault."""
    return {result.name: (result.outcome, result.remarks) for result in report.results}


def test_faults_on_one_bus(tmp_path: Path) -> None:
    """Silence, a cell over, a stall, a kill, a bad profile and the interface down: all pass."""
    loaded = quick(tmp_path, "cabin", {"cabin": "vcan0"})
    only = (
        "pack silent",
        "one cell over",
        "stalled",
        "killed",
        "reload",
        "interface",
        "queue full",
    )
    found = outcomes(run_drill_on_bus(loaded, {"cabin": "vcan0"}, only=only))

    assert {name: row for name, row in found.items() if row[0] is Outcome.FAIL} == {}
    for name in ("transmit queue full", "reload that moves cabin"):
        assert found.pop(name)[0] is Outcome.SKIPPED
    outcomes_seen = [outcome for outcome, _ in found.values()]
    assert outcomes_seen.count(Outcome.PASS) >= 6
    assert set(outcomes_seen) <= {Outcome.PASS, Outcome.NOT_APPLICABLE}


def test_faults_on_two_buses(tmp_path: Path) -> None:
    """The bank's bus and the inverter's are separate interfaces; checksums and pages on the real wire."""
    channels = {"landing": "vcan0", "house": "vcan1"}
    loaded = quick(tmp_path, "boathouse", channels)
    only = ("north lost", "BankTwoOverview, checksum", "BankTwoCellPages, page 2")
    found = outcomes(run_drill_on_bus(loaded, channels, only=only))

    assert len(found) == 3
    assert {name: row for name, row in found.items() if row[0] is not Outcome.PASS} == {}


def test_a_program_that_does_not_start_fails_the_drill(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing passes only because nothing was sent."""
    loaded = quick(tmp_path, "cabin", {"cabin": "vcan0"})
    monkeypatch.setattr("sys.executable", "/bin/false")
    report = run_drill_on_bus(loaded, {"cabin": "vcan0"}, only=("pack silent",))

    assert [result.outcome for result in report.results] == [Outcome.FAIL]


def test_nothing_is_sent_where_a_pack_is_at_work(tmp_path: Path) -> None:
    """Simulated readings must never reach a real inverter: a bus in use is refused."""
    loaded = quick(tmp_path, "cabin", {"cabin": "vcan1"})
    key = loaded.plan.sources[0].key
    pack = subprocess.Popen(["cangen", "vcan1", "-I", f"{key:X}", "-L", "8", "-g", "100"])
    try:
        with pytest.raises(BusError, match=rf"vcan1: {key:03X}#.* is being sent there already"):
            run_drill_on_bus(loaded, {"cabin": "vcan1"}, only=("pack silent",))
    finally:
        pack.terminate()
        pack.wait(10.0)
