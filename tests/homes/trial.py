"""One row of homes under several laws, beside the oracle."""

from dataclasses import dataclass, fields

import numpy as np

from tests.bench.bench_charge import decode_us
from tests.homes.cells import Array, Flags
from tests.homes.draw import LACKS_S, LONGEST_S, Homes, draw
from tests.homes.kinds import KINDS, Kind
from tests.homes.oracle import AFTER_S, OracleLimits, best
from tests.homes.run import Outcome, live


@dataclass
class Figures:
    """Of one law on the homes of a row; one number a home, but for the hours lived, the time of a step of
    one bank and of decoding a message.

    Attributes:
        over_mv: highest true cell over the target, at most; `beyond_mv`: less what the oracle with the same
            delays comes over; `own_mv`: less what a load that went did at that very moment.
        charge, time: of the oracle's, in % of what was charged from 60 % on, and as a multiple.
        others: as in `run.Outcome`.
    """

    over_mv: Array
    beyond_mv: Array
    own_mv: Array
    over_allowed_mv: Array
    tripped: Flags
    charge: Array
    time: Array
    turns: Array
    stall_s: Array
    believed_h: Array
    called_s: Array
    hours: float
    step_us: float
    decode_us: float


class Trial:
    """Some homes of a row, and what the oracle makes of them; every law is tried on the same.

    Attributes:
        ends: until when each home lives: half an hour after it is full under the oracle.
        unpreventable_mv: how far the oracle that sends limits comes over the target.
        ignores: whether a limit is ignored.
    """

    def __init__(
        self,
        kind: Kind,
        homes: int,
        seed: int,
        part: int = 0,
        seconds: int = LONGEST_S,
        lacks_s: tuple[float, float] = LACKS_S,
    ) -> None:
        self._drawn = kind, homes, (seed, part, KINDS.index(kind)), seconds, lacks_s
        self._best, self._full = best(self._draw(), seconds)
        self.ends = np.minimum(self._full + AFTER_S, len(self._best) - 1)
        limits = self._draw()
        self.ignores = limits.has["current_ignored"] | limits.has["voltage_ignored"]
        self.unpreventable_mv = np.maximum(live(limits, OracleLimits(limits), self.ends).over_mv, 0.0)

    def _draw(self) -> Homes:
        return draw(*self._drawn)

    def of(self, law: str) -> Figures:
        """The homes under a law."""
        homes = self._draw()
        return self._figures(live(homes, law, self.ends), homes.base_ah, homes.over_mv)

    def _figures(self, o: Outcome, base_ah: Array, allowed_mv: Array) -> Figures:
        rows = np.arange(len(base_ah))
        late = self.ends
        goal = self._best[late, rows]
        charge = 100.0 * (base_ah + o.taken_ah[late, rows]) / (base_ah + goal)
        mark = 0.99 * (base_ah + goal) - base_ah
        time = np.array(
            [_when(o.taken_ah[:, i], mark[i]) / max(_when(self._best[:, i], mark[i]), 1.0) for i in rows]
        )
        return Figures(
            o.over_mv,
            o.over_mv - self.unpreventable_mv,
            o.own_mv,
            allowed_mv,
            o.tripped,
            charge,
            time,
            o.reversals_per_hour,
            o.stall_s,
            o.believed_h,
            o.called_s,
            o.hours,
            o.step_us,
            decode_us(),
        )


def together(parts: list[Figures]) -> Figures:
    """The figures of several parts of a row."""
    hours = sum(part.hours for part in parts)
    step_us = sum(part.step_us for part in parts) / len(parts)
    decode = sum(part.decode_us for part in parts) / len(parts)
    rows = [field.name for field in fields(Figures)][:-3]
    merged = {name: np.concatenate([getattr(part, name) for part in parts]) for name in rows}
    return Figures(**merged, hours=hours, step_us=step_us, decode_us=decode)


def _when(taken: Array, mark: float) -> float:
    """When charge first comes to a mark, between whole seconds; never is infinity."""
    above = taken >= mark
    if not above.any():
        return float("inf")
    at = int(above.argmax())
    if at == 0:
        return 0.0
    return at - 1 + float((mark - taken[at - 1]) / max(taken[at] - taken[at - 1], 1e-9))
