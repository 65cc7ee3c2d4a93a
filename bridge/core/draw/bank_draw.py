"""The discharge law of one bank inside the engine: when it steps, and what it contributes."""

from bridge.core.draw.draw_law import DrawLaw, DrawLearnt, DrawLimits, DrawSettings
from bridge.core.pack.known_cells import cells_for_draw
from bridge.core.pack.law_steps import Pace
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Bank, PackLimits
from bridge.core.plan.reasons import Contribution, Reason

RISE_SHARE_PER_S = 0.03
"""The law's current rises no faster than this share of the bank's limit a second."""


class BankDraw:
    """One bank's law. Mutable; owned by the limits of one engine.

    Args:
        bank, limits: as in the plan.
        learnt: what the law knew before a restart.

    Attributes:
        made_from: laws that were made from equal ones are the same.
        pace: when the law steps.
    """

    def __init__(self, bank: Bank, limits: PackLimits, learnt: DrawLearnt | None = None) -> None:
        self._name = bank.name
        settings = DrawSettings(
            cells=bank.cells,
            capacity_ah=bank.capacity_ah,
            floor_v=limits.cell_floor_v,
            knee_v=limits.low_knee_v,
            most_a=bank.discharge.max_a,
            rise_a_per_s=RISE_SHARE_PER_S * bank.discharge.max_a,
            **vars(bank.discharge.facts),
        )
        self.made_from: object = (bank.name, settings)
        self._law = DrawLaw(settings, learnt)
        self._limits: DrawLimits | None = None
        self.pace = Pace()

    @property
    def learnt(self) -> DrawLearnt:
        """What a restart need not lose."""
        return self._law.learnt

    def contributions(
        self, t_us: int, reading: Reading, share: float, sent_a: float
    ) -> tuple[Contribution | None, Contribution] | None:
        """The floor, V, if there is one, and the current, A, for the whole pack.

        `None` while the lowest cell is not known.

        Args:
            t_us: now.
            reading: the bank as it stands.
            share: the bank's share of the pack's current.
            sent_a: what of the pack's discharge current limit as it was last is for this bank.
        """
        cells_v = cells_for_draw(reading)
        if cells_v is None:
            return None
        if reading.doubt is not None:
            return self._told(share)  # the fail-safe state governs, and half a picture teaches nothing
        step_s = self.pace.step_s(t_us, reading, -min(cells_v))
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
                sent_a=sent_a,
            )
            self.pace.idle = self._law.idle
        return self._told(share)

    def _told(self, share: float) -> tuple[Contribution | None, Contribution] | None:
        if self._limits is None:
            return None
        floor_v, amps = self._limits.floor_v, self._limits.current_a / share
        floor = None if floor_v is None else Contribution(Reason.HEADROOM, floor_v, self._name)
        return floor, Contribution(Reason.CELL_FLOOR, amps, self._name)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the law has found that a person should look at."""
        if self._limits is None or not self._limits.current_ignored:
            return ()
        told = "the discharge current limit is passed by; the voltage floor alone holds its cells"
        return (f"bank {self._name}: {told}",)
