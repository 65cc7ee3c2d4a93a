"""The drill catches planted defects: each of these programs is wrong in one place, and must fail."""

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from bridge.core.bounds.current import CurrentLaw
from bridge.core.bounds.shape import Ramp
from bridge.core.charging.bank_charge import BankCharge
from bridge.core.course.remembered import NOTHING, Kept
from bridge.core.engine import Due, Engine
from bridge.core.pack.twins import Twin
from bridge.core.plan.plan import SECOND_US, Plan, Slot
from bridge.core.plan.reasons import Contribution
from bridge.core.wire.outgoing import FrameBuilder
from bridge.drill.result import Outcome
from bridge.drill.table import run_drill
from bridge.errors import BusDown
from bridge.frames import Frame
from bridge.profile.load import load_profile
from bridge.service.loading import Loading

PROFILES = Path(__file__).parents[2] / "profiles"
Patch = pytest.MonkeyPatch
HOUR_US = 3600 * SECOND_US


def works_by(patch: Patch, change: Callable[[Plan], Plan]) -> None:
    """The program does not do what the profile says, but something else."""
    patch.setattr("bridge.core.succession.Engine", lambda plan, *rest: Engine(change(plan), *rest))


def holds_for_ever(patch: Patch) -> None:
    """Limits are not dropped after the holding time."""
    works_by(patch, lambda plan: plan._replace(times=plan.times._replace(hold_us=HOUR_US)))


def believes_stale_data(patch: Patch) -> None:
    """No reading is ever too old."""

    def ageless(plan: Plan) -> Plan:
        slots = tuple(
            Slot(slot.quantity, slot.owner, slot.index, HOUR_US, slot.required) for slot in plan.slots
        )
        banks = tuple(
            bank._replace(required=tuple((slot, HOUR_US) for slot, _ in bank.required)) for bank in plan.banks
        )
        return plan._replace(slots=slots, banks=banks)

    works_by(patch, ageless)


def ignores_counters_and_checksums(patch: Patch) -> None:
    """A frame that repeats itself, or is damaged, is taken."""
    works_by(
        patch,
        lambda plan: plan._replace(
            sources=tuple(one._replace(counter=None, checksum=None) for one in plan.sources)
        ),
    )


def believes_jumps(patch: Patch) -> None:
    """A jump is taken as it comes, and who goes to and fro is no second sender."""
    patch.setattr(Twin, "_goes_back", lambda _, __: False)

    def change(plan: Plan) -> Plan:
        return plan._replace(
            sources=tuple(
                one._replace(targets=tuple(target._replace(jump=None) for target in one.targets))
                for one in plan.sources
            ),
        )

    works_by(patch, change)


def believes_everything(patch: Patch) -> None:
    """No reading is out of range."""

    def change(plan: Plan) -> Plan:
        return plan._replace(
            sources=tuple(
                one._replace(targets=tuple(t._replace(low=-1e9, high=1e9, jump=None) for t in one.targets))
                for one in plan.sources
            ),
            times=plan.times._replace(mismatch_us=HOUR_US),
        )

    works_by(patch, change)


def trusts_at_once(patch: Patch) -> None:
    """One good frame is enough to follow the pack again."""
    works_by(patch, lambda plan: plan._replace(times=plan.times._replace(steady_us=0)))


def never_finds_a_contradiction(patch: Patch) -> None:
    """The sum of the cells is not compared with the pack."""
    works_by(patch, lambda plan: plan._replace(times=plan.times._replace(mismatch_us=HOUR_US)))


def does_not_mind_a_silent_inverter(patch: Patch) -> None:
    """The stated policy for an inverter that is not heard is not carried out."""
    works_by(
        patch,
        lambda plan: plan._replace(
            inverters=tuple(one._replace(zero_when_silent=False) for one in plan.inverters)
        ),
    )


def eager(plan: Plan) -> Plan:
    """Trusted with the first readings, and as fast as can be."""
    limits = plan.limits._replace(charge_rise_a_per_s=1e6, discharge_rise_a_per_s=1e6)
    return plan._replace(limits=limits, times=plan.times._replace(steady_us=0))


def starts_permissive(patch: Patch) -> None:
    """Full limits go out as soon as the first readings are there."""
    works_by(patch, eager)


def starts_permissive_if_it_knows_the_pack(patch: Patch) -> None:
    """The same, but only with what was kept over a restart."""

    def begun(plan: Plan, t_us: int, kept: Kept = NOTHING, leader: Engine | None = None) -> Engine:
        return Engine(plan if kept == NOTHING else eager(plan), t_us, kept, leader)

    patch.setattr("bridge.core.succession.Engine", begun)


def rounds_loosely(patch: Patch) -> None:
    """The charge current goes out one step above what was decided."""
    right = FrameBuilder.build

    def build(self: FrameBuilder, values: Mapping[str, float | None]) -> Frame:
        current_a = values.get("charge_current_limit") or 0.0
        return right(self, {**values, "charge_current_limit": current_a + 0.05 if current_a else 0.0})

    patch.setattr(FrameBuilder, "build", build)


def rises_at_once(patch: Patch) -> None:
    """Limits come back in one step."""

    def follow(self: Ramp, target: float, _: float) -> float:
        self.value = target
        return target

    patch.setattr(Ramp, "follow", follow)


def forgets_that_it_stood_still(patch: Patch) -> None:
    """After a stall the program goes on as if nothing had happened."""
    patch.setattr(Engine, "resume", Engine.poll)


def makes_up_for_missed_slots(patch: Patch) -> None:
    """After a delay every missed frame is sent in a burst."""
    right = Engine.resume

    def resume(self: Engine, t_us: int) -> list[Due]:
        late = right(self, t_us)
        return [*late, *late, *late]

    patch.setattr(Engine, "resume", resume)


def does_not_see_the_highest_cell(patch: Patch) -> None:
    """Currents are bounded by cell voltage neither in the taper nor in the charge law."""
    right = CurrentLaw.bounds

    def bounds(self: CurrentLaw, _: float | None, *rest: Any, **more: Any) -> list[Contribution]:
        return right(self, None, *rest, **more)

    patch.setattr(CurrentLaw, "bounds", bounds)
    patch.setattr(BankCharge, "contributions", lambda *_: None)


def looks_at_the_wall_clock(patch: Patch) -> None:
    """Frames are stamped with the time of day."""

    class Mistaken(Engine):
        def __init__(
            self, plan: Plan, start_us: int, kept: Kept = NOTHING, leader: Engine | None = None
        ) -> None:
            self._began_ns = time.time_ns()
            super().__init__(plan, start_us, kept, leader)

        def receive(self, t_us: int, frame: Frame) -> bool:
            """The same, by the minutes that have passed on the wall."""
            minutes = (time.time_ns() - self._began_ns) // 60_000_000_000
            return super().receive(t_us + minutes * 60 * SECOND_US, frame)

    patch.setattr("bridge.core.succession.Engine", Mistaken)


def dies_of_a_bad_profile(patch: Patch) -> None:
    """A reload that fails ends the program."""

    def work(self: Loading) -> None:
        self._load()

    patch.setattr(Loading, "_work", work)


def dies_of_a_full_queue(patch: Patch) -> None:
    """A frame that does not leave ends the program."""
    patch.setattr("bridge.service.daemon.BusError", BusDown)


def comes_back_to(patch: Patch, share: float) -> None:
    """A limit that was cut once never stands higher again than a share of what it was."""
    right, most, cut = Ramp.follow, dict[int, float](), set[int]()

    def follow(self: Ramp, target: float, elapsed_s: float) -> float:
        it = id(self)
        value = right(self, min(target, share * most[it]) if it in cut else target, elapsed_s)
        most[it] = max(value, most.get(it, 0.0))
        if most[it] > 1.0 and value < 0.7 * most[it]:
            cut.add(it)
        return value

    patch.setattr(Ramp, "follow", follow)


def never_comes_back(patch: Patch) -> None:
    """A limit that was cut stays at zero."""
    comes_back_to(patch, 0.0)


def comes_back_to_half(patch: Patch) -> None:
    """A limit that was cut comes back to half of what it was."""
    comes_back_to(patch, 0.5)


def does_not_mind_the_cold(patch: Patch) -> None:
    """No temperature cuts a current."""
    right = CurrentLaw.bounds

    def bounds(
        self: CurrentLaw, cell_v: float | None, _: Any, __: Any, *rest: Any, **more: Any
    ) -> list[Contribution]:
        return right(self, cell_v, None, None, *rest, **more)

    patch.setattr(CurrentLaw, "bounds", bounds)


def falls_late(patch: Patch) -> None:
    """A limit goes on for 2.5 s before it falls."""
    right, waits_s = Ramp.follow, dict[int, float]()

    def follow(self: Ramp, target: float, elapsed_s: float) -> float:
        waits_s[id(self)] = waits_s.get(id(self), 0.0) + elapsed_s if target < 0.9 * self.value else 0.0
        late = 0.0 < waits_s[id(self)] < 2.5
        return self.value if late else right(self, target, elapsed_s)

    patch.setattr(Ramp, "follow", follow)


def holds_for_too_long(patch: Patch) -> None:
    """Limits are held for 1 s more than the profile says."""
    works_by(
        patch,
        lambda plan: plan._replace(times=plan.times._replace(hold_us=plan.times.hold_us + SECOND_US)),
    )


@pytest.mark.parametrize(
    ("defect", "profile", "fault", "remark"),
    [
        (holds_for_ever, "cabin", "pack silent", "not seen"),
        (believes_stale_data, "cabin", "CellsB silent", "not seen"),
        (ignores_counters_and_checksums, "cabin", "counter frozen", "not seen"),
        (ignores_counters_and_checksums, "boathouse", "BankOneCellPages, checksum wrong", "not seen"),
        (believes_jumps, "cabin", "PackOverview, jump", ""),
        (believes_everything, "cabin", "PackOverview, out of range", "not seen"),
        (trusts_at_once, "cabin", "pack silent", "looser again before it may"),
        (never_finds_a_contradiction, "cabin", "sum of cells", "not seen"),
        (does_not_mind_a_silent_inverter, "boathouse", "inverter hall silent", "not seen"),
        (starts_permissive, "cabin", "killed and restarted", "s on, loft saw charge 140.0 A"),
        (believes_stale_data, "boathouse", "bank south lost", "not seen"),
        (
            starts_permissive_if_it_knows_the_pack,
            *("cabin", "killed and restarted", "s on, loft saw charge 140.0 A"),
        ),
        (rounds_loosely, "cabin", "CellsB silent", "decided"),
        (rises_at_once, "cabin", "pack silent", "more than"),
        (forgets_that_it_stood_still, "cabin", "event loop stalled", "s on, loft saw charge 140.0 A"),
        (makes_up_for_missed_slots, "cabin", "event loop late", "burst"),
        (does_not_see_the_highest_cell, "cabin", "one cell over", "not seen"),
        (looks_at_the_wall_clock, "cabin", "wall clock", "not every frame is the same"),
        (dies_of_a_bad_profile, "cabin", "bad profile", "the daemon ended"),
        (dies_of_a_full_queue, "cabin", "queue full", "the daemon ended"),
        (never_comes_back, "cabin", "too cold to charge", "not recovered"),
        (comes_back_to_half, "cabin", "too cold to charge", "not recovered"),
        (never_comes_back, "boathouse", "bank north lost", "not recovered"),
        (comes_back_to_half, "boathouse", "bank north lost", "not recovered"),
        (comes_back_to_half, "cabin", "pack silent", "not recovered"),
        (does_not_mind_the_cold, "cabin", "too cold to draw", "not seen"),
        (holds_for_ever, "boathouse", "bank north lost", "not seen"),
        (falls_late, "cabin", "too cold to charge", "not seen"),
        (falls_late, "cabin", "one cell over", "not seen"),
        (holds_for_too_long, "boathouse", "bank north lost", "took"),
    ],
)
def test_a_planted_defect_is_caught(
    defect: Callable[[Patch], None], profile: str, fault: str, remark: str, monkeypatch: Patch
) -> None:
    """The fault that must show the defect fails, with a remark that says why; without it, it passes."""
    loaded = load_profile(PROFILES / f"{profile}.toml")
    start_us = 1_900_000_000 * SECOND_US
    (sound,) = run_drill(loaded, only=(fault,), start_us=start_us).results
    defect(monkeypatch)
    (result,) = run_drill(loaded, only=(fault,), start_us=start_us).results

    assert sound.outcome is Outcome.PASS, sound.remarks
    assert result.outcome is Outcome.FAIL
    assert any(remark in told for told in result.remarks), result.remarks
