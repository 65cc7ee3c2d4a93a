"""Discharges simulated packs under several laws, beside an oracle that knows every true cell.

Run: python -m tests.bench.bench_draw [--packs N] [--scenario TEXT] [--law TEXT] [--start 0.3] [--jobs 2]

Undershoot is of the true lowest cell under its floor at any moment, negative where there is none. Energy is
what was delivered, against the oracle's, half an hour after the oracle first gave less than 0.02C and half of
the load. A reversal is a change of direction on the wire of at least 0.1 V or 0.02C; those of both limits are
added up. The processor time of a step is also told as a multiple of one `Message.decode` of cantools.

What our law is held to (see `asked`) and misses is told at the end; if there is any, the exit status is 1.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from time import process_time

import cantools
import numpy as np

from tests.bench.asked import draw_misses
from tests.bench.draw_laws import DRAW_LAWS
from tests.bench.draw_run import LONGEST_S, oracle, run_draw
from tests.bench.draw_scenarios import DRAW_SCENARIOS, draw_fleet

HEADER = (
    f"{'scenario':24}{'law':8}{'under worst/p99 mV':>20}{'trips':>6}{'energy % med/p1':>18}"
    f"{'turns/h mean/p99':>18}{'µs':>7}{'decodes':>9}"
)

DBC = """VERSION ""
BU_: A
BO_ 291 M: 8 A
 SG_ a : 0|16@1+ (0.01,0) [0|655.35] "V" A
 SG_ b : 16|16@1- (0.1,0) [-3276.8|3276.7] "A" A
 SG_ c : 32|16@1+ (0.001,0) [0|65.535] "V" A
 SG_ d : 48|16@1+ (0.001,0) [0|65.535] "V" A
"""


def decode_us() -> float:
    """What one decode of a message of four signals takes here and now, µs."""
    database = cantools.database.load_string(DBC, "dbc")
    assert isinstance(database, cantools.database.Database)
    message = database.get_message_by_name("M")
    data = bytes(range(8))
    best = 1e9
    for _ in range(5):
        began = process_time()
        for _ in range(1000):
            message.decode(data)
        best = min(best, (process_time() - began) * 1e3)
    return best


def lines(job: tuple[str, str, int, float, int]) -> tuple[list[str], list[str]]:
    """The lines of one scenario, and what ours misses of what is asked of it."""
    name, law, packs, start, seed = job
    scenario = next(s for s in DRAW_SCENARIOS if s.name == name)
    reference = oracle(draw_fleet(scenario, packs, start, LONGEST_S, seed), scenario)
    found: list[str] = []
    misses: list[str] = []
    for name_of, maker in DRAW_LAWS.items():
        if law in name_of:
            o = run_draw(scenario, maker, packs, start, seed, reference=reference)
            p = np.percentile
            under = f"{o.under_mv.max():.1f} / {p(o.under_mv, 99):.1f}"
            energy = f"{np.median(o.energy):.2f} / {p(o.energy, 1):.2f}"
            turns = f"{o.reversals_per_hour.mean():.1f} / {p(o.reversals_per_hour, 99):.0f}"
            one_us = decode_us()
            cost = f"{o.step_us:>7.1f}{o.step_us / one_us:>9.1f}"
            row = f"{name:24}{name_of:8}{under:>20}{int(o.tripped.sum()):>6}{energy:>18}{turns:>18}{cost}"
            found.append(row)
            if name_of == "ours":
                misses += [f"{name}: {miss}" for miss in draw_misses(scenario, o, one_us)]
    return found, misses


def main() -> None:
    """Prints the table, line by line, as the figures come."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packs", type=int, default=200)
    parser.add_argument("--scenario", default="")
    parser.add_argument("--law", default="")
    parser.add_argument("--start", type=float, default=0.30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    jobs = [
        (scenario.name, given.law, given.packs, given.start, given.seed)
        for scenario in DRAW_SCENARIOS
        if given.scenario in scenario.name
    ]
    print(HEADER, flush=True)
    with ProcessPoolExecutor(given.jobs) as pool:
        misses = []
        for rows, missed in pool.map(lines, jobs):
            print("\n".join(rows), flush=True)
            misses += missed
    if misses:
        sys.exit("Missed:\n" + "\n".join(misses))


if __name__ == "__main__":
    main()
