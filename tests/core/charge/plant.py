"""A tiny string and its charger: an exponential knee, one resistance, a first-order answer."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from bridge.core.charge.law import PartsLaw
from bridge.core.charging.charge_settings import ChargeLimits, ChargeSettings

FOOT_V, E_FOLD = 3.335, 0.0097


def settings(**changes: float) -> ChargeSettings:
    """Four cells of 100 Ah, charged to 3.50 V with at most 40 A."""
    base = ChargeSettings(
        cells=4,
        capacity_ah=100.0,
        target_v=3.50,
        knee_v=3.40,
        ceiling_v=14.0,
        most_a=40.0,
        rise_a_per_s=0.8,
    )
    return ChargeSettings(**{**base.__dict__, **changes})


@dataclass
class Plant:
    """Cells and charger; V, A, Ohm, s.

    Attributes:
        charges: of each cell, 1 where it rests at 3.50 V.
        ohm: of each cell.
        obeys_a, obeys_v: the limits that the charger heeds.
        reads_v: how far its terminals stand above what it was told.
        load_a: at a time, what the loads take from it; it answers them as slowly as its limits.
    """

    charges: list[float]
    ohm: float = 0.000_84
    obeys_a: bool = True
    obeys_v: bool = True
    lag_s: float = 2.0
    reads_v: float = 0.0
    source_a: Callable[[int], float] = lambda _: 60.0
    load_a: Callable[[int], float] = lambda _: 0.0
    t_s: int = 0
    current_a: float = 0.0
    high_v: float = 0.0
    low_v: float = 9.0
    sent: list[ChargeLimits] = field(default_factory=list)
    flows_a: list[float] = field(default_factory=list)
    states: list[str] = field(default_factory=list)
    _given_a: float = 0.0
    _knows_a: float = 0.0

    def rests_v(self) -> list[float]:
        """Of each cell."""
        return [FOOT_V + 0.165 * math.exp((charge - 1.0) / E_FOLD) for charge in self.charges]

    @property
    def cells_v(self) -> list[float]:
        """Of each cell, now."""
        return [rest + self.ohm * self.current_a for rest in self.rests_v()]

    def shown(self) -> list[float]:
        """In steps of 1 mV."""
        return [round(volts, 3) for volts in self.cells_v]

    def second(self, volts: float, amps: float) -> None:
        """One second under limits."""
        rests = self.rests_v()
        by_volts = (volts + self.reads_v - sum(rests)) / (len(rests) * self.ohm + 0.001)
        wanted = self.source_a(self.t_s) - self.load_a(self.t_s)
        wanted = min(wanted, amps) if self.obeys_a else wanted
        wanted = min(wanted, by_volts) if self.obeys_v else wanted
        near = -math.expm1(-1.0 / self.lag_s)
        self._given_a += (max(wanted, 0.0) - self._given_a) * near
        load = self.load_a(self.t_s)
        self._knows_a += (load - self._knows_a) * near
        self.current_a = self._given_a + self._knows_a - load
        self.charges = [charge + self.current_a / 360_000.0 for charge in self.charges]
        self.t_s += 1
        self.flows_a.append(self.current_a)
        self.high_v, self.low_v = max(self.high_v, *self.cells_v), min(self.low_v, *self.cells_v)

    def run(self, law: PartsLaw, seconds: int, *, extremes: bool = False, known: bool = True) -> None:
        """Some seconds in closed loop; what was sent, and believed, is kept."""
        sent = self.sent[-1] if self.sent else ChargeLimits(13.2, 0.0)
        for _ in range(seconds):
            shown = self.shown()
            sent = law.step(
                1.0,
                [min(shown), max(shown)] if extremes else shown,
                sum(shown),
                round(self.current_a, 1) if known else None,
                sent_v=sent.voltage_v,
                sent_a=sent.current_a,
            )
            self.sent.append(sent)
            self.states.append(law.supervisor.state.value)
            self.second(sent.voltage_v, sent.current_a)
