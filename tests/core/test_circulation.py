"""What joining two banks would drive, foreseen."""

import pytest

from bridge.core.pack.circulation import Circulation
from bridge.core.pack.state import Doubt, Reading, Trouble
from bridge.core.plan.plan import Plan
from tests.core.plans import SECOND, Builder
from tests.core.rig import Rig, level

NOTHING = Reading(*[None] * 14)


def plan_of(*resistances_ohm: float | None) -> Plan:
    """Banks of 16 cells and 100 Ah with these resistances."""
    plan = Builder(banks=len(resistances_ohm)).plan()
    banks = tuple(
        bank._replace(resistance_ohm=ohm) for bank, ohm in zip(plan.banks, resistances_ohm, strict=True)
    )
    return plan._replace(banks=banks)


def said(plan: Plan, *rows: tuple[float | None, float | None], seconds: float = 2.0) -> tuple[str, ...]:
    """The warnings after so long, of banks at (V, A)."""
    watch = Circulation(plan)
    readings = [NOTHING._replace(pack_v=volts, current_a=amps) for volts, amps in rows]
    watch.warnings(0, readings)
    return watch.warnings(round(seconds * SECOND), readings)


def test_two_banks_that_differ_are_told_with_what_would_flow() -> None:
    """0.8 V over 9 mΩ; the text is the one a person reads."""
    assert said(plan_of(0.004, 0.005), (53.2, 0.0), (52.4, 0.0)) == (
        "banks bank1 and bank2 differ by 0.8 V: joining them would drive about 89 A",
    )
    assert said(plan_of(0.0004, 0.0005), (53.2, 0.0), (52.4, 0.0)) == (
        "banks bank1 and bank2 differ by 0.8 V: joining them would drive about 890 A",
    )


def test_without_a_resistance_no_number_is_made_up() -> None:
    """And unless both are at rest, they must differ by more than any usual resistance explains."""
    for plan in (plan_of(None, 0.004), plan_of(0.004, None), plan_of(None, None)):
        assert said(plan, (53.2, 2.0), (52.4, -2.0)) == (
            "banks bank1 and bank2 differ by 0.8 V: joining them would drive a current that only cells and "
            "cables limit",
        )
        assert said(plan, (52.8, 2.0), (52.63, 0.0))
        assert said(plan, (52.8, 2.1), (52.63, 0.0)) == said(plan, (52.8, 0.0), (52.63, -2.1)) == ()
        assert said(plan, (53.2, 0.0), (53.05, 0.0)) == ()
        assert said(plan, (53.2, 20.0), (51.90, -5.0)) == ()
        assert said(plan, (53.2, 20.0), (51.60, -5.0))[0].startswith(
            "banks bank1 and bank2 differ by 1.6 V: "
        )


def test_a_difference_that_the_currents_explain_says_nothing() -> None:
    """Sensors may differ too; behind the resistances the one in use stands where it rests."""
    plan = plan_of(0.004, 0.004)
    assert said(plan, (52.8, 0.0), (52.64, 0.0)) == ()
    assert said(plan, (53.2, 100.0), (52.65, 0.0)) == ()
    assert said(plan, (53.2, 50.0), (52.65, -50.0)) == ()
    assert said(plan, (53.6, 100.0), (52.4, -50.0)) == (
        "banks bank1 and bank2 differ by 1.2 V: joining them would drive about 75 A",
    )
    assert said(plan, (53.6, 100.0), (52.4, 0.0)) == (
        "banks bank1 and bank2 differ by 1.2 V: joining them would drive about 100 A",
    )


@pytest.mark.parametrize("row", [(None, 0.0), (52.4, None)])
def test_nothing_is_said_of_what_is_not_known(row: tuple[float | None, float | None]) -> None:
    """A missing reading or a doubt, of either bank."""
    plan = plan_of(0.004, 0.004)
    assert said(plan, (53.2, 0.0), row) == said(plan, row, (53.2, 0.0)) == ()
    good = [NOTHING._replace(pack_v=volts, current_a=0.0) for volts in (53.2, 52.4)]
    odd = NOTHING._replace(pack_v=50.0, current_a=0.0, doubt=Doubt(Trouble.LATE, "x"))
    for readings in ([good[0], odd], [odd, good[1]]):
        watch = Circulation(plan)
        assert watch.warnings(0, readings) == watch.warnings(9 * SECOND, readings) == ()


def test_it_must_last_and_the_sentence_changes_only_with_a_real_change() -> None:
    """A moment's difference is how readings are taken; small drifts would fill a log."""
    plan = plan_of(0.004, 0.004)
    watch = Circulation(plan)

    def at(seconds: float, volts: float) -> list[str]:
        readings = [NOTHING._replace(pack_v=v, current_a=0.0) for v in (52.4, volts)]
        return [text.partition(" by ")[2] for text in watch.warnings(round(seconds * SECOND), readings)]

    assert at(0, 53.2) == at(0.9, 53.2) == []
    assert at(1, 53.2) == at(2, 53.1) == ["0.8 V: joining them would drive about 100 A"]
    assert at(3, 53.0) == at(2, 53.1)
    assert at(3, 52.9) == ["0.5 V: joining them would drive about 62 A"]
    assert at(4, 52.5) == at(5, 53.0) == at(5.9, 53.0) == []
    assert at(6, 53.0) == ["0.6 V: joining them would drive about 75 A"]
    assert at(7, 52.75) == ["0.4 V: joining them would drive about 44 A"]
    assert at(8, 52.60) == at(7, 52.75)


def test_every_pair_is_watched_and_one_bank_has_none() -> None:
    """Three banks, of which the third stands apart."""
    found = said(plan_of(0.004, 0.004, 0.004), (52.8, 0.0), (52.8, 0.0), (52.0, 0.0))
    pairs = [text.partition(" differ")[0] for text in found]
    assert pairs == ["banks bank1 and bank3", "banks bank2 and bank3"]
    assert said(plan_of(0.004), (52.8, 0.0)) == ()


def test_the_engine_warns() -> None:
    """Among its other warnings, for as long as it is so."""
    rig = Rig(Builder(banks=2).plan(), level(), level(cell_v=3.25, number=1))
    rig.run(3.0)
    assert rig.warnings() == (
        "banks bank1 and bank2 differ by 0.8 V: "
        "joining them would drive a current that only cells and cables limit",
    )
    rig.speakers[1].cells_v = [3.30] * 16
    rig.run(1.0)
    assert rig.warnings() == ()


def test_just_what_sensors_and_currents_explain_is_no_difference() -> None:
    """10 mV a cell, with a resistance stated or not."""
    for plan in (plan_of(None, None), plan_of(0.004, 0.004)):
        assert said(plan, (0.16, 0.0), (0.0, 0.0)) == ()
        assert len(said(plan, (0.17, 0.0), (0.0, 0.0))) == 1


def test_a_difference_that_was_gone_is_told_anew() -> None:
    """With its new number, however near to the old one."""
    watch = Circulation(plan_of(0.004, 0.005))
    told = []
    for second, volts in enumerate((53.2, 53.2, 53.2, 52.4, 53.3, 53.3, 53.3)):
        readings = [NOTHING._replace(pack_v=v, current_a=0.0) for v in (volts, 52.4)]
        told.append(watch.warnings(second * SECOND, readings))
    assert "differ by 0.8 V" in told[2][0]
    assert told[3] == ()
    assert "differ by 0.9 V" in told[6][0]
