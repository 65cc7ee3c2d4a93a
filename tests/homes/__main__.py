"""Random homes under a law, row by row, beside an oracle; what is asked and missed is told at the end.

Run: python -m tests.homes [--rows TEXT,TEXT|all] [--law ours,plain] [--homes N] [--seed 1] [--jobs 2]
[--worst]

over: of the highest true cell over its target at any moment, mV: as it was, beyond what the oracle with the
same delays comes to, and without what a load that went did at that moment. charge, in % of the oracle's, half
an hour after that is full, from 60 % on. time: to 99 % of that. turns: changes of direction an hour of both
limits together, of at least 0.1 V or 0.02C. stall: longest time for which the limits let through less than
2 % of the most, while the highest cell lacks 20 mV and the source gives more. belief: hours in which a
limit that is heeded was believed to be ignored. called: s from the first time an ignored limit was to bind
until it was known. decodes: what a step of one bank's law takes, in messages decoded. `engine` is our law
inside the whole engine: some 20 homes a row are enough. Discharging: under, of the lowest true cell under
its floor; energy from 30 % down, in % of the oracle's. Exit status 1 if a law that is held to it (see
`asked`) misses anything.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Collection
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from tests.homes.asked import PLAIN, draw_misses, misses
from tests.homes.drain_laws import DRAW_LAWS
from tests.homes.drain_run import DrawFigures, DrawTrial, drawn_together
from tests.homes.kinds import DRAW_KINDS, KINDS, Kind
from tests.homes.laws import LAWS
from tests.homes.trial import Figures, Trial, together

PART: int = 50
"""Homes that one process takes at a time."""

HEADER = (
    f"{'row':24}{'law':8}{'over/beyond/own mV':>21}{'trips':>6}{'charge % med/p1':>17}{'time med/p95':>16}"
    f"{'turns/h mean/p99':>18}{'stall s max/n':>14}{'belief h':>10}{'called s':>9}{'decodes':>8}"
)

DRAW_HEADER = (
    f"{'discharge':24}{'law':8}{'under worst/med mV':>21}{'trips':>6}{'energy % med/p1':>17}{'':16}"
    f"{'turns/h mean/p99':>18}{'':14}{'belief h':>10}{'':9}{'decodes':>8}"
)

Job = tuple[str, tuple[str, ...], int, int, int]


def part(job: Job) -> tuple[str, dict[str, Figures]]:
    """Some homes of one row under all laws."""
    name, laws, homes, seed, number = job
    kind = next(kind for kind in KINDS if kind.name == name)
    trial = Trial(kind, homes, seed, number)
    return name, {law: trial.of(law) for law in laws}


def line(name: str, law: str, f: Figures) -> str:
    """One line of the table."""
    p = np.percentile
    over = f"{f.over_mv.max():.1f} / {f.beyond_mv.max():.1f} / {f.own_mv.max():.1f}"
    charge = f"{np.median(f.charge):.2f} / {p(f.charge, 1):.2f}"
    time = f"{np.median(f.time):.4f} / {p(f.time, 95, method='lower'):.4f}"
    turns = f"{f.turns.mean():.1f} / {p(f.turns, 99):.0f}"
    stall = f"{f.stall_s.max():.0f} / {(f.stall_s > 120).sum()}"
    known = f.called_s[~np.isnan(f.called_s)]
    called = f"{known.max():.0f}" if len(known) else ""
    return (
        f"{name:24}{law:8}{over:>21}{int(f.tripped.sum()):>6}{charge:>17}{time:>16}{turns:>18}{stall:>14}"
        f"{f.believed_h.sum():>10.2f}{called:>9}{f.step_us / f.decode_us:>8.1f}"
    )


def worst(f: Figures) -> str:
    """Where to look: the homes that are furthest from what is asked."""
    rows = {
        "over": f.beyond_mv - f.over_allowed_mv,
        "stall": f.stall_s,
        "little charge": -f.charge,
        "turns": f.turns,
        "belief": f.believed_h,
    }
    return "   worst homes: " + ", ".join(f"{what} {int(np.argmax(found))}" for what, found in rows.items())


def draw_line(name: str, law: str, f: DrawFigures) -> str:
    """The same of a discharge."""
    p = np.percentile
    under = f"{f.under_mv.max():.1f} / {p(f.under_mv, 50):.1f}"
    energy = f"{np.median(f.energy):.2f} / {p(f.energy, 1):.2f}"
    turns = f"{f.turns.mean():.1f} / {p(f.turns, 99):.0f}"
    return (
        f"{name:24}{law:8}{under:>21}{int(f.tripped.sum()):>6}{energy:>17}{'':16}{turns:>18}{'':14}"
        f"{f.believed_h.sum():>10.2f}{'':9}{f.step_us / f.decode_us:>8.1f}"
    )


def draw_part(job: Job) -> tuple[str, dict[str, DrawFigures]]:
    """Some homes of one row, discharged, under all laws and the guarded taper."""
    name, laws, homes, seed, number = job
    trial = DrawTrial(next(kind for kind in DRAW_KINDS if kind.name == name), homes, seed, number)
    return name, {law: trial.of(law) for law in (*laws, *({"taper"} - set(laws)))}


def charges(pool: ProcessPoolExecutor, jobs: list[Job], *, tell_worst: bool) -> list[str]:
    """The rows of charging; what is missed."""
    print(HEADER, flush=True)
    missed: list[str] = []
    rows: dict[str, list[dict[str, Figures]]] = {}
    count = Counter(name for name, *_ in jobs)
    for name, found in pool.map(part, jobs):
        row = rows.setdefault(name, [])
        row.append(found)
        for law in found if len(row) == count[name] else ():
            figures = together([one[law] for one in row])
            print(line(name, law, figures), flush=True)
            if tell_worst:
                print(worst(figures), flush=True)
            if law not in PLAIN:
                missed += [f"{name}, {law}: {miss}" for miss in misses(figures)]
    return missed


def drains(pool: ProcessPoolExecutor, jobs: list[Job]) -> list[str]:
    """The rows of discharging; what is missed."""
    print(DRAW_HEADER, flush=True)
    missed: list[str] = []
    rows: dict[str, list[dict[str, DrawFigures]]] = {}
    count = Counter(name for name, *_ in jobs)
    for name, found in pool.map(draw_part, jobs):
        row = rows.setdefault(name, [])
        row.append(found)
        if len(row) < count[name]:
            continue
        whole = {law: drawn_together([one[law] for one in row]) for law in found}
        for law, figures in whole.items():
            print(draw_line(name, law, figures), flush=True)
            if law not in PLAIN:
                missed += [f"discharge, {name}, {law}: {m}" for m in draw_misses(figures, whole["taper"])]
    return missed


def main() -> None:
    """Prints the table, row by row."""
    parser = argparse.ArgumentParser(prog="tests.homes", description=__doc__)
    parser.add_argument("--way", choices=("charge", "discharge", "both"), default="charge")
    parser.add_argument("--rows", default="all")
    parser.add_argument("--law", default="ours")
    parser.add_argument("--homes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--worst", action="store_true")
    given = parser.parse_args()
    laws = tuple(given.law.split(","))
    wanted = [""] if given.rows == "all" else given.rows.split(",")
    sizes = [min(PART, given.homes - at) for at in range(0, given.homes, PART)]

    def jobs(kinds: tuple[Kind, ...], known: Collection[str]) -> list[Job]:
        names = [kind.name for kind in kinds if any(text in kind.name for text in wanted)]
        mine = tuple(law for law in laws if law in known)
        return [(name, mine, size, given.seed, n) for name in names for n, size in enumerate(sizes)]

    missed: list[str] = []
    with ProcessPoolExecutor(given.jobs) as pool:
        if given.way != "discharge":
            missed += charges(pool, jobs(KINDS, {*LAWS, "engine"}), tell_worst=given.worst)
        if given.way != "charge":
            missed += drains(pool, jobs(DRAW_KINDS, DRAW_LAWS))
    if missed:
        sys.exit("Missed:\n" + "\n".join(missed))


if __name__ == "__main__":
    main()
