"""What standards and vocabularies ask of a battery's limits, against the core as it runs.

Sources, beside each check: IEC 62619:2022 5.6.2 [excerpt]; SunSpec information models 802 (battery base) as
shipped with pysunspec2 1.3 (Apache-2.0), a few points typed in here; PyBaMM 26.10 Prada2013 (BSD-3);
arithmetic.
"""

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path

import pytest

from bridge.core.failsafe.machine import State
from bridge.profile.check import check_profile
from bridge.profile.load import load_profile
from bridge.quantities import LIMITS, QUANTITIES, Kind
from bridge.simulate.cell import CellModel, CellParameters
from bridge.simulate.open_circuit import lfp_open_circuit_v
from bridge.simulate.pack import Balancer, BankModel, PackModel
from tests.core.plans import BOUNDS, Builder
from tests.core.rig import Rig, Speaker, level, on_the_wire

ROOT = Path(__file__).parents[2]

# SunSpec 802: type of the points for currents. An unsigned one is a magnitude.
SUNSPEC_802 = {"A": "int16", "AChaMax": "uint16", "ADisChaMax": "uint16"}


def told(rig: Rig) -> Mapping[str, Fraction]:
    """The latest limits on the wire, decoded independently."""
    return next(on_the_wire(due.frame) for due in reversed(rig.sent) if due.frame.key == BOUNDS.key)


@pytest.mark.parametrize("high_v", [3.60, 3.651, 3.80])
@pytest.mark.parametrize("rest_v", [3.10, 3.33])
def test_one_cell_past_its_bound_ends_the_charge_whatever_the_pack_voltage_says(
    high_v: float, rest_v: float
) -> None:
    """IEC 62619:2022 5.6.2 [excerpt]: no cell above its own upper limit, however low the pack voltage is."""
    rig = Rig(Builder().plan(), Speaker([high_v, *[rest_v] * 15]))
    rig.run(20.0)
    pack_v = high_v + 15 * rest_v

    assert rig.engine.decision.state is State.FOLLOWING
    assert pack_v < 54.5 < 56.0, "the pack voltage alone would let 56 V be charged"
    assert told(rig)["charge_with"] == 0.0
    assert told(rig)["charge_to"] <= pack_v
    assert told(rig)["draw_with"] > 0.0


def test_a_cell_far_past_its_bound_is_not_charged_again_by_a_flicker() -> None:
    """IEC 62619:2022 5.6.2 [excerpt]: a gross excursion does not reset by itself at once. Here: not before
    the cell is well below, at its release voltage; a lock that a person must open is the protection's task.
    """
    pack = Speaker([3.66, *[3.33] * 15])
    rig = Rig(Builder().plan(), pack)
    rig.run(20.0)
    for cell_v in (3.57, 3.50, 3.46):
        pack.cells_v[0] = cell_v
        rig.run(60.0)
        assert told(rig)["charge_with"] == 0.0
    pack.cells_v[0] = 3.40
    rig.run(120.0)

    assert told(rig)["charge_with"] > 0.0


def test_current_limits_are_magnitudes_and_currents_are_signed() -> None:
    """SunSpec 802: the most current either way is an unsigned point, the current itself a signed one."""
    for name, point in (("charge_current_limit", "AChaMax"), ("discharge_current_limit", "ADisChaMax")):
        assert SUNSPEC_802[point].startswith("u")
        assert QUANTITIES[name].low == 0.0
        assert name in LIMITS
    assert not SUNSPEC_802["A"].startswith("u")
    assert QUANTITIES["pack_current"].low < 0.0 < QUANTITIES["pack_current"].high


def test_alarm_and_warning_are_told_apart() -> None:
    """SunSpec 802, Evt1: for each trouble one bit is the alarm and another the warning."""
    rig = Rig(Builder().plan(), level())
    seen = []
    rig.run(20.0)
    for _ in range(8):
        seen.append((rig.engine.decision.values["warning"], rig.engine.decision.values["alarm"]))
        rig.wait(1.0)

    assert seen[0] == (0.0, 0.0), "all is well"
    assert (1.0, 0.0) in seen, "data is late: look at it"
    assert seen[-1][1] == 1.0, "data is lost: currents are at zero"


def test_what_was_never_seen_is_not_zero() -> None:
    """SunSpec: a point that is not implemented has a value of its own (0xFFFF), which is not 0."""
    rig = Rig(Builder().plan(), level())
    rig.wait(1.0)
    assert rig.engine.decision.values.get("state_of_charge") is None
    assert rig.engine.decision.values.get("pack_current") is None

    rig.speakers[0].soc = 0.0
    rig.run(1.0)
    assert rig.engine.decision.values["state_of_charge"] == 0.0


def test_a_sign_of_life_is_a_quantity_of_its_own() -> None:
    """SunSpec 802: battery and controller each have a heartbeat (Hb, CtrlHb)."""
    assert QUANTITIES["inverter_heartbeat"].kind is Kind.INVERTER


def test_4_2_volts_are_refused_on_lfp(tmp_path: Path) -> None:
    """Makers' sheets [excerpt]: LFP bears 3.65 V. What is right for NMC fails `check`, and is named."""
    text = (ROOT / "profiles" / "cabin.toml").read_text().replace("../dbc_own", str(ROOT / "dbc_own"))
    path = tmp_path / "wrong.toml"
    path.write_text(text.replace("cell_target_v = 3.50", "cell_target_v = 4.20"))

    assert check_profile(load_profile(ROOT / "profiles" / "cabin.toml")).exit_code == 0
    assert check_profile(load_profile(path)).exit_code != 0


def test_the_plateau_says_nothing_about_the_charge() -> None:
    """Prada2013: from 50 to 70 % less than 1 mV a percent, so an error of 5 mV is some 10 % of charge."""
    for percent in range(50, 70):
        rise_v = lfp_open_circuit_v((percent + 1) / 100) - lfp_open_circuit_v(percent / 100)
        assert 0.0 < rise_v < 0.001
    taken_for = next(
        n for n in range(1000) if lfp_open_circuit_v(0.55 + n / 1000) - lfp_open_circuit_v(0.55) > 0.005
    )
    assert 80 <= taken_for <= 160, "thousandths of the charge"


def test_the_knee_does_say_it() -> None:
    """Prada2013: above 97 % an error of 5 mV is less than half a percent of charge."""
    assert lfp_open_circuit_v(0.985) - lfp_open_circuit_v(0.980) > 0.005


def test_51_2_volts_and_280_ah_are_14_336_kwh() -> None:
    """Arithmetic: 16 cells of 3.2 V, 280 A for an hour."""
    flat = CellParameters(280.0, 1e-12, (), lambda _: 3.2)
    pack = PackModel([BankModel([CellModel(flat, 0.0) for _ in range(16)], 280.0, Balancer(bleed_a=0.0))])
    joules = 0.0
    for _ in range(3600):
        pack.step(280.0, 1.0)
        joules += pack.voltage_v * 280.0

    assert joules / 3.6e6 == pytest.approx(14.336, abs=1e-6)
    assert pack.state_of_charge == pytest.approx(100.0)
