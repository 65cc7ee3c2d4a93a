"""How old the cells are: by accepted frames that carry this bank's cells, and by nothing else."""

import random
from collections.abc import Callable
from typing import Any

import pytest

from bridge.core.charging.charge_law import ChargeLaw
from bridge.core.draw.draw_law import DrawLaw
from bridge.core.engine import Engine
from bridge.core.pack.state import Reading
from bridge.frames import Frame
from tests.core.plans import BEAT, BUS, SECOND, TICK, Builder, pages_of, seen_before
from tests.core.rig import Rig, Speaker, level

SLOW = Builder(cells=4, max_age_us=30 * SECOND)
BY_EXTREMES = Builder(cells=4, parts=frozenset({"totals", "extremes"}), max_age_us=30 * SECOND)


class Watch:
    """Whether the cells were new to each step of both laws, and how old they had become."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.steps: list[tuple[bool, float]] = []
        for law in (ChargeLaw, DrawLaw):
            monkeypatch.setattr(law, "step", self._listening(law.step))

    def _listening(self, step: Callable[..., object]) -> Callable[..., object]:
        def listen(*args: object, **more: Any) -> object:
            self.steps.append((more["fresh"], more["waited_s"]))
            return step(*args, **more)

        return listen


def reading(engine: Engine) -> Reading:
    """The first bank as it stands."""
    return engine._pack.read(engine.plan.banks[0], engine.latest_us)


def busy(speaker: Speaker) -> None:
    """Near a bound, so that no law idles."""
    speaker.cells_v = [3.46, 3.41, 3.40, 3.40]


@pytest.mark.parametrize(("builder", "slow"), [(SLOW, "cells"), (BY_EXTREMES, "extremes")])
def test_cells_every_ten_seconds_beside_a_fast_current_are_new_every_ten_seconds(
    builder: Builder, slow: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The current, a refused frame, the inverter's: none of them makes the cells new."""
    watch, pack = Watch(monkeypatch), level(4)
    busy(pack)
    plan = Builder(**{**vars(builder), "heartbeat": True}).plan()
    rig = Rig(plan, pack)
    for n in range(600):
        frames = [pack.totals(), Frame(BUS, BEAT.key, bytes([n % 250]))]
        pack.amps = 30.0 + n % 7
        if n % 100 == 0:
            frames += pack.all()
        spoilt = pack.totals()._replace(data=b"short")
        rig.hear([frame for frame in frames if slow == "cells" or frame.key != 0x102])
        if n % 30 == 7:
            rig.hear([spoilt])
        rig.t_us += TICK
        rig.engine.poll(rig.t_us)
    fresh = [waited_s for new, waited_s in watch.steps if new]
    assert len(watch.steps) > 40
    assert len(fresh) == 2 * 6
    assert fresh[4:] == pytest.approx([10.0] * 8, abs=0.11)


def test_the_oldest_cell_counts() -> None:
    """Two pages, each every 4 s, by turns: something is new every 2 s, and the oldest had stood for 4 s."""
    pack = level(6)
    plan = Builder(cells=6, max_age_us=9 * SECOND).plan()
    rig = Rig(plan, pack)
    seen: list[tuple[int, int | None]] = []
    for n in range(240):
        rig.hear([pack.totals(), pack.extremes()])
        if n % 20 == 0:
            rig.hear([pack.page(n // 20 % 2)])
        rig.t_us += TICK
        rig.engine.poll(rig.t_us)
        now = reading(rig.engine)
        if n > 80 and n % 20 == 0:
            assert now.cells_us is not None
            seen.append((rig.t_us - now.cells_us, now.cells_waited_us))
    assert seen == [(2 * SECOND + TICK, 4 * SECOND + TICK)] * len(seen)
    assert len(seen) == 7


def test_another_bank_makes_no_cells_new() -> None:
    """Each has its own stamp."""
    rig = Rig(Builder(cells=4, banks=2, max_age_us=9 * SECOND).plan(), level(4), level(4, number=1))
    rig.run(1.0)
    before = reading(rig.engine)
    rig.quiet = {0}
    rig.run(2.0)
    after = reading(rig.engine)
    assert (after.cells_us, after.facts) == (before.cells_us, before.facts)
    assert rig.engine._pack.read(rig.engine.plan.banks[1], rig.t_us).cells_us == rig.t_us - TICK


def test_a_refused_frame_leaves_the_stamp_where_it_was() -> None:
    """It carries cells, but none that is believed."""
    pack = level(3)
    rig = Rig(Builder(cells=3, max_age_us=9 * SECOND, parts=frozenset({"totals", "cells"})).plan(), pack)
    rig.run(1.0)
    before = reading(rig.engine).cells_us
    pack.cells_v = [9.0, 3.3, 3.3]
    pack.volts = 9.9
    rig.run(1.0)
    assert reading(rig.engine).cells_us == before


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_what_is_skipped_would_have_changed_nothing(seed: int) -> None:
    """Decisions are those of an engine that leaves nothing out, at any mixture of rates."""
    draw = random.Random(seed)
    pack = level(4)
    plan = Builder(cells=4, max_age_us=12 * SECOND).plan()
    lean, full = (Engine(plan, 5 * SECOND, seen_before(plan)) for _ in range(2))
    rates = [draw.choice([1, 2, 5, 11, 33, 90]) for _ in range(2 + pages_of(4))]
    t_us = 5 * SECOND
    for n in range(900):
        if n % draw.choice([40, 150]) == 0:
            top_v = draw.choice([3.3, 3.42, 3.46, 3.48, 2.95])
            pack.cells_v = [round(top_v - 0.01 * cell, 3) for cell in range(4)]
            pack.amps = draw.choice([0.0, 5.0, 60.0, -50.0])
        parts = [pack.totals(), pack.extremes(), *(pack.page(page) for page in range(pages_of(4)))]
        frames = [frame for frame, rate in zip(parts, rates, strict=True) if n % rate == 0]
        t_us += TICK
        for engine in (lean, full):
            engine._inputs = engine._inputs if engine is lean else None
            for frame in frames:
                engine.receive(t_us - TICK + 1, frame)
            engine.poll(t_us)
        assert lean.decision == full.decision
