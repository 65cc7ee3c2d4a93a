"""The virtual world and its devices: what they send is what the pack is, and time goes as it is told."""

from functools import partial
from pathlib import Path

import pytest

from bridge.core.engine import Engine
from bridge.core.plan.plan import SECOND_US
from bridge.errors import BusDown, BusFull
from bridge.frames import Frame
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.load import LoadedProfile, load_profile
from bridge.profile.schema_checksum import ChecksumRule
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.service.seam import NoticeKind
from bridge.service.world import Batch, Request
from bridge.simulate.coder import Library, checksum
from bridge.simulate.inverter import Wish, cabin_day
from bridge.simulate.packs import cell_of
from bridge.simulate.site import Site
from bridge.simulate.world import Killed, VirtualWorld
from tests.profile.made import CABIN, loaded

PROFILES = Path(__file__).parents[2] / "profiles"
START_US = 1_900_000_000 * SECOND_US


def site_of(loaded: LoadedProfile, charge: float = 0.55) -> Site:
    """A site at rest."""
    return Site(loaded, START_US, charge=charge, wish=lambda _: Wish(0.0, 0.0))


@pytest.fixture
def cabin() -> LoadedProfile:
    """The profile with one bank and one bus."""
    return load_profile(PROFILES / "cabin.toml")


@pytest.fixture
def world(cabin: LoadedProfile) -> VirtualWorld:
    """A world with the cabin in it."""
    return VirtualWorld(site_of(cabin), START_US)


def key_of(loaded: LoadedProfile, message: str) -> int:
    """Key of the frames of a message."""
    return next(one.layout.key for one in (*loaded.received, *loaded.sent) if one.message == message)


def wait_s(world: VirtualWorld, seconds: float) -> Batch:
    """Waits for up to so long."""
    return world.wait(world.t_us + round(seconds * SECOND_US))


def everything(world: VirtualWorld, seconds: float) -> list[Frame]:
    """All frames of the next so many seconds."""
    end_us = world.t_us + round(seconds * SECOND_US)
    frames = []
    while world.t_us < end_us:
        frames += world.wait(end_us).frames
    return frames


# ── devices ─────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", ["cabin", "boathouse"])
def test_what_the_monitors_send_is_what_the_core_reads(name: str) -> None:
    """Two codecs that share nothing agree: every reading of every bank, counters and checksums included."""
    loaded = load_profile(PROFILES / f"{name}.toml")
    site = site_of(loaded)
    world, engine = VirtualWorld(site, START_US), Engine(loaded.plan, START_US)
    for frame in everything(world, 3.0):
        engine.receive(world.t_us, frame)
    engine.poll(world.t_us + loaded.plan.tick_us)
    seen = engine.decision.values
    cells_v = [cell for view in site.views.values() for cell in view.cells_v(0)]

    assert [note for note in engine.take_notes() if note.kind == "refused"] == []
    assert seen["cell_voltage_min"] == pytest.approx(min(cells_v), abs=0.0011)
    assert seen["cell_voltage_max"] == pytest.approx(max(cells_v), abs=0.0011)
    assert seen["pack_voltage"] == pytest.approx(site.pack.voltage_v, abs=0.06)
    assert seen["state_of_charge"] == pytest.approx(site.pack.state_of_charge, abs=0.5)
    assert seen["cell_temperature_max"] == 25.0
    assert engine.decision.cause.startswith(("", "waiting"))
    assert not any("contradict" in text for text in (engine.decision.cause, *engine.decision.warnings))


def test_periods_are_those_of_the_file(cabin: LoadedProfile, world: VirtualWorld) -> None:
    """A message leaves as often as its DBC file says."""
    frames = everything(world, 10.0)
    keys = [frame.key for frame in frames]

    assert keys.count(key_of(cabin, "PackOverview")) == 20, "every 500 ms"
    assert keys.count(key_of(cabin, "CellsA")) == 10, "every second"


def test_a_message_without_a_period_comes_four_times_within_its_age(tmp_path: Path) -> None:
    """A DBC file need not say how often."""
    text = (PROFILES / "cabin.toml").read_text().replace("../dbc_own", str(tmp_path))
    for dbc in (PROFILES.parent / "dbc_own").glob("cabin_*.dbc"):
        lines = dbc.read_text().splitlines()
        (tmp_path / dbc.name).write_text("\n".join(x for x in lines if "GenMsgCycleTime" not in x))
    (tmp_path / "cabin.toml").write_text(text)
    site = site_of(load_profile(tmp_path / "cabin.toml"))

    periods = {one.coder.name: one.period_us for talker in site.talkers for one in talker.speeches}
    assert periods["PackOverview"] == 500_000
    assert periods["CellsA"] == 750_000


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        (ChecksumRule(algorithm="sum8"), 0xDD),
        (ChecksumRule(algorithm="xor8"), 0x31),
        # CRC catalogue of Greg Cook, check values over "123456789".
        (ChecksumRule(algorithm="crc8", polynomial=0x07), 0xF4),
        (ChecksumRule(algorithm="crc8", polynomial=0x1D, init=0xFF, xor_out=0xFF), 0x4B),
        (ChecksumRule(algorithm="crc8", polynomial=0x31, reflect=True), 0xA1),
    ],
)
def test_checksums_of_the_devices(rule: ChecksumRule, expected: int) -> None:
    """The devices' own arithmetic gives the published check values."""
    assert checksum(rule, b"123456789") == expected


def test_an_inverter_understands_what_the_program_sends(cabin: LoadedProfile) -> None:
    """Decoded independently, the limits are on the safe side of the decision; a gap in a counter is told."""
    site = site_of(cabin)
    world, engine = VirtualWorld(site, START_US), Engine(cabin.plan, START_US)
    while world.t_us < START_US + 12 * SECOND_US:
        batch = world.wait(engine.next_deadline_us)
        for due in engine.poll(batch.t_us):
            world.send(due.frame)
        for frame in batch.frames:
            engine.receive(batch.t_us, frame)
    (listener,) = site.listeners
    decision = engine.decision

    assert [fault for seen in listener.seen for fault in (*seen.faults, *seen.gaps)] == []
    assert decision.charge_current.value > 0
    assert listener.latest["charge_current_limit"] <= decision.charge_current.value
    assert not listener.timed_out(world.t_us)
    assert listener.timed_out(world.t_us + 11 * SECOND_US)
    permissions = [seen.frame for seen in listener.seen if seen.name == "PackPermissions"]
    listener.hear(world.t_us, permissions[0])
    assert listener.seen[-1].gaps != ()


ROWS = (
    ("pack_volts", "pack_voltage", 600.05),
    ("pack_amps", "pack_current", 1600.05),
    ("shown_charge", "shown_state_of_charge", 102.05),
    ("pack_warmth", "cell_temperature_max", 120.0),
)


def test_what_is_absent_is_not_understood_as_a_number(tmp_path: Path) -> None:
    """Also where the number that says so has no exact binary fraction: 600.05 in steps of 0.01."""
    absent = [
        (f'{signal} = "{quantity}"', f'{signal} = {{ quantity = "{quantity}", absent = {number} }}')
        for signal, quantity, number in ROWS
    ]
    profile = loaded(tmp_path, CABIN, *absent)
    site = site_of(profile)
    world, engine = VirtualWorld(site, START_US), Engine(profile.plan, START_US)
    while world.t_us < START_US + 20 * SECOND_US:
        batch = world.wait(engine.next_deadline_us)
        for due in engine.poll(batch.t_us):
            world.send(due.frame)
        for frame in batch.frames if world.t_us < START_US + 6 * SECOND_US else ():
            engine.receive(batch.t_us, frame)
    (listener,) = site.listeners
    (name,) = (one.message for one in profile.profile.transmission if "pack_volts" in one.signals)

    told = [seen for seen in listener.seen if seen.name == name]
    assert "pack_voltage" in told[0].values
    assert told[-1].t_us > START_US + 18 * SECOND_US
    assert "pack_voltage" not in told[-1].values


def test_an_unreadable_frame_is_a_fault_and_not_an_end(cabin: LoadedProfile) -> None:
    """An inverter survives a frame that is too short."""
    (listener,) = site_of(cabin).listeners
    seen = listener.hear(START_US, Frame("cabin", key_of(cabin, "PackBounds"), b"\x01"))

    assert seen is not None
    assert seen.faults[0].startswith("unreadable")
    assert seen.values == {}


def test_nested_pages_are_found() -> None:
    """A signal below two multiplexers is on the page that both choose."""
    coder = Library().coder(PROFILES.parent / "dbc_own" / "boathouse_bank_one.dbc", "BankOneRecord")
    pages = coder.pages(["highest_ever", "lowest_ever", "days_awake"])

    assert [dict(page.selectors) for page in pages] == [
        {"page": 1},
        {"page": 2, "leaf": 0},
        {"page": 2, "leaf": 1},
    ]
    data = coder.encode(pages[2], {"lowest_ever": coder.raw("lowest_ever", 2.9)})
    assert coder.decode(data)["lowest_ever"] == pytest.approx(2.9)


@pytest.mark.parametrize("name", sorted(CHEMISTRIES))
def test_a_cell_of_any_chemistry_lies_between_its_floor_and_target(name: str) -> None:
    """The stretched curve is on the plateau in the middle, and beyond the knee at the top."""
    chemistry = CHEMISTRIES[name]
    curve = cell_of(chemistry, 100.0).open_circuit_v

    assert chemistry.low_knee_v < curve(0.5) < chemistry.knee_v
    assert curve(1.0) > chemistry.knee_v
    assert curve(0.05) < chemistry.low_knee_v


# ── time ────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_wait_ends_at_the_first_thing_that_happens(world: VirtualWorld) -> None:
    """Whatever is first: a frame, an action, the time asked for."""
    first = wait_s(world, 1.0)
    second = world.wait(first.t_us + 1000)

    assert first.frames
    assert first.t_us < START_US + SECOND_US
    assert second == Batch(first.t_us + 1000, [], [], [])
    assert world.wait(0).t_us == second.t_us, "time does not go back"


def test_it_asks_to_stop_at_the_end(cabin: LoadedProfile) -> None:
    """A world with an end ends a daemon in good order."""
    world = VirtualWorld(site_of(cabin), START_US, end_us=START_US + 2 * SECOND_US)
    daemon = Daemon(cabin, world, Journal(make_logger(write=lambda _: None)), load=lambda: cabin)

    assert daemon.run() == 0
    assert world.t_us == START_US + 2 * SECOND_US


def test_a_stalled_program_wakes_late_and_finds_what_came(world: VirtualWorld) -> None:
    """Frames that came in meanwhile are all there, at the stamp of the wake-up."""
    world.at(START_US + SECOND_US, partial(world.stall, 2.0))
    batches = [wait_s(world, 0.1)]
    while batches[-1].t_us < START_US + 2 * SECOND_US:
        batches.append(wait_s(world, 0.1))

    assert batches[-2].t_us < START_US + SECOND_US
    assert batches[-1].t_us == START_US + 3 * SECOND_US
    assert len(batches[-1].frames) > 20


def test_a_killed_program_sends_nothing_more(world: VirtualWorld) -> None:
    """Nothing of what it still does on its way out reaches anyone."""
    world.at(START_US + SECOND_US, world.kill)
    with pytest.raises(Killed):
        everything(world, 2.0)
    world.send(Frame("cabin", 1, bytes(8)))

    assert world.sent == []


def test_full_and_down_buses_refuse_frames(world: VirtualWorld) -> None:
    """As the real ones do; and a bus that is down brings nothing either."""
    world.full.add("cabin")
    with pytest.raises(BusFull):
        world.send(Frame("cabin", 1, bytes(8)))
    world.full.clear()
    world.down.add("cabin")
    with pytest.raises(BusDown):
        world.send(Frame("cabin", 1, bytes(8)))

    assert everything(world, 2.0) == []
    world.down.clear()
    assert everything(world, 2.0) != []


def test_frames_can_be_changed_dropped_and_doubled_on_their_way(
    cabin: LoadedProfile, world: VirtualWorld
) -> None:
    """A filter stands between the devices and the program."""
    key = key_of(cabin, "CellsA")
    world.on_receive = lambda _, frame: [frame, frame] if frame.key == key else []
    frames = everything(world, 1.5)

    assert {frame.key for frame in frames} == {key}
    assert len(frames) == 4


def test_notices_and_requests_arrive_at_their_time(world: VirtualWorld) -> None:
    """Anything can be scheduled."""
    world.at(START_US + 500, partial(world.notice, "cabin", NoticeKind.DOWN, "gone"))
    world.at(START_US + 700, partial(world.request, Request.STATUS))
    first, second = wait_s(world, 1.0), wait_s(world, 1.0)

    assert (first.t_us, [one.kind for one in first.notices]) == (START_US + 500, [NoticeKind.DOWN])
    assert (second.t_us, second.requests) == (START_US + 700, [Request.STATUS])


def test_a_pace_sleeps_as_long_as_it_says(cabin: LoadedProfile) -> None:
    """Ten simulated seconds at twenty a second are half a real one."""
    slept: list[float] = []
    world = VirtualWorld(site_of(cabin), START_US, pace=lambda _: 20.0, sleep=slept.append)
    everything(world, 10.0)

    assert sum(slept) == pytest.approx(0.5)


# ── a day ───────────────────────────────────────────────────────────────────────────────────────────────


def _from_hour(hour: float, t_s: float) -> Wish:
    """The day at the cabin, from some hour on."""
    return cabin_day(3600.0 * hour + t_s)


@pytest.mark.slow
def test_no_cell_is_hurt_from_noon_to_night(tmp_path: Path) -> None:
    """Sun and evening, the daemon in a closed loop: the pack gets full, and no true cell leaves its span."""
    text = (PROFILES / "cabin.toml").read_text().replace("../dbc_own", str(PROFILES.parent / "dbc_own"))
    for often, seldom in (
        ("tick_ms = 100", "tick_ms = 1000"),
        ("period_ms = 500", "period_ms = 2000"),
        ("period_ms = 1000", "period_ms = 4000"),
        ("max_age_s = 2.0", "max_age_s = 12.0"),
        ("max_age_s = 3.0", "max_age_s = 12.0"),
        ("max_age_s = 5.0", "max_age_s = 12.0"),
    ):
        text = text.replace(often, seldom)
    path = tmp_path / "slow.toml"
    path.write_text(text)
    loaded = load_profile(path)
    wish = partial(_from_hour, 11.5)
    site = Site(loaded, START_US, charge=0.8, wish=wish, step_us=SECOND_US)
    for talker in site.talkers:
        for speech in talker.speeches:
            speech.period_us = 4 * SECOND_US
    world = VirtualWorld(site, START_US, end_us=START_US + 8 * 3600 * SECOND_US)
    extremes: list[tuple[float, float, float]] = []

    def look() -> None:
        cells_v = site.pack.banks[0].true_cell_voltages_v
        extremes.append((min(cells_v), max(cells_v), site.pack.state_of_charge))
        world.at(world.t_us + 5 * SECOND_US, look)

    world.at(START_US, look)
    daemon = Daemon(loaded, world, Journal(make_logger(write=lambda _: None)), load=lambda: loaded)

    assert daemon.run() == 0
    chemistry = CHEMISTRIES["lfp"]
    assert max(high_v for _, high_v, _ in extremes) <= chemistry.cell_max_v
    assert min(low_v for low_v, _, _ in extremes) >= chemistry.cell_min_v
    assert max(high_v for _, high_v, _ in extremes) > 3.45, "it was full"
    assert max(soc for _, _, soc in extremes) > 97.0
    assert site.pack.current_a < -25.0, "in the evening the loads were served"
