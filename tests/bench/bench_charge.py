"""Charges simulated packs under several laws, beside an oracle that knows every true cell.

Run: python -m tests.bench.bench_charge [--plant usual|other] [--packs N] [--scenario TEXT] [--law TEXT]
    [--start 0.6] [--seed 1] [--jobs 2] [--margin 2.0]

Overshoot is of the true highest cell over its target at any moment, to half an hour after the last pack's
oracle came to 0.02C; at 3.65 V an independent protection takes the pack off for good, which counts as a trip.
Charge is what was taken, against the oracle's, half an hour after the oracle came to 0.02C; time is that to
99 % of the oracle's charge. A reversal is a change of direction on the wire of at least 0.1 V or 0.02C; those
of both limits are added up. The last column is one step of the law against one decoded message, which is
measured in the same process. `--law engine` runs our law inside the whole engine (see `charge_engine`; a few
packs are enough), which takes all scenarios but the one without a current. `--law bound` shows what no law
can better that leaves its readings 2 mV below the target, since they may be so much too low; `--margin`
another number of mV. The two plants are described in `charge_fleet`.

What our law is held to (see `asked`) and misses is told at the end; if there is any, the exit status is 1.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from time import process_time

import cantools
import numpy as np
from cantools.database.can import Message

from tests.bench.asked import charge_misses
from tests.bench.charge_engine import ThroughEngine
from tests.bench.charge_fleet import PLANTS
from tests.bench.charge_laws import LAWS
from tests.bench.charge_run import Trial
from tests.bench.charge_scenarios import SCENARIOS

HEADER = (
    f"{'scenario':26}{'law':8}{'over worst/p99 mV':>20}{'trips':>6}{'charge % med/p1':>18}"
    f"{'time med/p95':>16}{'turns/h mean/p99':>18}{'µs':>7}{'x decode':>9}"
)

HELD = ("ours", "engine")

Job = tuple[str, str, int, float, int, str, float]


def lines(job: Job) -> tuple[str, list[str]]:
    """The lines of one scenario, and what ours misses of what is asked of it."""
    name, laws, packs, start, seed, plant, margin_v = job
    scenario = next(s for s in SCENARIOS if s.name == name)
    trial = Trial(scenario, packs, start, seed, plant)
    found: list[str] = []
    misses: list[str] = []
    p = np.percentile
    if laws == "bound":
        whole, when = trial.bound(margin_v)
        charge, time = f"{np.median(whole):.2f} / {p(whole, 1):.2f}", f"{np.median(when):.4f}"
        return f"{name:26}{laws:8}{'':>26}{charge:>18}{time + f' / {p(when, 95):.4f}':>16}", []
    makers = {"engine": ThroughEngine} if laws == "engine" else LAWS
    for law, maker in makers.items():
        if laws not in law:
            continue
        o = trial.charge(maker)
        over = f"{o.over_mv.max():.1f} / {p(o.over_mv, 99):.1f}"
        charge = f"{np.median(o.charge):.2f} / {p(o.charge, 1):.2f}"
        time = f"{np.median(o.time):.4f} / {p(o.time, 95, method='lower'):.4f}"
        turns = f"{o.reversals_per_hour.mean():.1f} / {p(o.reversals_per_hour, 99):.0f}"
        one_us = decode_us()
        trips, ratio = int(o.tripped.sum()), o.step_us / one_us
        if law in HELD:
            misses += [f"{name}: {miss}" for miss in charge_misses(scenario, o, one_us)]
        found.append(
            f"{name:26}{law:8}{over:>20}{trips:>6}{charge:>18}{time:>16}{turns:>18}{o.step_us:>7.1f}{ratio:>9.1f}"
        )
    return "\n".join(found), misses


def decode_us() -> float:
    """What decoding one message of eight signals of 8 bits costs, µs."""
    signals = [cantools.database.can.Signal(f"s{n}", 8 * n, 8) for n in range(8)]
    message = Message(1, "m", 8, signals)
    began = process_time()
    for _ in range(2000):
        message.decode(b"\x01\x02\x03\x04\x05\x06\x07\x08")
    return 1e6 * (process_time() - began) / 2000


def main() -> None:
    """Prints the table, scenario by scenario, as the figures come."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packs", type=int, default=200)
    parser.add_argument("--scenario", default="")
    parser.add_argument("--law", default="")
    parser.add_argument("--margin", type=float, default=2.0)
    parser.add_argument("--plant", choices=PLANTS, default=PLANTS[0])
    parser.add_argument("--start", type=float, default=0.60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    jobs: list[Job] = [
        (scenario.name, given.law, given.packs, given.start, given.seed, given.plant, 0.001 * given.margin)
        for scenario in SCENARIOS
        if given.scenario in scenario.name and not (given.law == "engine" and scenario.no_current)
    ]
    print(HEADER, flush=True)
    with ProcessPoolExecutor(given.jobs) as pool:
        misses = []
        for text, missed in pool.map(lines, jobs):
            print(text, flush=True)
            misses += missed
    if misses:
        sys.exit("Missed:\n" + "\n".join(misses))


if __name__ == "__main__":
    main()
