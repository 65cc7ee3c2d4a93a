"""Several inverters in a simulated site: each obeys what it is told, and does what its role says."""

from contextlib import suppress
from pathlib import Path

from bridge.drill.watch import describe
from bridge.service.daemon import Daemon
from bridge.service.journal import Journal, make_logger
from bridge.simulate.inverter import Wish
from bridge.simulate.site import Site
from bridge.simulate.world import Killed, VirtualWorld
from tests.profile.made import CABIN, loaded
from tests.profile.test_shares import more


def test_each_takes_its_part_and_a_charger_draws_nothing(tmp_path: Path) -> None:
    """Together what the pack bears, not twice as much; the load is the other one's alone."""
    profile = loaded(tmp_path, CABIN, *more('role = "charges"'))
    site = Site(
        profile, 0, charge=0.5, wish=lambda t_s: Wish(500.0 if t_s < 60 else 0.0, 500.0 * (t_s >= 60))
    )
    world = VirtualWorld(site, 0)
    daemon = Daemon(profile, world, Journal(make_logger("plain", lambda _: None)), load=lambda: profile)
    seen: dict[int, tuple[float, float, float]] = {}

    def look() -> None:
        limits = daemon.engine.decision.limits
        most_a = limits["charge_current_limit" if world.t_us < 60_000_000 else "discharge_current_limit"]
        barn, loft = (listener.model.current_a for listener in site.listeners)
        seen[world.t_us // 1_000_000] = (barn, loft, most_a.value)

    world.at(55_000_000, look)
    world.at(115_000_000, look)
    world.at(120_000_000, world.kill)
    with suppress(Killed):
        daemon.run()
    (barn_a, loft_a, most_a), (barn_drawn_a, loft_drawn_a, most_drawn_a) = seen[55], seen[115]
    assert 0.9 * most_a < barn_a + loft_a <= most_a
    assert abs(barn_a - loft_a) < 1.0
    assert abs(loft_drawn_a) < 0.1
    assert 0.9 * most_drawn_a < -barn_drawn_a <= most_drawn_a
    assert "charge" in describe(site.listeners[0], world.t_us)
