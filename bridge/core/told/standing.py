"""What a receiver may still act on: what it was told last, as far as that is known to have reached it.

A frame that was handed over may turn out not to have left. What became of it is known a tick later, because
the daemon is never later than that with the calls of one deadline; until then it counts both ways. A
receiver that is heard without a break has had every frame that left before. One that is not heard may have
had any of those since it was heard last, and acts on each until its own time-out; once it is back, what left
after that counts.
"""

from collections import deque
from collections.abc import Sequence
from typing import Final, NamedTuple

FAR_US: Final = 2**62
"""Later than any engine time."""


class Told(NamedTuple):
    """The largest of what may still stand: current in µA, and the share it was."""

    amps_ua: int
    share: int


NOTHING: Final = Told(0, 0)


class Proof(NamedTuple):
    """Until when what left has reached a receiver: up to `until_us`, but for what left while it was away.

    Attributes:
        away_us, back_us: it was not heard in between, and may have missed anything.
        until_us: it was heard after that.
    """

    away_us: int
    back_us: int
    until_us: int

    def missed_at(self, t_us: int, timeout_us: int) -> int:
        """Until when a receiver that missed what left at `t_us` goes on with what it had before.

        While it is heard, whatever else it is told keeps it going.
        """
        return max(t_us, self.until_us) + timeout_us

    def covers(self, t_us: int) -> bool:
        """Whether what left at `t_us` has arrived."""
        return t_us <= self.until_us and not self.away_us < t_us <= self.back_us


class Flight:
    """A frame of which it is not known yet whether it left."""

    __slots__ = ("amps_ua", "failed", "share", "t_us")

    def __init__(self, t_us: int, amps_ua: int, share: int, *, failed: bool) -> None:
        self.t_us = t_us
        self.amps_ua = amps_ua
        self.share = share
        self.failed = failed


class Stand(NamedTuple):
    """Frames that left and said the same, the first of them at `since_us`."""

    since_us: int
    amps_ua: int
    share: int


class Line:
    """One current limit in one transmission, over time. Mutable.

    Attributes:
        flights: see `Flight`, in order.
        stands: what left, in order, from the last that all receivers are known to have.
        missed_us: deadline of the last frame that did not leave.
        left_us: deadline of the last that did.
    """

    __slots__ = ("_tick_us", "flights", "left_us", "missed_us", "stands")

    def __init__(self, start_us: int, tick_us: int, unknown: Told) -> None:
        """Before the start somebody else may have told `unknown`."""
        self._tick_us = tick_us
        self.flights: deque[Flight] = deque()
        self.stands = [Stand(-FAR_US, *unknown)]
        self.missed_us = start_us - 1
        self.left_us = start_us

    def latest_us(self, timeout_us: int) -> int:
        """Deadline of the last frame that left, or may have left while the receiver still went on."""
        last_us = self.left_us + timeout_us
        return max((one.t_us for one in self.flights if one.t_us <= last_us), default=self.left_us)

    def tell(self, t_us: int, amps_ua: int, share: int, *, failed: bool = False) -> None:
        """A frame was made at its deadline `t_us`, or (`failed`) could not be made."""
        self.flights.append(Flight(t_us, amps_ua, share, failed=failed))

    def unsent(self, t_us: int) -> None:
        """The frame of that deadline did not leave."""
        for flight in self.flights:
            if flight.t_us == t_us:
                flight.failed = True

    def land(self, t_us: int) -> None:
        """What became of frames is known by `t_us`."""
        flights, stands = self.flights, self.stands
        while flights and t_us - flights[0].t_us > self._tick_us:
            flight = flights.popleft()
            if flight.failed:
                self.missed_us = flight.t_us
                continue
            self.left_us = flight.t_us
            last = stands[-1]
            same = last.amps_ua == flight.amps_ua and last.share == flight.share
            if not same or last.since_us < self.missed_us:
                stands.append(Stand(flight.t_us, flight.amps_ua, flight.share))

    def interrupt(self, t_us: int) -> None:
        """A receiver was away until `t_us`: what it was told before may be news to it."""
        self.missed_us = max(self.missed_us, t_us)

    def trim(self, proofs: Sequence[Proof], t_us: int, timeout_us: int) -> None:
        """Forgets what no receiver can act on: all have what came later, or are past their time-out."""
        stands = self.stands
        while len(stands) > 1:
            next_us = stands[1].since_us
            if any(not one.covers(next_us) and one.missed_at(next_us, timeout_us) >= t_us for one in proofs):
                break
            del stands[0]

    def _known(self, proof: Proof) -> int:
        """The last stand that a receiver is known to have; the first stands for what is not known."""
        stands = self.stands
        at = len(stands) - 1
        while at > 0 and not proof.covers(stands[at].since_us):
            at -= 1
        return at

    def reached(self, proof: Proof) -> bool:
        """Whether the receiver has one that is newer than the last that did not leave."""
        since_us = self.stands[self._known(proof)].since_us
        return self.missed_us < since_us and proof.covers(since_us)

    def standing(self, proof: Proof, t_us: int, timeout_us: int, latest_us: int) -> Told:
        """The largest a receiver may act on at `t_us`, up to which `land` has been called.

        Args:
            proof: what has reached it.
            t_us: now.
            timeout_us: its own time-out.
            latest_us: when it was last told anything at all.
        """
        stands, amps_ua, share = self.stands, 0, 0
        first = self._known(proof)
        for at in range(first, len(stands)):
            stand = stands[at]
            if at + 1 < len(stands):
                until_us = proof.missed_at(stands[at + 1].since_us, timeout_us)
            else:
                until_us = latest_us + timeout_us
            if until_us >= t_us:
                amps_ua = max(amps_ua, stand.amps_ua)
                share = max(share, stand.share)
        for flight in self.flights:
            amps_ua = max(amps_ua, flight.amps_ua)
            share = max(share, flight.share)
        return Told(amps_ua, share)
