"""Two inverters, of different layouts, on different buses: each is told its part of one calculation."""

from pathlib import Path

import cantools.database
from cantools.database.can import Database, Message

from bridge.core.engine import Engine
from bridge.core.failsafe.machine import State
from bridge.errors import Severity
from bridge.frames import EXTENDED, Frame
from bridge.profile.check import check_profile
from tests.profile.made import BOATHOUSE, CABIN, ROOT, checked, loaded
from tests.service.fakes import healthy

BARN = '\n[[bus]]\nname = "barn"\nchannel = "vcan1"\nbitrate = 500_000\n'
SECOND = '\n[[inverter]]\nname = "barn"\ntimeout_s = 9.8\n'


def second_layout() -> str:
    """The transmission of the boathouse's limits, for the bus of the barn."""
    section = "[[transmission]]" + BOATHOUSE.split("[[transmission]]")[1]
    return section.replace('bus = "house"', 'bus = "barn"').replace('inverter = "hall"', 'inverter = "barn"')


def both() -> tuple[tuple[str, str], ...]:
    """Changes that add the second bus, inverter and layout to the cabin."""
    return (
        ("[[inverter]]", f"{BARN}{SECOND}\n[[inverter]]"),
        ("[[source]]\n", '[[source]]\nbus = "cabin"\n'),
        ("[[transmission]]\n", '[[transmission]]\nbus = "cabin"\ninverter = "loft"\n'),
        ("# ── what the inverter is told ", f"{second_layout()}\n# ── what the inverter is told "),
    )


def message(file: str, name: str) -> Message:
    """A message as an independent decoder knows it."""
    database = cantools.database.load_file(ROOT / "dbc_own" / file)
    assert isinstance(database, Database)
    return database.get_message_by_name(name)


def test_each_is_told_its_part_in_its_own_layout(tmp_path: Path) -> None:
    """Decoded independently, the frames on both buses say one decision, each rounded to its own safe side:
    the voltages whole, of each current one half.
    """
    profile = loaded(tmp_path, CABIN, *both())
    assert check_profile(profile).verdict == "pass"
    engine = Engine(profile.plan, 0)
    latest: dict[str, Frame] = {}
    first, second = (
        message("cabin_inverter.dbc", "PackBounds"),
        message("boathouse_inverter.dbc", "StringBounds"),
    )
    for beat in range(140):
        t_us = beat * 500_000
        for frame in healthy(beat, 3.43):
            engine.receive(t_us, frame)
        for due in engine.poll(t_us + 499_000):
            if due.frame.key in (first.frame_id, second.frame_id | EXTENDED):
                latest[due.frame.bus] = due.frame
    assert engine.decision.state is State.FOLLOWING
    told = {
        "cabin": first.decode(latest["cabin"].data),
        "barn": second.decode(latest["barn"].data),
    }
    decided = {name: limit.value for name, limit in engine.decision.limits.items()}
    assert 0 < decided["charge_current_limit"] < 140
    for values, step_v in ((told["cabin"], 0.1), (told["barn"], 0.025)):
        assert isinstance(values, dict)
        for signal, name, step, sign in (
            ("charge_volts_ceiling", "charge_voltage_limit", step_v, 1),
            ("charge_amps_most", "charge_current_limit", 0.05, 1),
            ("draw_amps_most", "discharge_current_limit", 0.05, 1),
            ("draw_volts_floor", "discharge_voltage_floor", step_v, -1),
        ):
            part = 0.5 if "current" in name else 1.0
            short_by = sign * (part * decided[name] - float(str(values[signal])))
            assert -1e-9 <= short_by < step + 1e-9, (signal, values[signal], decided[name])


def test_the_second_inverter_has_its_own_time_out(tmp_path: Path) -> None:
    """What is enough for one is too slow for the other, and check says which."""
    report = checked(tmp_path, CABIN, *both(), ("timeout_s = 9.8", "timeout_s = 8.0"))
    assert report.verdict == "fail"
    assert [problem.key for problem in report.of(Severity.FAIL)] == ["inverter[1].timeout_s"]
