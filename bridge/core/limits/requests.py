"""What is told besides the limits: permission flags, the wish to be charged, the shown state of charge."""

from bridge.core.plan import PackLimits, ShownSoc

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


class ChargeRequest:
    """Asks to be charged when the pack is nearly empty, until it is well above."""

    __slots__ = ("_limits", "on")

    def __init__(self, limits: PackLimits) -> None:
        self._limits = limits
        self.on = False

    def update(self, soc: float | None, low_v: float | None) -> bool:
        """Takes state of charge, %, and the lowest cell, V; keeps the last answer where neither is known."""
        limits = self._limits
        by_soc = limits.request_below_soc is not None and soc is not None
        if low_v is None and not by_soc:
            return self.on
        starved = low_v is not None and low_v < limits.request_below_v
        fed = low_v is None or low_v >= limits.request_until_v
        if by_soc and soc is not None and limits.request_below_soc is not None:
            starved = starved or soc < limits.request_below_soc
            fed = fed and soc >= (limits.request_until_soc or limits.request_below_soc)
        self.on = starved or (self.on and not fed)
        return self.on


def shown_soc(wish: ShownSoc | None, soc: float | None, t_us: int) -> float | None:
    """The state of charge to show, %. A wish ends by itself; without one it is passed through.

    A fixed value is shown even while the pack's own is not known.
    """
    if wish is None or t_us >= wish.until_us:
        return soc
    if soc is None:
        return wish.low if wish.low == wish.high else None
    return min(max(soc, wish.low), wish.high)
