"""Health and flags by cause in a profile: sent, and known, or `check` says why not."""

from pathlib import Path

import pytest

from bridge.core.engine import Engine
from bridge.core.plan.plan import SECOND_US
from bridge.errors import Severity
from bridge.quantities import CAUSES
from bridge.simulate.world import VirtualWorld
from tests.profile.made import CABIN, JETTY, checked, found, loaded, refused
from tests.profile.test_compile import OUT, extra
from tests.simulate.test_world import START_US, site_of

FAIL, WARN = Severity.FAIL, Severity.WARN
BITS = tuple(f'x{n} : {n}|1@1+ (1,0) [0|0] ""' for n in range(len(CAUSES)))
DBC = extra(*BITS, length=4)
ALL = OUT + "".join(f'x{n} = {{ flag = "{name}" }}\n' for n, name in enumerate(CAUSES))


def one(name: str, absent: str = "") -> str:
    """A message with one flag."""
    return OUT + f'x0 = {{ flag = "{name}"{absent} }}\n'


def test_every_flag_by_cause_can_be_sent(tmp_path: Path) -> None:
    """All of them in one message, on a site where each can be known; none is up on a quiet day."""
    profile = loaded(tmp_path, CABIN + ALL, dbc=DBC)
    site = site_of(profile)
    world, engine = VirtualWorld(site, START_US), Engine(profile.plan, START_US)
    while world.t_us < START_US + 20 * SECOND_US:
        batch = world.wait(engine.next_deadline_us)
        for due in engine.poll(batch.t_us):
            world.send(due.frame)
        for frame in batch.frames:
            engine.receive(batch.t_us, frame)
    seen = [said for listener in site.listeners for said in listener.seen if said.name == "Extra"]
    assert dict(seen[-1].values) == dict.fromkeys(CAUSES, 0.0)
    assert {name: engine.decision.values[name] for name in CAUSES} == dict.fromkeys(CAUSES, 0.0)
    report = checked(tmp_path, CABIN + ALL, dbc=DBC)
    assert report.of(FAIL) == report.of(WARN) == ()


@pytest.mark.parametrize(
    ("name", "without"),
    [
        ("charge_over_current_warning", ("pack_current = {",)),
        ("discharge_over_current_alarm", ("pack_current = {",)),
        ("inverter_silent_warning", ("[source.signals]\ninverter_heartbeat",)),
    ],
)
def test_a_flag_that_can_never_be_known_is_found_out(
    tmp_path: Path, name: str, without: tuple[str, ...]
) -> None:
    """No source of what it is made of: it would always be absent, or its frame never leave."""
    changes = [(old, "# " if "\n" not in old else "[source.signals]\nbalancing") for old in without]
    if name == "inverter_silent_warning":
        changes += [('balancing = "bleeding"', ""), ('inverter = "loft"\ndbc', 'bank = "shelf"\ndbc')]
    if "current" in name:
        changes += [('pack_amps = "pack_current"', "")]
    key = "transmission[5].signals.x0"
    assert "no source reads" in found(checked(tmp_path, CABIN + one(name), *changes, dbc=DBC), FAIL, key)
    report = checked(tmp_path, CABIN + one(name, ", absent = 0"), *changes, dbc=DBC)
    assert "no source reads" in found(report, WARN, key)
    assert found(checked(tmp_path, CABIN + one("data_lost_alarm"), *changes, dbc=DBC), FAIL, key) == ""


def test_a_flag_beside_limits_should_have_a_number_for_not_known(tmp_path: Path) -> None:
    """Else no limit leaves before it is known."""
    bits = ('x0 : 0|1@1+ (1,0) [0|0] ""', 'x1 : 8|16@1+ (0.1,0) [0|0] "A"')
    text = CABIN + one("cell_over_voltage_alarm") + 'x1 = "charge_current_limit"\n'
    report = checked(tmp_path, text, dbc=extra(*bits, length=4))
    assert "without absent, beside limits" in found(report, FAIL, "transmission[5].signals.x0")


def test_no_flag_by_cause_can_be_read(tmp_path: Path) -> None:
    """They are worked out here."""
    change = ('balancing = "bleeding"', 'cell_over_voltage_alarm = "bleeding"')
    assert any("cell_over_voltage_alarm" in key for key in refused(tmp_path, CABIN, change))


def test_health_is_read_and_sent_and_nothing_depends_on_it(tmp_path: Path) -> None:
    """Never required, whatever the profile says; the pack is followed without it."""
    source = (
        '\n[[source]]\nbank = "shelf"\ndbc = "own.dbc"\nmessage = "Extra"\nmax_age_s = 2.0\n'
        '[source.signals]\nstate_of_health = "x0"\n'
    )
    sent = '\n[[transmission]]\ndbc = "own.dbc"\nmessage = "Said"\nperiod_ms = 1000\n[transmission.signals]\n'
    dbc = (
        extra('x0 : 0|8@1+ (0.5,0) [0|0] "%"') + 'BO_ 1998 Said: 1 A\n SG_ x1 : 0|8@1+ (0.5,0) [0|0] "%" A\n'
    )
    profile = loaded(
        tmp_path, CABIN + source + sent + 'x1 = { quantity = "state_of_health", absent = 127.5 }\n', dbc=dbc
    )
    (slot,) = [slot for slot in profile.plan.slots if slot.quantity == "state_of_health"]
    assert not slot.required
    site = site_of(profile)
    speech = next(one for talker in site.talkers for one in talker.speeches if one.coder.name == "Extra")
    for muted, health in ((False, 97.0), (True, None)):
        world, engine = VirtualWorld(site, START_US), Engine(profile.plan, START_US)
        speech.muted = muted
        while world.t_us < START_US + 10 * SECOND_US:
            batch = world.wait(engine.next_deadline_us)
            engine.poll(batch.t_us)
            for frame in batch.frames:
                engine.receive(batch.t_us, frame)
        assert engine.decision.cause == ""
        assert engine.decision.values.get("state_of_health") == health
        assert engine.decision.warnings == ()
        site, speech = (
            (again := site_of(profile)),
            next(one for talker in again.talkers for one in talker.speeches if one.coder.name == "Extra"),
        )


def test_how_far_apart_cells_are_is_a_key(tmp_path: Path) -> None:
    """0.2 V unless the profile says another."""
    assert loaded(tmp_path, JETTY).plan.limits.imbalance_v == 0.2
    change = ("[limits]\n", "[limits]\ncell_imbalance_v = 0.05\n")
    assert loaded(tmp_path, JETTY, change).plan.limits.imbalance_v == 0.05
