"""What a fault injects, at the moment it begins: not what it would have been at rest."""

from pathlib import Path

import pytest

from bridge.core.plan.plan import SECOND_US
from bridge.drill.faults_data import DataFaults
from bridge.drill.stage import build_site
from bridge.drill.table import fault_table
from bridge.drill.virtual import VirtualStage
from bridge.frames import Frame
from bridge.profile.load import LoadedProfile, load_profile
from bridge.simulate.coder import Library
from bridge.simulate.world import VirtualWorld

CABIN = Path(__file__).parents[2] / "profiles" / "cabin.toml"
START_US = 1_900_000_000 * SECOND_US


@pytest.fixture(scope="module")
def cabin() -> LoadedProfile:
    """The profile with one bank and one bus."""
    return load_profile(CABIN)


def test_a_jump_goes_both_ways_from_what_is_said_now(cabin: LoadedProfile) -> None:
    """A charge has moved the cells since: a jump that was large at rest may be a step that is believed."""
    library = Library()
    site = build_site(cabin, 0, library)
    fault = next(one for one in DataFaults(cabin.plan, site).table() if one.name == "PackOverview, jump")
    stage = VirtualStage(cabin, library, START_US)
    view = stage.view(cabin.plan.banks[0].name)
    view.shift_v = lambda _: 1.5
    now_v = view.value("pack_voltage", 0, 0)
    fault.inject(stage)
    (speech,) = (one for one in stage.speeches() if one.forced)
    (signal, raws), *_ = speech.forced.items()
    jump = next(
        target.jump for target in cabin.plan.sources[speech.number].targets if target.signal == signal
    )
    assert jump is not None
    said = sorted(speech.coder.number(signal, raw) for raw in raws)
    assert said == pytest.approx([now_v - 1.1 * jump, now_v + 1.1 * jump], abs=0.1)


def test_nothing_is_sent_between_a_fault_inside_and_its_end(cabin: LoadedProfile) -> None:
    """Also what is due at the very instant waits for the last words."""
    world = VirtualWorld(build_site(cabin, START_US, Library()), START_US)

    def fail() -> None:
        world.broken = RuntimeError("on purpose")

    world.at(START_US + SECOND_US, fail)
    world.at(START_US + SECOND_US, lambda: world.hear(Frame("cabin", 0x7FF, b"")))
    with pytest.raises(RuntimeError, match="on purpose"):
        go_on(world, START_US + SECOND_US)
    assert world.t_us == START_US + SECOND_US


def go_on(world: VirtualWorld, until_us: int) -> None:
    """Waits, again and again, as the daemon does."""
    while world.t_us <= until_us:
        world.wait(until_us)


def test_where_banks_are_left_out_the_others_go_on_beside_two_senders() -> None:
    """Limits may rise again while both still talk: they follow what the others bear."""
    loaded = load_profile(CABIN.with_name("boathouse.toml"))
    assert loaded.plan.options.reduce_on_lost_bank
    faults = [one for one in fault_table(loaded, Library()) if one.name.startswith("second sender")]
    assert faults
    assert all(fault.follows for fault in faults)
