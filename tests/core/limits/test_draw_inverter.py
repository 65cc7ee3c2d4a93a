"""What is seen of the inverter while the pack is drawn from."""

from bridge.core.limits.draw_inverter import NEVER_A, Inverter
from bridge.core.limits.draw_settings import DrawSettings

LFP = DrawSettings(16, 280.0, 2.90, 3.05, 140.0)


class Loads:
    """An inverter behind loads, second by second."""

    def __init__(self, *, obeys: bool) -> None:
        self.seen = Inverter(LFP)
        self.obeys = obeys
        self.least_a = NEVER_A

    def run(self, load_a: float, seconds: int, limit_a: float = 140.0, *, binds: bool = False) -> Inverter:
        """So many seconds of one load under one limit of the law."""
        drawn_a = load_a
        for _ in range(seconds):
            sent_a = min(limit_a, self.seen.test_a)
            self.least_a = min(self.least_a, sent_a)
            if self.obeys:
                drawn_a += (min(load_a, sent_a) - drawn_a) * 0.4
            self.seen.look(drawn_a, sent_a, 1.0, 1.0, 2.0, binds=binds)
        return self.seen


def test_one_that_goes_where_it_is_told_obeys() -> None:
    """Twice, a minute apart; the limit goes below the load by less than 0.02C, and never again."""
    loads = Loads(obeys=True)
    assert not loads.run(60.0, 30).obeys
    assert loads.run(60.0, 120).obeys
    assert 54.0 < loads.least_a < 60.0
    assert loads.run(60.0, 600).test_a == NEVER_A


def test_one_that_draws_more_for_long_ignores() -> None:
    """Said of the test as of any limit; it is tested ever more seldom."""
    loads = Loads(obeys=False)
    seen = loads.run(60.0, 120)
    assert seen.ignores
    assert not seen.obeys
    tests = 0
    for _ in range(3600):
        before = seen.test_a
        loads.run(60.0, 1)
        tests += before == NEVER_A and seen.test_a < NEVER_A
    assert 2 <= tests <= 6


def test_one_that_obeyed_and_does_not_any_more_is_seen() -> None:
    """Once more flows than was allowed for longer than it may take."""
    loads = Loads(obeys=True)
    assert loads.run(60.0, 200).obeys
    loads.obeys = False
    assert not loads.run(60.0, 25, 40.0).ignores
    seen = loads.run(60.0, 20, 40.0)
    assert seen.ignores
    assert not seen.obeys


def test_a_load_that_goes_by_itself_proves_nothing() -> None:
    """Whether it goes in one step or sinks."""
    loads = Loads(obeys=False)
    loads.run(60.0, 6)
    assert loads.seen.test_a < 60.0
    for amps in range(60, 30, -1):
        loads.run(float(amps), 2)
    loads.run(30.0, 60)
    assert not loads.seen.obeys


def test_a_light_load_is_tested_only_where_the_limit_binds_anyway() -> None:
    """And one that is next to nothing never; what an inverter takes for itself is no disobedience."""
    loads = Loads(obeys=True)
    assert not loads.run(8.0, 300).obeys
    assert loads.run(8.0, 300, 100.0, binds=True).obeys
    idle = Loads(obeys=False)
    seen = idle.run(4.0, 300, 0.0, binds=True)
    assert not seen.ignores
    assert not seen.obeys


def test_leaving_ends_a_test() -> None:
    """And what was sent before does not count later."""
    loads = Loads(obeys=False)
    loads.run(60.0, 8)
    loads.seen.leave()
    assert loads.seen.test_a == NEVER_A
    loads.seen.look(60.0, 140.0, 1.0, 0.0, 2.0, binds=False)
    assert not loads.seen.ignores
