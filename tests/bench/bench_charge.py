"""Charges simulated packs under several laws, beside an oracle that knows every true cell.

Run: python -m tests.bench.bench_charge [--packs N] [--scenario TEXT] [--law TEXT] [--start 0.6] [--jobs 2]

Overshoot is of the true highest cell over its target at any moment, to half an hour after the last pack's
oracle came to 0.02C. Charge is what was taken, against the oracle's, half an hour after the oracle came to
0.02C; time is that to 99 % of the oracle's charge. A reversal is a change of direction on the wire of at
least 0.1 V or 5.6 A; those of both limits are added up.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from tests.bench.charge_laws import LAWS
from tests.bench.charge_run import run
from tests.bench.charge_scenarios import SCENARIOS

HEADER = (
    f"{'scenario':26}{'law':8}{'over worst/p99 mV':>20}{'trips':>6}{'charge % med/p1':>18}"
    f"{'time med/p95':>16}{'turns/h mean/p99':>18}{'µs':>7}"
)


def line(job: tuple[str, str, int, float, int]) -> str:
    """One line of the table."""
    name, law, packs, start, seed = job
    scenario = next(s for s in SCENARIOS if s.name == name)
    o = run(scenario, LAWS[law], packs, start, seed)
    p = np.percentile
    over = f"{o.over_mv.max():.1f} / {p(o.over_mv, 99):.1f}"
    charge = f"{np.median(o.charge):.2f} / {p(o.charge, 1):.2f}"
    time = f"{np.median(o.time):.4f} / {p(o.time, 95, method='lower'):.4f}"
    turns = f"{o.reversals_per_hour.mean():.1f} / {p(o.reversals_per_hour, 99):.0f}"
    trips = int(o.tripped.sum())
    return f"{name:26}{law:8}{over:>20}{trips:>6}{charge:>18}{time:>16}{turns:>18}{o.step_us:>7.1f}"


def main() -> None:
    """Prints the table, line by line, as the figures come."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packs", type=int, default=200)
    parser.add_argument("--scenario", default="")
    parser.add_argument("--law", default="")
    parser.add_argument("--start", type=float, default=0.60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    jobs = [
        (scenario.name, law, given.packs, given.start, given.seed)
        for scenario in SCENARIOS
        for law in LAWS
        if given.scenario in scenario.name and given.law in law
    ]
    print(HEADER, flush=True)
    with ProcessPoolExecutor(given.jobs) as pool:
        for text in pool.map(line, jobs):
            print(text, flush=True)


if __name__ == "__main__":
    main()
