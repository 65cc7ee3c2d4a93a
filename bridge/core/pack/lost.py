"""Which banks are lost, where the policy is to go on with the others."""

from collections.abc import Collection, Sequence

from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Plan


def lost_bank(name: str) -> str:
    """What is said of a bank that is lost."""
    return f"bank {name}"


class LostBanks:
    """Watches each bank by the times of the fail-safe machine. Mutable; owned by one engine.

    A bank is lost `hold_us` after it came in doubt, not counting times it was trusted in between, of which
    `steady_us` are left out in all; it counts again after a steady stretch of trusted data, which also clears
    that sum.

    Attributes:
        names: the lost banks.
        reduces: whether the policy is to go on without them.
    """

    def __init__(self, plan: Plan, lost: Collection[str] = ()) -> None:
        """No bank is lost, but for those that were before a restart: `lost` may hold other names, too."""
        self._banks = [bank.name for bank in plan.banks]
        self.reduces = plan.options.reduce_on_lost_bank
        self._times = plan.times
        self._tick_us = plan.tick_us
        self._doubted_since: dict[str, int] = {}
        self._spare_us: dict[str, int] = {}
        self._steady_since: dict[str, int] = {}
        self.names = {bank.name for bank in plan.banks if self.reduces and lost_bank(bank.name) in lost}

    def restart(self) -> None:
        """Steady stretches begin anew: what happened since the last tick is not known."""
        self._steady_since.clear()

    def active(self, t_us: int, readings: Sequence[Reading]) -> list[bool]:
        """Which banks count. A lost one is left out only if the policy says so, and never the last one."""
        if not self.reduces:
            return [True] * len(readings)
        for name, reading in zip(self._banks, readings, strict=True):
            if reading.apart:  # known not to be connected: it is not missed
                self._found(name)
            elif reading.doubt is None:
                self._trusted(name, t_us)
            else:
                self._steady_since.pop(name, None)
                self._spare_us.setdefault(name, self._times.steady_us)
                if t_us - self._doubted_since.setdefault(name, t_us) >= self._times.hold_us:
                    self.names.add(name)
        if len(self.names) == len(readings):
            return [True] * len(readings)
        return [name not in self.names for name in self._banks]

    def _trusted(self, name: str, t_us: int) -> None:
        if t_us - self._steady_since.setdefault(name, t_us) >= self._times.steady_us:
            self._found(name)
        elif name in self._doubted_since:
            put_off_us = min(self._tick_us, self._spare_us[name])
            self._doubted_since[name] += put_off_us
            self._spare_us[name] -= put_off_us

    def _found(self, name: str) -> None:
        self.names.discard(name)
        self._doubted_since.pop(name, None)
        self._spare_us.pop(name, None)
