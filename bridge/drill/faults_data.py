"""Faults of the pack's data: it stops coming, is damaged, or cannot be true."""

import math
from collections.abc import Callable, Iterator
from functools import partial

from bridge.core.plan import SECOND_US, Bank, Plan, Slot, Source, Target
from bridge.drill.budget import Budget
from bridge.drill.fault import CLOSED, NO_CHARGE, NO_DRAW, Fault, Wanted, not_applicable
from bridge.drill.stage import TEMPERATURE_C, Stage
from bridge.simulate.node import Origin, Speech
from bridge.simulate.site import Site

Damage = Callable[[Speech], None]


class DataFaults:
    """The part of the fault table that is about the pack's data.

    Args:
        plan: the profile.
        site: a site of it that is only looked at: messages, pages, cells at rest.
    """

    def __init__(self, plan: Plan, site: Site) -> None:
        self._plan = plan
        self._budget = Budget(plan)
        self._site = site
        self._banks = {bank.name: bank for bank in plan.banks}
        self._speeches = [one for t in site.talkers if t.owner in site.views for one in t.speeches]
        self._speeches.sort(key=lambda speech: speech.number)

    def table(self) -> list[Fault]:
        """All of them, in order."""
        return [
            self._all_silent(),
            *self._messages_silent(),
            *self._or_not("page silent", "no multiplexed message in the profile", self._pages_silent()),
            *self._or_not("counter frozen", "no counter in the profile", self._frozen()),
            *self._or_not("checksum wrong", "no checksum in the profile", self._spoilt()),
            *self._or_not("out of range", "no signal can hold a number out of range", self._out_of_range()),
            *self._or_not("not a number", "no floating-point signal in the profile", self._not_a_number()),
            *self._or_not("jump", "no largest_jump in the profile", self._jumps()),
            *self._or_not("sum of cells", "pack and cell voltages are not both read", self._mismatches()),
            *self._or_not("bank lost", "there is one bank", self._banks_lost()),
            *self._cells(),
            *self._or_not("too cold", "no temperature in the profile", self._temperatures()),
        ]

    @staticmethod
    def _or_not(name: str, why: str, found: Iterator[Fault]) -> list[Fault]:
        return list(found) or [not_applicable(name, why)]

    # ── data stops coming ───────────────────────────────────────────────────────────────────────────

    def _all_silent(self) -> Fault:
        age_s = min(slot.max_age_us for slot in self._plan.slots if slot.required) / SECOND_US
        return Fault(
            "pack silent",
            "no cell monitor says anything",
            CLOSED,
            self._budget.lost(age_s),
            partial(_mute, owner=None),
            lost=True,
        )

    def _messages_silent(self) -> Iterator[Fault]:
        for speech in self._speeches:
            needed = [slot for slot in self._slots(speech, speech.origins) if slot.required]
            name = f"{self._name(speech)} silent"
            if not needed:
                yield not_applicable(name, "nothing in it is required")
                continue
            yield self._damage(name, f"only {told(needed)} stop coming", speech, needed, _silence)

    def _pages_silent(self) -> Iterator[Fault]:
        for speech in self._speeches:
            for n, page in enumerate(speech.pages if len(speech.pages) > 1 else ()):
                origins = [one for one in speech.origins if one.signal in page.names]
                needed = [slot for slot in self._slots(speech, origins) if slot.required]
                if needed:
                    name = f"{self._name(speech)}, page {n + 1} silent"
                    text = f"only {told(needed)} stop coming"
                    yield self._damage(name, text, speech, needed, partial(_silence_page, n))

    def _banks_lost(self) -> Iterator[Fault]:
        for bank in self._plan.banks if len(self._plan.banks) > 1 else ():
            age_s = min(age_us for _, age_us in bank.required) / SECOND_US
            yield Fault(
                f"bank {bank.name} lost",
                f"the monitor of {bank.name} says nothing any more",
                self._wanted(bank.name),
                self._budget.lost(age_s),
                partial(_mute, owner=bank.name),
                lost=True,
            )

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
            for origin in speech.origins:
                target, coder = self._target(speech, origin), speech.coder
                if target.truth is not None or coder.is_float(origin.signal):
                    continue
                outside = [
                    raw
                    for raw in reversed(coder.raw_span(origin.signal))
                    if not target.low <= origin.value(coder.number(origin.signal, raw)) <= target.high
                ]
                if outside:
                    value = origin.value(coder.number(origin.signal, outside[0]))
                    text = f"{origin.quantity} reads {value:g}; believable: {target.low:g} to {target.high:g}"
                    force = partial(_force, origin.signal, (outside[0],))
                    yield self._damage(f"{self._name(speech)}, out of range", text, speech, None, force)
                    break

    def _not_a_number(self) -> Iterator[Fault]:
        for speech in self._guarded():
            for origin in speech.origins:
                if speech.coder.is_float(origin.signal):
                    force = partial(_force, origin.signal, (math.nan,))
                    text = f"{origin.quantity} is not a number"
                    yield self._damage(f"{self._name(speech)}, not a number", text, speech, None, force)
                    break

    def _jumps(self) -> Iterator[Fault]:
        for speech in self._guarded():
            for origin in speech.origins:
                target, coder = self._target(speech, origin), speech.coder
                if target.jump is None or coder.is_float(origin.signal):
                    continue
                view = self._site.views[self._owner(speech)]
                now = view.value(origin.quantity, origin.cell, 0)
                levels = [now + k * 1.1 * target.jump for k in (-1, 1, -2, 2)]
                raws = [
                    coder.raw(origin.signal, origin.number(level))
                    for level in levels
                    if target.low <= level <= target.high
                ]
                if len(raws) > 1:
                    text = f"{origin.quantity} jumps by more than {target.jump:g}, to and fro"
                    force = partial(_force, origin.signal, tuple(raws[:2]))
                    yield self._damage(f"{self._name(speech)}, jump", text, speech, None, force)
                    break

    def _mismatches(self) -> Iterator[Fault]:
        tolerance_v = self._plan.times.sum_tolerance_v
        for bank in self._plan.banks:
            all_cells = len(bank.cell_slots) == bank.cells
            if "pack_voltage" not in bank.slots or not (
                all_cells or {"cell_voltage_min", "cell_voltage_max"} <= set(bank.slots)
            ):
                continue
            cells_v = self._site.views[bank.name].cells_v(0)
            # Without single cells only what lies beyond the highest cell times their number is impossible.
            spread_v = 0.0 if all_cells else bank.cells * (max(cells_v) - min(cells_v) + 0.05)
            shift_v = 1.5 * tolerance_v + spread_v
            age_s = max(self._plan.slots[n].max_age_us for n in bank.slots.values()) / SECOND_US
            yield Fault(
                f"sum of cells{self._of(bank)}",
                f"the pack voltage reads {shift_v:.2f} V more than its cells give",
                self._wanted(bank.name),
                self._budget.contradicted(age_s),
                partial(_shift, bank=bank.name, shift_v=shift_v),
                lost=True,
            )

    # ── the pack itself is in trouble ───────────────────────────────────────────────────────────────

    def _cells(self) -> Iterator[Fault]:
        lower = Wanted(
            "charge current at zero, charge voltage lowered",
            lambda view: (
                NO_CHARGE.met(view)
                and view.values.get("charge_voltage_limit", 0.0)
                < view.before.get("charge_voltage_limit", 1.0)
            ),
        )
        for bank in self._plan.banks:
            cells_v = self._site.views[bank.name].cells_v(0)
            over_v, under_v = bank.charge.cell_trip_v + 0.02, bank.discharge.cell_trip_v - 0.02
            for name, to_v, wanted, charging in (
                ("one cell over", over_v, lower, True),
                ("one cell under", under_v, NO_DRAW, False),
            ):
                at = cells_v.index(max(cells_v) if charging else min(cells_v))
                slots = self._slots_of(bank, "cell_voltage")
                if not slots:
                    yield not_applicable(f"{name}{self._of(bank)}", "no cell voltage in the profile")
                    continue
                slide_s = self._slide_s(bank, "cell_voltage", abs(to_v - cells_v[at]))
                yield Fault(
                    f"{name}{self._of(bank)}",
                    f"cell {at + 1} reads {to_v:.3f} V",
                    wanted,
                    self._budget.read(_age_s(slots)),
                    partial(_move_cell, bank=bank.name, at=at, to_v=to_v, seconds=slide_s),
                    acts_after_s=slide_s,
                )

    def _temperatures(self) -> Iterator[Fault]:
        for bank in self._plan.banks:
            slots = self._slots_of(bank, "cell_temperature")
            if not slots:
                continue
            for name, to_c, wanted in (
                ("too cold to charge", bank.charge.coldest_c - 1.0, NO_CHARGE),
                ("too hot to charge", bank.charge.hottest_c + 1.0, NO_CHARGE),
                ("too cold to draw", bank.discharge.coldest_c - 1.0, NO_DRAW),
                ("too hot to draw", bank.discharge.hottest_c + 1.0, NO_DRAW),
            ):
                slide_s = self._slide_s(bank, "cell_temperature", abs(to_c - TEMPERATURE_C))
                yield Fault(
                    f"{name}{self._of(bank)}",
                    f"every probe reads {to_c:g} °C",
                    wanted,
                    self._budget.read(_age_s(slots)),
                    partial(_move_temperature, bank=bank.name, to_c=to_c, seconds=slide_s),
                    acts_after_s=slide_s,
                )

    # ── parts ───────────────────────────────────────────────────────────────────────────────────────

    def _damage(
        self, name: str, text: str, speech: Speech, needed: list[Slot] | None, damage: Damage
    ) -> Fault:
        if needed is None:
            needed = [slot for slot in self._slots(speech, speech.origins) if slot.required]
        return Fault(
            name,
            text,
            self._wanted(self._owner(speech)),
            self._budget.lost(_age_s(needed)),
            partial(_damage_speech, number=speech.number, damage=damage),
            lost=True,
        )

    def _wanted(self, bank: str) -> Wanted:
        """Zero currents; or what the other banks bear, where that is the stated policy."""
        others = [one for one in self._plan.banks if one.name != bank]
        if not others or not self._plan.options.reduce_on_lost_bank:
            return CLOSED
        charge_a = min(sum(one.charge.max_a for one in others), self._plan.limits.charge_a)
        draw_a = min(sum(one.discharge.max_a for one in others), self._plan.limits.discharge_a)
        return Wanted(
            f"no more than the other banks bear: charge {charge_a:g} A, draw {draw_a:g} A",
            lambda view: (
                view.timed_out
                or (
                    view.values.get("charge_current_limit", 0.0) <= charge_a
                    and view.values.get("discharge_current_limit", 0.0) <= draw_a
                )
            ),
        )

    def _guarded(self) -> list[Speech]:
        """Messages in which something is required, so that damage to them must show."""
        return [one for one in self._speeches if any(s.required for s in self._slots(one, one.origins))]

    def _source(self, speech: Speech) -> Source:
        return self._plan.sources[speech.number]

    def _owner(self, speech: Speech) -> str:
        return self._source(speech).owner

    def _target(self, speech: Speech, origin: Origin) -> Target:
        return next(
            target
            for target in self._source(speech).targets
            if target.signal == origin.signal and self._plan.slots[target.slot].quantity == origin.quantity
        )

    def _slots(self, speech: Speech, origins: "list[Origin] | tuple[Origin, ...]") -> list[Slot]:
        return [self._plan.slots[self._target(speech, origin).slot] for origin in origins]

    def _slots_of(self, bank: Bank, quantity: str) -> list[Slot]:
        """Slots of a quantity of a bank: of its cells, or of its extremes."""
        names = (quantity, f"{quantity}_min", f"{quantity}_max")
        return [slot for slot in self._plan.slots if slot.owner == bank.name and slot.quantity in names]

    def _slide_s(self, bank: Bank, quantity: str, distance: float) -> float:
        """So long a value has to slide that no reading of it jumps."""
        longest_s = 0.0
        for speech in self._speeches:
            if self._owner(speech) != bank.name:
                continue
            round_s = speech.period_us * len(speech.pages) / SECOND_US
            for origin in speech.origins:
                jump = self._target(speech, origin).jump
                moves = origin.quantity.startswith(quantity) or (
                    quantity == "cell_voltage" and origin.quantity == "pack_voltage"
                )
                if jump is not None and moves:
                    longest_s = max(longest_s, math.ceil(distance / (0.6 * jump)) * round_s)
        return longest_s

    def _name(self, speech: Speech) -> str:
        return speech.coder.name

    def _of(self, bank: Bank) -> str:
        return f" in {bank.name}" if len(self._plan.banks) > 1 else ""


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


def _age_s(slots: list[Slot]) -> float:
    return min(slot.max_age_us for slot in slots) / SECOND_US


def _mute(stage: Stage, owner: str | None) -> None:
    for speech in stage.speeches(owner):
        speech.muted = True


def _damage_speech(stage: Stage, number: int, damage: Damage) -> None:
    damage(stage.speech(number))


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


def _shift(stage: Stage, bank: str, shift_v: float) -> None:
    stage.view(bank).shift_v = stage.slide(0.0, shift_v, 0.0)


def _move_cell(stage: Stage, bank: str, at: int, to_v: float, seconds: float) -> None:
    view = stage.view(bank)
    view.cell_v[at] = stage.slide(view.cells_v(0)[at], to_v, seconds)


def _move_temperature(stage: Stage, bank: str, to_c: float, seconds: float) -> None:
    stage.view(bank).temperature_c = stage.slide(TEMPERATURE_C, to_c, seconds)
