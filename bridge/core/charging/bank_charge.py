"""The charge law of one bank inside the engine: when it steps, and what it contributes."""

from bridge.core.charging.charge_law import ChargeLaw, ChargeLimits, ChargeSettings, Learnt
from bridge.core.pack.known_cells import cells_for_charge
from bridge.core.pack.law_steps import Pace
from bridge.core.pack.state import Reading
from bridge.core.plan.curve import Curve
from bridge.core.plan.plan import Bank, PackLimits
from bridge.core.plan.reasons import Contribution, Reason

RISE_SHARE_PER_S = 0.02
"""The law's current rises no faster than this share of the bank's limit a second (3 A/s for 140 A)."""


def taper(limits: PackLimits) -> Curve:
    """Share of the charge current by the highest cell, for a bank of which the law knows too little."""
    top, span = limits.cell_target_v, limits.cell_target_v - limits.knee_v
    return Curve([limits.knee_v, top - 0.2 * span, top, top + 0.03], [1.0, 0.12, 0.02, 0.0])


class BankCharge:
    """One bank's law. Mutable; owned by the limits of one engine.

    Attributes:
        made_from: laws that were made from equal ones are the same.
        pace: when the law steps.
    """

    def __init__(self, bank: Bank, limits: PackLimits, learnt: Learnt | None = None) -> None:
        self._name = bank.name
        self._alone = bank.cells * limits.cell_target_v, bank.charge.max_a, taper(limits)
        settings = ChargeSettings(
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
        self.made_from: object = (bank.name, settings, self._alone)
        self._law = ChargeLaw(settings, learnt)
        self._limits: ChargeLimits | None = None
        self.pace = Pace()

    @property
    def learnt(self) -> Learnt | None:
        """What is worth keeping over a restart; `None` if nothing is."""
        return self._law.learnt

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
            self._limits = self._law.step(
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
            self.pace.idle = self._law.idle
        return self._told(share)

    def _tapered(self, high_v: float, share: float) -> tuple[Contribution, Contribution]:
        volts, most_a, curve = self._alone
        amps = most_a * curve.at(high_v) / share
        volts_most = Contribution(Reason.CONFIGURED, volts, self._name)
        return volts_most, Contribution(Reason.HIGHEST_CELL, amps, self._name)

    def _told(self, share: float) -> tuple[Contribution, Contribution] | None:
        if self._limits is None:
            return None
        found, name = self._limits, self._name
        volts_for = Reason.TESTED if found.tests_voltage else Reason.HEADROOM
        amps_for = Reason.TESTED if found.tests_current else Reason.CELL_TARGET
        return Contribution(volts_for, found.voltage_v, name), Contribution(
            amps_for, found.current_a / share, name
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the law has found that a person should look at."""
        found, name = self._limits, f"bank {self._name}"
        if found is None:
            return ()
        told = []
        if found.current_ignored:
            told.append(f"{name}: the charge current limit is passed by; the voltage alone holds its cells")
        if found.voltage_ignored:
            told.append(f"{name}: the charge voltage limit is passed by; the current alone holds its cells")
        if found.contact is not None:
            cell = found.contact + 1
            told.append(f"{name}: cell {cell} shows far more resistance than the others: see its contacts")
        return tuple(told)
