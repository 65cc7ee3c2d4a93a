"""`simulate`: one day of a profile, with everything that is to be told of it."""

from dataclasses import dataclass

from bridge.core.failsafe.machine import State
from bridge.core.told.decision import Decision
from bridge.profile.chemistry import CHEMISTRIES, Chemistry
from bridge.profile.load import LoadedProfile
from bridge.simulate.day import Loop, Setup
from bridge.simulate.oracle import Comparison, Watch, compared, run_oracle, stored_ah
from bridge.simulate.record import Record
from bridge.simulate.site import Site
from bridge.simulate.turns import Turns, apart_ah


@dataclass(frozen=True, slots=True)
class Day:
    """One simulated day.

    Attributes:
        loaded: the profile.
        setup: with which pack, sky and charger.
        record: what happened.
        chemistry: of the cells.
        sent, received: frames of the bridge, frames of the pack and the inverter.
        bled_ah: what the balancers have burnt, over all cells.
        stored_ah: true charge in the pack at the start and at the end.
        apart_ah: how much earlier the first cell would be full than the last, at the start and at the end.
        comparison: with the oracle, if that was asked for.
    """

    loaded: LoadedProfile
    setup: Setup
    record: Record
    chemistry: Chemistry
    sent: int
    received: int
    bled_ah: float
    stored_ah: tuple[float, float]
    apart_ah: tuple[float, float]
    comparison: Comparison | None

    @property
    def tripped(self) -> bool:
        """Whether a true cell left what its chemistry bears: an independent protection would have cut off."""
        record, chemistry = self.record, self.chemistry
        low, high = record.lowest.voltage_v, record.highest.voltage_v
        return high > chemistry.cell_max_v or low < chemistry.cell_min_v

    @property
    def followed(self) -> bool:
        """Whether the limits ever followed the pack."""
        _, states_us = self.record.stats()
        return State.FOLLOWING in states_us


def simulate(loaded: LoadedProfile, setup: Setup, *, compare_oracle: bool = False) -> Day:
    """Simulates a profile. The same arguments give the same day, to the last digit."""
    loop = Loop(loaded, setup)
    record = Record(loaded.plan, setup, Turns(loaded.plan))
    watch = Watch(run_oracle(loaded, setup), setup) if compare_oracle else None
    pack = loop.site.pack
    start_ah, start_apart_ah = stored_ah(pack), apart_ah(pack)

    def look(t_us: int, site: Site, decision: Decision) -> None:
        record.look(t_us, site, decision, loop.news)
        if watch is not None:
            watch.look(t_us, site, decision)

    loop.run(look)
    record.turns.finish()
    comparison = compared(setup, start_ah, watch) if watch is not None else None
    return Day(
        loaded,
        setup,
        record,
        CHEMISTRIES[loaded.profile.pack.chemistry],
        loop.sent,
        loop.received,
        sum(sum(bank.bled_ah) for bank in pack.banks),
        (start_ah, stored_ah(pack)),
        (start_apart_ah, apart_ah(pack)),
        comparison,
    )
