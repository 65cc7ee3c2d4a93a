"""Somebody else who sends what is ours: noticed, and answered as the profile says."""

import pytest

from bridge.core.failsafe.machine import State
from bridge.core.failsafe.rivals import GRACE_US, LONGEST_US, QUIET_US, Rivals
from bridge.core.plan.plan import OtherSender
from bridge.frames import EXTENDED, Frame
from tests.core.plans import BUS, SECOND, Builder, transmissions
from tests.core.rig import Rig

OURS = transmissions()[0].layout.key
THEIRS = Frame(BUS, OURS, bytes(8))


def rig(policy: OtherSender = OtherSender.ZERO) -> Rig:
    """A pack that is followed, under a policy."""
    times = Builder().times._replace(other_sender=policy)
    made = Rig(Builder(times=times).plan())
    made.run(60)
    assert made.state() is State.FOLLOWING
    assert min(made.limits()[1:3]) > 0.0
    return made


def test_currents_are_zero_at_the_next_tick_and_come_back_after_a_steady_stretch() -> None:
    """The default: our own frames say zero for as long as others come, and a while longer."""
    pack = rig()
    before = pack.limits()
    for _ in range(3):
        pack.hear([THEIRS])
        pack.run(0.2)
        assert pack.state() is State.SAFE
        assert pack.limits()[1:3] == (0.0, 0.0)
        assert pack.limits()[0] <= before[0]
        assert "somebody else sends what is ours to send" in pack.warnings()[-1]
        pack.run(0.8)
    pack.run(QUIET_US / SECOND - 1.2)
    assert pack.state() is State.SAFE
    pack.run(0.4)
    assert pack.state() is State.STARTING
    pack.run(pack.engine.plan.times.steady_us / SECOND + 0.2)
    assert pack.state() is State.FOLLOWING
    assert pack.warnings() == ()
    assert pack.limits()[1] < before[1]
    pack.run(60)
    assert pack.limits() == before


def test_a_warning_alone_where_the_profile_says_so() -> None:
    """Limits go on as they were."""
    pack = rig(OtherSender.WARN)
    before = pack.limits()
    pack.hear([THEIRS])
    pack.run(0.2)

    assert pack.state() is State.FOLLOWING
    assert pack.limits() == before
    assert pack.warnings() == (f"somebody else sends what is ours to send: {OURS:03X}, Bounds",)
    pack.run(QUIET_US / SECOND)
    assert pack.warnings() == ()


def test_silence_where_the_profile_says_so() -> None:
    """Nothing leaves while others send."""
    pack = rig(OtherSender.SILENT)
    pack.hear([THEIRS])
    pack.run(0.2)
    pack.sent.clear()
    pack.run(1.0)
    assert pack.state() is State.SILENT
    assert pack.sent == []

    pack.run(1.0)
    assert pack.state() is State.STARTING
    assert pack.sent


def test_a_pack_left_to_the_time_out_is_not_woken() -> None:
    """Silence after lost data goes on, whoever sends."""
    pack = rig()
    silent_us = pack.engine.plan.times.silent_us
    assert silent_us is not None
    pack.wait(20 + silent_us / SECOND)
    assert pack.state() is State.SILENT
    pack.hear([THEIRS])
    pack.wait(0.5)

    assert pack.state() is State.SILENT


def test_a_stop_says_zero_however_others_send() -> None:
    """An orderly end is one."""
    pack = rig()
    pack.hear([THEIRS])
    pack.run(0.2)

    assert pack.engine.close(pack.t_us)
    assert pack.limits()[1:3] == (0.0, 0.0)


def test_others_are_named_each_and_frames_that_are_not_ours_are_nothing() -> None:
    """By identifier and message; the identifier of ours on another bus is another's business."""
    rivals = Rivals(Builder().plan(), 0)
    second = transmissions()[1].layout.key
    for key, bus in ((OURS, "elsewhere"), (OURS | EXTENDED, BUS), (0x7FF, BUS)):
        rivals.hear(2 * GRACE_US, Frame(bus, key, b""))
    assert rivals.says(2 * GRACE_US) == ""
    rivals.hear(2 * GRACE_US, Frame(BUS, second, b""))
    rivals.hear(2 * GRACE_US, Frame(BUS, OURS, b""))
    names = sorted([f"{OURS:03X}, Bounds", f"{second:03X}, {transmissions()[1].name}"])
    assert rivals.says(2 * GRACE_US) == f"somebody else sends what is ours to send: {'; '.join(names)}"


def test_our_own_last_frames_are_not_taken_for_anothers() -> None:
    """Just after a start or a change of buses they may still be in a queue."""
    rivals = Rivals(Builder().plan(), 7)
    rivals.hear(6 + GRACE_US, THEIRS)
    assert rivals.says(6 + GRACE_US) == ""
    rivals.hear(7 + GRACE_US, THEIRS)
    assert rivals.says(7 + GRACE_US)
    rivals = Rivals(Builder().plan(), 0)
    rivals.began(50 * SECOND)
    rivals.hear(50 * SECOND + GRACE_US - 1, THEIRS)
    assert rivals.says(50 * SECOND + GRACE_US) == ""


@pytest.mark.parametrize(
    ("gap_s", "lasts_s"), [(0.1, 2.0), (1.0, 2.0), (5.0, 10.0), (30.0, 60.0), (55.0, 60.0)]
)
def test_one_who_seldom_sends_is_not_forgotten_in_between(gap_s: float, lasts_s: float) -> None:
    """The wait is some of his own gaps, up to a bound."""
    rivals = Rivals(Builder().plan(), 0)
    first = 2 * GRACE_US
    rivals.hear(first, THEIRS)
    last = first + round(gap_s * SECOND)
    rivals.says(last)
    rivals.hear(last, THEIRS)

    assert rivals.says(last + round(lasts_s * SECOND) - 1)
    assert rivals.says(last + round(lasts_s * SECOND)) == ""
    assert rivals.says(last + LONGEST_US) == ""
    rivals.hear(last + 2 * LONGEST_US, THEIRS)
    assert rivals.says(last + 2 * LONGEST_US + QUIET_US) == ""


def test_a_frame_of_ours_is_not_taken_as_a_reading() -> None:
    """`receive` says that it took nothing."""
    pack = rig()
    assert not pack.engine.receive(pack.t_us, THEIRS)
