"""The schema: what a key may hold, and that what was read can be written and read again."""

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from bridge.profile.reference import reference
from bridge.profile.schema import Profile
from bridge.profile.schema_limits import CellCurve, Curves, FailSafe, Options, ShownSoc
from bridge.profile.schema_signals import Reading, Transmission
from tests.profile.made import BOATHOUSE, CABIN, ROOT


def tuples(value: Any) -> Any:
    """Lists as tuples, as the loader hands them over."""
    if isinstance(value, dict):
        return {key: tuples(one) for key, one in value.items()}
    return tuple(tuples(one) for one in value) if isinstance(value, list) else value


@pytest.mark.parametrize("text", [CABIN, BOATHOUSE])
def test_a_profile_dumped_and_read_again_is_the_same(text: str) -> None:
    """Nothing is lost between the model and plain tables."""
    profile = Profile.model_validate(tuples(tomllib.loads(text)))

    assert Profile.model_validate(profile.model_dump(exclude_none=True)) == profile


@given(st.lists(st.tuples(st.floats(0.1, 5), st.floats(0, 1)), min_size=1, max_size=8))
def test_a_curve_is_read_back_as_it_was_given(points: list[tuple[float, float]]) -> None:
    """Sorted points with different positions make a curve through all of them."""
    by_position = dict(sorted(points))
    section = CellCurve.model_validate(
        {"cell_v": tuple(by_position), "share": tuple(by_position.values())},
    )

    assert {x: section.curve().at(x) for x in by_position} == by_position
    assert CellCurve.model_validate(section.model_dump()) == section


@pytest.mark.parametrize(
    "points",
    [
        {"cell_v": (3.4, 3.4), "share": (1.0, 0.0)},
        {"cell_v": (3.5, 3.4), "share": (1.0, 0.0)},
        {"cell_v": (3.4,), "share": (1.0, 0.0)},
        {"cell_v": (), "share": ()},
        {"cell_v": (3.4,), "share": (1.1,)},
        {"cell_v": (float("nan"),), "share": (1.0,)},
    ],
)
def test_points_that_are_no_curve_are_refused(points: dict[str, Any]) -> None:
    """Positions must rise, be as many as the shares, and all numbers must be in their range."""
    with pytest.raises(ValidationError):
        CellCurve.model_validate(points)


def test_a_curve_must_run_the_safe_way() -> None:
    """A share of charge that rises with the cell voltage is refused, and one that falls is taken."""
    falling = {"cell_v": (3.4, 3.5), "share": (1.0, 0.0)}
    rising = {"cell_v": (3.4, 3.5), "share": (0.0, 1.0)}

    Curves.model_validate({"charge_by_highest_cell": falling, "discharge_by_lowest_cell": rising})
    with pytest.raises(ValidationError, match="never rise"):
        Curves.model_validate({"charge_by_highest_cell": rising})
    with pytest.raises(ValidationError, match="never fall"):
        Curves.model_validate({"discharge_by_lowest_cell": falling})


def test_a_bare_text_stands_for_a_table() -> None:
    """`pack_voltage = "volts"` says the same as the table with that signal."""
    assert Reading.model_validate("volts") == Reading.model_validate({"signal": "volts"})


@pytest.mark.parametrize(
    "reading",
    [
        {},
        {"signal": "a", "signals": ("a",)},
        {"signal": "a", "scale": 0.0},
        {"signal": "a", "range": (2.0, 2.0)},
        {"signal": "a", "range": (3.0, 2.0)},
        {"signal": "a", "max_age_s": 0.0},
        {"signal": "a", "scale": "2"},
        {"signal": "a", "optional": 1},
    ],
)
def test_impossible_readings_are_refused(reading: dict[str, Any]) -> None:
    """No signal or two, a scale of 0, a range that is empty, texts for numbers."""
    with pytest.raises(ValidationError):
        Reading.model_validate(reading)


@pytest.mark.parametrize(
    "item",
    [
        {},
        {"quantity": "alarm", "constant": 1.0},
        {"checksum": {"algorithm": "crc8"}},
        {"checksum": {"algorithm": "sum8", "polynomial": 7}},
        {"checksum": {"algorithm": "crc16"}},
        {"text": "wörk"},
        {"quantity": "alarm", "scale": 0.0},
        {"counter": {"modulo": 1}},
    ],
)
def test_impossible_items_are_refused(item: dict[str, Any]) -> None:
    """A signal carries one thing, and that thing must make sense."""
    section = {"dbc": "a", "message": "b", "period_ms": 100, "signals": {"x": item}}
    with pytest.raises(ValidationError):
        Transmission.model_validate(section)


def test_a_shown_charge_is_a_window_or_a_value() -> None:
    """A window has a low and a high end, a value stands alone, and an end in time must be given."""
    until = tomllib.loads("t = 2026-12-01T12:00:00+01:00")["t"]

    assert ShownSoc(fixed_pct=8.0, until=until).window == (8.0, 8.0)
    assert ShownSoc(low_pct=25.0, until=until).window == (25.0, 100.0)
    assert ShownSoc(high_pct=90.0, until=until).window == (0.0, 90.0)
    for wrong in ({}, {"fixed_pct": 8.0, "low_pct": 1.0}, {"low_pct": 90.0, "high_pct": 25.0}):
        with pytest.raises(ValidationError):
            ShownSoc.model_validate({**wrong, "until": until})
    with pytest.raises(ValidationError):
        ShownSoc.model_validate({"fixed_pct": 8.0})


def test_an_end_needs_its_wish() -> None:
    """`inhibit_charge_until` alone would look like an inhibition and be none."""
    until = tomllib.loads("t = 2026-12-01T12:00:00Z")["t"]

    assert Options(inhibit_charge=True, inhibit_charge_until=until).inhibit_charge
    with pytest.raises(ValidationError, match="inhibit_charge"):
        Options(inhibit_charge_until=until)


def test_silence_may_never_come_but_a_hold_must_end() -> None:
    """`inf` is a word for never where never is safe, and nowhere else."""
    assert FailSafe(silent_after_s=float("inf")).silent_after_s == float("inf")
    with pytest.raises(ValidationError):
        FailSafe(hold_s=float("inf"))
    with pytest.raises(ValidationError):
        FailSafe(silent_after_s=float("nan"))


def test_the_reference_is_what_the_schema_says() -> None:
    """profiles/README.md is up to date: `python -m bridge.profile.reference > profiles/README.md`."""
    assert (ROOT / "profiles" / "README.md").read_text(encoding="utf-8") == reference()
