"""The law inside the whole engine: frames in, frames out, on the virtual clock, one engine a pack.

What comes between the law and the wire is in it: plausibility, ages, the start-up, ramps, deadbands, the
default curves, rounding to the signal's grid. It takes some 15 s a pack, so only a few packs are run.
"""

import numpy as np

from bridge.core.course.remembered import Kept
from bridge.core.plan.curve import Curve
from bridge.profile.chemistry import CHEMISTRIES
from tests.bench.charge_fleet import Fleet
from tests.bench.charge_run import Seen
from tests.bench.charge_scenarios import CELLS, Scenario
from tests.bench.fleet import Array
from tests.core.layouts import walk
from tests.core.plans import BOUNDS, CHARGE, SECOND, Builder, bounds, pack_limits
from tests.core.rig import Rig, Speaker

TICK_US = SECOND // 4
WARM_UP_S = 40


class ThroughEngine:
    """One engine a pack; started some time before the charge, so that it follows."""

    def __init__(self, scenario: Scenario, fleet: Fleet) -> None:
        if scenario.no_current:
            raise ValueError("not through the engine: the hand-made message has a current")
        self._totals_only = scenario.totals_only
        self._fast_current = scenario.fast_current
        self._rigs = [
            self._rig(capacity_ah, most_a)
            for capacity_ah, most_a in zip(fleet.capacity_ah.tolist(), fleet.most_a.tolist(), strict=True)
        ]
        self._started = False

    def _rig(self, capacity_ah: float, most_a: float) -> Rig:
        curve = Curve(*zip(*CHEMISTRIES["lfp"].charge_by_highest_cell, strict=True))
        parts = {"totals", "extremes"} if self._totals_only else {"totals", "extremes", "cells"}
        plan = Builder(
            parts=frozenset(parts),
            charge=CHARGE._replace(max_a=most_a, by_cell=curve),
            limits=pack_limits()._replace(charge_a=most_a, charge_rise_a_per_s=most_a / 20.0),
            capacities_ah=(capacity_ah,),
            transmissions=(bounds(SECOND),),
            max_age_us=30 * SECOND,
            tick_us=TICK_US,
        ).plan()
        return Rig(plan, Speaker([3.3] * CELLS), kept=Kept())

    def step(self, seen: Seen, _sent_v: Array, _sent_a: Array) -> tuple[Array, Array]:
        """One second, in ticks; the limits are those of the last frame."""
        assert seen.current_a is not None
        out = []
        for i, rig in enumerate(self._rigs):
            speaker = rig.speakers[0]
            cells = seen.cells_v[i].tolist()
            if self._totals_only:
                speaker.low_v, speaker.high_v = cells
            else:
                speaker.cells_v = cells
            speaker.volts, speaker.amps = float(seen.pack_v[i]), float(seen.current_a[i])
            speaker.coldest_c = speaker.hottest_c = seen.temperature_c
            for n in range(1 if self._started else WARM_UP_S):
                # The current alone comes again in between: a message without cells.
                rig.hear(
                    speaker.all() if seen.fresh or n else [speaker.totals()] if self._fast_current else []
                )
                for _ in range(SECOND // TICK_US):
                    rig.t_us += TICK_US
                    rig.sent = rig.engine.poll(rig.t_us) or rig.sent
            data = rig.sent[-1].frame.data
            volts, amps = (walk(BOUNDS.field(name), data) for name in ("charge_to", "charge_with"))
            out.append((volts * 0.1, amps * 0.1))
        self._started = True
        found = np.array(out, float)
        return found[:, 0], found[:, 1]
