"""Stages and commissioning in a profile: defaults, what is refused, what `check` has to say."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.core.plan.wishes import Commissioning
from bridge.errors import Severity
from bridge.profile.check import check_profile
from tests.profile.made import BOATHOUSE, CABIN, JETTY, checked, found, loaded, refused

FAIL, WARN = Severity.FAIL, Severity.WARN
HERE = "[failsafe]"
UNTIL = "until = 2026-12-01T12:00:00+01:00\n"
NO_AMPS = ("pack_current = {", "# ")
EARLY = "charge_by_highest_cell = { cell_v = [3.4, 3.47], share = [1, 0] }"
NO_CHARGE = ("state_of_charge = {", "# ")


def stages(*lines: str) -> tuple[str, str]:
    """A change that adds the section with these lines."""
    return HERE, "\n".join(["[stages]", *lines, HERE])


def commissioning(*lines: str) -> tuple[str, str]:
    """A change that adds that section."""
    return HERE, "\n".join(["[commissioning]", UNTIL, *lines, HERE])


def test_defaults_follow_from_the_pack(tmp_path: Path) -> None:
    """A fiftieth of the capacity, the resting voltage, a restart a little below it."""
    plan = loaded(tmp_path, CABIN, stages()).plan.stages
    assert plan is not None
    assert (plan.tail_a, plan.rest_v, plan.restart_mean_v, plan.restart_soc) == (5.6, 53.6, 3.3, None)
    assert (plan.hold_us, plan.balance_us, plan.full_every_us) == (3_600_000_000, 7_200_000_000, None)
    assert (plan.balance_within_v, plan.usual_v, plan.full_soc) == (None, None, True)
    assert loaded(tmp_path, CABIN).plan[-2:] == (None, None)
    blind = loaded(
        tmp_path, CABIN, stages("restart_below_soc_pct = 90"), NO_AMPS, ("pack_amps", "# pack_amps")
    )
    assert blind.plan.stages is not None
    assert (blind.plan.stages.tail_a, blind.plan.stages.restart_mean_v) == (None, None)


def test_few_cells_count_as_at_their_target_from_further_below(tmp_path: Path) -> None:
    """A charger that reads 0.2 V high leaves eight even cells 25 mV short: the charge must still end."""
    new = ("# For new crates", f"[stages]\n[commissioning]\n{UNTIL}# For new crates")
    usual = (new[0], "[stages]\nusual_cell_v = 3.42\nfull_every_days = 9\n# ")
    few = loaded(tmp_path, JETTY, new).plan
    assert few.stages is not None
    assert few.commissioning is not None
    assert (few.stages.within_v, few.commissioning.near_v) == (0.03125, 0.03125)
    for profile, change in ((CABIN, stages()), (JETTY, usual)):
        plan = loaded(tmp_path, profile, change).plan.stages
        assert plan is not None
        assert plan.within_v == 0.02


def test_all_that_can_be_stated_arrives(tmp_path: Path) -> None:
    """Minutes and days in microseconds."""
    plan = loaded(
        tmp_path,
        CABIN,
        stages(
            "absorption_within_v = 0.03",
            "absorption_min = 20",
            "tail_current_a = 8",
            "resting_voltage_v = 53",
            "restart_below_soc_pct = 88",
            "restart_below_lowest_cell_v = 3.2",
            "restart_below_mean_cell_v = 3.25",
            "balance_within_v = 0.02",
            "balance_min = 45",
            "usual_cell_v = 3.44",
            "full_every_days = 14",
            "full_soc_only_when_full = false",
        ),
    ).plan.stages
    minute = 60_000_000
    assert plan == (
        *(16, 3.5, 0.03, 20 * minute, 8.0, 53.0, 88.0, 3.2, 3.25, 3.44, 14 * 1440 * minute),
        *(0.02, 45 * minute, False),
    )


def test_commissioning_arrives(tmp_path: Path) -> None:
    """A tenth of the limit by default, or a share, or a current of its own."""
    plan = loaded(tmp_path, CABIN, commissioning()).plan.commissioning
    minute = 60_000_000
    until_us = round(datetime(2026, 12, 1, 11, tzinfo=UTC).timestamp()) * 1_000_000
    assert plan == Commissioning(until_us, 14.0, 3.5, 0.02, 0.01, 5.6, 10 * minute, 15 * minute, None)
    for line, current_a in (("charge_share = 0.05", 7.0), ("charge_current_a = 9", 9.0)):
        plan = loaded(tmp_path, CABIN, commissioning(line, "low_current_a = 3", "shown_high_pct = 90")).plan[
            -1
        ]
        assert plan is not None
        assert (plan.current_a, plan.low_a, plan.window) == (current_a, 3.0, (0.0, 90.0))
    plan = loaded(tmp_path, CABIN, commissioning("shown_low_pct = 30")).plan.commissioning
    assert plan is not None
    assert plan.window == (30.0, 100.0)


def test_a_resistance_of_a_bank_arrives(tmp_path: Path) -> None:
    """In ohms; and none where none is stated."""
    text = ("capacity_ah = 230", "capacity_ah = 230\nresistance_mohm = 6.5")
    banks = loaded(tmp_path, BOATHOUSE, text).plan.banks
    assert [bank.resistance_ohm for bank in banks] == [None, 0.0065]


REFUSED = [
    ("stages.tail_current_a", stages("tail_current_a = 0")),
    ("stages.absorption_min", stages("absorption_min = 0")),
    ("stages", stages("balance_min = 5")),
    ("stages.usual_cell_v", stages("usual_cell_v = 3.5")),
    ("stages.usual_cell_v", stages("usual_cell_v = 3.6")),
    ("stages.resting_voltage_v", stages("usual_cell_v = 3.36", "full_every_days = 7")),
    ("stages.resting_voltage_v", stages("resting_voltage_v = 55.7")),
    ("stages.resting_voltage_v", stages("resting_voltage_v = 46.3", "restart_below_soc_pct = 90")),
    ("stages.restart_below_mean_cell_v", stages("restart_below_mean_cell_v = 3.35")),
    ("stages.restart_below_lowest_cell_v", stages("restart_below_lowest_cell_v = 3.4")),
    ("stages.balance_within_v", stages("balance_within_v = 0.1")),
    ("stages.absorption_within_v", stages("absorption_within_v = 0.1")),
    ("stages.restart_below_soc_pct", stages("restart_below_soc_pct = 101")),
    ("commissioning", commissioning("charge_current_a = 9", "charge_share = 0.1")),
    ("commissioning", commissioning("charge_share = 0.0")),
    ("commissioning", commissioning("shown_low_pct = 60", "shown_high_pct = 50")),
    ("commissioning.until", (HERE, f"[commissioning]\n{HERE}")),
    ("bank[1].resistance_mohm", ("capacity_ah = 280", "capacity_ah = 280\nresistance_mohm = 0")),
    ("limits.cell_floor_v", ("cell_floor_v = 2.90", "cell_floor_v = 3.60")),
]


@pytest.mark.parametrize(("key", "change"), REFUSED)
def test_what_contradicts_itself_is_refused(tmp_path: Path, key: str, change: tuple[str, str]) -> None:
    """With the key, what was found and what is allowed."""
    problems = refused(tmp_path, CABIN, change)
    assert key in problems
    assert problems[key].found
    assert problems[key].allowed


CHECKS = [
    (FAIL, "stages.tail_current_a", stages("tail_current_a = 140")),
    (FAIL, "stages.tail_current_a", stages("tail_current_a = 5"), NO_AMPS),
    (WARN, "stages.tail_current_a", stages("tail_current_a = 29")),
    (FAIL, "stages.restart_below_soc_pct", stages("restart_below_soc_pct = 90"), NO_CHARGE),
    (WARN, "stages.restart_below_soc_pct", stages("restart_below_soc_pct = 99")),
    (WARN, "stages.resting_voltage_v", stages("resting_voltage_v = 54.0")),
    (WARN, "stages.usual_cell_v", stages("usual_cell_v = 3.44")),
    (WARN, "stages.balance_within_v", stages("balance_within_v = 0.003")),
    (FAIL, "commissioning", commissioning(), NO_AMPS),
    (FAIL, "shown_soc", commissioning("shown_low_pct = 30", "[shown_soc]", "low_pct = 10", UNTIL)),
    (FAIL, "commissioning.charge_current_a", commissioning("charge_current_a = 140")),
    (WARN, "commissioning.low_current_a", commissioning("charge_current_a = 4")),
    (WARN, "commissioning.cells_within_v", commissioning("cells_within_v = 0.002")),
    (WARN, "options.inhibit_charge", commissioning("[options]", "inhibit_charge = true")),
    (FAIL, "transmission[2].signals.bridge_state", ('"failsafe_state"', '"charge_stage"')),
    (WARN, "bank[1]", ("cell_temperature_max = {", "# "), ("pack_warmth", "# ")),
    (WARN, "limits.charge_voltage_v", stages(), ("[limits]", "[limits]\ncharge_voltage_v = 55.6")),
    (WARN, "bank[1].charge_by_highest_cell", stages(), ("[limits]", f"[limits]\n{EARLY}")),
]


@pytest.mark.parametrize(("severity", "key", "changes"), [(row[0], row[1], row[2:]) for row in CHECKS])
def test_a_rule_fires_on_what_it_is_for(
    tmp_path: Path, severity: Severity, key: str, changes: tuple[tuple[str, str], ...]
) -> None:
    """And says it of that key."""
    assert found(checked(tmp_path, CABIN, *changes), severity, key)


def test_a_sound_course_passes(tmp_path: Path) -> None:
    """Everything stated, and the stage sent: nothing to say; the end is looked at like any other wish."""
    lines = (
        "restart_below_soc_pct = 90",
        "balance_within_v = 0.02",
        "usual_cell_v = 3.44",
        "full_every_days = 14",
        "[commissioning]",
        UNTIL,
        "shown_low_pct = 30",
    )
    profile = loaded(tmp_path, CABIN, stages(*lines), ('"failsafe_state"', '"charge_stage"'))
    report = check_profile(profile, datetime(2026, 11, 25, 12, tzinfo=UTC))
    assert report.of(FAIL) == report.of(WARN) == ()
    late = check_profile(profile, datetime(2026, 12, 2, tzinfo=UTC))
    assert "in the past" in found(late, WARN, "commissioning.until")
    window = commissioning("[shown_soc]", "low_pct = 10", UNTIL)
    assert not checked(tmp_path, CABIN, window).of(FAIL)
