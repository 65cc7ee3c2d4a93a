"""Bounds on the current of one bank."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.bounds.current import CurrentLaw, cut_offs
from bridge.core.course.remembered import Kept
from bridge.core.plan.curve import Curve
from bridge.core.plan.reasons import Contribution, Reason
from tests.core.plans import CHARGE, DRAW, Builder


def bounds(
    law: CurrentLaw,
    cell_v: float | None = 3.3,
    coldest_c: float | None = 20.0,
    hottest_c: float | None = 20.0,
    soc: float | None = None,
    permitted: float | None = None,
    permitted_a: float | None = None,
    whole: float = True,
) -> dict[Reason, float]:
    """Bounds by reason."""
    found = law.bounds(cell_v, coldest_c, hottest_c, soc, permitted, permitted_a, whole=bool(whole))
    assert {contribution.bank for contribution in found} == {"shelf"}
    return {contribution.reason: contribution.value for contribution in found}


def charging() -> CurrentLaw:
    """The law of a charging bank."""
    return CurrentLaw("shelf", CHARGE, charging=True)


@pytest.mark.parametrize(
    ("wanted", "reason", "value"),
    [
        ({}, Reason.CONFIGURED, 100.0),
        ({"cell_v": 3.48}, Reason.HIGHEST_CELL, 12.0),
        ({"coldest_c": 10.0}, Reason.COLDEST_CELL, 20.0),
        ({"hottest_c": 41.5}, Reason.HOTTEST_CELL, 50.0),
        ({"permitted": 0.0}, Reason.NOT_PERMITTED, 0.0),
        ({"permitted_a": 33.0}, Reason.PERMITTED_CURRENT, 33.0),
        ({"cell_v": 3.575}, Reason.CELL_CUT_OFF, 0.0),
        ({"coldest_c": 0.0}, Reason.TEMPERATURE_CUT_OFF, 0.0),
        ({"hottest_c": 45.0}, Reason.TEMPERATURE_CUT_OFF, 0.0),
    ],
    ids=str,
)
def test_each_bound_is_named(wanted: dict[str, float], reason: Reason, value: float) -> None:
    """Each cause gives its own contribution, and the tightest is the one the case is about."""
    found = bounds(charging(), **wanted)

    assert found[reason] == pytest.approx(value)
    assert min(found.values()) == pytest.approx(value)


def test_what_is_permitted_or_not_known_bounds_nothing() -> None:
    """Only what is known contributes; a permission given is no bound."""
    law = charging()

    assert set(bounds(law, None, None, None)) == {Reason.CONFIGURED}
    assert Reason.NOT_PERMITTED not in bounds(law, permitted=1.0)
    assert set(bounds(law, None, 5.0, None)) == {Reason.CONFIGURED, Reason.COLDEST_CELL}
    assert set(bounds(law, None, None, 5.0)) == {Reason.CONFIGURED, Reason.HOTTEST_CELL}


def test_state_of_charge_bounds_only_where_the_profile_has_a_curve() -> None:
    """Without a curve the state of charge says nothing."""
    with_curve = CurrentLaw("shelf", CHARGE._replace(by_soc=Curve([90, 100], [1, 0.1])), charging=True)

    assert Reason.STATE_OF_CHARGE not in bounds(charging(), soc=99.0)
    assert Reason.STATE_OF_CHARGE not in bounds(with_curve, soc=None)
    assert bounds(with_curve, soc=100.0)[Reason.STATE_OF_CHARGE] == pytest.approx(10.0)


def test_cut_offs_release_only_well_back() -> None:
    """Hysteresis of cell voltage and of both temperatures."""
    law = charging()
    for readings, reason in (
        ([{"cell_v": 3.58}, {"cell_v": 3.46}], Reason.CELL_CUT_OFF),
        ([{"coldest_c": -1.0}, {"coldest_c": 1.9}], Reason.TEMPERATURE_CUT_OFF),
        ([{"hottest_c": 46.0}, {"hottest_c": 43.1}], Reason.TEMPERATURE_CUT_OFF),
    ):
        assert all(bounds(law, **reading)[reason] == 0.0 for reading in readings)
        assert reason not in bounds(law)


def test_discharging_is_bound_by_the_lowest_cell() -> None:
    """The mirror image has its own reason."""
    law = CurrentLaw("shelf", DRAW, charging=False)

    assert bounds(law, cell_v=2.975)[Reason.LOWEST_CELL] == pytest.approx(60.0)
    assert bounds(law, cell_v=2.70)[Reason.CELL_CUT_OFF] == 0.0
    assert bounds(law, cell_v=2.99)[Reason.CELL_CUT_OFF] == 0.0
    assert Reason.CELL_CUT_OFF not in bounds(law, cell_v=3.0)


@given(st.floats(-50, 0), st.floats(-50, 120), st.floats(0.5, 5))
def test_never_charged_at_or_below_the_charging_temperature(cold: float, hot: float, cell_v: float) -> None:
    """Whatever else is known."""
    found: list[Contribution] = charging().bounds(cell_v, cold, hot, 50.0, 1.0, 500.0)
    assert min(contribution.value for contribution in found) == 0.0


@pytest.mark.parametrize(
    ("trip", "back", "reason"),
    [
        ({"cell_v": 3.58}, {"cell_v": 3.40}, Reason.CELL_CUT_OFF),
        ({"coldest_c": -1.0}, {"coldest_c": 22.0}, Reason.TEMPERATURE_CUT_OFF),
        ({"hottest_c": 46.0}, {"hottest_c": 20.0}, Reason.TEMPERATURE_CUT_OFF),
    ],
    ids=str,
)
def test_no_cut_off_is_released_by_what_is_left_of_the_readings(
    trip: dict[str, float], back: dict[str, float], reason: Reason
) -> None:
    """The one that tripped it may be the one that is missing; a trip needs no more than what is left."""
    law = charging()
    assert reason not in bounds(law, whole=False)
    assert reason in bounds(law, **trip, whole=False)
    assert reason in bounds(law, **back, whole=False)
    assert reason not in bounds(law, **back)


def test_what_tripped_is_named_and_can_be_tripped_again_by_name() -> None:
    """Each cut-off alone, and no others; a name of another bank's trips nothing here."""
    law = charging()
    assert law.tripped == frozenset()
    bounds(law, cell_v=3.58)
    assert law.tripped == {"shelf charge cell"}
    bounds(law, cell_v=3.58, coldest_c=-1.0)
    assert law.tripped == {"shelf charge cell", "shelf charge cold"}
    after = charging()
    after.trip(law.tripped | {"loft charge hot"})
    assert after.tripped == law.tripped
    assert bounds(after, cell_v=3.46)[Reason.CELL_CUT_OFF] == 0.0
    bounds(after)
    assert after.tripped == frozenset()


def test_a_cut_off_that_has_tripped_stays_so_while_its_reading_is_not_known() -> None:
    """As after a restart, before the cells are heard."""
    law = charging()
    law.trip({"shelf charge cell", "shelf charge cold"})

    for _ in range(2):
        unknown = bounds(law, None, None, None)
        assert unknown[Reason.CELL_CUT_OFF] == unknown[Reason.TEMPERATURE_CUT_OFF] == 0.0
    assert set(bounds(law)) == {
        *(Reason.CONFIGURED, Reason.HIGHEST_CELL, Reason.COLDEST_CELL, Reason.HOTTEST_CELL)
    }


@pytest.mark.parametrize(
    "gone", ["charge_permitted", "discharge_permitted", "cell_temperature", "cell_voltage"]
)
def test_a_cut_off_that_nothing_could_release_any_more_does_not_outlive_its_readings(gone: str) -> None:
    """A monitor that forbade, and is read no more by the new profile, must not forbid for ever."""
    whole = Builder().plan()
    (bank,) = whole.banks
    left = {name: slot for name, slot in bank.slots.items() if not name.startswith(gone)}
    cells = () if gone == "cell_voltage" else bank.cell_slots
    plan = whole._replace(banks=(bank._replace(slots=left, cell_slots=cells),))
    goes = {
        "charge_permitted": {"bank1 charge denied"},
        "discharge_permitted": {"bank1 discharge denied"},
        "cell_temperature": {
            f"bank1 {way} {what}" for way in ("charge", "discharge") for what in ("cold", "hot")
        },
        "cell_voltage": {"bank1 charge cell", "bank1 charge lost", "bank1 discharge cell"},
    }[gone]
    every = frozenset(cut_offs(bank))
    assert len(every) == 9
    assert Kept(tripped=every).of_another(plan).tripped == every - goes
    assert "bank1 charge hot" in cut_offs(bank._replace(slots=left, probe_slots=(0,), cell_slots=cells))
