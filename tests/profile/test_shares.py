"""Roles and shares of several inverters: what a profile may say, what check finds, what is told."""

import json
from fractions import Fraction
from pathlib import Path

import pytest

from bridge.core.plan.shares import shares_of
from bridge.errors import Severity
from bridge.profile.load import LoadedProfile
from bridge.profile.report import as_json
from tests.profile.made import CABIN, checked, found, loaded, refused
from tests.profile.test_two_inverters import SECOND, both

LOFT = 'name = "loft"\n'


def more(loft: str = "", barn: str = "", *changes: tuple[str, str]) -> tuple[tuple[str, str], ...]:
    """The cabin with a second inverter, each with further lines."""
    return (
        *both(),
        (f"[[inverter]]\n{LOFT}", f"[[inverter]]\n{LOFT}{loft}\n"),
        (SECOND, f"{SECOND}{barn}\n"),
        *changes,
    )


def fractions(profile: LoadedProfile) -> tuple[list[Fraction], list[Fraction]]:
    """The shares of the inverters, in the order of the profile: barn, loft."""
    whole, fixed = shares_of(profile.plan.inverters)
    charge, draw = ([Fraction(share, whole) for share in row] for row in fixed)
    return charge, draw


def test_equal_shares_are_the_default(tmp_path: Path) -> None:
    """Nothing needs to be said for the sum to be right."""
    assert fractions(loaded(tmp_path, CABIN, *more())) == ([Fraction(1, 2)] * 2, [Fraction(1, 2)] * 2)


def test_stated_shares_are_the_decimals_that_were_written(tmp_path: Path) -> None:
    """0.7 is seven tenths, and what is not stated is the rest."""
    profile = loaded(tmp_path, CABIN, *more("charge_share = 0.7"))
    assert fractions(profile) == ([Fraction(3, 10), Fraction(7, 10)], [Fraction(1, 2)] * 2)


def test_a_role_takes_the_other_direction_away(tmp_path: Path) -> None:
    """The other inverter has all of it."""
    profile = loaded(tmp_path, CABIN, *more('role = "charges"'))
    assert fractions(profile) == ([Fraction(1, 2)] * 2, [Fraction(1), Fraction(0)])
    assert not profile.plan.inverters[1].discharges


@pytest.mark.parametrize(
    ("loft", "barn", "key", "text"),
    [
        ("charge_share = 0.7", "charge_share = 0.4", "inverter[2].charge_share", "the sum of all is 1.1"),
        ("charge_share = 1.0", "", "inverter[1].charge_share", "nothing: the stated shares add up to 1"),
        ("discharge_share = 0.0", "", "inverter[2].discharge_share", "0"),
        ("discharge_share = 1.5", "", "inverter[2].discharge_share", "1.5"),
        (
            'role = "charges"\ndischarge_share = 0.5',
            "",
            "inverter[2]",
            "discharge_share of an inverter whose",
        ),
        ('role = "loads"', "", "inverter[2].role", "loads"),
    ],
)
def test_impossible_shares_are_refused(tmp_path: Path, loft: str, barn: str, key: str, text: str) -> None:
    """With the key, what was found and what is allowed."""
    problems = refused(tmp_path, CABIN, *more(loft, barn))
    assert text in problems[key].found
    assert problems[key].allowed


def test_check_shows_the_parts_of_each(tmp_path: Path) -> None:
    """For people and for programs; and says what is given to nobody."""
    report = checked(tmp_path, CABIN, *more('role = "charges"\ncharge_share = 0.25', "charge_share = 0.5"))
    barn, loft = report.shares
    assert (barn.inverter, barn.charge_a, barn.charge_share, barn.discharge_share) == ("barn", 70.0, 0.5, 1.0)
    assert (loft.charge_a, loft.discharge_a, loft.discharge_share) == (35.0, None, None)
    assert json.loads(as_json(report))["shares"][1]["role"] == "charges"
    text = found(report, Severity.NOTE, "inverter[1].charge_share")
    assert "25.0% of charge_current_limit is given to nobody" in text


def test_one_inverter_with_all_of_it_has_no_parts(tmp_path: Path) -> None:
    """Then there is nothing to show."""
    assert checked(tmp_path, CABIN).shares == ()


def test_a_charger_needs_no_discharge_limit(tmp_path: Path) -> None:
    """Check does not ask for the signals of a direction that it does not go."""
    barn = ('draw_amps_most = "discharge_current_limit"\n', "")
    text = CABIN
    report = checked(tmp_path, text, *more("", 'role = "charges"', barn))
    said = [problem.found for problem in report.problems]
    assert "barn is never told discharge_current_limit" not in said
    assert "loft is never told discharge_current_limit" in said


def test_a_site_that_nobody_discharges_is_told(tmp_path: Path) -> None:
    """A role that was mistyped leaves the loads in the dark."""
    report = checked(tmp_path, CABIN, *more('role = "charges"', 'role = "charges"'))
    assert "none discharges" in found(report, Severity.WARN, "inverter")


TO_ALL = ('[[transmission]]\nbus = "cabin"\ninverter = "loft"\n', '[[transmission]]\nbus = "cabin"\n')


def test_a_message_for_all_carries_the_smallest_part(tmp_path: Path) -> None:
    """Check says so, and what is lost by it where shares differ."""
    report = checked(tmp_path, CABIN, *more("", "", TO_ALL))
    assert "the smallest part, 50.0%" in found(report, Severity.NOTE, "transmission[2]")
    report = checked(tmp_path, CABIN, *more("charge_share = 0.8", "", TO_ALL))
    text = found(report, Severity.WARN, "transmission[2]")
    assert "the smallest part, 20.0%, and 60.0% is left unused" in text


NEED = ('chemistry = "lfp"', 'chemistry = "lfp"\nshares = "by need"')


def test_by_need_asks_for_what_it_needs(tmp_path: Path) -> None:
    """The current of each, and a message for each."""
    report = checked(tmp_path, CABIN, *more("", "", TO_ALL, NEED))
    assert "barn reports no inverter_current" in found(report, Severity.FAIL, "inverter[1]")
    assert "is for all inverters" in found(report, Severity.FAIL, "transmission[2].inverter")
    assert report.verdict == "fail"


def test_by_need_with_one_inverter_means_nothing(tmp_path: Path) -> None:
    """And check says so."""
    report = checked(tmp_path, CABIN, NEED)
    assert "a single inverter" in found(report, Severity.WARN, "pack.shares")
