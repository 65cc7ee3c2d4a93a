"""How long a simulated day takes, and what the oracle adds.

Run: python -m tests.bench.bench_simulate
Prints seconds of processor time for a day, measured over an hour of the night and one of a full noon, and as
a multiple of a fixed piece of arithmetic, timed in the same run: the machine may be slow today.
"""

from pathlib import Path
from time import process_time

from bridge.profile.load import load_profile
from bridge.simulate.day import Setup
from bridge.simulate.oracle import run_oracle
from bridge.simulate.packs import PackWish
from bridge.simulate.simulate import simulate

PROFILES = Path(__file__).parents[2] / "profiles"
NIGHT = Setup(hours=1.0, start_s=0.0, pack=PackWish(charge=0.5))
NOON = Setup(hours=1.0, start_s=12.5 * 3600.0, pack=PackWish(charge=0.93))


def arithmetic_s() -> float:
    """Ten million multiplications and additions."""
    began, total = process_time(), 0
    for n in range(10_000_000):
        total += n * n
    return process_time() - began


def main() -> None:
    """Measures and prints."""
    for name in ("cabin", "boathouse"):
        loaded = load_profile(PROFILES / f"{name}.toml")
        began = process_time()
        for setup in (NIGHT, NOON):
            simulate(loaded, setup)
        middle = process_time()
        for setup in (NIGHT, NOON):
            run_oracle(loaded, setup)
        day_s, oracle_s = (12.0 * spent for spent in (middle - began, process_time() - middle))
        unit_s = arithmetic_s()
        print(
            f"{name}: a day takes {day_s:.1f} s ({day_s / unit_s:.0f} times the arithmetic), "
            f"the oracle {oracle_s:.1f} s more ({oracle_s / unit_s:.0f} times)"
        )


if __name__ == "__main__":
    main()
