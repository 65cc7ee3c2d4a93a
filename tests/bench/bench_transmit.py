"""Lateness of 100 ms transmissions over 60 s: does it drift?

    python -m tests.bench.bench_transmit [SECONDS]

The daemon runs on python-can's in-process bus with the real clock; a tap in its world notes when each
frame was handed to the bus, against the deadline it was built for.
"""

import re
import statistics
import sys
import tempfile
from pathlib import Path

from bridge.core.engine import Due
from bridge.frames import Frame
from bridge.profile.load import load_profile
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.live import LiveWorld
from bridge.service.world import Batch, Request

ROOT = Path(__file__).parents[2]


class TappedWorld(LiveWorld):
    """A live world that ends after a while and notes when frames leave."""

    end_us = 0
    left_us: list[int]

    def wait(self, until_us: int) -> Batch:
        """As ever, but asks to stop at the end."""
        batch = super().wait(until_us)
        return batch._replace(requests=[Request.STOP]) if batch.t_us >= self.end_us else batch

    def send(self, frame: Frame) -> None:
        """As ever, and notes the time."""
        super().send(frame)
        self.left_us.append(self.now_us())


class TappedDaemon(Daemon):
    """A daemon that notes the deadlines of what it sends."""

    deadlines_us: list[int]

    def _dispatch(self, due: list[Due]) -> list[Due]:
        self.deadlines_us += [item.t_us for item in due]
        return super()._dispatch(due)


def main() -> None:
    """Prints lateness at the beginning and the end."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    text = (ROOT / "profiles" / "cabin.toml").read_text().replace('"../dbc_own/', f'"{ROOT}/dbc_own/')
    text = re.sub(r'(channel = "\w+")', r'interface = "virtual"\n\1', text)
    text = re.sub(r"period_ms = \d+", "period_ms = 100", text)
    with tempfile.TemporaryDirectory() as folder:
        profile = Path(folder) / "profile.toml"
        profile.write_text(text)
        loaded = load_profile(profile)
    world = TappedWorld(loaded.buses)
    world.left_us = []
    daemon = TappedDaemon(loaded, world, Journal(make_logger(write=lambda _: None)), load=lambda: loaded)
    daemon.deadlines_us = []
    world.end_us = world.now_us() + seconds * 1_000_000
    daemon.run()
    world.close()
    pairs = zip(world.left_us, daemon.deadlines_us, strict=True)
    late_ms = [(left - deadline) / 1000 for left, deadline in pairs]
    tenth = len(late_ms) // 10
    first, last = statistics.mean(late_ms[:tenth]), statistics.mean(late_ms[-tenth:])
    print(f"{len(late_ms)} frames in {seconds} s, {len(loaded.plan.transmissions)} messages every 100 ms")
    print(f"mean lateness of the first tenth {first:.3f} ms, of the last {last:.3f} ms")
    print(
        f"drift {last - first:+.3f} ms; median {statistics.median(late_ms):.3f}, worst {max(late_ms):.3f} ms"
    )


if __name__ == "__main__":
    main()
