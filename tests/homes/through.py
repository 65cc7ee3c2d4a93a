"""A law inside the whole engine: frames in, frames out, on the virtual clock.

What comes between the law and the wire is in it: plausibility, ages, the start-up, stages, ramps, deadbands,
default curves, rounding to the signal's grid.
"""

from collections.abc import Sequence
from typing import Final

from bridge.core.course.remembered import Kept
from bridge.core.plan.curve import Curve
from bridge.core.plan.plan import PackFacts, Plan
from bridge.core.plan.wishes import Stages
from bridge.profile.chemistry import CHEMISTRIES
from tests.core.layouts import walk
from tests.core.plans import BOUNDS, CHARGE, DRAW, SECOND, Builder, bounds, pack_limits
from tests.core.rig import Rig, Speaker
from tests.homes.laws import Answer, BankSeen, HomeFacts

TICK_US: Final = SECOND // 4
WARM_UP_S: Final = 40
FULL_V: Final = 3.50


class ThroughEngine:
    """One engine for one home; started some time before the charge, so that it follows."""

    def __init__(self, facts: HomeFacts) -> None:
        speakers = [Speaker([3.3] * facts.cells, number=number) for number in range(len(facts.banks_ah))]
        self._rig = Rig(plan(facts), *speakers, kept=Kept())
        self._came: list[list[float]] = [[-1.0] * facts.cells for _ in speakers]
        self._started = False

    def step(self, t_s: int, banks: Sequence[BankSeen], sent_v: float, sent_a: float) -> Answer:
        """One second, in ticks; the limits are those of the last frame."""
        del t_s, sent_v, sent_a
        rig = self._rig
        for _ in range(1 if self._started else WARM_UP_S):
            for number, bank in enumerate(banks):
                self._hear(number, bank, whole=not self._started)
            for _ in range(SECOND // TICK_US):
                rig.t_us += TICK_US
                rig.sent = rig.engine.poll(rig.t_us) or rig.sent
        self._started = True
        data = rig.sent[-1].frame.data
        volts, amps = (walk(BOUNDS.field(name), data) for name in ("charge_to", "charge_with"))
        told = " ".join(rig.warnings())
        return Answer(
            volts * 0.1,
            amps * 0.1,
            "charge current limit is passed by" in told,
            "charge voltage limit is passed by" in told,
        )

    def _hear(self, number: int, bank: BankSeen, *, whole: bool) -> None:
        """What one bank says; of its cells the pages on which something was measured anew."""
        speaker, came = self._rig.speakers[number], self._came[number]
        speaker.cells_v = bank.cells_v
        speaker.volts, speaker.amps = bank.pack_v, bank.current_a
        speaker.coldest_c = speaker.hottest_c = bank.coldest_c
        frames = speaker.all()
        pages = frames[2:-1]
        size = -(-len(came) // len(pages))
        for page, frame in enumerate(pages):
            cells = slice(page * size, (page + 1) * size)
            if not whole and bank.came_s[cells] == came[cells]:
                frames.remove(frame)
        self._came[number] = bank.came_s
        self._rig.hear(frames[:-1])


def plan(facts: HomeFacts) -> Plan:
    """The plan of a home, with the defaults of a profile."""
    cells, count = facts.cells, len(facts.banks_ah)
    whole_ah = sum(facts.banks_ah)
    limits = pack_limits(cells, count)._replace(
        charge_a=facts.most_a,
        charge_rise_a_per_s=facts.most_a / 20.0,
        current_deadband_a=facts.most_a / 100.0,
        rise_v_per_s=0.01 * cells,
    )
    made = Builder(
        cells=cells,
        banks=count,
        capacities_ah=facts.banks_ah,
        draw=DRAW._replace(max_a=whole_ah),
        limits=limits,
        transmissions=(bounds(SECOND),),
        max_age_us=30 * SECOND,
        tick_us=TICK_US,
    ).plan()
    charge = CHARGE._replace(
        by_cell=Curve(*zip(*CHEMISTRIES["lfp"].charge_by_highest_cell, strict=True)),
        by_coldest=Curve([0.0, 1.0], [0.0, 1.0]),
        facts=PackFacts(lag_s=facts.lag_s, delay_s=facts.delay_s),
    )
    banks = tuple(
        bank._replace(charge=charge._replace(max_a=facts.most_a * bank.capacity_ah / whole_ah))
        for bank in made.banks
    )
    return made._replace(banks=banks, stages=_stages(facts) if facts.usual else None)


def _stages(facts: HomeFacts) -> Stages:
    """Charged to the usual target, and held there."""
    return Stages(
        cells=facts.cells,
        target_v=FULL_V,
        within_v=0.02,
        hold_us=3600 * 24 * SECOND,
        tail_a=None,
        rest_v=facts.cells * 3.35,
        restart_soc=None,
        restart_low_v=None,
        restart_mean_v=3.30,
        usual_v=facts.target_v,
        full_every_us=None,
        balance_within_v=None,
        balance_us=SECOND,
        full_soc=False,
    )
