"""The simulated inverter: limits, lag, time-out, and a day at the cabin."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.simulate.inverter import InverterModel, Limits, Manners, Wish, cabin_day
from bridge.simulate.pack import PackModel, drawn_bank

OPEN = Limits(57.6, 200.0, 200.0, 44.0)


def _pack(charge: float = 0.6) -> PackModel:
    return PackModel([drawn_bank(1, charge)])


def _inverter(
    solar_a: float, load_a: float, *, lag_s: float = 2.0, timeout_s: float = 10.0, reads_high_v: float = 0.0
) -> InverterModel:
    wish = Wish(solar_a, load_a)
    return InverterModel(lambda _: wish, lag_s=lag_s, timeout_s=timeout_s, reads_high_v=reads_high_v)


def _settle(inverter: InverterModel, pack: PackModel, limits: Limits, seconds: int = 30) -> float:
    for _ in range(seconds):
        inverter.receive(limits)
        pack.step(inverter.step(pack, 1.0), 1.0)
    return inverter.current_a


def test_no_limits_no_current() -> None:
    """An inverter that was never told anything leaves the pack alone."""
    inverter = _inverter(80.0, 0.0)

    assert inverter.timed_out
    assert inverter.step(_pack(), 1.0) == 0.0


def test_wish_is_followed_within_open_limits() -> None:
    """Sun less load flows into the pack, load less sun out of it."""
    assert _settle(_inverter(80.0, 20.0), _pack(), OPEN) == pytest.approx(60.0, abs=0.01)
    assert _settle(_inverter(20.0, 80.0), _pack(), OPEN) == pytest.approx(-60.0, abs=0.01)


def test_response_lags_by_its_time_constant() -> None:
    """After one time constant, 63.2 % of a step is there."""
    inverter, pack = _inverter(100.0, 0.0, lag_s=2.0), _pack()
    inverter.receive(OPEN)

    assert inverter.step(pack, 2.0) == pytest.approx(100.0 * (1.0 - math.exp(-1.0)))


@pytest.mark.parametrize(
    ("solar_a", "load_a", "limits", "current_a"),
    [
        (80.0, 0.0, OPEN._replace(charge_current_limit_a=25.0), 25.0),
        (0.0, 80.0, OPEN._replace(discharge_current_limit_a=30.0), -30.0),
        (80.0, 0.0, OPEN._replace(charge_allowed=False), 0.0),
        (0.0, 80.0, OPEN._replace(discharge_allowed=False), 0.0),
        (80.0, 0.0, OPEN._replace(charge_voltage_limit_v=50.0), 0.0),
        (0.0, 80.0, OPEN._replace(discharge_voltage_floor_v=54.0), 0.0),
    ],
)
def test_the_tighter_limit_binds(solar_a: float, load_a: float, limits: Limits, current_a: float) -> None:
    """Current limits, permissions and voltages each hold the current where they say."""
    assert _settle(_inverter(solar_a, load_a), _pack(), limits) == pytest.approx(current_a, abs=0.01)


def test_a_charge_ban_does_not_stop_a_discharge() -> None:
    """With charging forbidden, loads are still fed from the pack."""
    limits = OPEN._replace(charge_allowed=False)

    assert _settle(_inverter(0.0, 40.0), _pack(), limits) == pytest.approx(-40.0, abs=0.01)


def test_voltage_limit_is_met_at_the_terminals() -> None:
    """In voltage control the voltmeter shows the limit, and the current is below the wish."""
    inverter, pack = _inverter(150.0, 0.0), _pack(0.6)
    current_a = _settle(inverter, pack, OPEN._replace(charge_voltage_limit_v=53.0), 60)

    assert 1.0 < current_a < 140.0
    assert inverter.voltage_v(pack) == pytest.approx(53.0, abs=0.02)


def test_a_voltmeter_that_reads_high_charges_less() -> None:
    """An inverter that reads 0.2 V high stops 0.2 V short of the limit."""
    inverter, pack = _inverter(150.0, 0.0, reads_high_v=0.2), _pack(0.6)
    _settle(inverter, pack, OPEN._replace(charge_voltage_limit_v=53.2), 60)

    assert inverter.voltage_v(pack) == pytest.approx(53.2, abs=0.02)
    assert inverter.voltage_v(pack) - 0.2 == pytest.approx(53.0, abs=0.02)
    assert pack.voltage_v < 53.0


def test_silence_ends_the_current() -> None:
    """Without limits for longer than its time-out the current goes to zero; new limits restart it."""
    inverter, pack = _inverter(60.0, 0.0, timeout_s=5.0), _pack()
    _settle(inverter, pack, OPEN)
    kept_a = [inverter.step(pack, 1.0) for _ in range(4)]
    in_time = not inverter.timed_out
    late_a = inverter.step(pack, 1.0)
    for _ in range(30):
        inverter.step(pack, 1.0)

    assert min(kept_a) == pytest.approx(60.0, abs=0.01)
    assert in_time
    assert late_a < 40.0
    assert inverter.timed_out
    assert abs(inverter.current_a) < 0.01
    assert _settle(inverter, pack, OPEN) == pytest.approx(60.0, abs=0.01)


def test_a_day_repeats_and_has_night_noon_and_evening() -> None:
    """No sun at midnight, most of it at 13 h, the evening load after dark; the next day is the same."""
    assert cabin_day(0.0) == Wish(0.0, 5.0)
    assert cabin_day(13 * 3600.0) == pytest.approx((70.0, 5.0))
    assert cabin_day(21 * 3600.0) == Wish(0.0, 30.0)
    assert cabin_day(86_400.0 + 13 * 3600.0) == cabin_day(13 * 3600.0)


@pytest.mark.slow
def test_a_day_at_the_cabin() -> None:
    """From 40 % at dawn: full by the afternoon, a taper at the knee, an evening load, 40 % again."""
    pack, inverter = _pack(0.40), InverterModel(t_s=6 * 3600.0)
    hourly: dict[int, tuple[float, float, float]] = {}
    for second in range(0, 24 * 3600, 5):
        inverter.receive(Limits(56.0, 100.0, 150.0, 46.0))
        pack.step(inverter.step(pack, 5.0), 5.0)
        if second % 3600 == 0:
            hourly[6 + second // 3600] = (inverter.current_a, pack.voltage_v, pack.state_of_charge)

    assert hourly[11][0] > 40.0
    assert hourly[14][2] > 98.0
    assert hourly[14][1] == pytest.approx(56.0, abs=0.05)
    assert 0.0 < hourly[14][0] < 5.0
    assert max(voltage_v for _, voltage_v, _ in hourly.values()) < 56.05
    assert hourly[21][0] == pytest.approx(-30.0, abs=0.1)
    assert hourly[29][2] == pytest.approx(40.0, abs=3.0)


@settings(max_examples=50, deadline=None)
@given(
    st.floats(0.1, 0.98),
    st.floats(0.0, 300.0),
    st.floats(0.0, 300.0),
    st.builds(
        Limits,
        st.floats(40.0, 60.0),
        st.floats(0.0, 200.0),
        st.floats(0.0, 200.0),
        st.floats(40.0, 60.0),
        st.booleans(),
        st.booleans(),
    ),
)
def test_no_limit_is_passed_from_rest(charge: float, solar_a: float, load_a: float, limits: Limits) -> None:
    """From rest, no current limit, permission or voltage is ever passed, and nothing turns NaN."""
    inverter, pack = _inverter(solar_a, load_a), _pack(charge)
    resting_v = pack.voltage_v
    for _ in range(20):
        inverter.receive(limits)
        current_a = inverter.step(pack, 1.0)

        assert math.isfinite(current_a)
        assert current_a <= (limits.charge_current_limit_a if limits.charge_allowed else 0.0)
        assert current_a >= -(limits.discharge_current_limit_a if limits.discharge_allowed else 0.0)
        assert inverter.voltage_v(pack) <= max(limits.charge_voltage_limit_v, resting_v) + 1e-9
        assert inverter.voltage_v(pack) >= min(limits.discharge_voltage_floor_v, resting_v) - 1e-9


def _rude(solar_a: float, load_a: float, manners: Manners, lag_s: float = 2.0) -> InverterModel:
    return InverterModel(lambda _: Wish(solar_a, load_a), lag_s=lag_s, timeout_s=5.0, manners=manners)


def test_an_ignored_current_limit_lets_everything_in() -> None:
    """It charges with all the sun gives, up to the charge voltage limit, which it obeys."""
    tight = OPEN._replace(charge_current_limit_a=10.0)
    inverter = _rude(80.0, 0.0, Manners(ignores="current"))

    assert _settle(inverter, _pack(), tight) == pytest.approx(80.0, abs=0.01)
    assert _settle(inverter, _pack(), tight._replace(charge_voltage_limit_v=50.0)) == pytest.approx(
        0.0, abs=0.1
    )
    assert _settle(inverter, _pack(), tight._replace(charge_allowed=False)) == pytest.approx(0.0, abs=0.1)


def test_an_ignored_voltage_limit_leaves_the_current_limit() -> None:
    """It charges past the voltage, with no more than the current it was told."""
    limits = OPEN._replace(charge_voltage_limit_v=50.0, charge_current_limit_a=10.0)

    assert _settle(_rude(80.0, 0.0, Manners(ignores="voltage")), _pack(), limits) == pytest.approx(
        10.0, abs=0.01
    )


@pytest.mark.parametrize("ignores", ["", "voltage", "current"])
def test_discharge_limits_are_never_ignored(ignores: str) -> None:
    """Whatever charge limit it ignores, loads get no more than the pack allows."""
    limits = OPEN._replace(discharge_current_limit_a=20.0)

    assert _settle(_rude(0.0, 80.0, Manners(ignores=ignores)), _pack(), limits) == pytest.approx(
        -20.0, abs=0.01
    )


def test_a_late_inverter_obeys_later() -> None:
    """A limit takes effect only after its delay; until then the one before counts."""
    inverter, pack = _rude(80.0, 0.0, Manners(late_s=10.0), lag_s=0.01), _pack()
    _settle(inverter, pack, OPEN)
    tight = OPEN._replace(charge_current_limit_a=10.0)
    flows = []
    for _ in range(12):
        inverter.receive(tight)
        flows.append(inverter.step(pack, 1.0))

    assert min(flows[:9]) == pytest.approx(80.0, abs=0.01)
    assert flows[-1] == pytest.approx(10.0, abs=0.01)


def test_whole_steps_go_to_the_safe_side() -> None:
    """Told 25.37 A and 52.84 V, it sets 25.3 A and 52.8 V."""
    manners = Manners(volt_step=0.1, amp_step=0.1)
    limits = OPEN._replace(charge_current_limit_a=25.37)
    assert _settle(_rude(80.0, 0.0, manners), _pack(), limits) == pytest.approx(25.3, abs=0.001)

    inverter, pack = _rude(200.0, 0.0, manners), _pack()
    _settle(inverter, pack, OPEN._replace(charge_voltage_limit_v=52.84), 120)
    assert inverter.voltage_v(pack) == pytest.approx(52.8, abs=0.01)


def test_it_cannot_charge_with_less_than_its_least_current() -> None:
    """Told 1 A it takes 4 A; told not to charge it takes none; where the sun gives less, it takes that."""
    manners = Manners(least_charge_a=4.0)
    told = OPEN._replace(charge_current_limit_a=1.0)
    inverter = _rude(80.0, 0.0, manners)

    assert _settle(inverter, _pack(), told) == pytest.approx(4.0, abs=0.001)
    assert inverter.held_by == "least_current"
    assert _settle(_rude(80.0, 0.0, manners), _pack(), told._replace(charge_allowed=False)) == 0.0
    assert _settle(_rude(3.0, 0.0, manners), _pack(), told) == pytest.approx(1.0, abs=0.001)


def test_one_that_restarts_by_itself_does_so_after_a_while() -> None:
    """After its time-out it stands still, then starts again on the last limits, though nobody told it."""
    inverter, pack = _rude(60.0, 0.0, Manners(restarts_after_s=20.0), lag_s=0.01), _pack()
    _settle(inverter, pack, OPEN)
    flows = [inverter.step(pack, 1.0) for _ in range(40)]

    assert flows[10] == pytest.approx(0.0, abs=0.01)
    assert flows[-1] == pytest.approx(60.0, abs=0.01)


@pytest.mark.parametrize(
    ("solar_a", "load_a", "limits", "held_by"),
    [
        (80.0, 0.0, OPEN, "wish"),
        (80.0, 0.0, OPEN._replace(charge_current_limit_a=25.0), "charge_current_limit"),
        (80.0, 0.0, OPEN._replace(charge_voltage_limit_v=50.0), "charge_voltage_limit"),
        (0.0, 80.0, OPEN._replace(discharge_current_limit_a=25.0), "discharge_current_limit"),
        (0.0, 80.0, OPEN._replace(discharge_voltage_floor_v=54.0), "discharge_voltage_floor"),
        (80.0, 0.0, OPEN._replace(charge_allowed=False), "forbidden"),
    ],
)
def test_it_knows_what_holds_it(solar_a: float, load_a: float, limits: Limits, held_by: str) -> None:
    """The limit that holds the current is named."""
    inverter = _inverter(solar_a, load_a)
    _settle(inverter, _pack(), limits)

    assert inverter.held_by == held_by
