"""Defects of what outlives the process, and of what somebody else does."""

from collections.abc import Callable
from typing import Any

from bridge.core import engine as engine_module
from bridge.core.course.remembered import NOTHING, Kept
from bridge.core.engine import Engine
from bridge.core.failsafe.rivals import Rivals
from bridge.core.pack.twins import Twin
from bridge.core.plan.plan import Plan
from bridge.service.store import Found, Store
from tests.storm.defects.put import Put


def _loads(put: Put, change: Callable[[Kept], Kept]) -> None:
    right = Store.load

    def load(self: Store, *args: Any) -> Found:
        found = right(self, *args)
        return found._replace(kept=change(found.kept))

    put(Store, "load", load)


def caps_forgotten(put: Put) -> None:
    """After a restart it is not known any more what was lost, and what bounded the limits then."""
    _loads(put, lambda kept: kept._replace(caps=None, lost=frozenset()))


def cut_offs_forgotten(put: Put) -> None:
    """After a restart a cut-off that had tripped has not."""
    _loads(put, lambda kept: kept._replace(tripped=frozenset()))


def state_written_late(put: Put) -> None:
    """What has tripped is written some time later."""
    put(Store, "look", lambda *_: None)


def begins_where_it_was(put: Put) -> None:
    """A restart that knows the pack trusts the first readings, and rises at once."""

    def change(plan: Plan) -> Plan:
        limits = plan.limits._replace(charge_rise_a_per_s=1e6, discharge_rise_a_per_s=1e6)
        return plan._replace(limits=limits, times=plan.times._replace(steady_us=0))

    right = Engine.__init__

    def init(self: Engine, plan: Plan, start_us: int, kept: Kept = NOTHING, *more: Any) -> None:
        right(self, plan if kept == NOTHING else change(plan), start_us, kept, *more)
        self.plan = plan

    put(Engine, "__init__", init)


def rivals_ignored(put: Put) -> None:
    """Somebody else tells the inverters limits, and nobody minds."""
    put(Rivals, "hear", lambda *_: None)


def twins_ignored(put: Put) -> None:
    """Two senders of the pack's messages are taken for one."""
    put(Twin, "hear", lambda *_: None)


def sums_not_shared(put: Put) -> None:
    """Every inverter is told the whole of the limit."""
    put(engine_module, "shared", lambda _: False)


def profile_taken_late(put: Put) -> None:
    """While a new profile's engine looks on, what the profile tightens does not count yet."""
    put(Engine, "heed", lambda *_: None)
