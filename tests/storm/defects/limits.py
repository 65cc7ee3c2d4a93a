"""Defects of the limits, and of how they are told."""

from collections.abc import Callable, Mapping
from typing import Any

from bridge.core.bounds import shape
from bridge.core.bounds.current import CurrentLaw
from bridge.core.bounds.requests import Allowed
from bridge.core.bounds.shape import CutOff, Ramp
from bridge.core.limits.compose import Limits
from bridge.core.plan.reasons import Contribution
from bridge.core.wire.outgoing import FrameBuilder
from bridge.frames import Frame
from tests.storm.defects.put import Put


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

    def update(self: CutOff, reading: float | None, **_: bool) -> bool:
        if reading is not None:
            self.tripped = reading >= self._trip if self._upper else reading <= self._trip
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
