"""What is told besides the four limits, and the whole of it as one table for the wire."""

from collections.abc import Mapping, Sequence, Set
from types import MappingProxyType
from typing import Final

from bridge.core.bounds.requests import Allowed, ChargeRequest, shown_soc
from bridge.core.course.course import IDLE, Now
from bridge.core.failsafe.machine import State
from bridge.core.limits.compose import FourLimits
from bridge.core.pack.merge import PERMISSIONS
from bridge.core.plan.plan import Plan, ShownSoc
from bridge.core.told.causes import Causes

_FROM: Final = {"shown_state_of_charge": "state_of_charge"}
"""What is told that follows from a reading, and from which."""


class Told:
    """All quantities for the wire, over time. Mutable; owned by one engine.

    Attributes:
        causes: flags by cause, which `values` is told.
        kept: the same as was told last, with the last values known of what is not known: for messages in
            which a reading must not keep the limits beside it from leaving.
    """

    def __init__(self, plan: Plan, start_us: int = 0) -> None:
        self.causes = Causes(plan, start_us)
        self._wish = plan.options.shown_soc
        self._charge_allowed = Allowed(plan.limits.charge_a)
        self._draw_allowed = Allowed(plan.limits.discharge_a)
        self._request = ChargeRequest(plan.limits)
        self._known: Set[str] = frozenset()
        self._gone_us: dict[str, int] = {}
        self._keeps = any(transmission.keeps_readings for transmission in plan.transmissions)
        self._last: dict[str, float] = {}
        self.kept: Mapping[str, float | None] = {}

    def values(
        self,
        t_us: int,
        state: State,
        limits: FourLimits,
        known: Mapping[str, float],
        warnings: Sequence[str],
        course: Now = IDLE,
        flags: Mapping[str, float | None] = MappingProxyType({}),
        *,
        alarm: bool = False,
    ) -> Mapping[str, float | None]:
        """Every quantity by name.

        Of what is measured only what is known now: what is too old is not present. So the wish to be charged
        follows from that, too, and only where charging is allowed.
        """
        if self._known != known.keys():
            self._gone_us |= dict.fromkeys(self._known - known.keys(), t_us)
            self._known = known.keys()
        shown: dict[str, float | None] = {**dict.fromkeys((*PERMISSIONS, *self._gone_us)), **known}
        volts, charge, draw, floor = limits
        charge_allowed = self._charge_allowed.update(charge.value)
        requested = self._request.update(t_us, known.get("state_of_charge"), known.get("cell_voltage_min"))
        values = MappingProxyType(
            {
                **shown,
                **flags,
                "charge_voltage_limit": volts.value,
                "charge_current_limit": charge.value,
                "discharge_current_limit": draw.value,
                "discharge_voltage_floor": floor.value,
                "charge_allowed": float(charge_allowed),
                "discharge_allowed": float(self._draw_allowed.update(draw.value)),
                "charge_stage": None if course.stage is None else float(course.stage),
                "charge_requested": float(requested and charge_allowed),
                "shown_state_of_charge": self._soc(t_us, known.get("state_of_charge"), course),
                "alarm": float(alarm or state >= State.SAFE),
                "warning": float(bool(warnings) or state is State.HOLDING),
                "failsafe_state": float(state),
            }
        )
        if self._keeps:
            self._last |= {name: value for name, value in values.items() if value is not None}
            self.kept = MappingProxyType({**self._last, **dict.fromkeys(PERMISSIONS), **known})
        return values

    def waits(self, t_us: int, text: str) -> str:
        """Why a frame waits at `t_us`, for people: a reading that was known before says since when not."""
        where, _, name = text.removesuffix(" not seen yet").rpartition(": ")
        gone_us = self._gone_us.get(_FROM.get(name, name))
        if gone_us is None or _FROM.get(name, name) in self._known:
            return text
        return f"{where}: {name} not known for {(t_us - gone_us) / 1e6:.0f} s"

    def take_over(self, other: "Told") -> None:
        """Goes on where another one stands."""
        self._charge_allowed.on, self._draw_allowed.on = other._charge_allowed.on, other._draw_allowed.on
        self._request.take_over(other._request)
        self._last = {**other._last, **self._last}

    @property
    def settled(self) -> bool:
        """Whether the same inputs would tell the same next time, however much later."""
        return self._request.settled and self.causes.settled

    def _soc(self, t_us: int, soc: float | None, course: Now) -> float | None:
        """What the stages leave of it, then what the person wishes to be shown."""
        if soc is not None:
            soc = min(soc, course.most_soc)
        wish = self._wish if course.window is None else ShownSoc(*course.window, until_us=t_us + 1)
        return shown_soc(wish, soc, t_us)

    def wish_lasts(self, t_us: int) -> bool:
        """Whether a wish for the shown state of charge is in force at `t_us`."""
        return self._wish is not None and t_us < self._wish.until_us
