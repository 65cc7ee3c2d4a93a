"""How a defect is planted."""

from collections.abc import Callable
from typing import Any

from bridge.core.engine import Engine
from bridge.core.plan.plan import Plan

Put = Callable[[Any, str, Any], None]
"""Replaces something of the program, of an owner by its name, until the run is over."""


def plans(put: Put, change: Callable[[Plan], Plan]) -> None:
    """The program does not do what the profile says, but something else."""
    right = Engine.__init__

    def init(self: Engine, plan: Plan, *args: Any, **more: Any) -> None:
        right(self, change(plan), *args, **more)
        self.plan = plan  # who asks is told that it is the profile's

    put(Engine, "__init__", init)
