"""The words for what several inverters are told, and report."""

from bridge.core.failsafe.machine import State
from bridge.core.plan.reasons import Contribution, Limit, Reason
from bridge.core.told.allot import Part
from bridge.core.told.decision import Decision
from bridge.core.told.reports import Report
from bridge.words import part_line, status_line

LIMIT = Limit(80.0, Contribution(Reason.PACK_CAP, 80.0, ""), ())
DECISION = Decision(0, State.FOLLOWING, "", LIMIT, LIMIT, LIMIT, LIMIT, {}, ())


def test_a_part_is_told_for_the_directions_an_inverter_goes() -> None:
    """In the words of the limits."""
    assert part_line(Part("hall", 60.0, 80.0)) == "hall: charge with 60.0 A, draw 80.0 A"
    assert part_line(Part("roof", 20.0, None)) == "roof: charge with 20.0 A"


def test_the_status_line_shows_parts_and_reports_where_there_are_any() -> None:
    """And is as before where there are none."""
    plain = status_line(DECISION)
    parts = DECISION._replace(parts=(Part("hall", 60.0, 80.0),))
    assert status_line(parts) == f"{plain} · hall: charge with 60.0 A, draw 80.0 A"
    report = Report("hall", {"inverter_voltage": 53.1, "inverter_current": -8.0, "inverter_fault": 0.0})
    assert status_line(DECISION._replace(reports=(report,))) == f"{plain} · hall reports 53.10 V, -8.0 A"
