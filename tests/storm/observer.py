"""The observer: it sees what reaches the program and what the inverters see, and knows what must not be.

It shares nothing with the program but the message definitions and the profile's text. Every rule is
one-sided: where it cannot know, it says nothing; where it speaks, the stated time has passed for certain.
"""

import math
from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from tests.storm import sums
from tests.storm.book import CHARGE, COLDEST_CHARGE_C, DRAW, LIMITS, Book, Place, Said
from tests.storm.memory import NEVER_US, SECOND, Memory, Track, curve_at

TINY: Final = 1e-6
FLOOR: Final = "discharge_voltage_floor"
ALLOWED: Final = {"charge_allowed": CHARGE, "discharge_allowed": DRAW}
MOST: Final = 8

RIVAL_S: Final = 2.0
RIVAL_GONE_S: Final = 1.0
"""Another sender is noticed within the one, once the program has run so long; and is gone after the other."""

RIVAL_QUIET_S: Final = 62.0
"""Whoever sends seldom counts as there for so long at most, and a profile may want silence meanwhile."""

TWIN_FRAMES: Final = 16
"""Two senders of one message are noticed within so many of its frames."""

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


class Told(NamedTuple):
    """What an inverter was told last."""

    t_us: int
    value: float
    wire: str


class Observer:
    """Watches one storm.

    Attributes:
        broken: what did not hold, each rule only the first few times.
        told: by inverter and quantity.
        disk_bad_us: the disk last failed then.
    """

    def __init__(self, book: Book, start_us: int) -> None:
        self.broken: list[Broken] = []
        self.told: dict[tuple[str, str], Told] = {}
        self.memory = Memory(book)
        self.disk_bad_us = NEVER_US
        self._books = [book]
        self._bound_us = start_us
        self._rival_us = (NEVER_US, NEVER_US)
        self._steady_from_us = start_us
        self._began_us = self._anew_us = start_us
        self._taken_us = NEVER_US
        self._turn_us = start_us
        self._running = False
        self._followed_us: int | None = None
        self._silent_frames = 0
        self._counts: dict[tuple[str, int, str], float] = {}
        self._bars: dict[str, str | None] = {}
        self._caps: dict[str, tuple[float, str]] = {}
        self._reload_us = NEVER_US

    @property
    def book(self) -> Book:
        """The profile in force."""
        return self._books[-1]

    def say(self, t_us: int, rule: str, text: str) -> None:
        """Something did not hold."""
        if sum(one.rule == rule for one in self.broken) < 2 and len(self.broken) < MOST:
            self.broken.append(Broken(t_us, rule, text))

    # ── the process ─────────────────────────────────────────────────────────────────────────────────

    def began(self, t_us: int, book: Book) -> None:
        """A process has started with a profile."""
        if (
            book.senses != self.book.senses
        ):  # what was kept is of other messages: the program need not know it
            self.memory.untrip()
        self._books = [book]
        self._anew()
        self.memory.change(book)
        self.memory.forget()
        self._counts.clear()
        self._began_us = self._steady_from_us = self._turn_us = t_us
        self._running, self._followed_us, self._silent_frames = True, None, 0

    def profiles(self, t_us: int, working: Book, accepted: Book) -> None:
        """Which profile the program works by, and which it has accepted: from then on that one bounds it."""
        if accepted is not self.book:
            self._books = [*(one for one in self._books if one is not accepted), accepted]
            self._bound_us = t_us + round((accepted.react_s + accepted.tell_s) * SECOND)
            self.memory.change(accepted)
            self._anew()
        if working is accepted and len(self._books) > 1:
            self._books = [accepted]
            self._taken_us = t_us
            if not any(self.told[one].value for one in self.told if one[1] in (CHARGE, DRAW)):
                self._anew_us = t_us  # by way of zeros: what was heard before does not count
            self.memory.counters.clear()
            self._followed_us, self._silent_frames = None, 0
            self._counts.clear()
            self._anew()

    def _anew(self) -> None:
        """What was worked out no longer holds."""
        self._bars.clear()
        self._caps.clear()

    def stood_still(self, t_us: int, seconds: float) -> None:
        """The program had not run for so long when it went on at `t_us`."""
        self._turn_us = t_us
        self._anew()
        if seconds > self.book.stall_s + 2 * self.book.tick_s:
            self._steady_from_us = t_us

    def killed(self, t_us: int) -> None:
        """The process is gone, without a word."""
        self._running = False
        self._unwritten(t_us)

    def _unwritten(self, t_us: int) -> None:
        """What had tightened a limit only just now, or while the disk failed, may be forgotten."""
        soon_us = t_us - round((WRITTEN_S + self.book.react_s) * SECOND)
        bad = max(self.disk_bad_us, self._taken_us) > max(self._began_us, soon_us)
        bad = bad or self.disk_bad_us > self._began_us
        for track in self.memory.tracks.values():
            for bar, since_us in list(track.tripped_us.items()):
                if bad or since_us + self._lag_us(track) > soon_us:
                    del track.tripped_us[bar]

    def ended(self, t_us: int, code: int | None, *, sendable: set[str]) -> None:
        """The process has ended by itself: exit code, `None` for an exception; wires that could be used."""
        self._running = False
        for (inverter, quantity), told in sorted(self.told.items()):
            if (
                quantity not in (CHARGE, DRAW)
                or told.t_us < self._began_us
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
        silent = self.book.other_sender == "silent" and t_us - self._rival_us[1] < RIVAL_QUIET_S * SECOND
        timeout_s = self.book.inverters.get(inverter, {}).get("timeout_s", math.inf)
        return told.value > 0.0 and t_us - told.t_us <= timeout_s * SECOND and not silent

    def reload_asked(self, t_us: int) -> None:
        """A profile is loaded again: where it cannot be taken, counters may begin anew."""
        self._reload_us = t_us

    def let_go(self, t_us: int, wire: str) -> None:
        """The program closed a wire."""
        for (inverter, quantity), told in sorted(self.told.items()):
            if told.wire == wire and quantity in (CHARGE, DRAW) and self._stands(t_us, inverter, told):
                text = f"{inverter} was left with {quantity} {told.value:g} A on a bus that was closed"
                self.say(t_us, "zeros last", text)

    # ── frames ──────────────────────────────────────────────────────────────────────────────────────

    def delivered(self, t_us: int, wire: str, key: int, data: bytes, *, genuine: bool) -> None:
        """A frame was handed to the program."""
        self._anew()
        self.memory.take(t_us, wire, key, data, genuine=genuine)

    def second_sender(self, t_us: int, wire: str, key: int, *, there: bool) -> None:
        """A message has a second sender from now on, or no more."""
        for heard in self.book.hears.get((wire, key), ()):
            if there:
                self.memory.twins[heard.name, heard.owner] = t_us
            else:
                self.memory.twins.pop((heard.name, heard.owner), None)

    def rival(self, t_us: int) -> None:
        """Somebody else's frame of ours was handed to the program."""
        if t_us - self._rival_us[1] > RIVAL_GONE_S * SECOND:
            self._rival_us = (t_us, t_us)
        self._rival_us = (self._rival_us[0], t_us)
        self._anew()

    def unsent(self, wire: str, key: int | None) -> None:
        """A frame could not leave: its counter is one the inverter does not see; without a key, of any."""
        for which in [one for one in self._counts if key is None or one[:2] == (wire, key)]:
            del self._counts[which]

    def left(self, t_us: int, wire: str, key: int, data: bytes) -> None:
        """A frame of the program is on a wire."""
        said = next((s for book in reversed(self._books) if (s := book.says.get((wire, key)))), None)
        if said is None:
            self.say(t_us, "frames", f"{key:X}#{data.hex()} on {wire}: no transmission makes it")
            return
        numbers = said.decode(data)
        if numbers is None:
            self.say(t_us, "frames", f"{said.name} {data.hex()} cannot be read")
            return
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

    def _bounding(self, t_us: int) -> list[Book]:
        """The profiles whose bounds count: the looser of them, just after a reload."""
        return self._books if t_us < self._bound_us else self._books[-1:]

    # ── the rules ───────────────────────────────────────────────────────────────────────────────────

    def _limit(self, t_us: int, inverter: str, quantity: str, value: float, said: Said, step: float) -> None:
        told = f"{inverter} was told {quantity} {value:g}"
        if not math.isfinite(value):
            self.say(t_us, "numbers", told)
            return
        loose = -value if quantity == FLOOR else value
        hards = [one.hard[quantity] for one in self._bounding(t_us) if one.hard[quantity] is not None]
        if hards and loose > max(-hard if quantity == FLOOR else hard for hard in hards) + TINY:
            self.say(t_us, "hard limits", f"{told}; the profile's: {hards[-1]:g}")
        which = inverter, quantity
        before = self.told.get(which)
        self.told[which] = Told(t_us, value, said.wire)
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
        if quantity == FLOOR and self.told.get((inverter, DRAW), before).value == 0.0:
            return
        was = -before.value if quantity == FLOOR else before.value
        if quantity == LIMITS[0]:  # the resting voltage is a closed limit
            was = max([was, *(one.limits.get("resting_voltage_v", was) for one in self._books)])
        rate = max(one.rises[quantity] for one in self._books)
        seconds = (t_us - before.t_us) / SECOND + 2 * self.book.tick_s
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
        if len(self.book.inverters) < 2:
            return
        for quantity in (CHARGE, DRAW):
            total = 0.0
            for name, inverter in self.book.inverters.items():
                told = self.told.get((name, quantity))
                if told is not None and t_us - told.t_us <= inverter["timeout_s"] * SECOND:
                    total += told.value
            most = max(one.hard[quantity] for one in self._bounding(t_us))
            if total > most + TINY:
                self.say(
                    t_us, "sum", f"together the inverters are told {quantity} {total:g}; at most {most:g}"
                )

    def _barred(self, t_us: int, quantity: str) -> str | None:
        """Why a current must be zero, if it must for certain."""
        if quantity not in self._bars:
            self._bars[quantity] = self._barred_now(t_us, quantity)
        return self._bars[quantity]

    def _cap(self, quantity: str) -> tuple[float, str]:
        """The most a current may be by what the monitors say, and why."""
        if quantity not in self._caps:
            self._caps[quantity] = self._cap_now(quantity)
        return self._caps[quantity]

    def _barred_now(self, t_us: int, quantity: str) -> str | None:
        book, turn_us = self.book, min(t_us, self._turn_us)
        sure_us = round((min(one.steady_s for one in self._books) - 2 * book.tick_s) * SECOND)
        if turn_us < self._steady_from_us + sure_us:
            return "the program has only just started, or stood still"
        if (why := self._inhibited(t_us, quantity)) is not None:
            return why
        for track, bar, since_us in self._tripped():
            lag_us = self._lag_us(track) + (sure_us if book.reduces and len(book.banks) > 1 else 0)
            if bar.bars == quantity and turn_us - since_us > lag_us:
                return f"{bar.name}: {_name(track.read.place)} was {track.last}"
        if (why := self._two(turn_us, quantity)) is not None:
            return why
        found = [self._untrusted(bank, turn_us, sure_us) for bank in book.banks if not self._apart(bank)]
        reasons = [why for why in found if why is not None]
        if reasons and (len(reasons) == len(found) or not book.reduces):
            return reasons[0]
        return self._unheard(turn_us)

    def _two(self, turn_us: int, quantity: str) -> str | None:
        """What must be zero because somebody else tells the inverters limits, or speaks for the pack."""
        book, (first_us, last_us) = self.book, self._rival_us
        sure_us = max(first_us, self._began_us, self._bound_us) + round((RIVAL_S + book.react_s) * SECOND)
        if book.other_sender != "warn" and sure_us < turn_us < last_us + SECOND:
            return "somebody else sends what is the program's to send"
        if book.reduces and len(book.banks) > 1:
            return None  # one in doubt is left out: of it the worst of what two senders say need not count
        for which, since_us in self.memory.twins.items():
            for track in self.memory.tracks.values():
                if self.memory.of[track.read.place] != which or self._apart(track.read.place.owner):
                    continue
                wait_s = TWIN_FRAMES * track.read.age_s / 2 + book.hold_s + book.mismatch_s
                for bar, truly_us in track.truly_us.items():
                    known_us = max(since_us, truly_us, self._began_us) + round(wait_s * SECOND)
                    if bar.bars == quantity and turn_us > known_us:
                        return f"{bar.name}, by {_name(track.read.place)}, which has two senders"
        return None

    def _tripped(self) -> Iterator[tuple[Track, Any, int]]:
        for track in self.memory.tracks.values():
            if track.tripped_us and not self._apart(track.read.place.owner):
                for bar, since_us in track.tripped_us.items():
                    yield track, bar, since_us

    def _lag_us(self, track: Track) -> int:
        """How long the program may take to show a reading: longer where its message was doubtful lately."""
        book = max(self._books, key=lambda one: one.hold_s)
        wide_s = track.read.age_s + book.hold_s + book.mismatch_s + 2.0
        dirty_us = self.memory.dirty_us.get(self.memory.of[track.read.place], NEVER_US)
        clean = self._turn_us - dirty_us > wide_s * SECOND
        return round((book.react_s + (0.0 if clean else wide_s)) * SECOND)

    def _apart(self, bank: str) -> bool:
        """Whether a bank says that it is not connected."""
        track = self.memory.tracks.get(Place(bank, "bank_connected", 0))
        return track is not None and 0.0 in track.lately(self._turn_us - 2 * SECOND)

    def _untrusted(self, bank: str, t_us: int, sure_us: int) -> str | None:
        """Why a bank cannot be trusted, for certain."""
        book = max(self._books, key=lambda one: one.hold_s)
        for read in self.book.required[bank]:
            track = self.memory.tracks[read.place]
            if track.good_us == NEVER_US:
                return f"{_name(read.place)} was never seen"
            lost_us = track.good_us + round((read.age_s + book.hold_s + book.react_s) * SECOND)
            if t_us > lost_us:
                return f"{_name(read.place)} was last seen {(t_us - track.good_us) / SECOND:.2f} s ago"
            if t_us < track.since_us + sure_us:
                return f"{_name(read.place)} is there again for {(t_us - track.since_us) / SECOND:.2f} s only"
        return None

    def _unheard(self, t_us: int) -> str | None:
        for heard in self.book.heard:
            if heard.of_bank or self.book.inverters[heard.owner].get("when_silent") != "zero":
                continue
            for read in heard.reads:
                if read.place.quantity != "inverter_heartbeat":
                    continue
                heard_us = max(self.memory.tracks[read.place].good_us, self._began_us, self._anew_us)
                if t_us - heard_us > (read.age_s + self.book.react_s) * SECOND:
                    return f"inverter {heard.owner} is not heard"
        return None

    def _inhibited(self, t_us: int, quantity: str) -> str | None:
        way = "charge" if quantity == CHARGE else "discharge"
        for book in self._bounding(t_us):
            until = book.options.get(f"inhibit_{way}_until")
            if not book.options.get(f"inhibit_{way}") or (until and t_us >= until.timestamp() * SECOND):
                return None
        return f"the profile wishes no {way}"

    def _cap_now(self, quantity: str) -> tuple[float, str]:
        cap, why = math.inf, ""
        book, turn_us = self.book, self._turn_us
        if len(self._books) > 1:
            return cap, why
        way = "charge" if quantity == CHARGE else "discharge"
        for bank, table in book.banks.items():
            if self._apart(bank) or (book.reduces and len(book.banks) > 1):
                continue
            whole = book.share(bank) if not any(self._apart(one) for one in book.banks) else 1.0
            curve = table.get(f"{way}_by_coldest_cell", book.limits.get(f"{way}_by_coldest_cell"))
            for name, give in (
                ("cell_temperature_min", curve),
                (f"{way}_current_permitted", None),
            ):
                track = self.memory.tracks.get(Place(bank, name, 0))
                if track is None or not track.recent:
                    continue
                lag_us = self._lag_us(track)
                values = track.lately(turn_us - lag_us - round(2 * track.read.age_s * SECOND))
                if name.startswith("cell"):
                    if give is None:
                        continue
                    most = max(curve_at(give, value) for value in values) * table[f"{way}_current_a"]
                else:
                    most = max(values)
                if turn_us - track.good_us <= track.read.age_s * SECOND and most / whole < cap:
                    cap, why = most / whole, f"{name} of {bank} was {track.last}"
        return cap, why

    # ── silence ─────────────────────────────────────────────────────────────────────────────────────

    def _silence(self, t_us: int, said: Said) -> None:
        """Once data is lost for the stated time nothing is sent, so that the inverter's time-out acts."""
        book, reasons = self.book, []
        for bank in book.banks:
            if self._apart(bank):
                continue
            last_us = [self.memory.tracks[read.place] for read in book.required[bank]]
            reasons.append(
                any(
                    one.good_us != NEVER_US
                    and (self._turn_us - one.good_us) / SECOND
                    > one.read.age_s + book.hold_s + book.silent_s + 2 * book.react_s
                    for one in last_us
                )
            )
        lost = bool(reasons) and (all(reasons) if book.reduces else any(reasons))
        lost = lost and self._followed_us is not None and self._steady_from_us <= self._followed_us
        # Against somebody else who tells the inverters limits, zeros go on; silence counts from their end.
        rival_s = (t_us - self._rival_us[1]) / SECOND
        lost = lost and rival_s > RIVAL_QUIET_S + book.hold_s + book.silent_s + 2 * book.react_s
        self._silent_frames = self._silent_frames + 1 if lost and self._running else 0
        if self._silent_frames > 2:
            self.say(t_us, "silence", f"{said.name} was sent {book.silent_s:g} s and more after all was lost")

    # ── once the storm is over ──────────────────────────────────────────────────────────────────────

    def finish(self, t_us: int, *, odd_cells: bool) -> None:
        """The storm has been over for the stated time: it follows again.

        Args:
            t_us: now.
            odd_cells: cells did what no cell does, and what was learnt of them may hold charging back.
        """
        book = self.book
        for said in book.said:
            if said.carries_limits and said.wire != "?":
                for inverter in said.inverters:
                    self._heard_lately(t_us, inverter, said)
        for quantity in (CHARGE, DRAW):
            expected, why = self._expected(t_us, quantity)
            if odd_cells:
                expected = 0.0
            got = sum(
                self.told[one, quantity].value for one in book.inverters if (one, quantity) in self.told
            )
            if got < expected:
                text = f"{quantity} is {got:g} at the end, expected {expected:g} or more ({why})"
                self.say(t_us, "follows again", text)

    def _heard_lately(self, t_us: int, inverter: str, said: Said) -> None:
        for quantity in said.quantities & set(LIMITS):
            told = self.told.get((inverter, quantity))
            if told is None or t_us - told.t_us > (3 * said.round_s + 1.0) * SECOND:
                ago = "never" if told is None else f"{(t_us - told.t_us) / SECOND:.1f} s ago"
                self.say(t_us, "follows again", f"{inverter} was last told {quantity}: {ago}")

    def _expected(self, t_us: int, quantity: str) -> tuple[float, str]:
        """What a current should be again, at least; 0 where anything at all may speak against it."""
        book, cap = self.book, self.book.hard[quantity]
        if self._barred(t_us, quantity) is not None:
            return 0.0, ""
        if book.by_soc or (book.gentle and quantity == CHARGE):
            return 0.0, ""
        plain = book.chemistry == "lfp"
        for track in self.memory.tracks.values():
            place, value = track.read.place, track.last
            if place.owner not in book.banks:
                continue
            if value is None or (place.quantity == "bank_connected" and not value):
                return 0.0, ""
            for bar in track.bars:
                margin = 0.0 if "permission" in bar.name else 0.01
                if bar.bars == quantity and not bar.released(value + (margin if bar.upper else -margin)):
                    return 0.0, ""
            if place.quantity.startswith("cell_voltage"):
                if not book.limits["cell_floor_v"] + 0.1 < value < book.limits["cell_target_v"] - 0.04:
                    return 0.0, ""
                plain = plain and 3.2 < value < 3.37
            if place.quantity.startswith("cell_temperature"):
                plain = plain and 16.0 < value < 34.0
                if not COLDEST_CHARGE_C[book.chemistry] + 6.0 < value < 34.0:
                    return 0.0, ""
        parts = [
            table[f"{quantity.split('_')[0]}_current_a"] / book.share(n) for n, table in book.banks.items()
        ]
        return (0.4 if plain else 0.001) * min(cap, *parts), "nothing speaks against it"


def _name(place: Place) -> str:
    number = f" {place.number}" if place.number else ""
    return f"{place.quantity}{number} of {place.owner}"
