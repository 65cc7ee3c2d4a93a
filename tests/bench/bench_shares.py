"""The sum of what all inverters may act on, over random sites, lives and faults.

`python -m tests.bench.bench_shares [FRAMES] [FIRST_SEED]` goes on until so many frames (default: 1,000,000)
were judged. Of each site: what all were told within a frame set against what the pack bore, and what all may
still act on, each until its own time-out. It prints the seeds that broke a rule, and how much was told.
"""

import sys
from time import process_time

from tests.core.share_sites import Life

LIFE_S = 120.0


def main() -> int:
    """Runs sites, one a seed; returns how many broke a rule."""
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    frames = lives = broken = 0
    most, begun_s = 0.0, process_time()
    while frames < wanted:
        life = Life(seed)
        life.run(LIFE_S)
        frames += life.frames
        lives += 1
        most = max(most, life.most_used)
        if life.wrong:
            broken += 1
            print(f"seed {seed}: {life.wrong[0]}", flush=True)
        seed += 1
        if lives % 100 == 0:
            print(f"{lives} sites, {frames} frames, {broken} broken", file=sys.stderr, flush=True)
    print(
        f"{lives} sites of 1 to 4 inverters, {lives * LIFE_S / 3600:.1f} h, {frames} frames: "
        f"{broken} broke a rule; "
        f"at most {most:.1%} of what the pack bore was told; {process_time() - begun_s:.0f} s"
    )
    return broken


if __name__ == "__main__":
    sys.exit(min(main(), 1))
