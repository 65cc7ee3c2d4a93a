"""Several inverters: each is told its part, and all of them together no more than the pack bears."""

from fractions import Fraction

import pytest

from bridge.core.engine import Due, Engine
from bridge.core.plan.plan import Inverter, Plan
from bridge.core.plan.shares import shared, shares_of
from bridge.core.wire.grid import Grid
from bridge.core.wire.outgoing import CounterItem, FlagItem, Item, QuantityItem, Transmission
from bridge.frames import Frame
from bridge.quantities import QUANTITIES
from tests.core.plans import BOUNDS, BUS, FLAGS, SECOND, TICK, Builder, bounds, seen_before, transmissions
from tests.core.rig import level, on_the_wire
from tests.core.share_sites import Life


def receiver(name: str, **more: object) -> Inverter:
    """An inverter that is never heard."""
    return Inverter(name, 10 * SECOND, None, zero_when_silent=False)._replace(**more)  # type: ignore[arg-type]


def plan(*inverters: Inverter, broadcast: bool = False) -> Plan:
    """Each has the four limits in a message of its own, on a bus of its own; or one message is for all."""
    base = Builder(parts=frozenset({"totals", "extremes", "permits"})).plan()
    one = bounds()
    own = tuple(
        one._replace(bus=who.name, phase_us=10_000 * n, inverter=who.name) for n, who in enumerate(inverters)
    )
    return base._replace(inverters=inverters, transmissions=(one,) if broadcast else own)


class Bench:
    """An engine at work, whose frames leave unless a bus is down."""

    def __init__(self, of: Plan) -> None:
        self.engine = Engine(of, 0, seen_before(of))
        self.pack = level()
        self.t_us = 0
        self.down: set[str] = set()
        self.told: dict[str, list[tuple[float, float]]] = {}

    def run(self, seconds: float) -> None:
        """Lets time pass."""
        until_us = self.t_us + round(seconds * SECOND)
        while self.t_us < until_us:
            for frame in (self.pack.totals(), self.pack.extremes(), self.pack.permits()):
                self.engine.receive(self.t_us, frame)
            self.t_us += TICK
            for due in self.engine.poll(self.t_us):
                self.leave(due)

    def leave(self, due: Due) -> None:
        """One frame leaves, or does not."""
        if due.frame.bus in self.down:
            self.engine.unsent(due)
        else:
            said = on_the_wire(due.frame)
            amps = float(said["charge_with"]), float(said["draw_with"])
            self.told.setdefault(due.frame.bus, []).append(amps)

    def warnings(self) -> list[str]:
        """What a person should look at now."""
        return list(self.engine.decision.warnings)

    def last(self, name: str) -> tuple[float, float]:
        """What one was told last: charge and discharge current."""
        return self.told[name][-1]


# ── shares ──────────────────────────────────────────────────────────────────────────────────────────────


def test_one_inverter_is_told_all() -> None:
    """Then nothing is shared out, and nothing is watched."""
    alone = (receiver("loft"),)
    assert shares_of(alone).fixed == ((shares_of(alone).whole,), (shares_of(alone).whole,))
    assert not shared(plan(*alone))
    assert not shared(Builder().plan())


def test_shares_that_are_not_stated_are_equal_parts_of_the_rest() -> None:
    """Among those that go that way."""
    whole, (charge, draw) = shares_of(
        (
            receiver("a", charge_share=Fraction(1, 2)),
            receiver("b"),
            receiver("c", discharges=False),
            receiver("d", charges=False, discharge_share=Fraction(7, 10)),
        )
    )
    assert [Fraction(part, whole) for part in charge] == [Fraction(1, 2), Fraction(1, 4), Fraction(1, 4), 0]
    assert [Fraction(part, whole) for part in draw] == [Fraction(3, 20), Fraction(3, 20), 0, Fraction(7, 10)]


def test_a_plan_that_gives_away_too_much_does_not_do_so() -> None:
    """Stated shares of more than the whole are scaled to it; of an open one nothing is left."""
    whole, (charge, _) = shares_of(
        (receiver("a", charge_share=Fraction(1)), receiver("b", charge_share=Fraction(1)), receiver("c"))
    )
    assert [Fraction(part, whole) for part in charge] == [Fraction(1, 2), Fraction(1, 2), 0]


def test_each_is_told_its_part_to_the_step() -> None:
    """Thirds of 60.3 A are 20.1 A each: no step is lost to binary fractions."""
    bench = Bench(plan(receiver("a"), receiver("b"), receiver("c")))
    bench.pack.charge_most_a, bench.pack.draw_most_a = 6.3, 60.3
    bench.run(20.0)
    assert [bench.last(name) for name in "abc"] == [(2.1, 20.1)] * 3
    assert bench.engine.decision.discharge_current.value == 60.3


def test_who_does_not_go_that_way_is_told_zero_and_gets_no_share() -> None:
    """A charger takes no part of the discharge limit."""
    bench = Bench(plan(receiver("a"), receiver("b", discharges=False, charge_share=Fraction(1, 4))))
    bench.pack.charge_most_a, bench.pack.draw_most_a = 8.0, 80.0
    bench.run(20.0)
    assert bench.last("a") == (6.0, 80.0)
    assert bench.last("b") == (2.0, 0.0)
    parts = {part.inverter: part for part in bench.engine.decision.parts}
    assert (parts["a"].charge_a, parts["a"].discharge_a) == (6.0, 80.0)
    assert (parts["b"].charge_a, parts["b"].discharge_a) == (2.0, None)


def test_what_all_hear_at_once_is_the_smallest_part() -> None:
    """Each of them acts on it."""
    bench = Bench(plan(receiver("a", charge_share=Fraction(3, 4)), receiver("b"), broadcast=True))
    bench.pack.charge_most_a, bench.pack.draw_most_a = 8.0, 80.0
    bench.run(20.0)
    assert bench.last(BUS) == (2.0, 40.0)


def test_a_message_of_limits_nobody_takes_says_zero() -> None:
    """Two chargers are told that nothing may be drawn."""
    both = receiver("a", discharges=False), receiver("b", discharges=False)
    bench = Bench(plan(*both, broadcast=True))
    bench.run(20.0)
    assert bench.last(BUS)[0] > 0.0
    assert bench.last(BUS)[1] == 0.0


def flags_of(name: str) -> Transmission:
    """Both permissions and the wish to be charged, for one inverter; and a message without any of it."""
    flags = ("charge_allowed", "discharge_allowed", "charge_requested")
    places = zip(FLAGS.fields, flags, strict=False)
    items: list[Item] = [FlagItem(place.name, flag, 1, 0) for place, flag in places]
    items.append(CounterItem("count", 256))
    return Transmission(f"Flags {name}", name, FLAGS, TICK, 30_000, (tuple(items),), name)


def test_a_permission_follows_the_own_part() -> None:
    """A charger is never allowed to discharge; and asks for charge only where it may."""
    of = plan(receiver("a"), receiver("b", charges=False))
    of = of._replace(transmissions=(*of.transmissions, flags_of("a"), flags_of("b")))
    bench = Bench(of)
    bench.pack.soc = 5.0
    said: dict[str, int] = {}
    for _ in range(200):
        for frame in bench.pack.all():
            if frame.key in (0x100, 0x101, 0x103):
                bench.engine.receive(bench.t_us, frame)
        bench.t_us += TICK
        for due in bench.engine.poll(bench.t_us):
            if due.frame.key == 0x202:
                said[due.frame.bus] = due.frame.data[0]
    assert said == {"a": 0b111, "b": 0b010}


# ── who cannot be reached ───────────────────────────────────────────────────────────────────────────────


def test_when_the_limit_falls_each_falls_with_it_and_nobody_dips() -> None:
    """At its own next frame; the others are no reason to go below the own part."""
    bench = Bench(plan(receiver("a"), receiver("b"), receiver("c")))
    bench.pack.draw_most_a = 90.0
    bench.run(20.0)
    bench.told.clear()
    bench.pack.draw_most_a = 45.0
    bench.run(2.0)
    for name in "abc":
        assert {draw for _, draw in bench.told[name]} <= {30.0, 15.0}
        assert bench.last(name)[1] == 15.0


def test_what_cannot_be_told_to_one_is_taken_from_the_others_until_its_time_out() -> None:
    """In proportion to their shares; and it is said. Then it has stopped, and they rise, slowly."""
    bench = Bench(plan(receiver("a"), receiver("b"), receiver("c", discharge_share=Fraction(1, 2))))
    bench.pack.draw_most_a = 80.0
    bench.run(20.0)
    assert [bench.last(name)[1] for name in "abc"] == [20.0, 20.0, 40.0]
    bench.down.add("c")
    bench.run(0.5)
    assert [bench.last(name)[1] for name in "ab"] == [20.0, 20.0]  # it has no more than its share
    assert bench.warnings() == []
    bench.pack.draw_most_a = 50.0
    bench.run(1.0)
    assert [bench.last(name)[1] for name in "ab"] == [5.0, 5.0]  # 50 A less 40 A
    assert [one.partition(":")[0] for one in bench.warnings()] == ["inverter c cannot be reached"]
    bench.run(7.5)
    assert [bench.last(name)[1] for name in "ab"] == [5.0, 5.0]
    bench.told.clear()
    bench.run(4.0)
    assert [bench.last(name)[1] for name in "ab"] == [12.5, 12.5]
    rises = [
        after[1] - before[1] for before, after in zip(bench.told["a"], bench.told["a"][1:], strict=False)
    ]
    assert max(rises) <= 12.0 * 2 * TICK / SECOND + 0.05
    assert bench.warnings() == []


def test_one_that_holds_more_than_there_is_leaves_nothing() -> None:
    """The others are told zero, not less."""
    bench = Bench(plan(receiver("a"), receiver("b")))
    bench.pack.draw_most_a = 80.0
    bench.run(20.0)
    bench.down.add("b")
    bench.pack.draw_most_a = 30.0
    bench.run(2.0)
    assert bench.last("a")[1] == 0.0
    bench.down.clear()
    bench.run(3.0)
    assert [bench.last(name)[1] for name in "ab"] == [15.0, 15.0]


def test_what_becomes_of_a_frame_counts_a_tick_later_whenever_it_is_told() -> None:
    """So that a replay, which learns it at another moment, gives the same frames."""
    frames: list[list[Due]] = []
    for at_once in (True, False):
        bench = Bench(plan(receiver("a"), receiver("b")))
        bench.pack.draw_most_a = 80.0
        bench.run(20.0)
        bench.pack.draw_most_a = 30.0
        sent: list[Due] = []
        for beat in range(20):
            for frame in (bench.pack.totals(), bench.pack.extremes(), bench.pack.permits()):
                bench.engine.receive(bench.t_us, frame)
            steps = (bench.t_us + TICK // 2, bench.t_us + TICK) if at_once else (bench.t_us + TICK,)
            for t_us in steps:
                for due in bench.engine.poll(t_us):
                    sent.append(due)
                    if due.frame.bus == "b" and beat % 3 == 0:
                        bench.engine.unsent(due)
            bench.t_us += TICK
        frames.append(sent)
    assert frames[0] == frames[1]


def test_a_frame_of_no_transmission_is_none_of_its_business() -> None:
    """Nothing comes of it."""
    bench = Bench(plan(receiver("a"), receiver("b")))
    bench.engine.unsent(Due(0, Frame("elsewhere", 0x7, b"")))
    Bench(plan(receiver("a"))).engine.unsent(Due(0, Frame("a", BOUNDS.key, b"")))
    bench.run(20.0)
    assert bench.last("a") == bench.last("b")
    assert bench.last("a")[1] == 60.0


def test_what_cannot_be_made_does_not_reach_anybody_either() -> None:
    """A frame that waits for a reading leaves its inverter with what it was told before."""
    of = plan(receiver("a"), receiver("b"))
    rounding = QUANTITIES["balancing"].rounding
    soc = QuantityItem("charge_to", "balancing", Grid(BOUNDS.field("charge_to"), rounding=rounding))
    waiting = of.transmissions[1]
    items = (soc, *waiting.pages[0][1:])
    of = of._replace(transmissions=(of.transmissions[0], waiting._replace(pages=(items,))))
    bench = Bench(of)
    for _ in range(80):
        for frame in (bench.pack.extremes(), bench.pack.permits()):
            bench.engine.receive(bench.t_us, frame)
        bench.t_us += TICK
        bench.engine.poll(bench.t_us)
    assert {note.kind for note in bench.engine.take_notes()} == {"waiting"}


# ── all at once, drawn at random ────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("seed", range(6))
def test_all_together_are_never_told_more_than_the_pack_bears(seed: int) -> None:
    """Random sites, lives and faults; by hand a million frames: `python -m tests.bench.bench_shares`."""
    life = Life(seed)
    life.run(30.0)
    assert life.wrong == []
    assert life.frames > 0


def test_one_that_was_away_twice_may_still_lack_what_it_missed_at_first() -> None:
    """In between it heard its other message, which kept it going; found by the random sites, at this seed."""
    life = Life(20054)
    life.run(95.0)
    assert life.wrong == []


def test_a_message_without_limits_is_the_same_for_all() -> None:
    """It says what the pack says, whatever the part of its receiver."""
    of = plan(receiver("a"), receiver("b"))
    shown = transmissions()[2]._replace(bus="a", inverter="a")
    bench = Bench(of._replace(transmissions=(*of.transmissions, shown)))
    said = []
    for _ in range(40):
        for frame in (bench.pack.totals(), bench.pack.extremes(), bench.pack.permits()):
            bench.engine.receive(bench.t_us, frame)
        bench.t_us += TICK
        said += [due.frame for due in bench.engine.poll(bench.t_us) if due.frame.key == shown.layout.key]
    assert on_the_wire(said[-1]) == {"level": 50, "soc": 50}
