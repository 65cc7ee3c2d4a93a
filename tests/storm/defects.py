"""Planted defects: programs wrong in one place, each of a kind that was seen. A storm must find them.

Each takes `put(owner, name, value)`, which replaces something of the program until the run is over.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from bridge.core import engine as engine_module
from bridge.core.engine import Engine
from bridge.core.failsafe import FailSafe, State, Step
from bridge.core.kept import NOTHING, Kept
from bridge.core.limits import shape
from bridge.core.limits.compose import Limits
from bridge.core.limits.current import CurrentLaw
from bridge.core.limits.requests import Allowed
from bridge.core.limits.shape import CutOff, Ramp
from bridge.core.outgoing import FrameBuilder
from bridge.core.pack import Doubt, PackState
from bridge.core.plan import SECOND_US, Plan, Slot, Source
from bridge.core.reasons import Contribution
from bridge.core.rivals import Rivals
from bridge.core.twins import Twin
from bridge.errors import BusDown, CaptureError, FrameRefused
from bridge.frames import Frame
from bridge.service import daemon as daemon_module
from bridge.service.daemon import Daemon
from bridge.service.lastwords import Unsent, send_patiently
from bridge.service.leaving import Leaving
from bridge.service.store import Found, Store
from tests.storm import seams

Put = Callable[[Any, str, Any], None]
HOUR_US: Final = 3600 * SECOND_US


def _plans(put: Put, change: Callable[[Plan], Plan]) -> None:
    """The program does not do what the profile says, but something else."""
    right = Engine.__init__

    def init(self: Engine, plan: Plan, *args: Any, **more: Any) -> None:
        right(self, change(plan), *args, **more)

    put(Engine, "__init__", init)


# ── the process ─────────────────────────────────────────────────────────────────────────────────────────


def journal_raises(put: Put) -> None:
    """What a journal raises goes through to the loop."""

    def writer(self: seams.Lines, line: str) -> None:
        self._world.enter("journal")
        self._told(line)

    put(seams.Lines, "writer", writer)
    put(daemon_module, "contained", lambda inner, _: inner)


def journal_waits(put: Put) -> None:
    """The program waits for whoever reads its journal."""

    def writer(self: seams.Lines, line: str) -> None:
        self._world.enter("journal")
        self._told(line)

    put(seams.Lines, "writer", writer)


def dies_without_zeros(put: Put) -> None:
    """A fault inside ends the program, and says so; nothing is sent."""
    put(daemon_module, "send_patiently", lambda *_, **__: Unsent({}, ()))


def zeros_on_the_first_bus_only(put: Put) -> None:
    """After a fault only the first bus gets its zeros."""

    def send(world: Any, frames: Sequence[Frame], **more: Any) -> Unsent:
        return send_patiently(world, [one for one in frames if one.bus == frames[0].bus], **more)

    put(daemon_module, "send_patiently", send)


def stops_without_zeros(put: Put) -> None:
    """An orderly stop just stops."""
    put(Daemon, "_stop", lambda *_: 0)


def says_all_is_well(put: Put) -> None:
    """Zeros that could not leave are no reason for another exit code."""
    right = Daemon._tell_unsent
    put(Daemon, "_tell_unsent", lambda self, lost: right(self, lost) and 0)


def dies_of_a_bad_profile(put: Put) -> None:
    """A reload that fails ends the program."""
    put(daemon_module, "InputError", CaptureError)


def dies_of_a_full_queue(put: Put) -> None:
    """A frame that does not leave ends the program."""
    put(daemon_module, "BusError", BusDown)


def no_life_while_the_bus_is_down(put: Put) -> None:
    """A bus that is down counts as death."""
    put(Leaving, "_outside", lambda *_: False)


def stall_ignored(put: Put) -> None:
    """After a stall the program goes on as if nothing had happened."""
    put(Engine, "resume", Engine.poll)


def stands_still_for_the_disk(put: Put) -> None:
    """The state is written while the loop waits."""
    right = Store.save

    def save(self: Store, *args: Any) -> str:
        told = right(self, *args)
        self.wait()
        return told

    put(Store, "save", save)


# ── what is kept ────────────────────────────────────────────────────────────────────────────────────────


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

    put(Engine, "__init__", init)


# ── others ──────────────────────────────────────────────────────────────────────────────────────────────


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


# ── data ────────────────────────────────────────────────────────────────────────────────────────────────


def never_too_old(put: Put) -> None:
    """No reading is ever too old."""

    def change(plan: Plan) -> Plan:
        slots = tuple(Slot(one.quantity, one.owner, one.index, HOUR_US, one.required) for one in plan.slots)
        banks = tuple(
            one._replace(required=tuple((slot, HOUR_US) for slot, _ in one.required)) for one in plan.banks
        )
        return plan._replace(slots=slots, banks=banks)

    _plans(put, change)


def one_vouches_for_another(put: Put) -> None:
    """Any frame of a bank makes all its readings new."""
    right = PackState.take

    def take(self: PackState, source: Source, t_us: int, data: bytes) -> None:
        right(self, source, t_us, data)
        for slot, known in enumerate(self._slots):
            if known.owner == source.owner and self._values[slot] is not None:
                self._valid_until_us[slot] = t_us + known.max_age_us

    put(PackState, "take", take)


def refused_counts_as_fresh(put: Put) -> None:
    """A frame that is refused makes the readings before it new, and is no doubt."""
    right = PackState.take

    def take(self: PackState, source: Source, t_us: int, data: bytes) -> None:
        try:
            right(self, source, t_us, data)
        except FrameRefused:
            self._memories[id(source)].refusal = None
            for target in source.targets:
                if self._values[target.slot] is not None:
                    self._valid_until_us[target.slot] = t_us + self._slots[target.slot].max_age_us
            raise

    put(PackState, "take", take)


def _sources(put: Put, change: Callable[[Source], Source]) -> None:
    _plans(put, lambda plan: plan._replace(sources=tuple(change(one) for one in plan.sources)))


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
    _plans(put, lambda plan: plan._replace(times=plan.times._replace(hold_us=HOUR_US)))


def trusts_at_once(put: Put) -> None:
    """One good frame is enough to follow the pack again."""
    _plans(put, lambda plan: plan._replace(times=plan.times._replace(steady_us=0)))


def silent_is_not_silent(put: Put) -> None:
    """Once all is lost for the stated time, zeros go on for ever."""
    right = FailSafe.step

    def step(self: FailSafe, t_us: int, doubt: Doubt | None) -> Step:
        found = right(self, t_us, doubt)
        return found._replace(state=State.SAFE) if found.state is State.SILENT else found

    put(FailSafe, "step", step)


def dead_inverter_ignored(put: Put) -> None:
    """The stated policy for an inverter that is not heard is not carried out."""
    put(Engine, "_unheard", lambda *_: [])


# ── limits ──────────────────────────────────────────────────────────────────────────────────────────────


def _bounds(put: Put, change: Callable[[list[Any], dict[str, Any]], None]) -> None:
    """The law of currents gets other readings: cell, coldest, hottest, charge, permitted, permitted amps."""
    right = CurrentLaw.bounds

    def bounds(self: CurrentLaw, *args: Any, **more: Any) -> list[Contribution]:
        given = list(args)
        change(given, more)
        return right(self, *given, **more)

    put(CurrentLaw, "bounds", bounds)


def cold_ignored(put: Put) -> None:
    """The coldest cell bounds nothing."""

    def warm(given: list[Any], _: dict[str, Any]) -> None:
        given[1] = None if given[1] is None else max(given[1], 20.0)

    _bounds(put, warm)


def permission_ignored(put: Put) -> None:
    """The pack's own permission bounds nothing."""

    def permit(given: list[Any], _: dict[str, Any]) -> None:
        given[4] = None

    _bounds(put, permit)


def cut_off_without_hysteresis(put: Put) -> None:
    """A cut-off is over as soon as the reading is back by a hair."""

    def update(self: CutOff, reading: float, **_: bool) -> bool:
        upper = self._upper
        self.tripped = not (reading < self._trip if upper else reading > self._trip)
        return self.tripped

    put(CutOff, "update", update)


def rises_too_fast(put: Put) -> None:
    """Limits rise three times as fast as stated."""
    right = Ramp.follow

    def follow(self: Ramp, target: float, elapsed_s: float) -> float:
        return right(self, target, 3.0 * elapsed_s)

    put(Ramp, "follow", follow)


def falls_slowly(put: Put) -> None:
    """A limit that must fall takes its time."""

    def follow(self: Ramp, target: float, elapsed_s: float) -> float:
        step = self._rise_per_s * elapsed_s
        self.value += max(min(target - self.value, step), -step)
        self.rising = self.value < target
        return self.value

    put(shape.Ramp, "follow", follow)


def rounds_up(put: Put) -> None:
    """The charge current goes out one step above what was decided."""
    right = FrameBuilder.build

    def build(self: FrameBuilder, values: Mapping[str, float | None]) -> Frame:
        current_a = values.get("charge_current_limit") or 0.0
        return right(self, {**values, "charge_current_limit": current_a + 0.051 if current_a else 0.0})

    put(FrameBuilder, "build", build)


def allowed_lags(put: Put) -> None:
    """The permission that is told stays once it was given."""

    def update(self: Allowed, limit_a: float) -> bool:
        self.on = self.on or limit_a > 0.0
        return self.on

    put(Allowed, "update", update)


def lost_bank_loosens(put: Put) -> None:
    """With a bank lost the limits are what the others say."""
    put(Limits, "_cap", lambda *_: None)


def wish_ignored(put: Put) -> None:
    """No charging for an hour is a wish that nobody hears."""
    put(Limits, "wishes", lambda *_: (False, False))


DEFECTS: Final[dict[str, tuple[Callable[[Put], None], frozenset[str]]]] = {
    one.__name__.replace("_", " "): (one, frozenset(shown_by.split(", ")) - {""})
    for one, shown_by in (
        (journal_raises, "seam journal, trap journal"),
        (journal_waits, "seam journal, trap journal"),
        (dies_without_zeros, "trap send, trap wait, trap any"),
        (zeros_on_the_first_bus_only, "trap send, trap wait, trap any"),
        (stops_without_zeros, "stop"),
        (says_all_is_well, "stop"),
        (dies_of_a_bad_profile, "bad reload"),
        (dies_of_a_full_queue, "bus full"),
        (no_life_while_the_bus_is_down, "bus down, bus full"),
        (stall_ignored, "stall, trap"),
        (stands_still_for_the_disk, "seam disk, trap disk"),
        (caps_forgotten, "bank silent"),
        (cut_offs_forgotten, "kill, stop, trap"),
        (state_written_late, "kill, trap"),
        (begins_where_it_was, "kill, stop, trap"),
        (never_too_old, "says, bank silent, bus down"),
        (one_vouches_for_another, "says"),
        (refused_counts_as_fresh, "says"),
        (frozen_counter_accepted, "says"),
        (checksum_ignored, "says"),
        (everything_is_believed, "says"),
        (holds_for_ever, "says, bank silent, bus down"),
        (trusts_at_once, ""),
        (silent_is_not_silent, "says, bank silent, bus down"),
        (dead_inverter_ignored, "inverter dead, says, bus down"),
        (cold_ignored, "cold, cold back, hot"),
        (permission_ignored, "deny"),
        (cut_off_without_hysteresis, "cell, cold, cold back, hot"),
        (rises_too_fast, ""),
        (falls_slowly, "cell, cold, cold back, hot, deny"),
        (rounds_up, ""),
        (allowed_lags, "cold, cold back, cell, deny, says, bank silent"),
        (lost_bank_loosens, "bank silent, says"),
        (wish_ignored, "reload"),
        (sums_not_shared, ""),
        (rivals_ignored, "rival"),
        (twins_ignored, "twin"),
        (profile_taken_late, "reload"),
    )
}
"""All of them by their names, with the faults without which nobody could see them; none: at any time."""
