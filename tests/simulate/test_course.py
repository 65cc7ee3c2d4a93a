"""Stages and commissioning against simulated cells: a charge that ends, a pack brought to balance."""

import pytest

from bridge.core.course.course import Course, Now
from bridge.core.course.stage import Stage
from bridge.core.failsafe.machine import State
from bridge.core.limits.compose import Limits
from bridge.core.pack.sign import Signs
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Plan
from bridge.core.plan.wishes import Commissioning, Stages
from bridge.simulate.pack import Balancer, BankModel, Spread, drawn_bank
from tests.core.plans import SECOND, Builder

HOUR = 3600
STAGES = Stages(
    cells=16,
    target_v=3.50,
    within_v=0.02,
    hold_us=HOUR * SECOND,
    tail_a=5.6,
    rest_v=53.6,
    restart_soc=90.0,
    restart_low_v=None,
    restart_mean_v=None,
    usual_v=None,
    full_every_us=None,
    balance_within_v=0.015,
    balance_us=12 * HOUR * SECOND,
    full_soc=True,
)
COMMISSIONING = Commissioning(
    until_us=2000 * HOUR * SECOND,
    current_a=20.0,
    target_v=3.50,
    near_v=0.02,
    within_v=0.010,
    low_a=5.6,
    steady_us=600 * SECOND,
    tell_us=HOUR * SECOND,
    window=(20.0, 90.0),
)


class Site:
    """A pack of 280 Ah, the limits it is given, and a charger that obeys both."""

    def __init__(self, plan: Plan, bank: BankModel) -> None:
        self.course, self.limits, self.bank = Course(plan), Limits(plan), bank
        self.t_s = 0
        self.now = Now()
        self.highest_v = 0.0
        self.news: list[str] = []

    def reading(self) -> Reading:
        """What the cell monitor says."""
        bank = self.bank
        cells = list(bank.cell_voltages_v)
        soc = bank.state_of_charge
        return Reading(
            *(sum(cells), bank.current_a, soc, min(cells), max(cells), cells, 20.0, 20.0),
            *(1.0, 1.0, None, None, 0.0, None),
        )

    def run(self, seconds: int, source_a: float, *, until: Stage | None = None) -> None:
        """Lets time pass with so much to charge with (below zero: a load), or until a stage is reached."""
        step_s = 5
        for _ in range(seconds // step_s):
            self.t_s += step_s
            row, elapsed = [self.reading()], step_s * SECOND
            self.now = self.course.step(self.t_s * SECOND, elapsed, State.FOLLOWING, row, [True])
            volts, charge, *_ = self.limits.decide(
                self.t_s * SECOND,
                step_s,
                State.FOLLOWING,
                row,
                [True],
                (),
                inverter_silent=False,
                course=self.now,
            )
            by_voltage_a = (volts.value - self.bank.emf_v) / self.bank.resistance_ohm
            amps = min(source_a, charge.value, max(by_voltage_a, 0.0)) if source_a > 0.0 else source_a
            self.bank.step(amps, step_s)
            self.highest_v = max(self.highest_v, *self.bank.true_cell_voltages_v)
            self.news += [text for _, text in self.course.take_news()]
            if until is not None and self.now.stage is until:
                return


def plan_of(stages: Stages | None, commissioning: Commissioning | None) -> Plan:
    """280 Ah of cells."""
    plan = Builder(capacities_ah=(280.0, 0.0, 0.0)).plan()
    return plan._replace(stages=stages, commissioning=commissioning)


def test_a_charge_passes_through_all_stages_and_rests_until_it_is_needed_again() -> None:
    """Full sun, cells 0.6 % apart: absorption, some hours of balancing, rest; then a load and a new start."""
    site = Site(plan_of(STAGES, None), drawn_bank(5, 0.9, spread=Spread(0.01, 0.1, 0.003)))
    site.run(20 * HOUR, 100.0, until=Stage.RESTING)
    assert [text.partition(":")[0] for text in site.news] == ["absorption", "balancing", "resting"]
    assert site.news[-1].startswith("resting: cells within")
    assert site.now.most_soc == 100.0
    assert site.highest_v < 3.52
    site.run(HOUR, 100.0)
    cells = site.bank.true_cell_voltages_v
    assert sum(cells) < 53.61 or abs(site.bank.current_a) < 0.01
    site.run(2 * HOUR, -30.0)
    assert site.now.stage is Stage.BULK
    assert site.news[-1].startswith("bulk: state of charge")


def test_a_new_pack_is_brought_to_top_balance_and_the_end_comes_by_itself() -> None:
    """Cells 1.2 % of charge apart and balancers of 1.5 A: the gentle current, then hours at the target."""
    bank = drawn_bank(7, 0.93, spread=Spread(0.01, 0.1, 0.006), balancer=Balancer(bleed_a=1.5))
    site = Site(plan_of(None, COMMISSIONING), bank)
    for _ in range(40):
        site.run(HOUR, 100.0)
        assert site.bank.current_a <= 20.0
        if site.now.progress == "":
            break
    assert site.news[-1].startswith("top balance done: cells within")
    cells = site.bank.true_cell_voltages_v
    assert max(cells) - min(cells) < 0.012
    assert min(cells) > 3.46
    assert site.highest_v < 3.52
    assert 3 < len(site.news) < 40


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_sign_of_a_sensor_is_judged_right_by_simulated_cells(sign: float) -> None:
    """An hour of loads that come and go, in a sensor of 10 mV and 0.1 A steps."""
    bank = drawn_bank(3, 0.6)
    plan = plan_of(None, None)
    signs = Signs(plan.banks)
    verdicts = set()
    for second in range(1800):
        bank.step((40.0, -60.0, -5.0, 90.0)[second // 45 % 4], 1.0)
        row = Reading(round(bank.voltage_v, 2), sign * round(bank.current_a, 1), *[None] * 12)
        verdicts.add(signs.wrong(second * SECOND, [row]))
    assert verdicts == ({(False,), (True,)} if sign < 0.0 else {(False,)})
