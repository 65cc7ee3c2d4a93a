"""The sign of a current sensor, judged by what the voltage does."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.pack.sign import RUN, Signs, without
from bridge.core.pack.state import Doubt, Reading, Trouble
from tests.core.plans import SECOND, Builder
from tests.core.rig import Rig, level

BANK = Builder().plan().banks[0]
NOTHING = Reading(*[None] * 14)


def reading(amps: float | None, volts: float | None = 52.8) -> Reading:
    """A bank's current and voltage."""
    return NOTHING._replace(current_a=amps, pack_v=volts)


class Watch:
    """The watch of one bank."""

    def __init__(self) -> None:
        self.signs = Signs([BANK])

    def look(self, t_us: int, seen: Reading) -> bool:
        """Whether the sign is wrong, once this is seen."""
        return self.signs.wrong(t_us, [seen])[0]

    @property
    def votes(self) -> int:
        """Steps that agreed less those that did not."""
        return self.signs.watches[0].votes


class Sensor:
    """A bank of 4 mΩ, its sensor's sign, and a clock of tenths of a second."""

    def __init__(self, sign: float) -> None:
        self.watch = Watch()
        self.sign = sign
        self.t_us = 0

    def flow(self, amps: float, seconds: float = 8.0) -> bool:
        """A steady current for so long; returns whether the sign is taken to be wrong."""
        for _ in range(round(10 * seconds)):
            self.t_us += SECOND // 10
            wrong = self.watch.look(self.t_us, reading(self.sign * amps, 52.8 + 0.004 * amps))
        return wrong


def test_a_wrong_sign_is_found_by_a_run_of_steps_and_a_right_one_is_not() -> None:
    """Six steps of 40 A; each counts once, however long it stands."""
    right, wrong = Sensor(1.0), Sensor(-1.0)
    verdicts = []
    for step in range(8):
        amps = 40.0 * (step % 2)
        assert not right.flow(amps)
        verdicts.append(wrong.flow(amps))
    assert verdicts == [False] * RUN + [True] * 2
    assert (right.watch.votes, wrong.watch.votes) == (RUN, -RUN)


def test_a_sign_that_is_set_right_is_believed_again() -> None:
    """By as many steps the other way; meanwhile the verdict stays."""
    sensor = Sensor(-1.0)
    for step in range(9):
        sensor.flow(40.0 * (step % 2))
    sensor.sign = 1.0
    verdicts = [sensor.flow(40.0 * (step % 2)) for step in range(14)]
    # Where the sign turns, current and voltage step together by chance or not: that vote may be either.
    assert verdicts[:10] == [True] * 10
    assert not verdicts[-1]


def test_small_steps_say_nothing() -> None:
    """Neither of the current, nor of the voltage."""
    for amps, volts, votes in ((4.9, 0.1, 0), (40.0, 0.031, 0), (5.0, 0.033, -RUN)):
        watch = Watch()
        for second in range(400):
            up = second // 5 % 2
            watch.look(second * SECOND, reading(amps * up, 52.8 - volts * up))
        assert watch.votes == votes


def test_a_current_need_not_stand_quite_still_but_is_looked_at_once_a_second_only() -> None:
    """A sensor trembles; what happens within a second is not to be told apart."""
    watch, fast = Watch(), Watch()
    for second in range(400):
        up = second // 5 % 2
        watch.look(second * SECOND, reading(40.0 * up + 2.0 * (second % 2), 52.8 - 0.2 * up))
    for tick in range(400):
        up = tick // 4 % 2
        fast.look(tick * SECOND // 10, reading(40.0 * up, 52.8 - 0.2 * up))
    assert (watch.votes, fast.votes) == (-RUN, 0)


def test_what_is_unknown_or_long_ago_is_not_compared() -> None:
    """A gap, a doubt or a missing reading starts the comparison anew."""
    for gap in (
        [reading(None)],
        [reading(40.0, None)],
        [reading(0.0)._replace(doubt=Doubt(Trouble.LATE, "x"))],
        [],
    ):
        watch, t_us = Watch(), 0
        for step in range(30):
            for _ in range(5):
                t_us += SECOND
                watch.look(t_us, reading(40.0 * (step % 2), 52.8 - 0.2 * (step % 2)))
            for odd in gap:
                t_us += SECOND
                watch.look(t_us, odd)
            t_us += 0 if gap else 2 * SECOND
        assert watch.votes == 0


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([-80.0, 0.0, 30.0, 90.0]), st.integers(4, 60)), max_size=40),
    st.integers(0, 9),
)
def test_a_right_sign_is_never_called_wrong_however_late_the_voltage_is_told(
    flows: list[tuple[float, int]], late: int
) -> None:
    """Currents that stand for longer than the voltage is late, and up to 0.9 s of lateness."""
    watch, t_us, volts = Watch(), 0, [52.8] * 10
    for amps, seconds in flows:
        for _ in range(10 * seconds):
            t_us += SECOND // 10
            volts = [52.8 + 0.004 * amps, *volts[:9]]
            assert not watch.look(t_us, reading(amps, volts[late]))
    assert watch.votes >= 0


@pytest.mark.parametrize("half_s", [1.0, 1.5, 2.0, 3.1])
def test_a_cycling_load_told_late_is_not_taken_for_a_wrong_sign(half_s: float) -> None:
    """The voltage 0.9 s behind: seen once a second, it would often step against the current."""
    watch = Watch()

    def amps(t_us: int) -> float:
        return 60.0 * (t_us // round(half_s * SECOND) % 2)

    for tick in range(10, 6000):
        t_us = tick * SECOND // 10
        assert not watch.look(t_us, reading(amps(t_us), 52.8 + 0.004 * amps(t_us - 9 * SECOND // 10)))


@pytest.mark.slow
def test_the_engine_warns_and_the_limits_do_without_that_current() -> None:
    """A clear sentence, naming the bank; the current is still shown as it is reported."""
    rig = Rig(Builder(banks=2, cells=4).plan(), level(4), level(4, number=1))
    rig.run(10.0)
    one, other = rig.speakers
    for step in range(8):
        one.amps, other.amps = 40.0 * (step % 2), -40.0 * (step % 2)
        one.volts = other.volts = 13.2 + 0.1 * (step % 2)
        rig.run(8.0)
    assert rig.warnings()[0] == (
        "bank bank2: its voltage falls when the current it reports rises: "
        "the sign of pack_current looks wrong (a negative scale in the profile turns it round)"
    )
    assert rig.engine.decision.values["warning"] == 1.0
    assert rig.limits()[1] == 100.0  # until then, one seemed to be charged by the other
    other.amps = -400.0
    rig.run(60.0)
    assert rig.engine.decision.values["pack_current"] == -360.0
    assert rig.limits()[1] == 100.0


def test_a_wrong_current_counts_as_not_known() -> None:
    """That of the other banks stands."""
    readings = [reading(5.0), reading(6.0)]
    signs = Signs(Builder(banks=2).plan().banks)
    assert without(readings, (False, False)) is readings
    assert without(readings, (False, True)) == [reading(5.0), reading(None)]
    assert signs.warnings((False, False)) == []


def votes_after(*rows: tuple[float, float], every_us: int = SECOND) -> int:
    """The votes after looks at (A, V)."""
    watch = Watch()
    for number, (amps, volts) in enumerate(rows):
        watch.look(number * every_us, reading(amps, volts))
    return watch.votes


LOW, HIGH = (0.0, 0.0), (40.0, 0.2)


def test_a_step_counts_once_between_three_steady_looks_and_three_more() -> None:
    """Looks at most two seconds apart and not less than one; what came before them does not matter."""
    low, high = (LOW,) * 3, (HIGH,) * 3
    assert votes_after(*low, HIGH, HIGH) == votes_after(LOW, LOW, *high) == 0
    assert votes_after(*low, *high) == 1
    assert votes_after(HIGH, *low, *high) == 1
    assert votes_after(*low, *high, HIGH, *low) == 1
    assert votes_after(*low, *high, HIGH, HIGH, *low) == 2
    assert votes_after(*low, *high, every_us=2 * SECOND) == 1
    assert votes_after(*low, *high, every_us=2 * SECOND + 1) == 0
    assert votes_after(*low, *high, every_us=SECOND - 1) == 0


def test_just_enough_of_a_step_counts_and_an_unsteady_one_does_not() -> None:
    """2 mV a cell; at most half a step's worth of trembling, before and after."""
    low, high = (LOW,) * 3, (HIGH,) * 3
    assert votes_after(*low, *[(40.0, 0.032)] * 3) == 1
    assert votes_after((2.5, 0.0), LOW, LOW, *high) == votes_after(LOW, (2.5, 0.0), LOW, *high) == 1
    assert votes_after((3.0, 0.0), LOW, LOW, *high) == votes_after(LOW, (3.0, 0.0), LOW, *high) == 0
    assert votes_after(*low, HIGH, HIGH, (43.0, 0.2)) == 0


def test_the_last_look_of_each_is_compared() -> None:
    """5 A and 32 mV are a step; what trembles counts against the last one."""
    low, high = (LOW,) * 3, ((5.0, 0.2),) * 3
    assert votes_after(*low, (4.9, 0.2), (4.9, 0.2), (5.0, 0.2)) == 1
    assert votes_after(*low, (5.0, 0.2), (5.0, 0.2), (4.9, 0.2)) == 0
    assert votes_after((0.1, 0.0), (0.1, 0.0), LOW, *high) == 1
    assert votes_after(LOW, LOW, (0.1, 0.0), *high) == 0
    assert votes_after(*low, (5.0, 0.031), (5.0, 0.031), (5.0, 0.032)) == 1
    assert votes_after(*low, (5.0, 0.032), (5.0, 0.032), (5.0, 0.031)) == 0
    assert votes_after((0.0, 0.001), (0.0, 0.001), LOW, *[(5.0, 0.032)] * 3) == 1
    assert votes_after(LOW, LOW, (0.0, 0.001), *[(5.0, 0.032)] * 3) == 0
    assert votes_after((2.6, 0.0), (1.3, 0.0), LOW, *[HIGH] * 3) == 0
    assert votes_after((1.3, 0.0), (2.6, 0.0), LOW, *[HIGH] * 3) == 0


def test_a_voltage_that_moves_while_the_current_stands_does_not_count() -> None:
    """In the last two looks before and after, by more than half of its step; one look late it may be."""
    low, high = (LOW,) * 3, (HIGH,) * 3
    late, moved, still = (40.0, 0.0), (40.0, 0.09), (40.0, 0.1)
    assert votes_after(*low, late, HIGH, HIGH) == 1
    assert votes_after(*low, HIGH, moved, HIGH) == 0
    assert votes_after(*low, HIGH, still, HIGH) == 1
    assert votes_after((0.0, 0.2), LOW, LOW, *high) == 1
    assert votes_after(LOW, (0.0, 0.11), LOW, *high) == 0


@pytest.mark.parametrize("half_s", [1.0, 1.5, 2.0, 3.0, 6.0])
@pytest.mark.parametrize("late_s", [0.0, 0.5, 1.0])
def test_a_current_that_is_a_mean_over_a_second_beside_a_cycling_load(half_s: float, late_s: float) -> None:
    """Each told once a second, the voltage as it is or up to a second late: no wrong sign."""
    watch = Watch()

    def amps(t_s: float) -> float:
        return -60.0 * (int(t_s / half_s) % 2)

    for second in range(10, 250):
        mean_a = sum(amps(second - fifth / 5) for fifth in range(1, 6)) / 5
        assert not watch.look(second * SECOND, reading(mean_a, 52.8 + 0.004 * amps(second - late_s)))


def test_a_wrong_sign_stays_wrong_while_nothing_is_known() -> None:
    """A missing reading clears no verdict."""
    sensor = Sensor(-1.0)
    for step in range(8):
        sensor.flow(40.0 * (step % 2))
    assert sensor.watch.look(sensor.t_us + SECOND, NOTHING) is True
