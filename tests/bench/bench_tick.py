"""What one tick of the core costs, with the frame it makes, against one `Message.decode` of cantools.

Run: python -m tests.bench.bench_tick
Both are timed in turn, many times over, and the best of each is taken. Fails (exit code 1) above 6 times for
a tick that finds nothing new, which most are: a pack speaks less often than the core ticks. A tick that
finds other cells and comes to other limits does all of the work, and is only reported; so is the mean of
all ticks and frames of the cabin as shipped, whose pack speaks twice a second with other cells each time.
"""

import sys
from collections.abc import Callable
from time import perf_counter_ns

from bridge.core.engine import Engine
from bridge.core.plan.plan import Plan
from bridge.frames import Frame
from bridge.profile.load import load_profile
from tests.core.layouts import dbc_text, judge
from tests.core.plans import BOUNDS, SECOND, TICK, Builder, bounds
from tests.core.rig import Rig, Speaker
from tests.service.fakes import CABIN, healthy

WANTED = 6.0
ROUNDS = 60
TICKS = 50


def cabin() -> Plan:
    """16 cells, extremes and temperatures fresh; one message of four limits due at every tick."""
    return Builder(max_age_us=3600 * SECOND, transmissions=(bounds(TICK, TICK),)).plan()


def settled(plan: Plan, cell_v: float) -> Rig:
    """A pack some time after the start, following."""
    cells = [cell_v - 0.002 * n for n in range(16)]
    rig = Rig(plan, Speaker(cells))
    rig.run(40)
    return rig


def tick_ns(rig: Rig, frames: list[Frame]) -> float:
    """Mean cost of a tick and its frame; before each, untimed, one of `frames` comes in."""
    poll, t_us = rig.engine.poll, rig.t_us
    spent = 0
    for n in range(1, TICKS + 1):
        t_us += TICK
        if frames:
            rig.engine.receive(t_us - TICK, frames[n % len(frames)])
        began = perf_counter_ns()
        poll(t_us)
        spent += perf_counter_ns() - began
    rig.t_us = t_us
    return spent / TICKS


def decode_ns(decode: Callable[[bytes], object], data: bytes) -> float:
    """Mean cost of decoding one message."""
    began = perf_counter_ns()
    for _ in range(TICKS):
        decode(data)
    return (perf_counter_ns() - began) / TICKS


def shipped_ns() -> float:
    """Mean cost of a tick of the cabin as shipped, with all frames that fall due, over its own traffic."""
    engine = Engine(load_profile(CABIN).plan, 0)
    bursts = [healthy(beat, 3.44 + 0.001 * (beat % 3)) for beat in range(16)]
    spent, ticks = 0, 0
    for n in range(1, 1201):
        t_us = n * 100_000
        began = perf_counter_ns()
        engine.poll(t_us)
        if n > 200:
            spent += perf_counter_ns() - began
            ticks += 1
        if n % 5 == 0:
            for frame in bursts[n // 5 % 16]:
                engine.receive(t_us, frame)
    return spent / ticks


def main() -> int:
    """Prints the figures; the exit code says whether the aim is met."""
    message = judge(dbc_text(BOUNDS), "Bounds")
    failed = False
    for name, cell_v, moving in (
        ("plateau, nothing new", 3.30, False),
        ("above the knee, nothing new", 3.47, False),
        ("above the knee, other cells and limits at every tick (for information)", 3.47, True),
    ):
        rig = settled(cabin(), cell_v)
        data = rig.sent[-1].frame.data
        frames = [rig.speakers[0].page(0), Speaker([cell_v - 0.01] * 16).page(0)] if moving else []
        tick, decode = [], []
        for _ in range(ROUNDS):
            tick.append(tick_ns(rig, frames))
            decode.append(decode_ns(message.decode, data))
        ratio = min(tick) / min(decode)
        failed = failed or (ratio > WANTED and not moving)
        spent = f"tick and frame {min(tick) / 1000:.1f} µs, Message.decode {min(decode) / 1000:.1f} µs"
        print(f"{name}: {spent}, ratio {ratio:.2f}; wanted: at most {WANTED:g}")
    means, decode = [], []
    for _ in range(5):
        means.append(shipped_ns())
        decode += [decode_ns(message.decode, data) for _ in range(ROUNDS)]
    spent = f"tick and its frames {min(means) / 1000:.1f} µs, Message.decode {min(decode) / 1000:.1f} µs"
    print(f"the cabin as shipped, mean (for information): {spent}, ratio {min(means) / min(decode):.2f}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
