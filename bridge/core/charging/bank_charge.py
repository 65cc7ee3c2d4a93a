"""The charge law of one bank inside the engine: when it steps, and what it contributes."""

from dataclasses import replace

from bridge.core.charging.charge_law import ChargeLaw, ChargeLimits, ChargeSettings, Learnt
from bridge.core.pack.known_cells import cells_for_charge
from bridge.core.pack.law_steps import Pace
from bridge.core.pack.state import Reading
from bridge.core.plan.curve import Curve
from bridge.core.plan.plan import Bank, PackLimits
from bridge.core.plan.reasons import Contribution, Reason

RISE_SHARE_PER_S = 0.02
"""The law's current rises no faster than this share of the bank's limit a second (3 A/s for 140 A)."""


LEAST_SPAN_V = 0.05
"""It begins no nearer to the target than this (own choice)."""


def taper(top_v: float, knee_v: float) -> Curve:
    """Share of the charge current by the highest cell, for a bank of which the law knows too little."""
    span = max(top_v - knee_v, LEAST_SPAN_V)
    return Curve([top_v - span, top_v - 0.2 * span, top_v, top_v + 0.03], [1.0, 0.12, 0.02, 0.0])


class BankCharge:
    """One bank's law. Mutable; owned by the limits of one engine.

    Attributes:
        made_from: laws that were made from equal ones are the same.
        pace: when the law steps.
    """

    def __init__(self, bank: Bank, limits: PackLimits, learnt: Learnt | None = None) -> None:
        self._name = bank.name
        self._settings = settings = ChargeSettings(
            cells=bank.cells,
            capacity_ah=bank.capacity_ah,
            target_v=limits.cell_target_v,
            knee_v=limits.knee_v,
            ceiling_v=bank.cells * limits.cell_target_v,
            most_a=bank.charge.max_a,
            rise_a_per_s=RISE_SHARE_PER_S * bank.charge.max_a,
            below_knee_v=limits.knee_v - limits.plateau_v,
            e_fold=limits.e_fold,
            **vars(bank.charge.facts),
        )
        self.made_from: object = (bank.name, settings)
        self._law = ChargeLaw(settings, learnt)
        self._lower: ChargeLaw | None = None
        self._target_v = settings.target_v
        self._limits: list[ChargeLimits] = []
        self.pace = Pace()

    @property
    def learnt(self) -> Learnt | None:
        """What is worth keeping over a restart; `None` if nothing is."""
        return self._law.learnt

    def aim(self, target_v: float | None) -> None:
        """The highest cell is charged to `target_v`, V, from now on; `None`: to the target of the limits.

        For a lower target there is a second law, with what the first has learnt; the tighter of both counts.
        """
        settings = self._settings
        target_v = settings.target_v if target_v is None else min(target_v, settings.target_v)
        if target_v != self._target_v:
            self._target_v, self._lower = target_v, None
            if target_v < settings.target_v:
                lower = replace(settings, target_v=target_v, ceiling_v=settings.cells * target_v)
                self._lower = ChargeLaw(lower, self._law.learnt)

    def contributions(
        self, t_us: int, reading: Reading, share: float, sent_v: float, sent_a: float
    ) -> tuple[Contribution, Contribution] | None:
        """What the law allows the whole pack, V and A; `None` while nothing is known of the bank.

        With the highest cell alone there is no law: the current falls by that cell, as a taper.

        Args:
            t_us: now.
            reading: the bank as it stands.
            share: the bank's share of the pack's current.
            sent_v: the pack's charge voltage limit as it was last.
            sent_a: what of its current limit as it was last is for this bank.
        """
        high_v = reading.high_v
        if high_v is None:
            return None
        cells_v = cells_for_charge(reading)
        if cells_v is None:
            return self._tapered(high_v, share)
        if reading.doubt is not None:
            return self._told(share)  # the fail-safe state governs, and half a picture teaches nothing
        step_s = self.pace.step_s(t_us, reading, high_v)
        if step_s is not None:
            laws = [self._law] if self._lower is None else [self._law, self._lower]
            self._limits = [
                law.step(
                    step_s,
                    cells_v,
                    reading.pack_v,
                    reading.current_a,
                    fresh=self.pace.fresh,
                    age_s=self.pace.age_s,
                    waited_s=self.pace.waited_s,
                    coldest_c=reading.coldest_c,
                    sent_v=sent_v,
                    sent_a=sent_a,
                )
                for law in laws
            ]
            self.pace.idle = all(law.idle for law in laws)
        return self._told(share)

    def _tapered(self, high_v: float, share: float) -> tuple[Contribution, Contribution]:
        settings = self._settings
        amps = settings.most_a * taper(self._target_v, settings.knee_v).at(high_v) / share
        volts_most = Contribution(Reason.CONFIGURED, settings.cells * self._target_v, self._name)
        return volts_most, Contribution(Reason.HIGHEST_CELL, amps, self._name)

    def _told(self, share: float) -> tuple[Contribution, Contribution] | None:
        if not self._limits:
            return None
        volts = min(self._limits, key=lambda one: one.voltage_v)
        amps = min(self._limits, key=lambda one: one.current_a)
        volts_for = Reason.TESTED if volts.tests_voltage else Reason.HEADROOM
        amps_for = Reason.TESTED if amps.tests_current else Reason.CELL_TARGET
        return (
            Contribution(volts_for, volts.voltage_v, self._name),
            Contribution(amps_for, amps.current_a / share, self._name),
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the law has found that a person should look at."""
        limits, name = self._limits, f"bank {self._name}"
        told = []
        if any(one.current_ignored for one in limits):
            told.append(f"{name}: the charge current limit is passed by; the voltage alone holds its cells")
        if any(one.voltage_ignored for one in limits):
            told.append(f"{name}: the charge voltage limit is passed by; the current alone holds its cells")
        if limits and limits[0].contact is not None:
            cell = limits[0].contact + 1
            told.append(f"{name}: cell {cell} shows far more resistance than the others: see its contacts")
        return tuple(told)
