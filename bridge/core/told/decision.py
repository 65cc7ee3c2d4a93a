"""What the core decided at one instant: the state, the limits with their reasons, all values for the wire."""

from collections.abc import Mapping
from typing import NamedTuple

from bridge.core.failsafe.machine import State
from bridge.core.plan.reasons import Limit
from bridge.core.told.allot import Part
from bridge.core.told.reports import Report


class Decision(NamedTuple):
    """One decision. Immutable; a new one is made at every tick.

    Attributes:
        t_us: when it was made.
        state: fail-safe state.
        cause: why the state is not `following`; "" when it is.
        charge_voltage: V.
        charge_current: A.
        discharge_current: A, a magnitude.
        discharge_floor: V.
        values: every quantity by name, for the encoder; `None` where not known: never seen, or too old.
        warnings: what a person should look at, one sentence each.
        stage: stage of the charge and why, for people; "" where the profile has no stages.
        progress: how commissioning stands, for people; "" when there is none.
        parts: what each of several inverters is told of the currents; empty where one is told all.
        reports: what the inverters report, but for those that give no more than a sign of life.
    """

    t_us: int
    state: State
    cause: str
    charge_voltage: Limit
    charge_current: Limit
    discharge_current: Limit
    discharge_floor: Limit
    values: Mapping[str, float | None]
    warnings: tuple[str, ...]
    stage: str = ""
    progress: str = ""
    parts: tuple[Part, ...] = ()
    reports: tuple[Report, ...] = ()

    def limits_differ(self, other: "Decision") -> bool:
        """Whether they were decided anew since, and so may be others; never false where they are."""
        return self.charge_current is not other.charge_current

    @property
    def limits(self) -> dict[str, Limit]:
        """The four limits by the names of their quantities."""
        return {
            "charge_voltage_limit": self.charge_voltage,
            "charge_current_limit": self.charge_current,
            "discharge_current_limit": self.discharge_current,
            "discharge_voltage_floor": self.discharge_floor,
        }
