"""The drill catches planted defects: each of these programs is wrong in one place, and must fail."""

import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from bridge.core.engine import Due, Engine
from bridge.core.failsafe import FailSafe, State, Step
from bridge.core.limits.compose import Limits
from bridge.core.limits.current import CurrentLaw
from bridge.core.limits.shape import Ramp
from bridge.core.outgoing import FrameBuilder
from bridge.core.pack import Doubt, PackState, Trouble
from bridge.core.plan import SECOND_US
from bridge.core.reasons import Contribution
from bridge.drill.result import Outcome
from bridge.drill.table import run_drill
from bridge.frames import Frame
from bridge.profile.load import load_profile
from bridge.service.daemon import Daemon

PROFILES = Path(__file__).parents[2] / "profiles"
Patch = pytest.MonkeyPatch


def holds_for_ever(patch: Patch) -> None:
    """Limits are not dropped after the holding time."""
    right = FailSafe.step

    def step(self: FailSafe, t_us: int, doubt: Doubt | None) -> Step:
        found = right(self, t_us, doubt)
        return Step(State.HOLDING, found.cause) if found.state is State.SAFE else found

    patch.setattr(FailSafe, "step", step)


def believes_stale_data(patch: Patch) -> None:
    """A late reading raises no doubt."""
    right = PackState._doubt

    def doubt(self: PackState, bank: Any, t_us: int) -> Doubt | None:
        found = right(self, bank, t_us)
        return None if found is not None and found.trouble is Trouble.LATE else found

    patch.setattr(PackState, "_doubt", doubt)


def rounds_loosely(patch: Patch) -> None:
    """The charge current goes out one step above what was decided."""
    right = FrameBuilder.build

    def build(self: FrameBuilder, values: Mapping[str, float | None]) -> Frame:
        current_a = values.get("charge_current_limit") or 0.0
        return right(self, {**values, "charge_current_limit": current_a + 0.05 if current_a else 0.0})

    patch.setattr(FrameBuilder, "build", build)


def ignores_counters(patch: Patch) -> None:
    """Neither counters nor checksums are looked at."""
    patch.setattr(PackState, "_check_integrity", staticmethod(lambda *_: None))


def believes_jumps(patch: Patch) -> None:
    """A jump is taken as it comes."""
    patch.setattr(PackState, "_confirm", staticmethod(lambda *_: None))


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
    """Currents are not bounded by cell voltage."""
    right = CurrentLaw.bounds

    def bounds(self: CurrentLaw, _: float | None, *rest: Any) -> list[Contribution]:
        return right(self, None, *rest)

    patch.setattr(CurrentLaw, "bounds", bounds)


def starts_permissive(patch: Patch) -> None:
    """The first frames after a start carry full limits."""
    right = Limits.__init__

    def start(self: Limits, plan: Any) -> None:
        right(self, plan)
        self._charge.value, self._draw.value = plan.limits.charge_a, plan.limits.discharge_a

    patch.setattr(Limits, "__init__", start)
    patch.setattr(
        FailSafe, "step", lambda _, __, doubt: Step(State.HOLDING if doubt else State.FOLLOWING, "")
    )


def trusts_at_once(patch: Patch) -> None:
    """One good frame is enough to follow the pack again."""
    patch.setattr(
        FailSafe, "_trusted", lambda self, _: Step(setattr(self, "state", State.FOLLOWING) or self.state, "")
    )


def looks_at_the_wall_clock(patch: Patch) -> None:
    """Frames are stamped with the time of day."""
    right_start, right = Engine.__init__, Engine.receive
    offsets: dict[int, int] = {}

    def start(self: Engine, plan: Any, start_us: int) -> None:
        right_start(self, plan, start_us)
        offsets[id(self)] = time.time_ns()

    def receive(self: Engine, t_us: int, frame: Frame) -> bool:
        stepped_us = (time.time_ns() - offsets[id(self)]) // 60_000_000_000 * 60_000_000
        return right(self, t_us + stepped_us, frame)

    patch.setattr(Engine, "__init__", start)
    patch.setattr(Engine, "receive", receive)


def starts_anew_on_a_bad_profile(patch: Patch) -> None:
    """A reload that fails throws away what was known."""
    patch.setattr(Daemon, "_reload", lambda self, t_us: self._start(self._loaded, t_us))


def dies_of_a_full_queue(patch: Patch) -> None:
    """A frame that does not leave ends the program."""

    def dispatch(self: Daemon, due: Sequence[Due]) -> None:
        for item in due:
            self._world.send(item.frame)

    patch.setattr(Daemon, "_dispatch", dispatch)


def does_not_mind_a_silent_inverter(patch: Patch) -> None:
    """The stated policy for an inverter that is not heard is not carried out."""
    patch.setattr(Engine, "_listen", lambda *_: False)


def never_finds_a_contradiction(patch: Patch) -> None:
    """The sum of the cells is not compared with the pack."""
    patch.setattr("bridge.core.pack._contradiction", lambda *_: None)


@pytest.mark.parametrize(
    ("defect", "profile", "fault", "remark"),
    [
        (holds_for_ever, "cabin", "pack silent", "not seen"),
        (believes_stale_data, "cabin", "CellsB silent", "not seen"),
        (rounds_loosely, "cabin", "CellsB silent", "decided"),
        (ignores_counters, "cabin", "counter frozen", "not seen"),
        (ignores_counters, "boathouse", "BankOneCellPages, checksum wrong", "not seen"),
        (believes_jumps, "cabin", "CellExtremes, jump", ""),
        (rises_at_once, "cabin", "pack silent", "more than"),
        (forgets_that_it_stood_still, "cabin", "event loop stalled", ""),
        (makes_up_for_missed_slots, "cabin", "event loop late", "burst"),
        (does_not_see_the_highest_cell, "cabin", "one cell over", "not seen"),
        (starts_permissive, "cabin", "killed and restarted", ""),
        (trusts_at_once, "cabin", "pack silent", "looser again before it may"),
        (looks_at_the_wall_clock, "cabin", "wall clock", ""),
        (starts_anew_on_a_bad_profile, "cabin", "reload", "not every frame is the same"),
        (dies_of_a_full_queue, "cabin", "queue full", "the daemon ended"),
        (does_not_mind_a_silent_inverter, "boathouse", "inverter hall silent", "not seen"),
        (never_finds_a_contradiction, "cabin", "sum of cells", "not seen"),
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

    assert sound.outcome is Outcome.PASS
    assert result.outcome is Outcome.FAIL
    assert any(remark in told for told in result.remarks), result.remarks
