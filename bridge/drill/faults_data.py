"""Faults of the pack's data: it stops coming, or is damaged."""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import Final

from bridge.core.pack.intake import is_unknown
from bridge.core.plan.plan import SECOND_US, Slot, Target
from bridge.core.wire.outgoing import FlagItem, QuantityItem
from bridge.drill.fault import CLOSED, UNCHANGED, Fault
from bridge.drill.faults_base import PackFaults, mute, or_not, shortest_age_s
from bridge.drill.stage import Stage
from bridge.quantities import QUANTITIES, Kind
from bridge.simulate.node import Origin, Speech

Damage = Callable[[Speech], None]

TRIED = 300
"""So many numbers of a flag are looked at for one that means nothing."""

ORDINALS = {2: "second", 9: "ninth"}

DRIFTS: Final = 0.04
"""What a reading says may differ by this share once the fault begins: a current moves a cell by 0.1 V."""


class DataFaults(PackFaults):
    """The part of the fault table that is about the pack's data."""

    def table(self) -> list[Fault]:
        """All of them, in order."""
        return [
            self._all_silent(),
            *self._messages_silent(),
            *or_not("page silent", "no multiplexed message in the profile", self._pages_silent()),
            *or_not("counter frozen", "no counter in the profile", self._frozen()),
            *or_not("checksum wrong", "no checksum in the profile", self._spoilt()),
            *or_not("out of range", "no signal can hold a number out of range", self._out_of_range()),
            *or_not("every second frame bad", "no plain message can be out of range", self._flickering(2)),
            *or_not("every ninth frame bad", "no plain message comes so often", self._flickering(9)),
            *or_not("not a number", "no floating-point signal in the profile", self._not_a_number()),
            *or_not("jump", "no largest_jump in the profile", self._jumps()),
            *or_not("unknown number", "no unknown of a required reading in the profile", self._unknown()),
            *or_not("neither yes nor no", "every number of every flag means yes or no", self._neither()),
            *or_not("optional", "no optional reading that can be out of range", self._optional()),
        ]

    # ── data stops coming ───────────────────────────────────────────────────────────────────────────

    def _all_silent(self) -> Fault:
        age_s = min(slot.max_age_us for slot in self._plan.slots if slot.required) / SECOND_US
        oldest_us = max(slot.max_age_us for slot in self._plan.slots if slot.owner in self._banks)
        old_s = oldest_us / SECOND_US + 3 * self._budget.tick_s
        shown = {
            item.quantity: one.period_us * len(one.pages) / SECOND_US
            for one in self._plan.transmissions
            for page in one.pages
            for item in page
            if isinstance(item, QuantityItem | FlagItem) and is_reading(item.quantity)
        }
        shown_s = max(shown.values(), default=0.0)
        return Fault(
            "pack silent",
            "no cell monitor says anything",
            CLOSED,
            self._budget.lost(age_s),
            partial(mute, owner=None),
            lasts_s=old_s + 2 * shown_s,
            lost=True,
            gone=frozenset(shown),
            gone_after_s=old_s,
        )

    def _messages_silent(self) -> Iterator[Fault]:
        for speech in self._speeches:
            needed = [slot for slot in self._slots(speech, speech.origins) if slot.required]
            name = f"{self._name(speech)} silent"
            if not needed:
                yield self._optional_silent(name, speech)
                continue
            yield self._damage(name, f"only {told(needed)} stop coming", speech, needed, _silence)

    def _optional_silent(self, name: str, speech: Speech) -> Fault:
        slots = self._slots(speech, speech.origins)
        return Fault(
            name,
            f"only {told(slots)} stop coming, none of them required",
            UNCHANGED,
            0.0,
            partial(_damage_speech, number=speech.number, damage=_silence),
            lasts_s=shortest_age_s(slots) + self._budget.hold_s + self._budget.reaction_s,
        )

    def _pages_silent(self) -> Iterator[Fault]:
        for speech in self._speeches:
            for n, page in enumerate(speech.pages if len(speech.pages) > 1 else ()):
                origins = [one for one in speech.origins if one.signal in page.names]
                needed = [slot for slot in self._slots(speech, origins) if slot.required]
                if needed:
                    name = f"{self._name(speech)}, page {n + 1} silent"
                    text = f"only {told(needed)} stop coming"
                    yield self._damage(name, text, speech, needed, partial(_silence_page, n))

    # ── data is damaged ─────────────────────────────────────────────────────────────────────────────

    def _frozen(self) -> Iterator[Fault]:
        for speech in self._guarded():
            if speech.section.counter is not None:
                text = "it repeats itself with the same count"
                yield self._damage(f"{self._name(speech)}, counter frozen", text, speech, None, _freeze)

    def _spoilt(self) -> Iterator[Fault]:
        for speech in self._guarded():
            if speech.section.checksum is not None:
                text = "its checksum is wrong"
                yield self._damage(f"{self._name(speech)}, checksum wrong", text, speech, None, _spoil)

    def _out_of_range(self) -> Iterator[Fault]:
        for speech in self._guarded():
            found = self._outside(speech)
            if found is not None:
                origin, raw, text = found
                force = partial(_force, origin.signal, (raw,))
                yield self._damage(f"{self._name(speech)}, out of range", text, speech, None, force)

    def _flickering(self, every: int) -> Iterator[Fault]:
        """A loose contact: good frames in between stop the clock of the holding time, for so long in all."""
        done: set[str] = set()
        for speech in self._guarded():
            owner, found = self._owner(speech), self._outside(speech)
            steady = every * speech.period_us < self._plan.times.steady_us
            if found is None or owner in done or len(speech.pages) > 1 or not steady:
                continue
            done.add(owner)
            origin, bad, text = found
            now = self._site.views[owner].value(origin.quantity, origin.cell, 0)
            good = speech.coder.raw(origin.signal, origin.number(now))
            force = partial(_force, origin.signal, (bad, *[good] * (every - 1)))
            name = f"{self._name(speech)}, every {ORDINALS[every]} frame bad"
            fault = self._damage(name, text, speech, None, force)
            stops_s = min((every - 1) * self._budget.hold_s, self._budget.steady_s)
            # The first bad frame may be the last of its turn; and holding ends at a bad one only.
            early_s = every * speech.period_us / SECOND_US
            longest_s = fault.allowed_s + stops_s + 2 * early_s
            yield replace(fault, allowed_s=longest_s, early_s=early_s, comes_and_goes=True)

    def _outside(self, speech: Speech) -> tuple[Origin, int, str] | None:
        """The first reading that can be out of range, with such a raw number, and the sentence for it."""
        for origin in self._needed(speech):
            found = self._beyond(speech, origin)
            if found is not None:
                return origin, *found
        return None

    def _beyond(self, speech: Speech, origin: Origin) -> tuple[int, str] | None:
        """A raw number of a reading that is out of range, and the sentence for it."""
        target, coder = self._target(speech, origin), speech.coder
        if target.truth is not None or coder.is_float(origin.signal):
            return None
        for raw in reversed(coder.raw_span(origin.signal)):
            number = coder.number(origin.signal, raw)
            value = origin.value(number)
            if not target.low <= value <= target.high and not is_unknown(target, number):
                text = f"{origin.quantity} reads {value:g}; believable: {target.low:g} to {target.high:g}"
                return raw, text
        return None

    def _unknown(self) -> Iterator[Fault]:
        """A required reading that says nothing is lost like one that does not come."""
        for speech in self._guarded():
            for origin in self._needed(speech):
                target, coder = self._target(speech, origin), speech.coder
                spans = [low for low, _ in target.unknown if math.isfinite(low)]
                if not spans or coder.is_float(origin.signal):
                    continue
                raw = coder.raw(origin.signal, spans[0])
                if is_unknown(target, coder.number(origin.signal, raw)):
                    text = f"{origin.quantity} says {spans[0]:g}, which means that it is not known"
                    needed = self._slots(speech, [origin])
                    force = partial(_force, origin.signal, (raw,))
                    yield self._damage(f"{self._name(speech)}, unknown number", text, speech, needed, force)
                    break

    def _neither(self) -> Iterator[Fault]:
        """A permission that says neither yes nor no is neither: it is not known."""
        for speech in self._guarded():
            for origin in self._needed(speech):
                raw = self._senseless(speech, origin)
                if raw is not None:
                    number = speech.coder.number(origin.signal, raw)
                    text = f"{origin.quantity} says {number:g}, neither yes nor no"
                    force = partial(_force, origin.signal, (raw,))
                    name = f"{self._name(speech)}, neither yes nor no"
                    yield self._damage(name, text, speech, None, force)
                    break

    def _senseless(self, speech: Speech, origin: Origin) -> int | None:
        """A raw number of a flag that means nothing at all."""
        target, coder = self._target(speech, origin), speech.coder
        if target.truth is None or coder.is_float(origin.signal):
            return None
        low, high = coder.raw_span(origin.signal)
        for raw in range(high, max(low, high - TRIED) - 1, -1):
            number = coder.number(origin.signal, raw)
            if number not in target.truth | target.falsity and not is_unknown(target, number):
                return raw
        return None

    def _optional(self) -> Iterator[Fault]:
        """One that cannot be believed costs itself, and neither its frame nor the bank."""
        for speech in self._speeches:
            needed = self._needed(speech)
            for origin in speech.origins:
                found = None if origin in needed else self._beyond(speech, origin)
                if found is None:
                    continue
                raw, text = found
                slots = self._slots(speech, [origin])
                yield Fault(
                    f"{self._name(speech)}, optional {origin.quantity} out of range",
                    text,
                    UNCHANGED,
                    0.0,
                    partial(
                        _damage_speech, number=speech.number, damage=partial(_force, origin.signal, (raw,))
                    ),
                    lasts_s=shortest_age_s(slots) + self._budget.hold_s + self._budget.reaction_s,
                    follows=True,
                )
                break

    def _not_a_number(self) -> Iterator[Fault]:
        for speech in self._guarded():
            for origin in self._needed(speech):
                if speech.coder.is_float(origin.signal) and not is_unknown(
                    self._target(speech, origin), math.nan
                ):
                    force = partial(_force, origin.signal, (math.nan,))
                    text = f"{origin.quantity} is not a number"
                    yield self._damage(f"{self._name(speech)}, not a number", text, speech, None, force)
                    break

    def _jumps(self) -> Iterator[Fault]:
        for speech in self._guarded():
            for origin in self._needed(speech):
                target, coder = self._target(speech, origin), speech.coder
                if target.jump is None or coder.is_float(origin.signal):
                    continue
                now = self._site.views[self._owner(speech)].value(origin.quantity, origin.cell, 0)
                later = (now, (1.0 - DRIFTS) * now, (1.0 + DRIFTS) * now)
                if all(len(_jumped(origin, target, speech, one)) > 1 for one in later):
                    text = f"{origin.quantity} jumps by more than {target.jump:g}, to and fro"
                    fault = self._damage(f"{self._name(speech)}, jump", text, speech, None, _silence)
                    jump = partial(_jump, number=speech.number, origin=origin, target=target)
                    yield replace(fault, inject=jump)
                    break

    def _damage(
        self, name: str, text: str, speech: Speech, needed: list[Slot] | None, damage: Damage
    ) -> Fault:
        if needed is None:
            needed = [slot for slot in self._slots(speech, speech.origins) if slot.required]
        return Fault(
            name,
            text,
            self._wanted(self._owner(speech)),
            self._budget.lost(shortest_age_s(needed)),
            partial(_damage_speech, number=speech.number, damage=damage),
            lost=True,
            follows=self._reduces,
        )


def is_reading(quantity: str) -> bool:
    """Whether it is what a bank says, handed on."""
    return QUANTITIES[quantity].kind in (Kind.BANK, Kind.CELL)


def told(slots: list[Slot]) -> str:
    """Names of quantities, cells with their numbers: `cell_voltage 1 to 4, pack_voltage`."""
    names: dict[str, list[int]] = {}
    for slot in slots:
        names.setdefault(slot.quantity, []).append(slot.index)
    texts = []
    for name, numbers in names.items():
        if len(numbers) > 1:
            texts.append(f"{name} {min(numbers)} to {max(numbers)}")
        else:
            texts.append(f"{name} {numbers[0]}" if numbers[0] else name)
    return ", ".join(texts)


def _damage_speech(stage: Stage, number: int, damage: Damage) -> None:
    damage(stage.speech(number))


def _jumped(origin: Origin, target: Target, speech: Speech, now: float) -> tuple[int | float, ...]:
    """Two raw numbers that are too far from what a signal says now, and from each other; or fewer."""
    most = 1.05 * (target.jump or 0.0)
    levels: list[float] = []
    for level in (*(now + 1.05 * k * most for k in (-1, 1, -2, 2)), target.low, target.high):
        if target.low <= level <= target.high and all(abs(level - one) > most for one in (now, *levels)):
            levels.append(level)
    return tuple(speech.coder.raw(origin.signal, origin.number(level)) for level in levels[:2])


def _jump(stage: Stage, number: int, origin: Origin, target: Target) -> None:
    """To and fro around what it says when it begins."""
    speech = stage.speech(number)
    view = stage.view(stage.loaded.plan.sources[number].owner)
    _force(
        origin.signal, _jumped(origin, target, speech, view.value(origin.quantity, origin.cell, 0)), speech
    )


def _silence(speech: Speech) -> None:
    speech.muted = True


def _silence_page(page: int, speech: Speech) -> None:
    speech.muted_pages.add(page)


def _freeze(speech: Speech) -> None:
    speech.frozen = True


def _spoil(speech: Speech) -> None:
    speech.spoilt = True


def _force(signal: str, raws: tuple[int | float, ...], speech: Speech) -> None:
    speech.forced[signal] = raws
