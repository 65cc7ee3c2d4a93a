"""The oracle: as much as the true cells bear, and not a millivolt more; nobody beats it."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.profile.load import load_profile
from bridge.simulate.day import Setup, site_of
from bridge.simulate.oracle import Bound, run_oracle, stored_ah
from bridge.simulate.packs import KINDS, PackWish
from tests.service.fakes import ROOT

CABIN = load_profile(ROOT / "profiles" / "cabin.toml")
BOATHOUSE = load_profile(ROOT / "profiles" / "boathouse.toml")


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([CABIN, BOATHOUSE]),
    st.sampled_from(sorted(KINDS)),
    st.integers(0, 1000),
    st.floats(0.05, 1.0),
    st.floats(-150.0, 150.0),
    st.floats(-300.0, 300.0),
)
def test_the_current_is_the_largest_the_cells_bear(
    loaded: object, kind: str, seed: int, charge: float, before_a: float, wanted_a: float
) -> None:
    """No true cell passes its bound for its sake, and a little more would, unless nothing more is wanted."""
    assert loaded in (CABIN, BOATHOUSE)
    profile = CABIN if loaded is CABIN else BOATHOUSE
    pack = site_of(profile, Setup(pack=PackWish(kind, seed, charge))).pack
    pack.step(before_a, 30.0)
    limits = profile.plan.limits
    bound = Bound(profile.plan, 1.0)
    current_a = bound.current_a(pack, wanted_a)
    sign = 1.0 if wanted_a >= 0.0 else -1.0
    bound_v = limits.cell_target_v if sign > 0 else limits.cell_floor_v

    def worst_v(a: float) -> float:
        shares = pack.shares_a(a)
        ends = [
            v for bank, share in zip(pack.banks, shares, strict=True) for v in bank.foreseen_v(share, 1.0)
        ]
        begins = [
            cell.voltage_v(share)
            for bank, share in zip(pack.banks, shares, strict=True)
            for cell in bank.cells
        ]
        return max(sign * (v - bound_v) for v in (*ends, *begins))

    assert 0.0 <= sign * current_a <= abs(wanted_a)
    if current_a:
        assert worst_v(current_a) <= 1e-9
    at_cap = sign * current_a >= min(abs(wanted_a), bound.cap_a(pack, sign)) - 1e-9
    assert at_cap or worst_v(current_a + sign * 0.1) > 0.0


def test_nothing_flows_where_the_profile_forbids_it() -> None:
    """At -5 °C LFP is not charged, whatever the cells' voltages."""
    cold = Setup(pack=PackWish(temperature_c=-5.0, charge=0.5))

    assert Bound(CABIN.plan, 1.0).current_a(site_of(CABIN, cold).pack, 50.0) == 0.0
    assert Bound(CABIN.plan, 1.0).current_a(site_of(CABIN, cold).pack, -50.0) < 0.0


@pytest.mark.parametrize("kind", ["spread", "contact"])
def test_the_day_of_the_oracle_conserves_charge(kind: str) -> None:
    """What is stored in the end is what was stored before, plus what flowed in, less what was bled."""
    setup = Setup(hours=2.0, start_s=11.5 * 3600.0, pack=PackWish(kind, charge=0.9))
    before_ah = stored_ah(site_of(CABIN, setup).pack)
    day = run_oracle(CABIN, setup)
    gained_ah = day.stored_ah[-1] - before_ah

    assert day.full_us is not None
    assert day.charged_ah - day.drawn_ah - 0.5 * 2.0 <= gained_ah <= day.charged_ah - day.drawn_ah + 1e-6
    assert sum(day.current_a) / 3600.0 == pytest.approx(day.charged_ah - day.drawn_ah, abs=1e-9)
