"""What the drill's rules take for a rise before its time."""

from pathlib import Path

import pytest

from bridge.drill.budget import Budget
from bridge.drill.rules import FLOOR, Rules
from bridge.frames import Frame
from bridge.profile.load import load_profile
from bridge.simulate.node import Seen

CABIN = load_profile(Path(__file__).parents[2] / "profiles" / "cabin.toml")
BUDGET = Budget(CABIN.plan)
NAME = "charge_current_limit"
FRESH_US, OVER_US = 2_000_000, 9_000_000


def told(*frames: tuple[int, dict[str, float]]) -> list[str]:
    """What is said of limits, each with its time; readings are fresh for 2 s, and lost for 9 s."""
    rules = Rules(CABIN.plan, BUDGET)
    rules.begin([], FRESH_US, steady=True)
    for t_us, values in frames:
        if t_us >= OVER_US:
            rules.end(OVER_US)
        rules.seen("loft", Seen(t_us, Frame("cabin", 0x100, b""), "Limits", values, ()), None)
    return rules.wrong


@pytest.mark.parametrize(
    ("told_a", "wrong"),
    [
        ([(0, 50.0), (1_900_000, 55.0)], 0),  # the law goes on following what is still fresh
        ([(0, 50.0), (1_900_000, 55.0), (2_100_000, 55.0)], 0),
        ([(0, 50.0), (2_000_000, 55.0)], 1),  # too old now
        ([(0, 50.0), (1_900_000, 55.0), (3_000_000, 40.0), (4_000_000, 45.0)], 1),
        ([(0, 50.0), (3_000_000, 40.0), (OVER_US + round(BUDGET.steady_s * 1e6), 45.0)], 0),
        ([(0, 50.0), (3_000_000, 40.0), (OVER_US + round(BUDGET.steady_s * 1e6) - 1, 45.0)], 1),
    ],
)
def test_nothing_rises_from_when_readings_are_too_old(told_a: list[tuple[int, float]], wrong: int) -> None:
    """From then on, and until data has been steady again for its time, a limit only falls."""
    said = told(*((t_us, {NAME: amps}) for t_us, amps in told_a))

    assert len(said) == wrong
    assert all("looser again before it may" in text for text in said)


@pytest.mark.parametrize(("draw_a", "wrong"), [(0.0, 0), (0.1, 1)])
def test_a_floor_under_which_nothing_may_be_drawn_says_nothing(draw_a: float, wrong: int) -> None:
    """After a restart it is the configured one, 46.4 V, whatever it was before."""
    floors_v = ((2_000_000, 47.0), (4_000_000, 46.4))
    frames = ((t_us, {FLOOR: volts, "discharge_current_limit": draw_a}) for t_us, volts in floors_v)

    assert len(told(*frames)) == wrong
