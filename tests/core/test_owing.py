"""Silence begins only once every message has said zero: a bus that was down hears it at its return."""

import pytest

from bridge.core.engine import Due
from bridge.core.failsafe.machine import State
from bridge.core.failsafe.owing import Owing
from bridge.core.handover import hand_over
from bridge.core.plan.plan import Plan
from bridge.core.succession import Succession
from bridge.core.wire.outgoing import Transmission
from bridge.frames import Frame
from tests.core.plans import BOUNDS, BUS, FLAGS, SECOND, TICK, Builder
from tests.core.rig import Rig, level, on_the_wire


class Wire(Rig):
    """A rig whose frames may not leave.

    Attributes:
        down: none does.
    """

    down = False

    def run(self, seconds: float, every_us: int = TICK, *, without: tuple[str, ...] = ()) -> None:  # type: ignore[override]
        """Tick by tick; what does not leave is told before the next call."""
        for _ in range(round(seconds * SECOND / TICK)):
            before = len(self.sent)
            super().run(TICK / SECOND, every_us, without=without)
            if self.down:
                lost, self.sent = self.sent[before:], self.sent[:before]
                for due in lost:
                    self.engine.unsent(due)


def silent(*, down: bool, plan: Plan | None = None) -> Wire:
    """Followed, then lost, and silent by now; the bus was down from before that, or not."""
    wire = Wire(plan or Builder().plan(), level())
    wire.run(20.0)
    assert wire.state() is State.FOLLOWING
    wire.down = down
    wire.wait(20.0)
    assert wire.state() is State.SILENT
    wire.sent.clear()
    return wire


def test_what_was_told_before_is_not_told_again() -> None:
    """Zeros have left: silence is silence, also at a stop."""
    wire = silent(down=False)
    wire.wait(5.0)
    assert wire.sent == []
    assert not wire.engine.owed
    assert wire.engine.close(wire.t_us) == []


def test_a_bus_that_returns_is_told_zero_once() -> None:
    """Each message that carries limits, at its next slot; nothing else, and nothing after."""
    wire = silent(down=True)
    successor = Succession(wire.engine.plan, wire.t_us)
    successor._engine = wire.engine
    assert successor.owed == {(BUS, BOUNDS.key), (BUS, FLAGS.key)}
    assert not Succession(wire.engine.plan, wire.t_us).owed
    wire.down = False
    wire.wait(5.0)
    assert sorted(due.frame.key for due in wire.sent) == [BOUNDS.key, FLAGS.key]
    said = next(on_the_wire(due.frame) for due in wire.sent if due.frame.key == BOUNDS.key)
    assert said["charge_with"] == said["draw_with"] == 0
    assert not wire.engine.owed


def test_a_stop_says_what_is_owed() -> None:
    """The inverter would go on with the old limits until its own time-out."""
    wire = silent(down=True)
    last = wire.engine.close(wire.t_us)
    assert [due.frame.key for due in last] == [BOUNDS.key, FLAGS.key]
    assert on_the_wire(last[0].frame)["draw_with"] == 0


def test_a_pause_says_what_is_owed() -> None:
    """Slots that were missed are made up for once, as ever."""
    wire = silent(down=True)
    due = wire.engine.resume(wire.t_us + SECOND)
    assert [one.frame.key for one in due] == [BOUNDS.key, FLAGS.key]


@pytest.mark.parametrize("down", [True, False])
def test_a_message_that_another_profile_no_longer_sends_says_what_is_owed(down: bool) -> None:
    """Its last frame says zero, if none has."""
    wire = silent(down=down)
    plan = wire.engine.plan
    fewer = plan._replace(transmissions=tuple(t for t in plan.transmissions if t.layout.key == FLAGS.key))
    other = Rig(fewer, level(), start_us=wire.t_us)
    last = hand_over(wire.engine, other.engine, wire.t_us)
    assert [due.frame.key for due in last] == [BOUNDS.key] * down


def pages(count: int, plan: Plan) -> Transmission:
    """The limits on so many pages."""
    (limits,) = (t for t in plan.transmissions if t.layout.key == BOUNDS.key)
    return limits._replace(pages=limits.pages * count)


def test_every_page_is_to_leave_one_after_the_other() -> None:
    """A page that does not begins the round anew; messages without limits are never owed."""
    plan = Builder().plan()
    others = tuple(t for t in plan.transmissions if not t.carries_limits)
    owing = Owing(plan._replace(transmissions=(pages(2, plan), *others)))
    frame = Frame(plan.transmissions[0].bus, BOUNDS.key, b"")
    every = range(1 + len(others))
    assert owing.owed(every) == []
    for state in (State.FOLLOWING, State.HOLDING, State.SAFE):
        owing.look(state)
    assert owing.owed(every) == [0]
    owing.made(1)
    owing.made(0)
    owing.unsent(frame)
    owing.made(0)
    owing.look(State.SAFE)
    assert (owing.owed(every), owing.messages) == ([0], frozenset())
    owing.look(State.SILENT)
    assert owing.messages == {(frame.bus, BOUNDS.key)}
    owing.made(0)
    owing.unsent(Frame(frame.bus, FLAGS.key, b""))
    owing.unsent(Frame("elsewhere", BOUNDS.key, b""))
    assert (owing.owed(every), owing.messages) == ([], frozenset())


def test_a_slot_that_was_due_before_counts_as_one_that_did_not_leave() -> None:
    """Told late, it may be of either side: then zero is said once more."""
    wire = silent(down=False)
    wire.engine.unsent(Due(wire.t_us, Frame(wire.engine.plan.transmissions[0].bus, BOUNDS.key, b"")))
    wire.wait(2.0)
    assert [due.frame.key for due in wire.sent] == [BOUNDS.key]
