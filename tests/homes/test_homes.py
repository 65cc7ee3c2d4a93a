"""A seeded handful of random homes, and what they are made of. By hand: `python -m tests.homes`."""

import numpy as np
import pytest

from tests.homes.cells import CURVES, GRID, Array
from tests.homes.chargers import PIECE_S, Chargers
from tests.homes.drain_run import DrawTrial
from tests.homes.draw import Homes, draw
from tests.homes.kinds import DRAW_KINDS, KINDS, Kind
from tests.homes.sensors import Sensors
from tests.homes.trial import Trial

PLAIN = Kind("plain")
SOON_S = (200.0, 600.0)
"""So near to full, or empty, that the tests take seconds."""


def _flows(homes: Homes, limit_a: Array, load_a: Array) -> Array:
    """What flows into each battery, half second by half second, under a limit and a load; of the most."""
    chargers, banks = Chargers(homes.manners), homes.banks
    volts, none = np.asarray(homes.told.cells * 3.6, float), np.zeros(len(homes))
    source = 2.0 * homes.told.most_a
    found = []
    for limit, load in zip(limit_a, load_a, strict=True):
        for _ in range(round(1.0 / PIECE_S)):
            flows = chargers.step(
                banks, volts, limit * homes.told.most_a, source, load * homes.told.most_a, none
            )
            banks.flow(flows, PIECE_S)
            found.append(flows / homes.told.most_a)
    return np.array(found)


def test_the_same_seed_draws_the_same_homes_and_another_draws_others() -> None:
    """All that is drawn: cells, chargers, sensors, sun and loads."""
    one, same, other = (draw(KINDS[-1], 5, seed, 60) for seed in (1, 1, 2))
    assert (one.banks.cells.charge == same.banks.cells.charge).all()
    assert (one.manners.lag_s == same.manners.lag_s).all()
    assert (one.load_a == same.load_a).all()
    assert one.told.most_a.tolist() != other.told.most_a.tolist()


def test_every_curve_rises_and_passes_both_bounds() -> None:
    """From below the floor to above any target."""
    assert (np.diff(CURVES, axis=1) > 0.0).all()
    at = (GRID > 0.0) & (GRID < 1.01)
    assert (CURVES[:, at].min(axis=1) < 2.9).all()
    assert (CURVES[:, at].max(axis=1) > 3.55).all()


def test_a_charger_gives_nothing_below_its_least_current_and_is_back_after_its_delay() -> None:
    """The limit passes through the least current, down and up."""
    homes = draw(Kind("least", frozenset({"least"})), 8, 1, 1)
    least = homes.manners.least_a[:, 0] / homes.told.most_a
    limit = np.ones((180, 8))
    limit[:30], limit[120:] = 0.9 * least, 0.9 * least
    flows = _flows(homes, limit, np.zeros((180, 8)))
    assert (flows[:60] == 0.0).all()
    assert (flows[235] > 0.9).all()
    assert (flows[-1] < 0.01).all()
    waited_s = (flows > 0.0).argmax(axis=0) * PIECE_S - 30.0
    assert (abs(waited_s - homes.manners.back_s[:, 0]) <= 1.5).all()


def test_a_load_that_goes_leaves_its_current_to_the_battery_until_the_charger_has_answered() -> None:
    """And nothing else does."""
    homes = draw(PLAIN, 6, 1, 1)
    limit, load = np.full((90, 6), 0.3), np.zeros((90, 6))
    load[10:60] = 0.5
    flows = _flows(homes, limit, load)
    assert (abs(flows[118] - 0.3) < 0.02).all()
    assert (flows[120] > 0.5).all()
    assert (abs(flows[-1] - 0.3) < 0.02).all()


def test_coarse_steps_and_dead_time_are_those_that_were_drawn() -> None:
    """What is set is never more than was told, and nothing is answered before the dead time is over."""
    homes = draw(Kind("both", frozenset({"steps", "sluggish"})), 8, 3, 1)
    limit = np.zeros((80, 8))
    limit[20:] = 0.5
    flows = _flows(homes, limit, np.zeros((80, 8)))
    amps, step = flows[-1] * homes.told.most_a, homes.manners.amp_step[:, 0]
    assert (np.abs(amps - np.floor(0.5 * homes.told.most_a / step + 1e-6) * step) < 0.1).all()
    begins = (flows > 1e-6).argmax(axis=0)
    assert (begins == 40 + homes.manners.dead[:, 0]).all()


def test_cells_in_rotation_are_told_page_by_page_and_say_when_they_came_where_they_are_stamped() -> None:
    """Each page once in a round."""
    homes = draw(Kind("late", frozenset({"rotation"})), 12, 1, 1)
    sensors = Sensors(homes.errors, homes.banks, homes.random)
    came = np.stack([sensors.seen(n).came_s[:, 0, ::3].copy() for n in range(12)])
    age = np.arange(12)[:, None, None] - came
    stamped, rounds = homes.errors.stamped, homes.errors.round_s
    assert (age[6:, ~stamped] == 0.0).all()
    assert (age[6:, stamped].max(axis=(0, 2)) == rounds[stamped] - 1).all()


def test_banks_in_parallel_stand_at_one_voltage_and_share_the_current_between_them() -> None:
    """Whatever their sizes."""
    homes = draw(Kind("banks", frozenset({"banks"})), 6, 1, 1)
    banks = homes.banks
    banks.flow(homes.told.most_a, 1.0)
    assert np.allclose(banks.flows_a.sum(axis=1), homes.told.most_a)
    assert (banks.flows_a > 0.0).all()


def test_the_oracle_with_the_same_delays_passes_no_target_but_where_a_load_goes() -> None:
    """Under a plain sun: so what it comes over elsewhere is what no limit can prevent."""
    trial = Trial(KINDS[0], 4, 1, seconds=500, lacks_s=SOON_S)
    assert trial.unpreventable_mv.max() < 0.05


@pytest.mark.slow
def test_no_home_of_a_handful_is_charged_beyond_its_target() -> None:
    """Whatever comes together, the cells stay at what is allowed, where the charger heeds its limits."""
    trial = Trial(KINDS[-1], 6, 1, seconds=900, lacks_s=SOON_S)
    found = trial.of("ours")
    heeds = ~trial.ignores
    assert heeds.sum() >= 4
    assert not found.tripped[heeds].any()
    assert (found.beyond_mv <= found.over_allowed_mv)[heeds].all()


@pytest.mark.slow
def test_no_home_of_a_handful_is_discharged_below_its_floor() -> None:
    """The same of the lowest cell."""
    found = DrawTrial(DRAW_KINDS[-1], 6, 1, seconds=900, lacks_s=SOON_S).of("ours")
    assert not found.tripped.any()
    assert (found.under_mv <= found.allowed_mv).all()
