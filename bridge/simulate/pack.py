"""Cells in series to banks, banks in parallel to a pack, with balancers and cell sensors.

Currents are positive when they charge. Every draw of the spread comes from a seed: the same seed gives
the same pack.
"""

import random
from collections.abc import Sequence
from typing import Final, NamedTuple

from bridge.simulate.cell import SECONDS_PER_HOUR, CellModel, CellParameters
from bridge.simulate.heat import Warmth

LONGEST_STEP_S: Final = 1.0
"""Within a step the share of each bank and the balancers stand still; longer steps are cut up."""


class Spread(NamedTuple):
    """How far the cells of a bank differ: largest deviation to either side, drawn evenly.

    Attributes:
        capacity: as a fraction of the capacity.
        resistance: as a fraction of every resistance.
        charge: as a difference in charge, 0.003 is 0.3 % of charge.
    """

    capacity: float = 0.02
    resistance: float = 0.15
    charge: float = 0.003


class Balancer(NamedTuple):
    """Passive balancing: a resistor across each cell that stands out.

    Attributes:
        from_v: no cell below this is bled.
        above_lowest_v: only cells higher than the lowest by more than this are bled.
        bleed_a: current through the resistor; 0 for no balancer.
    """

    from_v: float = 3.45
    above_lowest_v: float = 0.005
    bleed_a: float = 0.5


AVERAGE_CELL: Final = CellParameters()
USUAL_SPREAD: Final = Spread()
USUAL_BALANCER: Final = Balancer()


class BankModel:
    """Cells in series, each with its own capacity, resistance and charge.

    Attributes:
        cells: the cells, the first one at the negative end.
        nominal_ah: capacity the charge counter believes in.
        current_a: what flowed in the last step.
        bled_ah: charge each balancer has burnt so far.
        emf_v: voltage behind the resistance of the bank.
        true_cell_voltages_v: each cell under the current of the last step.
        cell_voltages_v: the same as the sensors give it, in whole steps.
        bleeding: which cells are to be bled, judged by the sensors as of the last step.
        warmth: the temperatures of the cells; `None`: they are those of the pack, all the time.

    Args:
        cells: the cells.
        nominal_ah: see above.
        balancer: of every cell.
        wiring_ohm: between the cells and the terminals of the bank.
        sensor_step_v: resolution of the cell sensors.
        sensor_errors_v: how much the sensor of each cell reads too high; exact if not given.
        warmth: see above.
    """

    def __init__(
        self,
        cells: Sequence[CellModel],
        nominal_ah: float,
        balancer: Balancer = USUAL_BALANCER,
        wiring_ohm: float = 0.0,
        sensor_step_v: float = 0.001,
        sensor_errors_v: Sequence[float] = (),
        warmth: Warmth | None = None,
    ) -> None:
        self.cells = tuple(cells)
        self.nominal_ah = nominal_ah
        self.current_a = 0.0
        self.bled_ah = [0.0] * len(self.cells)
        self._balancer = balancer
        self._sensor_step_v = sensor_step_v
        self._errors_v = tuple(sensor_errors_v) or (0.0,) * len(self.cells)
        self._wiring_ohm = wiring_ohm
        self._counted_ah = nominal_ah * sum(cell.charge for cell in cells) / len(self.cells)
        self.warmth = warmth
        self._weigh()
        self._look()

    def _weigh(self) -> None:
        self._ohms = [cell.parameters.series_ohm for cell in self.cells]
        self.resistance_ohm = self._wiring_ohm + sum(self._ohms)

    def _look(self) -> None:
        """Takes what follows from the state of the cells; once a step, for it is asked for often."""
        current_a, step_v = self.current_a, self._sensor_step_v
        emfs_v = [cell.emf_v for cell in self.cells]
        self.emf_v = sum(emfs_v)
        self.true_cell_voltages_v = tuple(e + r * current_a for e, r in zip(emfs_v, self._ohms, strict=True))
        self.cell_voltages_v = sensed_v = tuple(
            round((v + error_v) / step_v) * step_v
            for v, error_v in zip(self.true_cell_voltages_v, self._errors_v, strict=True)
        )
        threshold_v = max(self._balancer.from_v, min(sensed_v) + self._balancer.above_lowest_v)
        self.balancing = self._balancer.bleed_a > 0.0 and max(sensed_v) > threshold_v
        self.bleeding = tuple(self.balancing and v > threshold_v for v in sensed_v)

    @property
    def voltage_v(self) -> float:
        """Voltage in volts across the bank, under the current of the last step."""
        return self.emf_v + self.resistance_ohm * self.current_a

    @property
    def sensed_v(self) -> float:
        """The same as a monitor beside the cells has it, before the wiring."""
        return self.emf_v + (self.resistance_ohm - self._wiring_ohm) * self.current_a

    @property
    def state_of_charge(self) -> float:
        """Counted charge in percent of the nominal capacity, 0..100."""
        return min(max(100.0 * self._counted_ah / self.nominal_ah, 0.0), 100.0)

    @property
    def stored_ah(self) -> float:
        """True charge in the bank: the mean of what its cells hold."""
        return sum(cell.charge * cell.parameters.capacity_ah for cell in self.cells) / len(self.cells)

    def step(self, current_a: float, dt_s: float) -> None:
        """Let a constant current flow through the bank for some time."""
        self.current_a = current_a
        self._counted_ah += current_a * dt_s / SECONDS_PER_HOUR
        if self.balancing:
            bleed_a = self._balancer.bleed_a
            for n, (cell, bled) in enumerate(zip(self.cells, self.bleeding, strict=True)):
                self.bled_ah[n] += bled * bleed_a * dt_s / SECONDS_PER_HOUR
                cell.step(current_a - bled * bleed_a, dt_s)
        else:
            for cell in self.cells:
                cell.step(current_a, dt_s)
        if self.warmth is not None:
            bleed_a = self._balancer.bleed_a
            if self.warmth.step([current_a - bled * bleed_a for bled in self.bleeding], dt_s):
                self._weigh()
        self._look()

    def foreseen_v(self, current_a: float, dt_s: float) -> list[float]:
        """Return each cell's voltage at the end of a step, without taking it."""
        if not self.balancing:
            return [cell.foreseen_v(current_a, dt_s) for cell in self.cells]
        bleed_a = self._balancer.bleed_a
        # As in `_look`, what a bleeding current does to a series resistance (0.1 mV) is left out.
        return [
            cell.foreseen_v(current_a - bled * bleed_a, dt_s) + ohm * bled * bleed_a
            for cell, ohm, bled in zip(self.cells, self._ohms, self.bleeding, strict=True)
        ]


class Switch(NamedTuple):
    """A bank joins the others, or leaves them.

    Attributes:
        at_s: when, from the start.
        bank: which, counted from 0.
        joins: else it leaves.
    """

    at_s: float
    bank: int
    joins: bool


class PackModel:
    """Banks in parallel behind one pair of terminals.

    Attributes:
        banks: the banks, at least one.
        joined: those that are connected, at least one. The others rest.
        temperature_c: in degrees Celsius, of all cells of banks without a `warmth` of their own.
        current_a: total current of the last step.
        resistance_ohm: between its terminals, felt at once.

    Args:
        banks: see above.
        temperature_c: see above.
        switches: what joins and leaves, and when; a bank that joins first is not connected before. There
            must be a bank connected at any time.
    """

    def __init__(
        self, banks: Sequence[BankModel], temperature_c: float = 20.0, switches: Sequence[Switch] = ()
    ) -> None:
        self.banks = tuple(banks)
        self._warming = any(bank.warmth is not None for bank in banks)
        self.temperature_c = temperature_c
        self.current_a = 0.0
        self._switches = sorted(switches, reverse=True)
        self._elapsed_s = 0.0
        first = {switch.bank: switch.joins for switch in self._switches}
        self._join([bank for n, bank in enumerate(self.banks) if not first.get(n)])

    def _join(self, banks: Sequence[BankModel]) -> None:
        assert banks, "no bank is connected"
        self.joined = tuple(bank for bank in self.banks if bank in banks)
        self._weigh()

    def _weigh(self) -> None:
        self.resistance_ohm = 1.0 / sum(1.0 / bank.resistance_ohm for bank in self.joined)

    def _switch(self) -> None:
        """Whatever is due joins or leaves, at once."""
        joined = [*self.joined]
        while self._switches and self._switches[-1].at_s <= self._elapsed_s:
            _, number, joins = self._switches.pop()
            (joined.append if joins else joined.remove)(self.banks[number])
        self._join(joined)

    def temperatures_c(self, bank: BankModel) -> Sequence[float]:
        """The temperatures of the cells of a bank; a single one if all have that."""
        return (self.temperature_c,) if bank.warmth is None else bank.warmth.temperatures_c

    @property
    def temperature_span_c(self) -> tuple[float, float]:
        """Coldest and hottest cell of all."""
        if not self._warming:
            return self.temperature_c, self.temperature_c
        spans = [self.temperatures_c(bank) for bank in self.banks]
        return min(map(min, spans)), max(map(max, spans))

    @property
    def emf_v(self) -> float:
        """Voltage in volts across the terminals if no current flowed through them this moment."""
        if len(self.joined) == 1:
            return self.joined[0].emf_v
        return self.resistance_ohm * sum(bank.emf_v / bank.resistance_ohm for bank in self.joined)

    @property
    def circulating_a(self) -> float:
        """Current in amperes that flows from some banks into others, whatever flows at the terminals."""
        return sum(max(share_a, 0.0) for share_a in self.shares_a(0.0))

    @property
    def voltage_v(self) -> float:
        """Voltage in volts across the terminals, under the current of the last step."""
        return self.emf_v + self.resistance_ohm * self.current_a

    @property
    def state_of_charge(self) -> float:
        """Counted charge in percent, the banks weighted by their nominal capacity."""
        total_ah = sum(bank.nominal_ah for bank in self.banks)
        return sum(bank.state_of_charge * bank.nominal_ah for bank in self.banks) / total_ah

    def shares_a(self, current_a: float) -> tuple[float, ...]:
        """Return how a total current divides over all banks; between unlike banks some flows at zero, too.

        Each bank is linear at any moment, V = emf + R * I, and all have the same V (Kirchhoff).
        """
        if len(self.banks) == 1:
            return (current_a,)
        common_v = self.emf_v + self.resistance_ohm * current_a
        return tuple(
            (common_v - bank.emf_v) / bank.resistance_ohm if bank in self.joined else 0.0
            for bank in self.banks
        )

    def step(self, current_a: float, dt_s: float) -> None:
        """Let a constant total current flow for some time, in pieces of at most `LONGEST_STEP_S`."""
        self.current_a = current_a
        left_s = dt_s
        while left_s > 0.0:
            if self._switches and self._switches[-1].at_s <= self._elapsed_s:
                self._switch()
            piece_s = min(left_s, LONGEST_STEP_S)
            for bank, share_a in zip(self.banks, self.shares_a(current_a), strict=True):
                bank.step(share_a, piece_s)
            if self._warming:
                self._weigh()
            left_s -= piece_s
            self._elapsed_s += piece_s


def drawn_bank(
    seed: int,
    charge: float,
    cell_count: int = 16,
    cell: CellParameters = AVERAGE_CELL,
    spread: Spread = USUAL_SPREAD,
    balancer: Balancer = USUAL_BALANCER,
) -> BankModel:
    """Return a bank whose cells differ as drawn from a seed.

    Args:
        seed: the same seed gives the same bank.
        charge: mean charge at the start, 0..1.
        cell_count: cells in series, at least 1.
        cell: what the average cell is made of.
        spread: how far the cells differ from it.
        balancer: of every cell.
    """
    draw = random.Random(seed)
    cells = []
    for _ in range(cell_count):
        capacity, resistance, extra = (width * draw.uniform(-1.0, 1.0) for width in spread)
        branches = tuple(
            branch._replace(
                resistance_ohm=branch.resistance_ohm * (1.0 + resistance),
                capacitance_f=branch.capacitance_f / (1.0 + resistance),
            )
            for branch in cell.branches
        )
        own = cell._replace(
            capacity_ah=cell.capacity_ah * (1.0 + capacity),
            series_ohm=cell.series_ohm * (1.0 + resistance),
            branches=branches,
        )
        cells.append(CellModel(own, charge + extra))
    return BankModel(cells, cell.capacity_ah, balancer)
