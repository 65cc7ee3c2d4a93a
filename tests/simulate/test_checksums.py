"""Checksums of every kind on a simulated site: the devices and the program understand each other."""

import random
from pathlib import Path

import pytest

from bridge.core.engine import Engine
from bridge.core.plan.plan import SECOND_US
from bridge.simulate.world import VirtualWorld
from tests.profile.made import CABIN, loaded
from tests.profile.test_compile import HEAD
from tests.simulate.test_world import START_US, site_of

SIGNALS = (
    ' SG_ check : {check}|{width}@{order}+ (1,0) [0|0] "" A\n'
    ' SG_ count : 0|4@1+ (1,0) [0|0] "" A\n'
    ' SG_ rest : 4|1@1+ (1,0) [0|0] "" A\n'
)


def drawn(dice: random.Random) -> tuple[str, str]:
    """A message-definition file with one heard and one sent message, and the rule of both."""
    width = dice.randint(1, 32)
    little = dice.random() < 0.5
    check = 8 * dice.randint(1, 3) + (dice.randint(0, 7) if little else 7)
    signals = SIGNALS.format(check=check, width=width, order=int(little))
    dbc = HEAD + "".join(
        f"BO_ {key} {name}: 8 A\n{signals}" for key, name in ((1998, "Heard"), (1999, "Said"))
    )
    most = (1 << width) - 1
    rule = [f"init = {dice.randint(0, most)}", f"xor_out = {dice.randint(0, most)}"]
    rule.append(f"prefix = {[dice.randrange(256) for _ in range(dice.randrange(3))]}")
    rule.append(f"suffix = {[dice.randrange(256) for _ in range(dice.randrange(3))]}")
    kind = dice.choice(("sum", "xor", "crc"))
    if kind == "crc":
        rule.append(f"polynomial = {dice.randint(1, most)}")
        rule += [f"{key} = {dice.choice(('true', 'false'))}" for key in ("reflect_in", "reflect_out")]
    else:
        rule.append(f'pieces = "{dice.choice(("nibbles", "bytes"))}"')
        if width < 32:
            rule.append(f"folded_from = {dice.randint(width + 1, 32)}")
    if dice.random() < 0.7:
        ids = [dice.randrange(256) for _ in range(dice.randint(15, 16))]
        place = dice.choice(("before", "after"))
        rule.append(f'by_counter = {{ signal = "count", bytes = {ids}, place = "{place}" }}')
    return dbc, f'algorithm = "{kind}", ' + ", ".join(rule)


@pytest.mark.parametrize("seed", range(8))
def test_a_random_checksum_is_made_and_understood_on_both_sides(tmp_path: Path, seed: int) -> None:
    """What a device says is taken, what the program says is without fault; a spoilt checksum is neither."""
    dbc, rule = drawn(random.Random(seed))
    counter = "{ counter = { modulo = 15 } }"
    text = (
        '\n[[source]]\nbank = "shelf"\ndbc = "own.dbc"\n'
        'message = "Heard"\nmax_age_s = 2.0\n'
        'counter = "count"\n'
        f'checksum = {{ signal = "check", {rule} }}\n[source.signals]\n'
        'bank_connected = { signal = "rest" }\n'
        '\n[[transmission]]\ndbc = "own.dbc"\nmessage = "Said"\nperiod_ms = 300\n'
        f'[transmission.signals]\nrest = {{ flag = "alarm" }}\ncount = {counter}\n'
        f"check = {{ checksum = {{ {rule} }} }}\n"
    )
    profile = loaded(tmp_path, CABIN + text, dbc=dbc)
    site = site_of(profile)
    world, engine = VirtualWorld(site, START_US), Engine(profile.plan, START_US)
    heard_key, said = profile.plan.sources[-1].key, [0, 0]
    (speech,) = [one for talker in site.talkers for one in talker.speeches if one.coder.name == "Heard"]
    while world.t_us < START_US + 24 * SECOND_US:
        speech.spoilt = world.t_us > START_US + 12 * SECOND_US
        batch = world.wait(engine.next_deadline_us)
        for due in engine.poll(batch.t_us):
            world.send(due.frame)
        for frame in batch.frames:
            taken = engine.receive(batch.t_us, frame)
            if frame.key == heard_key and (world.t_us - START_US) // SECOND_US != 12:
                assert taken is not speech.spoilt
                said[speech.spoilt] += 1
    assert min(said) > 10
    seen = [one for listener in site.listeners for one in listener.seen if one.name == "Said"]
    assert len(seen) > 30
    assert [fault for one in seen for fault in (*one.faults, *one.gaps)] == []
