"""What is told besides the limits: permission flags, the wish to be charged, the shown state of charge."""

from bridge.core.plan.plan import PackLimits, ShownSoc

ALLOW_SHARE = 0.01
"""A direction counts as allowed again once its limit is above this share of the cap (own choice)."""


class Allowed:
    """Whether a direction is allowed: not at a limit of zero; again only when the limit is worth it."""

    __slots__ = ("_from_a", "on")

    def __init__(self, cap_a: float) -> None:
        self._from_a = ALLOW_SHARE * cap_a
        self.on = False

    def update(self, limit_a: float) -> bool:
        """Takes the limit, A; returns whether the direction is allowed now."""
        self.on = limit_a > 0.0 and (self.on or limit_a >= self._from_a)
        return self.on


FED_US = 600_000_000
"""The lowest cell must have stayed back for so long: under charge it is back at once (own choice)."""


class ChargeRequest:
    """Asks to be charged when the pack is nearly empty, until it is fed.

    What it was starved by must say that it is fed: the state of charge by its number, the lowest cell by
    staying back for `FED_US`. A reading that goes missing feeds nothing.
    """

    __slots__ = ("_back_since", "_by_cell", "_by_soc", "_limits")

    def __init__(self, limits: PackLimits) -> None:
        self._limits = limits
        self._by_soc = self._by_cell = False
        self._back_since: int | None = None

    def take_over(self, other: "ChargeRequest") -> None:
        """Goes on where another one stands."""
        self._by_soc, self._by_cell = other._by_soc, other._by_cell
        self._back_since = other._back_since

    @property
    def settled(self) -> bool:
        """Whether the same readings would give the same answer next time, however much later."""
        return self._back_since is None

    def update(self, t_us: int, soc: float | None, low_v: float | None) -> bool:
        """Takes state of charge, %, and the lowest cell, V; `None` where one is not known."""
        limits = self._limits
        below_soc = limits.request_below_soc
        if below_soc is not None and soc is not None:
            until_soc = below_soc if limits.request_until_soc is None else limits.request_until_soc
            self._by_soc = soc < (until_soc if self._by_soc else below_soc)
        if low_v is None or low_v < limits.request_until_v:
            self._back_since = None
        if low_v is not None:
            if low_v < limits.request_below_v:
                self._by_cell = True
            elif self._by_cell and low_v >= limits.request_until_v:
                self._stay_back(t_us)
        return self._by_soc or self._by_cell

    def _stay_back(self, t_us: int) -> None:
        if self._back_since is None:
            self._back_since = t_us
        if t_us - self._back_since >= FED_US:
            self._by_cell, self._back_since = False, None


def shown_soc(wish: ShownSoc | None, soc: float | None, t_us: int) -> float | None:
    """The state of charge to show, %. A wish ends by itself; without one it is passed through.

    A fixed value is shown even while the pack's own is not known.
    """
    if wish is None or t_us >= wish.until_us:
        return soc
    if soc is None:
        return wish.low if wish.low == wish.high else None
    return min(max(soc, wish.low), wish.high)
