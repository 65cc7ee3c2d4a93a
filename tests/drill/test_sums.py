"""The rule that all inverters together are told no more than the pack bears."""

from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Inverter, Plan
from bridge.core.plan.reasons import Contribution, Limit, Reason
from bridge.core.told.decision import Decision
from bridge.drill.sums import Sums
from bridge.frames import Frame
from bridge.simulate.node import Seen
from tests.core.plans import SECOND, TICK, Builder, bounds

NAME = "discharge_current_limit"


def plan() -> Plan:
    """Two that discharge and one that does not; limits go out once a second."""
    inverters = (
        Inverter("a", 10 * SECOND, None, zero_when_silent=False),
        Inverter("b", 10 * SECOND, None, zero_when_silent=False),
        Inverter("c", 10 * SECOND, None, zero_when_silent=False, discharges=False),
    )
    return Builder().plan()._replace(inverters=inverters, transmissions=(bounds(SECOND),))


def decided(amps: float) -> Decision:
    """A decision that lets so much be drawn."""
    limit = Limit(amps, Contribution(Reason.CONFIGURED, amps, ""), ())
    return Decision(0, State.FOLLOWING, "", limit, limit, limit, limit, {}, ())


def told(sums: Sums, t_us: int, who: str, amps: float, bore: float | None) -> list[str]:
    """One is told a limit."""
    seen = Seen(t_us, Frame("x", 1, b""), "Bounds", {NAME: amps}, ())
    return sums.seen(who, seen, None if bore is None else decided(bore))


def test_parts_within_the_limit_are_right() -> None:
    """Also while it moves: a number holds until the next."""
    sums = Sums(plan())
    assert told(sums, 0, "a", 50.0, 100.0) == []
    assert told(sums, TICK, "b", 50.0, 100.0) == []
    assert told(sums, 2 * TICK, "a", 20.0, 40.0) == []
    assert told(sums, 3 * TICK, "b", 20.0, 40.0) == []


def test_all_of_it_to_each_is_wrong() -> None:
    """It says what was told, and what was decided."""
    sums = Sums(plan())
    assert told(sums, 0, "a", 100.0, 100.0) == []
    assert told(sums, TICK, "b", 100.0, 100.0) == ["all inverters were told: draw 200.0 A; decided: 100.0 A"]


def test_who_does_not_go_that_way_does_not_count() -> None:
    """A charger that is told a discharge limit draws nothing."""
    sums = Sums(plan())
    assert told(sums, 0, "a", 100.0, 100.0) == []
    assert told(sums, TICK, "c", 100.0, 100.0) == []


def test_a_number_that_was_not_renewed_is_another_matter() -> None:
    """A frame that did not leave breaks the set."""
    sums = Sums(plan())
    assert told(sums, 0, "a", 100.0, 100.0) == []
    assert told(sums, SECOND + TICK, "b", 40.0, 40.0) != []
    assert told(sums, SECOND + TICK + 1, "b", 40.0, 40.0) == []


def test_where_the_decision_is_not_known_the_configured_limit_counts() -> None:
    """As on a real bus."""
    sums = Sums(plan())
    assert told(sums, 0, "a", 60.0, None) == []
    assert told(sums, TICK, "b", 60.0, None) == []
    assert told(sums, 2 * TICK, "b", 61.0, None) != []
