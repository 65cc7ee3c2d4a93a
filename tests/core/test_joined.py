"""A bank that says whether it is connected: apart it bounds nothing, and joining steps no limit up."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.bounds.banks import Shares
from bridge.core.failsafe.machine import State
from bridge.core.pack.circulation import Circulation
from bridge.core.pack.lost import LostBanks
from bridge.core.pack.state import Doubt, Trouble
from bridge.core.plan.plan import Plan
from bridge.core.plan.reasons import Reason
from tests.core.plans import OPTIONS, SECOND, Builder, pack_limits
from tests.core.rig import Rig, Speaker, level
from tests.core.test_circulation import NOTHING, plan_of
from tests.core.test_course import STAGES

PARTS = frozenset({"totals", "extremes", "cells", "switch"})
RATES = (0.16, 10.0, 12.0)
"""Of the charge voltage, V/s, and the two currents, A/s."""

DIFFER = "banks bank1 and bank2 differ by"


def plan(banks: int = 2, *, reduce: bool = False, **more: frozenset[str]) -> Plan:
    """Banks of 100 A and 100 Ah."""
    made = Builder(banks=banks, parts=PARTS, **more).plan()  # type: ignore[arg-type]
    return made._replace(options=OPTIONS._replace(reduce_on_lost_bank=reduce))


def bank(number: int, joined: int | None = 1, cell_v: float = 3.30) -> Speaker:
    """A bank at rest that says this of its switch."""
    speaker = level(cell_v=cell_v, number=number)
    speaker.joined = joined
    return speaker


def told(rig: Rig) -> list[str]:
    """News of banks since the last call."""
    return [f"{note.subject}: {note.text}" for note in rig.engine.take_notes() if note.kind == "told"]


def test_a_bank_that_is_apart_bounds_nothing() -> None:
    """It may be full, hot, forbid everything, and bleed: the limits are those with nothing amiss there."""
    made = plan()
    made = made._replace(options=made.options._replace(hold_while_balancing=True))
    rigs = [Rig(made, bank(0), bank(1, joined=0, cell_v=cell_v)) for cell_v in (3.30, 3.60)]
    away = rigs[1].speakers[1]
    away.may_charge, away.hottest_c, away.volts, away.bleeding = 0, 70.0, 57.6, 1
    for rig in rigs:
        rig.run(40.0, SECOND // 2)
        assert rig.state() is State.FOLLOWING
        assert told(rig) == ["bank bank2: not connected: it takes no share of the current"]
    assert rigs[0].limits() == rigs[1].limits()
    assert 0.0 < rigs[1].limits()[1] <= 100.0
    assert rigs[1].limits()[2] == 120.0
    values = rigs[1].engine.decision.values
    assert (values["pack_voltage"], values["cell_voltage_max"]) == pytest.approx((52.8, 3.3))
    assert (values["charge_permitted"], values["balancing"]) == (1.0, 0.0)


def test_only_its_switch_must_be_heard_of_a_bank_that_is_apart() -> None:
    """Its monitor may be off. With the switch unheard it could be connected: that is no state to trust."""
    for reduce in (False, True):
        rig = Rig(plan(reduce=reduce), bank(0), bank(1, joined=0))
        rig.run(10.0, SECOND // 2)
        silent = rig.speakers[1]
        rig.quiet = {1}
        for _ in range(20):
            rig.hear([frame for frame in silent.all() if frame.key == 0x114])
            rig.run(0.5, SECOND // 2)
        assert (rig.state(), rig.warnings()) == (State.FOLLOWING, ())
        rig.run(10.0, SECOND // 2)
        assert rig.state() is (State.FOLLOWING if reduce else State.SAFE)
        assert rig.warnings() == (("bank bank2 is lost",) if reduce else ())


@pytest.mark.slow
def test_leaving_takes_its_share_away_at_once_and_joining_gives_it_back_slowly() -> None:
    """240 A for two like banks; 120 A for one. What has joined may at first carry everything."""
    rig = Rig(plan(), bank(0), bank(1))
    for speaker in rig.speakers:
        speaker.amps = -60.0
    rig.run(40.0)
    assert rig.limits()[2] == 240.0
    rig.speakers[1].joined, rig.speakers[1].amps = 0, 0.0
    rig.run(0.2)
    assert rig.limits()[2] == 120.0
    rig.speakers[1].joined = 1
    rig.run(0.2)
    assert rig.limits()[2] == 120.0
    rig.speakers[0].amps, rig.speakers[1].amps = -20.0, -80.0
    rig.run(200.0, SECOND)
    assert rig.limits()[2] == pytest.approx(150.0, abs=1.0)
    assert told(rig) == [
        "bank bank2: not connected: it takes no share of the current",
        "bank bank2: joined to the others",
    ]


def test_with_no_bank_connected_nothing_may_flow() -> None:
    """At once, with the resting voltage; it is no fault, and it comes back by the ramps."""
    rig = Rig(plan(), bank(0), bank(1))
    rig.run(40.0, SECOND)
    for speaker in rig.speakers:
        speaker.joined = 0
    rig.run(1.0)
    volts, charge, draw, _ = rig.limits()
    assert (volts, charge, draw) == (53.6, 0.0, 0.0)
    assert rig.engine.decision.charge_current.binding.reason is Reason.APART
    assert (rig.state(), rig.engine.decision.values["pack_current"]) == (State.FOLLOWING, 0.0)
    rig.speakers[0].joined = 1
    rig.run(1.0)
    assert 0.0 < rig.limits()[1] <= 11.0


def test_a_lost_bank_that_is_the_only_one_connected_counts() -> None:
    """Whatever the policy: there is nothing else to go on with."""
    rig = Rig(plan(reduce=True), bank(0), bank(1, joined=0))
    rig.run(10.0, SECOND // 2)
    rig.quiet = {0}
    rig.run(10.0, SECOND // 2)
    assert rig.state() is State.SAFE


def test_stages_wait_while_no_bank_is_connected() -> None:
    """Nothing is seen then."""
    rig = Rig(plan()._replace(stages=STAGES), bank(0, cell_v=3.49), bank(1, cell_v=3.49))
    rig.run(10.0, SECOND // 2)
    assert rig.engine.decision.stage.startswith("absorption")
    for speaker in rig.speakers:
        speaker.joined = 0
    rig.run(100.0, SECOND // 2)
    assert rig.engine.decision.stage.startswith("absorption")


def test_a_new_share_is_reckoned_to_be_everything_until_its_current_says_less() -> None:
    """And only for a bank that was known to be apart."""
    shares = Shares(Builder(banks=2, capacities_ah=(100.0, 300.0)).plan().banks)
    on = [True, True]
    assert shares.update([0.0, 0.0], [True, False], 0.1, [False, True]) == [1.0, 1.0]
    assert shares.update([0.0, 0.0], on, 0.1, [False, False]) == [0.25, 1.0]
    for _ in range(3000):
        found = shares.update([30.0, 90.0], on, 0.1, [False, False])
    assert found == [pytest.approx(0.25), pytest.approx(0.75, abs=0.001)]
    shares.update([0.0, 0.0], [True, False], 0.1)
    assert shares.update([0.0, 0.0], on, 0.1) == found


def test_what_would_circulate_is_foreseen_before_a_bank_is_joined() -> None:
    """By what both would rest at: 0.4 V over 8 mΩ, whatever drop the charging current makes."""
    ohmic = plan_of(0.004, 0.004)
    away = NOTHING._replace(pack_v=52.8, current_a=0.0, connected=0.0)

    def foreseen(volts: float, amps: float) -> set[str]:
        here = NOTHING._replace(pack_v=volts, current_a=amps)
        texts = set()
        for pair in ([here, away], [away, here]):
            watch = Circulation(ohmic)
            watch.warnings(0, pair)
            texts |= {*watch.warnings(2 * SECOND, pair)}
        return texts

    assert foreseen(53.2, 0.0) == {f"{DIFFER} 0.4 V: joining them would drive about 50 A"}
    assert foreseen(53.6, 100.0) == {f"{DIFFER} 0.4 V: joining them would drive about 50 A"}
    assert foreseen(52.8, -100.0) == {f"{DIFFER} 0.4 V: joining them would drive about 50 A"}
    assert foreseen(53.2, 100.0) == set()
    assert foreseen(52.9, 0.0) == set()


def test_a_bank_known_to_be_apart_is_not_missed() -> None:
    """What it was lost for before is over; joined again, its hold time is counted anew."""
    made = plan(reduce=True)
    lost, hold_us = LostBanks(made), made.times.hold_us
    good, bad = NOTHING, NOTHING._replace(doubt=Doubt(Trouble.LATE, "x"))
    assert lost.active(0, [good, bad]) == [True, True]
    assert lost.active(hold_us, [good, bad]) == [True, False]
    assert lost.active(hold_us + 1, [good, bad._replace(connected=0.0)]) == [True, True]
    assert lost.active(hold_us + 2, [good, bad]) == [True, True]
    assert lost.active(2 * hold_us + 1, [good, bad]) == [True, True]
    assert lost.active(2 * hold_us + 2, [good, bad]) == [True, False]


moments = st.tuples(
    st.lists(st.sampled_from([0, 1]), min_size=3, max_size=3),
    st.lists(st.sampled_from([3.30, 3.42, 3.47, 3.49]), min_size=3, max_size=3),
    st.lists(st.sampled_from([-60.0, 0.0, 30.0, 80.0]), min_size=3, max_size=3),
    st.integers(1, 40),
)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.lists(moments, min_size=2, max_size=6), st.booleans())
def test_however_banks_come_and_go_the_limits_rise_by_their_ramps_alone(
    life: list[tuple[list[int], list[float], list[float], int]], reduce: bool
) -> None:
    """With any voltages and currents, of all banks or none."""
    rig = Rig(plan(3, reduce=reduce), *(bank(number) for number in range(3)))
    before = rig.limits()
    for joined, cells_v, amps, ticks in life:
        for speaker, on, cell_v, a in zip(rig.speakers, joined, cells_v, amps, strict=True):
            speaker.joined, speaker.cells_v, speaker.amps = on, [cell_v] * 16, a
        for _ in range(ticks):
            rig.run(0.5, SECOND // 2)
            now = rig.limits()
            for value, was, rate in zip(now[:3], before[:3], RATES, strict=True):
                assert value <= was + rate * 0.5 + 1e-5
            assert now[3] >= before[3] - 0.16 * 0.5 - 1e-6
            before = now


@pytest.mark.parametrize(("sign", "cell_v"), [(1, 3.43), (-1, 3.02)])
def test_a_bank_that_takes_more_than_its_share_passes_by_no_limit_that_the_whole_heeds(
    sign: int, cell_v: float
) -> None:
    """When the other tapers, or is charged by it; a limit is passed by when all together are beyond it."""
    limits = pack_limits(banks=2)._replace(charge_a=40.0, discharge_a=40.0)
    rig = Rig(Builder(banks=2, limits=limits).plan(), *(level(16, cell_v, number) for number in (0, 1)))

    def passed_by(one: float, other: float) -> bool:
        """In 10 s of these currents, never level for long enough to be tested."""
        for second in range(10):
            unsteady = sign * (1.0 - 0.05 * (second % 2))
            rig.speakers[0].amps, rig.speakers[1].amps = one * unsteady, other * unsteady
            rig.run(1.0, SECOND // 2)
        return any(
            "bank bank2: the" in text and "current limit is passed by" in text for text in rig.warnings()
        )

    for one, other in ((0.0, 0.0), (20.0, 20.0), (4.0, 36.0), (-20.0, 40.0), (-36.0, 36.0)):
        assert not passed_by(one, other)
    assert passed_by(6.0, 54.0)


@pytest.mark.parametrize(("amps", "believed"), [(1.0, True), (-1.0, True), (1.1, False), (-20.0, False)])
def test_a_bank_in_which_a_current_flows_is_not_apart_whatever_it_says(amps: float, believed: bool) -> None:
    """It counts at once, and is in doubt once that has lasted for longer than readings may contradict."""
    rig = Rig(plan(), bank(0), bank(1))
    rig.run(10.0, SECOND // 2)
    pack = rig.speakers[1]
    pack.joined, pack.amps, pack.cells_v = 0, amps, [3.52, *pack.cells_v[1:]]
    rig.run(0.5, SECOND // 2)
    reading = rig.engine._pack.read(rig.engine.plan.banks[1], rig.t_us)
    assert reading.apart is believed
    assert (rig.limits()[1] < 20.0) is not believed
    rig.run(2.0, SECOND // 2)
    assert rig.state() is (State.FOLLOWING if believed else State.HOLDING)
    assert rig.engine.decision.cause == (
        ""
        if believed
        else f"bank bank2, said not to be connected, but {amps:.1f} A flow: readings contradict each other"
    )


def test_its_last_current_counts_once_its_monitor_is_off() -> None:
    """Only the switch is heard: with 20 A before, it is not believed."""
    for amps in (0.0, 20.0):
        rig = Rig(plan(), bank(0), bank(1))
        rig.speakers[1].amps = amps
        rig.run(10.0, SECOND // 2)
        silent = rig.speakers[1]
        silent.joined, rig.quiet = 0, {1}
        for _ in range(10):
            rig.hear([frame for frame in silent.all() if frame.key == 0x114])
            rig.run(0.5, SECOND // 2)
        assert (rig.state() is State.FOLLOWING) is (amps == 0.0)


def test_a_bank_without_a_current_sensor_is_believed() -> None:
    """There is nothing to belie it."""
    whole = plan()
    banks = tuple(
        one._replace(slots={name: slot for name, slot in one.slots.items() if name != "pack_current"})
        for one in whole.banks
    )
    rig = Rig(whole._replace(banks=banks), bank(0), bank(1, joined=0))
    rig.speakers[1].amps = 50.0
    rig.run(10.0, SECOND // 2)
    assert rig.engine._pack.read(banks[1], rig.t_us).apart
