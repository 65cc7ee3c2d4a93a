"""How banks in parallel share the current, so that the weakest governs.

The pack may carry I_b / s_b, the smallest over all banks, where s_b is the share of the current that bank b
takes. The share expected from the capacities holds until the currents themselves tell more, and is never
taken to be less than either: on the word of its sensor alone, no bank is trusted with more than its expected
part. A bank that has just joined may stand lower than the others and take everything: so it is reckoned with,
until its current says otherwise. What flows from one bank into another leaves less for its part of the whole,
which so counts as larger, up to all of it.

What was surmised of a bank that joined, and what the others took without it, is given up bit by bit where no
measurement can say more: soon where all currents are known and none flows to speak of, for then no bank is
fed by another; and in some minutes where a current is not known. What drives much from one bank into another
is a difference at a knee of the cells, which is gone with a hundredth of the charge.
"""

from collections.abc import Sequence

from bridge.core.plan.plan import Bank

FILTER_S = 30.0
"""Time constant of the measured share (own choice: cells' slow time constants are of this order)."""

SURE_S = 4.0 * FILTER_S
"""Measured for so long, a share tells of the banks that are joined now, and stands."""

EASE_S = 300.0
"""Where a current is not known, a surmised share has gone back to the expected one after this time at most
(own choice: 1 % of the charge at 0.12C, as a difference of 1 V drives through 20 mOhm into 400 Ah)."""

LEAST_C_RATE = 0.05
"""Up to this current, in C, the measured share says nothing: offsets of the sensors dominate (own choice)."""


def whole_a(currents_a: Sequence[float | None], active: Sequence[bool]) -> float | None:
    """What flows in all active banks together, A; `None` unless all of it is known."""
    known = [current for current, on in zip(currents_a, active, strict=True) if on and current is not None]
    return sum(known) if len(known) == sum(active) else None


def heeded_a(sent_a: float, share: float, current_a: float | None, together_a: float | None) -> float:
    """What of a limit is for one bank, as far as it can be told whether that is heeded, A.

    One that takes more than its share, or what comes from other banks, passes by no limit that all heed.

    Args:
        sent_a: the limit of the whole.
        share: the bank's share of it.
        current_a: what flows in the bank, positive in the direction that is bounded; `None` if not known.
        together_a: the same of all banks.
    """
    if current_a is None or together_a is None:
        return sent_a * share
    if together_a <= 0.0:
        return max(sent_a * share, current_a)
    return sent_a * max(share, current_a / together_a)


class Shares:
    """The share of the pack's current each bank takes. Remembers the filtered measurement.

    Attributes:
        settled: the same currents would give the same shares next time.
    """

    def __init__(self, banks: Sequence[Bank]) -> None:
        self._capacities = [bank.capacity_ah for bank in banks]
        self._measured: list[float | None] = [None] * len(banks)
        self._apart = [False] * len(banks)
        self._active = [True] * len(banks)
        self._surmised = [False] * len(banks)
        self._measured_s = self._waits_s = 0.0
        self.settled = True

    def update(
        self,
        currents_a: Sequence[float | None],
        active: Sequence[bool],
        elapsed_s: float,
        apart: Sequence[bool] = (),
    ) -> list[float]:
        """Shares of the active banks, each 0 < s <= 1; 1 for a bank that is not active.

        Args:
            currents_a: each bank's current, `None` if not known.
            active: which banks count.
            elapsed_s: time since the last call.
            apart: which banks are known not to be connected; none if not given.
        """
        if len(self._capacities) == 1:
            return [1.0]
        for i, away in enumerate(apart):
            if self._apart[i]:
                self._measured[i] = 1.0
            self._apart[i] = away
        if any(on and not was for on, was in zip(active, self._active, strict=True)):
            self._surmised = [measured is not None for measured in self._measured]
            self._measured_s, self._waits_s = 0.0, FILTER_S
        self._active = list(active)
        total_ah = sum(ah for ah, on in zip(self._capacities, active, strict=True) if on)
        expected = [ah / total_ah if on else 1.0 for ah, on in zip(self._capacities, active, strict=True)]
        self._measure(currents_a, active, total_ah, expected, elapsed_s)
        shares = []
        for share, measured, on in zip(expected, self._measured, active, strict=True):
            shares.append(max(share, measured or 0.0) if on else 1.0)
        return shares

    def _measure(
        self,
        currents_a: Sequence[float | None],
        active: Sequence[bool],
        total_ah: float,
        expected: Sequence[float],
        elapsed_s: float,
    ) -> None:
        flows = []
        for current, on in zip(currents_a, active, strict=True):
            if on and current is None:  # a share of an unknown whole would be a guess
                return self._ease(active, expected, elapsed_s, EASE_S)
            flows.append((current or 0.0) if on else 0.0)
        least_a = LEAST_C_RATE * total_ah
        if sum(map(abs, flows)) <= least_a:
            return self._ease(active, expected, elapsed_s, FILTER_S)
        net_a = max(abs(sum(flows)), least_a)
        self.settled = False
        weight = min(1.0, elapsed_s / FILTER_S)
        for i, flow in enumerate(flows):
            if active[i]:
                share, before = min(1.0, abs(flow) / net_a), self._measured[i]
                self._measured[i] = share if before is None else before + weight * (share - before)
        self._measured_s += elapsed_s
        if self._measured_s >= SURE_S:
            self._surmised = [was and not on for was, on in zip(self._surmised, active, strict=True)]
        return None

    def _ease(
        self, active: Sequence[bool], expected: Sequence[float], elapsed_s: float, over_s: float
    ) -> None:
        """Gives up a part of what is only surmised of the shares of active banks, after a while."""
        self.settled = True
        part = 0.0 if self._waits_s > 0.0 else elapsed_s / over_s
        self._waits_s -= elapsed_s
        for i, share in enumerate(expected):
            measured = self._measured[i]
            if not (active[i] and self._surmised[i]) or measured is None:
                continue
            eased = measured - part * (1.0 - share)
            self._surmised[i] = eased > share
            self._measured[i] = eased if eased > share else None
            self.settled = self.settled and not self._surmised[i]
