"""The observer: it sees what reaches the program and what the inverters see, and knows what must not be.

It shares nothing with the program but the message definitions and the profile's text. Every rule is
one-sided: where it cannot know, it says nothing; where it speaks, the stated time has passed for certain.
"""

import math
from collections import Counter
from typing import Any, Final, NamedTuple

from tests.storm import sums
from tests.storm.barred import barred
from tests.storm.book import CHARGE, DRAW, LIMITS, Book, Said
from tests.storm.calm import Odd, wrong
from tests.storm.known import RIVAL_QUIET_S, Known, Told
from tests.storm.memory import NEVER_US, SECOND
from tests.storm.most import most, note_lost
from tests.storm.silence import all_lost

TINY: Final = 1e-6
FLOOR: Final = "discharge_voltage_floor"
ALLOWED: Final = {"charge_allowed": CHARGE, "discharge_allowed": DRAW}
MOST: Final = 8

RIVAL_GONE_S: Final = 1.0
"""Another sender is gone after so long."""

WRITTEN_S: Final = 1.0
"""What tightened a limit is on the disk so soon that no later kill makes it forgotten."""


class Broken(NamedTuple):
    """An invariant that did not hold.

    Attributes:
        t_us: when.
        rule: which.
        text: what was seen.
    """

    t_us: int
    rule: str
    text: str


class Observer:
    """Watches one storm.

    Attributes:
        broken: what did not hold, each rule only the first few times.
        known: what the rules go by.
        disk_bad_us: the disk last failed then.
    """

    def __init__(self, book: Book, start_us: int) -> None:
        self.broken: list[Broken] = []
        self.known = Known(book, start_us)
        self.disk_bad_us = NEVER_US
        self._taken_us = NEVER_US
        self._running = False
        self._followed_us: int | None = None
        self._before = book
        self._silent_frames = 0
        self._owed: Counter[str] = Counter()
        self._left_us: dict[str, int] = {}
        self._counts: dict[tuple[str, int, str], float] = {}
        self._bars: dict[str, str | None] = {}
        self._caps: dict[str, tuple[float, str]] = {}
        self._reload_us = NEVER_US

    def say(self, t_us: int, rule: str, text: str) -> None:
        """Something did not hold."""
        if sum(one.rule == rule for one in self.broken) < 2 and len(self.broken) < MOST:
            self.broken.append(Broken(t_us, rule, text))

    # ── the process ─────────────────────────────────────────────────────────────────────────────────

    def began(self, t_us: int, book: Book) -> None:
        """A process has started with a profile."""
        if book.senses != self.known.book.senses:  # what was kept is of other messages
            self.known.memory.untrip()  # the program need not know it
            self.known.words.clear()
        self._before = self.known.book
        self.known.books = [book]
        self._anew()
        self.known.memory.change(book)
        self.known.memory.forget()
        self._counts.clear()
        self.known.began_us = self.known.steady_from_us = self.known.turn_us = t_us
        self._running, self._followed_us = True, None
        self._silent_frames = 0

    def profiles(self, t_us: int, working: Book, accepted: Book) -> None:
        """Which profile the program works by, and which it has accepted: from then on that one bounds it."""
        if accepted is not self.known.book:
            self.known.books = [*(one for one in self.known.books if one is not accepted), accepted]
            self.known.bound_us = t_us + round((accepted.react_s + accepted.tell_s) * SECOND)
            self.known.memory.change(accepted)
            self.known.words.clear()
            self._anew()
        if working is accepted and len(self.known.books) > 1:
            self._before, self.known.books = self.known.books[0], [accepted]
            self._taken_us = t_us
            if not any(self.known.told[one].value for one in self.known.told if one[1] in (CHARGE, DRAW)):
                self.known.anew_us = t_us  # by way of zeros: what was heard before does not count
            self.known.memory.counters.clear()
            self._followed_us = None
            self._silent_frames = 0
            self._counts.clear()
            self._anew()

    def _anew(self) -> None:
        """What was worked out no longer holds."""
        self._bars.clear()
        self._caps.clear()

    def stood_still(self, t_us: int, seconds: float) -> None:
        """The program had not run for so long when it went on at `t_us`."""
        self.known.turn_us = t_us
        self._anew()
        stall_s, blur_s = self.known.book.stall_s, 2 * self.known.book.tick_s
        if seconds > stall_s - blur_s:  # it may have begun anew
            self._followed_us = None
        if seconds > stall_s + blur_s:
            self.known.steady_from_us = t_us

    def killed(self, t_us: int) -> None:
        """The process is gone, without a word."""
        self._running = False
        self._unwritten(t_us)

    def _unwritten(self, t_us: int) -> None:
        """What had tightened a limit only just now, or while the disk failed, may be forgotten."""
        soon_us = t_us - round((WRITTEN_S + self.known.book.react_s) * SECOND)
        bad = max(self.disk_bad_us, self._taken_us) > max(self.known.began_us, soon_us)
        bad = bad or self.disk_bad_us > self.known.began_us
        for track in self.known.memory.tracks.values():
            for bar, since_us in list(track.tripped_us.items()):
                if bad or since_us + self.known.lag_us(track) > soon_us:
                    del track.tripped_us[bar]
        for bank, word in list(self.known.words.items()):
            if bad or word.since_us > soon_us:
                del self.known.words[bank]

    def ended(self, t_us: int, code: int | None, *, sendable: set[str]) -> None:
        """The process has ended by itself: exit code, `None` for an exception; wires that could be used."""
        self._running = False
        for (inverter, quantity), told in sorted(self.known.told.items()):
            if (
                quantity not in (CHARGE, DRAW)
                or told.t_us < self.known.began_us
                or not self._stands(t_us, inverter, told)
            ):
                continue
            if code == 0 or told.wire in sendable:
                said = "an exception" if code is None else f"exit code {code}"
                text = f"{inverter} was left with {quantity} {told.value:g} A at the end, {said}"
                self.say(t_us, "zeros last", text)
        self._unwritten(t_us)

    def _stands(self, t_us: int, inverter: str, told: Told) -> bool:
        """Whether an inverter goes by a current still, and not because the profile wants silence."""
        silent = (
            self.known.book.other_sender == "silent"
            and t_us - self.known.rival_us[1] < RIVAL_QUIET_S * SECOND
        )
        timeout_s = self.known.book.inverters.get(inverter, {}).get("timeout_s", math.inf)
        return told.value > 0.0 and t_us - told.t_us <= timeout_s * SECOND and not silent

    def reload_asked(self, t_us: int) -> None:
        """A profile is loaded again: where it cannot be taken, counters may begin anew."""
        self._reload_us = t_us

    def let_go(self, t_us: int, wire: str) -> None:
        """The program closed a wire."""
        for (inverter, quantity), told in sorted(self.known.told.items()):
            if told.wire == wire and quantity in (CHARGE, DRAW) and self._stands(t_us, inverter, told):
                text = f"{inverter} was left with {quantity} {told.value:g} A on a bus that was closed"
                self.say(t_us, "zeros last", text)

    # ── frames ──────────────────────────────────────────────────────────────────────────────────────

    def delivered(self, t_us: int, wire: str, key: int, data: bytes, *, genuine: bool) -> None:
        """A frame was handed to the program."""
        self._anew()
        self.known.memory.take(t_us, wire, key, data, genuine=genuine)
        if self.known.words:
            for heard in self.known.book.hears.get((wire, key), ()):
                self.known.words.pop(heard.owner, None)

    def second_sender(self, t_us: int, wire: str, key: int, *, there: bool) -> None:
        """A message has a second sender from now on, or no more."""
        for heard in self.known.book.hears.get((wire, key), ()):
            if there:
                self.known.memory.twins[heard.name, heard.owner] = t_us
            else:
                self.known.memory.twins.pop((heard.name, heard.owner), None)

    def rival(self, t_us: int) -> None:
        """Somebody else's frame of ours was handed to the program."""
        if t_us - self.known.rival_us[1] > RIVAL_GONE_S * SECOND:
            self.known.rival_us = (t_us, t_us)
        self.known.rival_us = (self.known.rival_us[0], t_us)
        self._anew()

    def unsent(self, wire: str, key: int | None) -> None:
        """A frame could not leave: its counter is one the inverter does not see; without a key, of any."""
        for which in [one for one in self._counts if key is None or one[:2] == (wire, key)]:
            del self._counts[which]

    def left(self, t_us: int, wire: str, key: int, data: bytes) -> None:
        """A frame of the program is on a wire."""
        said = next((s for book in reversed(self.known.books) if (s := book.says.get((wire, key)))), None)
        if said is None:
            self.say(t_us, "frames", f"{key:X}#{data.hex()} on {wire}: no transmission makes it")
            return
        numbers = said.decode(data)
        if numbers is None:
            self.say(t_us, "frames", f"{said.name} {data.hex()} cannot be read")
            return
        if said.carries_limits:
            note_lost(self.known)
        for signal, item in said.items.items():
            if signal in numbers:
                self._item(t_us, said, signal, item, numbers[signal], data)
        if said.carries_limits:
            self._silence(t_us, said)
            self._sums(t_us)

    def _item(
        self, t_us: int, said: Said, signal: str, item: dict[str, Any], number: float, data: bytes
    ) -> None:
        if "counter" in item:
            self._counter(t_us, said, signal, item["counter"], number)
        elif "checksum" in item:
            right = sums.right(said.message, signal, item["checksum"], data)
            if right not in (None, number):
                self.say(t_us, "frames", f"{said.name}: {signal} is {number:g}, should be {right}")
        elif item.get("flag") in ALLOWED:
            if number == item.get("true", 1.0):
                self._allowed(t_us, said, item["flag"])
        elif item.get("quantity") in LIMITS and number != item.get("absent"):
            scale = item.get("scale", 1.0)
            value = round((number - item.get("shift", 0.0)) / scale, 9)
            for inverter in said.inverters:
                self._limit(t_us, inverter, item["quantity"], value, said, said.step(signal, scale))

    def _counter(self, t_us: int, said: Said, signal: str, rule: dict[str, int], number: float) -> None:
        which = said.wire, said.key, signal
        length = said.message.get_signal_by_name(signal).length
        before, self._counts[which] = self._counts.get(which), number
        wanted = None if before is None else (before + rule.get("step", 1)) % rule.get("modulo", 2**length)
        anew = number == 0 and t_us - self._reload_us < 3 * SECOND
        if wanted not in (None, number) and not anew:
            self.say(t_us, "frames", f"{said.name}: {signal} is {number:g} after {before:g}")

    # ── the rules ───────────────────────────────────────────────────────────────────────────────────

    def _limit(self, t_us: int, inverter: str, quantity: str, value: float, said: Said, step: float) -> None:
        told = f"{inverter} was told {quantity} {value:g}"
        if not math.isfinite(value):
            self.say(t_us, "numbers", told)
            return
        loose = -value if quantity == FLOOR else value
        hards = [one.hard[quantity] for one in self.known.bounding(t_us) if one.hard[quantity] is not None]
        if hards and loose > max(-hard if quantity == FLOOR else hard for hard in hards) + TINY:
            self.say(t_us, "hard limits", f"{told}; the profile's: {hards[-1]:g}")
        which = inverter, quantity
        before = self.known.told.get(which)
        self.known.told[which] = Told(t_us, self.known.turn_us, value, said.wire)
        if quantity in (CHARGE, DRAW) and value == 0.0 and t_us - self._reload_us < 3 * SECOND:
            self._followed_us = None  # a profile that could not be taken may have made it begin anew
        if quantity in (CHARGE, DRAW) and value > 0.0:
            self._followed_us = self._followed_us or t_us
            if (why := self._barred(t_us, quantity)) is not None:
                self.say(t_us, "zero", f"{told}; {why}")
            cap, why = self._cap(quantity)
            if value > cap + TINY:
                self.say(t_us, "cap", f"{told}; at most {cap:.2f}: {why}")
        if before is not None:
            self._rise(t_us, which, before, loose, step)

    def _rise(self, t_us: int, which: tuple[str, str], before: Told, loose: float, step: float) -> None:
        inverter, quantity = which
        if quantity == FLOOR and self.known.told.get((inverter, DRAW), before).value == 0.0:
            return
        if quantity == FLOOR and before.t_us < self.known.began_us:
            return  # a start has the profile's floor, and the message that says zero may come just behind
        was = -before.value if quantity == FLOOR else before.value
        if quantity == LIMITS[0]:  # the resting voltage is a closed limit
            was = max([was, *(one.limits.get("resting_voltage_v", was) for one in self.known.books)])
        rate = max(one.rises[quantity] for one in self.known.books)
        seconds = (self.known.turn_us - before.made_us) / SECOND + 2 * self.known.book.tick_s
        if loose > was + rate * seconds + step + TINY:
            text = (
                f"{inverter}: {quantity} went from {before.value:g} to {abs(loose):g} within {seconds:.2f} s"
            )
            self.say(t_us, "rise", f"{text}; at most {rate:g} a second")

    def _allowed(self, t_us: int, said: Said, flag: str) -> None:
        if (why := self._barred(t_us, ALLOWED[flag])) is not None:
            self.say(t_us, "zero", f"{', '.join(said.inverters)} was told {flag}; {why}")

    def _sums(self, t_us: int) -> None:
        """What all inverters together are told, each for its own time-out."""
        if len(self.known.book.inverters) < 2:
            return
        for quantity in (CHARGE, DRAW):
            total = 0.0
            for name, inverter in self.known.book.inverters.items():
                told = self.known.told.get((name, quantity))
                if told is not None and t_us - told.t_us <= inverter["timeout_s"] * SECOND:
                    total += told.value
            books = self.known.bounding(t_us)
            soon_us = (books[-1].react_s + books[-1].tell_s) * SECOND
            if t_us - max(self.known.began_us, self._reload_us) < soon_us:
                books = [*books, self._before]  # not all have heard of the new life, or the new profile, yet
            top = max(one.hard[quantity] for one in books)
            if total > top + TINY:
                self.say(
                    t_us, "sum", f"together the inverters are told {quantity} {total:g}; at most {top:g}"
                )

    def _barred(self, t_us: int, quantity: str) -> str | None:
        """Why a current must be zero, if it must for certain."""
        if quantity not in self._bars:
            self._bars[quantity] = barred(self.known, t_us, quantity)
        return self._bars[quantity]

    def _cap(self, quantity: str) -> tuple[float, str]:
        """The most a current may be by what the monitors say, and why."""
        if quantity not in self._caps:
            self._caps[quantity] = most(self.known, quantity)
        return self._caps[quantity]

    # ── silence ─────────────────────────────────────────────────────────────────────────────────────

    def _silence(self, t_us: int, said: Said) -> None:
        """Once data is lost for the stated time nothing is sent, so that the inverter's time-out acts.

        But for zeros that could not leave for a while: once on each page.
        """
        known, before_us = self.known, self._left_us.get(said.name, NEVER_US)
        self._left_us[said.name] = t_us
        lost = self._followed_us is not None and known.steady_from_us <= self._followed_us
        if not (lost and all_lost(known, t_us) and self._running):
            self._silent_frames = 0
            self._owed.clear()
            return
        if t_us - before_us > (3 * said.round_s + 2 * known.book.tick_s) * SECOND:
            self._owed[said.name] = said.pages
        if self._owed[said.name]:
            self._owed[said.name] -= 1
            return
        self._silent_frames += 1
        if self._silent_frames > 2:
            self.say(
                t_us, "silence", f"{said.name} was sent {known.book.silent_s:g} s and more after all was lost"
            )

    def finish(self, t_us: int, odd: Odd) -> None:
        """The storm has been over for the stated time; see `tests.storm.calm`."""
        for text in wrong(self.known, t_us, odd):
            self.say(t_us, "follows again", text)
