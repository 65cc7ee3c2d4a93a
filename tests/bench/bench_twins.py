"""How often two senders of one message are found, how soon, and how often an honest one is doubted.

python -m tests.bench.bench_twins [seeds]
"""

import sys
from collections import Counter

from tests.core.senders import doubled, hear, honest


def main() -> None:
    """Prints both rates."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    doubted, watched, heard = [], 0, 0
    for seed in range(seeds):
        twin, frames = honest(seed)
        when, seen = hear(twin, frames)
        watched, heard = watched + seen, heard + len(frames)
        if when is not None:
            doubted.append((seed, twin.why))
    share = watched / heard
    print(f"{seeds} honest senders, {heard} frames: {len(doubted)} doubted, {share:.1%} of frames watched")
    for seed, why in doubted[:10]:
        print(f"    seed {seed}: {why}")
    for apart in (0.1, 0.5, 1.2, 3.0):
        for same in (True, False):
            found, late, whys = 0, [], Counter[str]()
            for seed in range(seeds // 4):
                twin, frames, joins_us = doubled(seed, apart=apart, same=same)
                when, _ = hear(twin, frames)
                if when is not None:
                    found += 1
                    late.append(sum(joins_us <= one.t_us <= when for one in frames))
                    whys[twin.why.partition("(")[2]] += 1
            late.sort()
            middle, most = (late[len(late) // 2], late[len(late) * 99 // 100]) if late else (0, 0)
            kind = "one period" if same else "two periods"
            text = f"{found} of {seeds // 4} found, after {middle} frames ({most} p99)"
            print(f"{apart:3.1f} steps apart, {kind}: {text}")
            print(f"    {dict(whys)}")


if __name__ == "__main__":
    main()
