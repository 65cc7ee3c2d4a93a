"""Another profile with several inverters: nobody dips, and all together never have more than there is."""

from fractions import Fraction

from bridge.core.engine import Due
from bridge.core.plan.plan import Inverter, Plan
from bridge.core.succession import Succession
from tests.core.plans import FLAGS, SECOND, TICK, Builder, bounds, seen_before, transmissions
from tests.core.rig import level, on_the_wire


def receiver(name: str, share: Fraction | None = None, heartbeat: int | None = None) -> Inverter:
    """An inverter with a share of what may be drawn."""
    return Inverter(name, 10 * SECOND, heartbeat, zero_when_silent=False, discharge_share=share)


def plan(*inverters: Inverter, keys: str = "abc") -> Plan:
    """Each is told its limits on a bus of its own."""
    base = Builder(parts=frozenset({"totals", "extremes", "permits"})).plan()
    own = tuple(
        bounds()._replace(bus=key, phase_us=10_000 * n, inverter=who.name if len(inverters) > 1 else None)
        for n, (who, key) in enumerate(zip(inverters, keys, strict=False))
    )
    return base._replace(inverters=inverters, transmissions=own)


class Bench:
    """Two engines one after the other; what was told on each bus, over time."""

    def __init__(self, of: Plan) -> None:
        self.succession = Succession(of, 0, seen_before(of))
        self.pack = level()
        self.pack.draw_most_a = 80.0
        self.t_us = 0
        self.down: set[str] = set()
        self.last: dict[str, float] = {}
        self.told: dict[str, list[float]] = {}
        self.most_a = 0.0
        self.run(20.0)

    def run(self, seconds: float) -> None:
        """Lets time pass."""
        self.told, self.most_a = {}, 0.0
        until_us = self.t_us + round(seconds * SECOND)
        while self.t_us < until_us:
            for frame in (self.pack.totals(), self.pack.extremes(), self.pack.permits()):
                self.succession.receive(self.t_us, frame)
            self.t_us += TICK
            for due in self.succession.poll(self.t_us):
                self.leave(due)
            self.most_a = max(self.most_a, sum(self.last.values()))

    def leave(self, due: Due) -> None:
        """One frame leaves, or does not."""
        if due.frame.bus in self.down:
            self.succession.unsent(due)
            return
        if due.frame.key == FLAGS.key:
            return
        amps = float(on_the_wire(due.frame)["draw_with"])
        self.last[due.frame.bus] = amps
        self.told.setdefault(due.frame.bus, []).append(amps)

    def replace(self, of: Plan) -> None:
        """Another profile holds; its engine takes over some seconds later."""
        self.succession.replace(self.t_us, of, self.succession.kept)
        self.run(15.0)
        assert not self.succession.waits


def test_a_reload_that_leaves_the_shares_moves_nobody() -> None:
    """Not for one frame."""
    of = plan(receiver("a"), receiver("b"))
    flags = transmissions()[1]._replace(bus="a", inverter="a")
    of = of._replace(transmissions=(*of.transmissions, flags))
    bench = Bench(of)
    bench.replace(of._replace(times=of.times._replace(hold_us=2 * SECOND)))
    assert set(bench.told["a"]) == set(bench.told["b"]) == {40.0}


def test_shares_that_move_are_given_up_before_they_are_taken() -> None:
    """The sum stays within the limit at every frame."""
    bench = Bench(plan(receiver("a"), receiver("b")))
    bench.replace(plan(receiver("a", Fraction(4, 5)), receiver("b")))
    assert bench.last == {"a": 64.0, "b": 16.0}
    assert bench.most_a <= 80.0
    assert min(bench.told["a"]) == 40.0
    assert min(bench.told["b"]) == 16.0


def test_a_second_inverter_waits_until_the_first_has_given_up_its_part() -> None:
    """It was told nothing before; the first does not go below its half."""
    bench = Bench(plan(receiver("a")))
    assert bench.last == {"a": 80.0}
    bench.replace(plan(receiver("a"), receiver("b")))
    assert bench.last == {"a": 40.0, "b": 40.0}
    assert bench.most_a <= 80.0
    assert min(bench.told["a"]) == 40.0


def test_an_inverter_that_goes_leaves_its_part() -> None:
    """The other one rises to all of it, slowly."""
    bench = Bench(plan(receiver("a"), receiver("b")))
    bench.replace(plan(receiver("a"), receiver("c"), keys="ac"))
    assert (bench.last["a"], bench.last["c"]) == (40.0, 40.0)
    assert bench.last["b"] == 0.0


def test_who_was_out_of_reach_still_is() -> None:
    """What it may act on is still taken from the others, until its own time-out."""
    bench = Bench(plan(receiver("a"), receiver("b")))
    bench.down.add("b")
    bench.pack.draw_most_a = 60.0
    bench.run(3.0)
    assert bench.last == {"a": 20.0, "b": 40.0}
    of = plan(receiver("a"), receiver("b"))
    bench.succession.replace(
        bench.t_us, of._replace(times=of.times._replace(hold_us=2 * SECOND)), bench.succession.kept
    )
    bench.run(5.0)
    assert not bench.succession.waits
    assert set(bench.told["a"]) == {20.0}
    bench.run(15.0)
    assert bench.last == {"a": 30.0, "b": 40.0}


def test_from_shares_to_a_single_inverter() -> None:
    """Then there is nothing to share, and it rises as ever."""
    bench = Bench(plan(receiver("a"), receiver("b")))
    bench.replace(plan(receiver("a")))
    assert bench.last == {"a": 80.0, "b": 0.0}


def test_a_restart_that_goes_on_leaves_each_with_its_part() -> None:
    """Nobody is interrupted; where shares went by need nobody knows them, and all begin at zero."""
    of = plan(receiver("a"), receiver("b", Fraction(1, 4)))
    of = of._replace(times=of.times._replace(goes_on=True))
    for by_need in (False, True):
        bench = Bench(of._replace(by_need=by_need))
        going = bench.succession.going
        assert going is not None
        kept = bench.succession.kept._replace(going=going)
        bench.succession = Succession(of._replace(by_need=by_need), bench.t_us, kept)
        bench.run(5.0)
        least = 0.0 if by_need else 60.0
        assert (min(bench.told["a"]), min(bench.told["b"])) == (least, least / 3.0)
        assert bench.most_a <= 80.0
