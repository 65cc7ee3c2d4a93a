"""Defects of what is believed, and of what follows when data is lost."""

from collections.abc import Callable
from typing import Final

from bridge.core.failsafe.machine import FailSafe, State, Step
from bridge.core.pack.heartbeats import Heartbeats
from bridge.core.pack.state import Doubt, PackState
from bridge.core.plan.plan import SECOND_US, Plan, Slot, Source
from bridge.errors import FrameRefused
from tests.storm.defects.put import Put, plans

HOUR_US: Final = 3600 * SECOND_US


def never_too_old(put: Put) -> None:
    """No reading is ever too old."""

    def change(plan: Plan) -> Plan:
        slots = tuple(Slot(one.quantity, one.owner, one.index, HOUR_US, one.required) for one in plan.slots)
        banks = tuple(
            one._replace(required=tuple((slot, HOUR_US) for slot, _ in one.required)) for one in plan.banks
        )
        return plan._replace(slots=slots, banks=banks)

    plans(put, change)


def one_vouches_for_another(put: Put) -> None:
    """Any frame of a bank makes all its readings new."""
    right = PackState.take

    def take(self: PackState, source: Source, t_us: int, data: bytes) -> dict[str, str]:
        found = right(self, source, t_us, data)
        for slot, known in enumerate(self._slots):
            if known.owner == source.owner and self._values[slot] is not None:
                self._valid_until_us[slot] = t_us + known.max_age_us
        return found

    put(PackState, "take", take)


def refused_counts_as_fresh(put: Put) -> None:
    """A frame that is refused makes the readings before it new, and is no doubt."""
    right = PackState.take

    def take(self: PackState, source: Source, t_us: int, data: bytes) -> dict[str, str]:
        try:
            return right(self, source, t_us, data)
        except FrameRefused:
            self._memories[id(source)].refusal = None
            for target in source.targets:
                if self._values[target.slot] is not None:
                    self._valid_until_us[target.slot] = t_us + self._slots[target.slot].max_age_us
            raise

    put(PackState, "take", take)


def _sources(put: Put, change: Callable[[Source], Source]) -> None:
    plans(put, lambda plan: plan._replace(sources=tuple(change(one) for one in plan.sources)))


def frozen_counter_accepted(put: Put) -> None:
    """A monitor that repeats itself is believed."""
    _sources(put, lambda one: one._replace(counter=None))


def checksum_ignored(put: Put) -> None:
    """A damaged frame is believed."""
    _sources(put, lambda one: one._replace(checksum=None))


def everything_is_believed(put: Put) -> None:
    """No reading is out of range."""

    def change(one: Source) -> Source:
        return one._replace(targets=tuple(t._replace(low=-1e9, high=1e9, jump=None) for t in one.targets))

    _sources(put, change)


def holds_for_ever(put: Put) -> None:
    """Limits are not dropped after the holding time."""
    plans(put, lambda plan: plan._replace(times=plan.times._replace(hold_us=HOUR_US)))


def trusts_at_once(put: Put) -> None:
    """One good frame is enough to follow the pack again."""
    plans(put, lambda plan: plan._replace(times=plan.times._replace(steady_us=0)))


def silent_is_not_silent(put: Put) -> None:
    """Once all is lost for the stated time, zeros go on for ever."""
    right = FailSafe.step

    def step(self: FailSafe, t_us: int, doubt: Doubt | None) -> Step:
        found = right(self, t_us, doubt)
        return found._replace(state=State.SAFE) if found.state is State.SILENT else found

    put(FailSafe, "step", step)


def dead_inverter_ignored(put: Put) -> None:
    """The stated policy for an inverter that is not heard is not carried out."""
    put(Heartbeats, "unheard", lambda *_: [])
