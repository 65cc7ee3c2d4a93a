"""Composes the limits of the pack: collects every contribution, takes the tightest, shapes it in time."""

from collections.abc import Collection, Sequence
from copy import copy
from typing import Final

from bridge.core.bounds.banks import Shares, heeded_a, whole_a
from bridge.core.bounds.current import CurrentLaw
from bridge.core.bounds.shape import Ramp
from bridge.core.charging.bank_charge import BankCharge
from bridge.core.course.course import IDLE, Now
from bridge.core.course.remembered import NOTHING, Going, Kept, rounded, rounded_ohms
from bridge.core.draw.bank_draw import BankDraw
from bridge.core.draw.draw_settings import DrawLearnt
from bridge.core.failsafe.machine import State
from bridge.core.limits.caps import Caps
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Plan
from bridge.core.plan.reasons import Contribution, Limit, Reason, gravest

_BALANCING = Contribution(Reason.BALANCING, 0.0, "")
_INHIBITED = Contribution(Reason.INHIBITED, 0.0, "")
_SILENT = Contribution(Reason.INVERTER_SILENT, 0.0, "")
_APART = Contribution(Reason.APART, 0.0, "")

FourLimits = tuple[Limit, Limit, Limit, Limit]
"""Charge voltage, charge current, discharge current, discharge floor."""

Bounds = tuple[Contribution | None, Contribution | None, Contribution | None, Contribution | None]
"""One more bound on each of the four limits; `None`: none."""

FREE: Final[Bounds] = (None, None, None, None)
"""Nothing more bounds a limit."""


class Limits:
    """The four limits of one pack, over time. Mutable; owned by one engine."""

    def __init__(self, plan: Plan, kept: Kept = NOTHING) -> None:
        limits = plan.limits
        self._banks = plan.banks
        self._limits = limits
        self._options = plan.options
        self._shares = Shares(plan.banks)
        self._target_v: float | None = None
        self._charge_laws = [CurrentLaw(bank.name, bank.charge, charging=True) for bank in plan.banks]
        self._bank_charges = [BankCharge(bank, limits, kept.learnt.get(bank.name)) for bank in plan.banks]
        self._bank_draws = [
            BankDraw(bank, limits, DrawLearnt(kept.drawn.get(bank.name, ()))) for bank in plan.banks
        ]
        self._laws: tuple[BankCharge | BankDraw, ...] = (*self._bank_charges, *self._bank_draws)
        self._draw_laws = [CurrentLaw(bank.name, bank.discharge, charging=False) for bank in plan.banks]
        for law in (*self._charge_laws, *self._draw_laws):
            law.trip(kept.tripped)
        self._static_v = Contribution(Reason.CONFIGURED, limits.charge_voltage_v, "")
        self._static_floor = Contribution(Reason.CONFIGURED, limits.discharge_floor_v, "")
        self._charge_cap = Contribution(Reason.PACK_CAP, limits.charge_a, "")
        self._draw_cap = Contribution(Reason.PACK_CAP, limits.discharge_a, "")
        self._volts = Ramp(limits.rise_v_per_s, limits.voltage_deadband_v, limits.resting_v)
        # The floor is the mirror image: its negative falls at once and rises slowly.
        self._floor = Ramp(limits.rise_v_per_s, limits.voltage_deadband_v, -limits.discharge_floor_v)
        self._charge = Ramp(limits.charge_rise_a_per_s, limits.current_deadband_a, 0.0)
        self._draw = Ramp(limits.discharge_rise_a_per_s, limits.current_deadband_a, 0.0)
        self._ramps = (self._volts, self._charge, self._draw, self._floor)
        self._looks_on = self._same = False
        self._same_laws: dict[BankCharge | BankDraw, BankCharge | BankDraw] = {}
        self._caps = Caps(kept)

    @property
    def tripped(self) -> frozenset[str]:
        """Names of the cut-offs that are tripped."""
        return frozenset(name for law in (*self._charge_laws, *self._draw_laws) for name in law.tripped)

    @property
    def kept(self) -> Kept:
        """What the laws know that is worth keeping over a restart."""
        tripped = self.tripped
        known = zip(self._banks, self._bank_charges, strict=True)
        learnt = {bank.name: rounded(law.learnt) for bank, law in known if law.learnt is not None}
        rows = zip(self._banks, self._bank_draws, strict=True)
        drawn = {
            bank.name: rounded_ohms(law.learnt.resistance) for bank, law in rows if law.learnt.resistance
        }
        caps = self._caps
        return Kept(tripped=tripped, lost=caps.lost, caps=caps.values, learnt=learnt, drawn=drawn)

    @property
    def weighty(self) -> object:
        """Of that, what tightens limits and must not be forgotten for a moment."""
        tripped = [law.tripped for law in (*self._charge_laws, *self._draw_laws)]
        return tripped, self._caps.lost, self._caps.values

    @property
    def alarms(self) -> list[str]:
        """What a person must see to: cells outside what they bear."""
        return [text for law in (*self._charge_laws, *self._draw_laws) for text in law.alarms]

    @property
    def warnings(self) -> list[str]:
        """What the laws have found that a person should look at."""
        return [text for law in self._laws for text in law.warnings]

    def settled(self, t_us: int, readings: Sequence[Reading]) -> bool:
        """Whether inputs that say the same would give the same limits at `t_us`, from now on until then."""
        if self._volts.rising or self._charge.rising or self._draw.rising or self._floor.rising:
            return False
        if not self._shares.settled:
            return False
        for law, reading in zip(self._laws, (*readings, *readings), strict=True):
            if not law.pace.settled(t_us, reading):
                return False
        return True

    def wishes(self, t_us: int) -> tuple[bool, bool]:
        """Whether charging, and discharging, are inhibited at `t_us`."""
        options = self._options
        return (
            options.inhibit_charge and _lasts(options.inhibit_charge_until_us, t_us),
            options.inhibit_discharge and _lasts(options.inhibit_discharge_until_us, t_us),
        )

    def decide(
        self,
        t_us: int,
        elapsed_s: float,
        state: State,
        readings: Sequence[Reading],
        active: Sequence[bool],
        lost: Collection[str],
        *,
        inverter_silent: bool,
        course: Now = IDLE,
        ahead: Bounds = FREE,
        faded: Collection[str] = (),
    ) -> FourLimits:
        """Charge voltage, charge current, discharge current and discharge floor at `t_us`.

        Args:
            t_us: now.
            elapsed_s: time since the last call; what a rise is measured by.
            state: the fail-safe state, which overrides everything.
            readings: one for each bank.
            active: banks that count; one that is lost, or not connected, does not.
            lost: banks and optional readings that bounded the limits and are gone. Until they return, no
                limit gets looser than it was before.
            inverter_silent: currents are wanted at zero because an inverter is not heard.
            course: what stages and commissioning add.
            ahead: what the profile that takes over soon allows.
            faded: banks of which something that is required is too old now, and was known.
        """
        self._target_v = course.target_v
        volts, floors = [self._static_v], [self._static_floor]
        charge, draw = [self._charge_cap], [self._draw_cap]
        currents, apart = [r.current_a for r in readings], [r.apart for r in readings]
        shares = self._shares.update(currents, active, elapsed_s, apart)
        together_a = whole_a(currents, active)
        for i, reading in enumerate(readings):
            if active[i]:
                self._charging(t_us, i, reading, shares[i], together_a, volts, charge)
                self._drawing(t_us, i, reading, shares[i], together_a, floors, draw)
                self._currents(i, reading, shares[i], charge, draw)
            elif not reading.apart:
                self._forbids(i, reading, charge, draw)
        if not any(active):
            volts.append(Contribution(Reason.APART, self._limits.resting_v, ""))
            charge.append(_APART)
            draw.append(_APART)
        joined = [reading for reading in readings if not reading.apart]
        self._wishes(t_us, joined, charge, draw, inverter_silent=inverter_silent)
        volts += course.volts
        charge += course.charge
        if lost or self._caps.lost or ahead is not FREE:
            self._cap(lost, ahead, (volts, charge, draw, floors))
        limits = (
            self._shape(volts, self._volts, state, elapsed_s, self._limits.resting_v, Reason.RESTING),
            self._shape(charge, self._charge, state, elapsed_s, 0.0, Reason.NOT_TRUSTED),
            self._shape(draw, self._draw, state, elapsed_s, 0.0, Reason.NOT_TRUSTED),
            self._shape_floor(floors, state, elapsed_s),
        )
        self._caps.hear(state, limits, faded)
        return limits

    def _cap(self, lost: Collection[str], ahead: Bounds, found: tuple[list[Contribution], ...]) -> None:
        """What is lost may have been what bound a limit: its going must not make any of them looser."""
        for row, cap in zip(found, self._caps.look(lost) or (), strict=False):
            row.append(Contribution(Reason.LOST, cap, ""))
        for row, bound in zip(found, ahead, strict=True):
            if bound is not None:
                row.append(bound)

    def go_on(self, going: Going) -> None:
        """What was sent before a restart is still what holds."""
        volts_v, charge_a, draw_a, floor_v = going.limits
        for ramp, value in zip(self._ramps, (volts_v, charge_a, draw_a, -floor_v), strict=True):
            ramp.value = value
        self._caps.go_on(going)

    # ── from one engine to the next ─────────────────────────────────────────────────────────────────

    def look_on(self, leader: "Limits", *, same: bool) -> None:
        """From now on another one's limits are sent. With the `same` banks and readings, a law of the same
        settings is the very same law: it speaks once, and is handed over in the end.
        """
        self._looks_on, self._same = True, same
        if same:
            pairs = zip(self._laws, leader._laws, strict=True)
            self._same_laws = {law: theirs for law, theirs in pairs if law.made_from == theirs.made_from}
        self.follow(leader)

    def follow(self, leader: "Limits") -> None:
        """What is sent is what the leader sends: from there it goes on."""
        for mine, theirs in zip(self._ramps, leader._ramps, strict=True):
            mine.value, mine.rising = theirs.value, theirs.rising

    def take_over(self, leader: "Limits", unseen: Collection[str]) -> None:
        """These limits are sent from now on. What was lost stays so; so does what is `unseen` as yet."""
        self.follow(leader)
        self._looks_on = False
        charges: list[BankCharge] = []
        draws: list[BankDraw] = []
        for law in self._laws:
            law = self._same_laws.get(law, law)
            if isinstance(law, BankCharge):
                charges.append(law)
            else:
                draws.append(law)
        self._bank_charges, self._bank_draws, self._laws = charges, draws, (*charges, *draws)
        self._same_laws = {}
        if self._same:
            self._shares = leader._shares
        self._caps = copy(leader._caps)
        self._caps.add(unseen)

    # ── contributions ───────────────────────────────────────────────────────────────────────────────

    def _charging(
        self,
        t_us: int,
        i: int,
        reading: Reading,
        share: float,
        together_a: float | None,
        volts: list[Contribution],
        charge: list[Contribution],
    ) -> None:
        """The seam to the charge law: cells in, a voltage and a current out."""
        if self._looks_on and (reading.doubt is not None or self._bank_charges[i] in self._same_laws):
            return  # half a picture would be the stricter one
        sent_v, sent_a = self._volts.value, heeded_a(self._charge.value, share, reading.current_a, together_a)
        self._bank_charges[i].aim(self._target_v)
        found = self._bank_charges[i].contributions(t_us, reading, share, sent_v, sent_a)
        if found is not None:
            volts.append(found[0])
            charge.append(found[1])

    def _drawing(
        self,
        t_us: int,
        i: int,
        reading: Reading,
        share: float,
        together_a: float | None,
        floors: list[Contribution],
        draw: list[Contribution],
    ) -> None:
        """The seam to the discharge law: cells in, a floor and a current out."""
        if self._looks_on and (reading.doubt is not None or self._bank_draws[i] in self._same_laws):
            return
        drawn_a, all_a = (None if amps is None else -amps for amps in (reading.current_a, together_a))
        sent_a = heeded_a(self._draw.value, share, drawn_a, all_a)
        found = self._bank_draws[i].contributions(t_us, reading, share, sent_a)
        if found is not None:
            floor, amps = found
            if floor is not None:
                floors.append(floor)
            draw.append(amps)

    def _currents(
        self, i: int, reading: Reading, share: float, charge: list[Contribution], draw: list[Contribution]
    ) -> None:
        r = reading
        charging = self._charge_laws[i].bounds(
            *(r.high_v, r.coldest_c, r.hottest_c, r.soc, r.charge_permitted, r.charge_permitted_a),
            lowest_v=self._lowest_v(i, r),
            whole=r.lapsed is None,
        )
        drawing = self._draw_laws[i].bounds(
            *(r.low_v, r.coldest_c, r.hottest_c, r.soc, r.discharge_permitted, r.discharge_permitted_a),
            whole=r.lapsed is None,
        )
        if share == 1.0:
            charge += charging
            draw += drawing
        else:
            charge += [Contribution(reason, value / share, bank) for reason, value, bank in charging]
            draw += [Contribution(reason, value / share, bank) for reason, value, bank in drawing]

    def _lowest_v(self, i: int, reading: Reading) -> float | None:
        """The lowest cell; where it is not known, it is at most their mean."""
        if reading.low_v is None and reading.pack_v is not None:
            return reading.pack_v / self._banks[i].cells
        return reading.low_v

    def _forbids(
        self, i: int, reading: Reading, charge: list[Contribution], draw: list[Contribution]
    ) -> None:
        """A lost bank may still be joined to the others: what it says that forbids a current is heeded."""
        charging: list[Contribution] = []
        drawing: list[Contribution] = []
        self._currents(i, reading, 1.0, charging, drawing)
        charge += [found for found in charging if found.value == 0.0]
        draw += [found for found in drawing if found.value == 0.0]

    def _wishes(
        self,
        t_us: int,
        readings: Sequence[Reading],
        charge: list[Contribution],
        draw: list[Contribution],
        *,
        inverter_silent: bool,
    ) -> None:
        options = self._options
        if options.hold_while_balancing and any(reading.balancing for reading in readings):
            charge.append(_BALANCING)
        for inhibited, found in zip(self.wishes(t_us), (charge, draw), strict=True):
            if inhibited:
                found.append(_INHIBITED)
        if inverter_silent:
            charge.append(_SILENT)
            draw.append(_SILENT)

    @staticmethod
    def _shape(
        found: list[Contribution],
        ramp: Ramp,
        state: State,
        elapsed_s: float,
        closed: float,
        closed_reason: Reason,
    ) -> Limit:
        """The tightest of `found`, falling at once, rising slowly, never rising unless following."""
        binding = min(found, key=_value)
        if binding.value == 0.0:
            binding = gravest(one for one in found if one.value == 0.0)
        if state is State.FOLLOWING:
            value = ramp.follow(binding.value, elapsed_s)
            extra = Reason.RISING if ramp.rising else Reason.NOT_WORTH_IT
        elif state is State.HOLDING:
            ramp.drop_to(binding.value)
            value, extra = ramp.value, Reason.HELD
        else:
            ramp.drop_to(min(closed, binding.value))
            value, extra = ramp.value, closed_reason
        if value < binding.value or (extra is closed_reason and value == closed):
            binding = Contribution(extra, value, "")
            found.append(binding)
        return Limit(round(value, 6), binding, tuple(found))

    def _shape_floor(self, found: list[Contribution], state: State, elapsed_s: float) -> Limit:
        binding = max(found, key=_value)
        ramp = self._floor
        if state is State.FOLLOWING:
            floor_v = -ramp.follow(-binding.value, elapsed_s)
        else:
            ramp.drop_to(-binding.value)
            floor_v = -ramp.value
        if floor_v > binding.value:
            waits = Reason.RISING if ramp.rising else Reason.NOT_WORTH_IT
            reason = waits if state is State.FOLLOWING else Reason.HELD
            binding = Contribution(reason, floor_v, "")
            found.append(binding)
        return Limit(round(floor_v, 6), binding, tuple(found))


def _value(contribution: Contribution) -> float:
    return contribution.value


def _lasts(until_us: int | None, t_us: int) -> bool:
    return until_us is None or t_us < until_us
