"""A simulated site, built from a profile: pack, cell monitors, inverters, sun and loads."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final, NamedTuple

from bridge.core.plan.plan import Inverter, Plan
from bridge.core.told.reports import UNDERSTOOD
from bridge.frames import Frame
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.load import LoadedProfile
from bridge.quantities import LIMITS
from bridge.simulate.coder import Library
from bridge.simulate.inverter import WELL_BEHAVED, InverterModel, Limits, Manners, Wish
from bridge.simulate.node import Ear, Seen, Talker, ValueOf, talkers
from bridge.simulate.pack import Balancer, BankModel, PackModel, Switch, drawn_bank
from bridge.simulate.packs import cell_of

MODEL_STEP_US: Final = 250_000
"""Short against the lag of an inverter."""

_LIMITS: Final = frozenset(LIMITS)

Wave = Callable[[int], float]
"""A forced value over time in µs."""


class Charger(NamedTuple):
    """The inverters' hardware; see `InverterModel`."""

    lag_s: float = 2.0
    reads_high_v: float = 0.0
    manners: Manners = WELL_BEHAVED


HEALTH: Final = 97.0
"""State of health that simulated banks report, %."""

USUAL_CHARGER: Final = Charger()


class BankView:
    """What the monitor of one bank measures, and what it is made to measure in a rehearsal.

    Attributes:
        bank: the model behind it.
        permitted_a: what it permits in either direction: charging, discharging.
        temperature_c: of all cells, a forced one in place of the pack's.
        cell_v: forced voltages of single cells, by number from 0.
        forbidden: quantities of permission that it denies.
        apart: it says that its bank is not connected, whatever is so.
        shift_v: added to the measured voltage of the bank, and to nothing else.
    """

    def __init__(self, bank: BankModel, pack: PackModel, permitted_a: tuple[float, float]) -> None:
        self.bank = bank
        self.permitted_a = permitted_a
        self.temperature_c: Wave | None = None
        self.cell_v: dict[int, Wave] = {}
        self.forbidden: set[str] = set()
        self.apart = False
        self.shift_v: Wave | None = None
        self._pack = pack
        self.refresh()

    def heal(self) -> None:
        """It measures what is there."""
        self.temperature_c = self.shift_v = None
        self.cell_v = {}
        self.forbidden = set()
        self.apart = False

    def refresh(self) -> None:
        """Looks at the model; to be called after each of its steps."""
        self._cells_v = self.bank.cell_voltages_v
        self._voltage_v = self.bank.sensed_v
        self._bleeding = self.bank.balancing

    @property
    def joined(self) -> bool:
        """Whether the bank is connected to the others."""
        return self.bank in self._pack.joined

    def cells_v(self, t_us: int) -> tuple[float, ...]:
        """All cells in volts, as measured."""
        if not self.cell_v:
            return self._cells_v
        return tuple(self.cell_v[n](t_us) if n in self.cell_v else v for n, v in enumerate(self._cells_v))

    def value(self, quantity: str, cell: int, t_us: int) -> float:
        """A measured value; see `bridge.simulate.node.ValueOf`."""
        match quantity:
            case "cell_voltage":
                return self.cells_v(t_us)[cell - 1]
            case "cell_voltage_min":
                return min(self.cells_v(t_us))
            case "cell_voltage_max":
                return max(self.cells_v(t_us))
            case "pack_voltage":
                shift_v = self.shift_v(t_us) if self.shift_v is not None else 0.0
                return self._voltage_v + sum(self.cells_v(t_us)) - sum(self._cells_v) + shift_v
            case "pack_current":
                return self.bank.current_a
            case "state_of_charge":
                return self.bank.state_of_charge
            case "state_of_health":
                return HEALTH
            case "cell_temperature" | "cell_temperature_min" | "cell_temperature_max":
                return self._temperature_c(quantity, cell, t_us)
            case "charge_current_permitted":
                return self.permitted_a[0]
            case "discharge_current_permitted":
                return self.permitted_a[1]
            case "balancing":
                return float(self._bleeding)
            case "bank_connected":
                return float(self.joined and not self.apart)
        return float(quantity not in self.forbidden)  # charge_permitted, discharge_permitted

    def _temperature_c(self, quantity: str, probe: int, t_us: int) -> float:
        if self.temperature_c is not None:
            return self.temperature_c(t_us)
        cells_c = self._pack.temperatures_c(self.bank)
        if quantity == "cell_temperature":
            return cells_c[(probe - 1) % len(cells_c)]
        return min(cells_c) if quantity == "cell_temperature_min" else max(cells_c)


class Listener:
    """One inverter: it understands what it is sent, obeys it, and times out by itself.

    Attributes:
        name: in the profile.
        seen: every frame it understood, in order.
        latest: newest value of each quantity.
        limits_us: when the newest limit came, `None` before the first.
        timeout_us: see `bridge.core.plan.plan.Inverter`.
        model: the physics behind it.
        misreports: what it reports in place of what is so.
        dead: it is switched off: it says and hears nothing.
    """

    def __init__(
        self,
        name: str,
        timeout_us: int,
        ears: dict[tuple[str, int], Ear],
        model: InverterModel,
        plan: Plan,
        pack: PackModel,
    ) -> None:
        self.name = name
        self.timeout_us = timeout_us
        self.seen: list[Seen] = []
        self.latest: dict[str, float] = {}
        self.limits_us: int | None = None
        self.model = model
        self.ears = ears
        self._static = (plan.limits.charge_voltage_v, plan.limits.discharge_floor_v)
        self.misreports: dict[str, float] = {}
        self._heeded: dict[str, float] = {}
        self._pack = pack

    def hear(self, t_us: int, frame: Frame) -> Seen | None:
        """Takes one frame; None if it is not for this inverter."""
        ear = self.ears.get((frame.bus, frame.key))
        if ear is None:
            return None
        seen = ear.hear(t_us, frame)
        self.seen.append(seen)
        self.latest.update(seen.values)
        if self.timed_out(t_us):
            self._heeded.clear()
        self._heeded.update(seen.values)
        if not _LIMITS.isdisjoint(seen.values):
            self.limits_us = t_us
            self.model.receive(self._limits())
        return seen

    def value(self, quantity: str, _: int, __: int) -> float:
        """What it reports; see `bridge.simulate.node.ValueOf`."""
        if quantity in self.misreports:
            return self.misreports[quantity]
        if quantity == "inverter_voltage":
            return self.model.terminals_v(self._pack)
        if quantity == "inverter_current":
            return self.model.current_a
        # A limit as it understood it; it never has a fault, nor anything to warn of.
        return self._heeded.get(UNDERSTOOD.get(quantity, ""), 0.0)

    @property
    def heeded(self) -> Mapping[str, float]:
        """What it goes by: the newest values, but none from before it had stopped by itself."""
        return self._heeded

    def timed_out(self, t_us: int) -> bool:
        """Whether it has stopped by itself, because the newest limit is too old."""
        return self.limits_us is None or t_us - self.limits_us > self.timeout_us

    def _limits(self) -> Limits:
        """What it obeys. A current of which it was not told since it stopped by itself, it does not take."""
        latest = self._heeded
        return Limits(
            latest.get("charge_voltage_limit", self._static[0]),
            latest.get("charge_current_limit", 0.0),
            latest.get("discharge_current_limit", 0.0),
            latest.get("discharge_voltage_floor", self._static[1]),
            latest.get("charge_allowed", 1.0) > 0.0,
            latest.get("discharge_allowed", 1.0) > 0.0,
        )


class Site:
    """Everything outside the bridge, on the virtual clock.

    Attributes:
        pack: the cells.
        views: what each bank's monitor measures, by name of the bank.
        listeners: the inverters.
        talkers: every device that sends.
        next_us: when something happens next.

    Args:
        loaded: the profile it is built from.
        start_us: engine time of the start.
        charge: of every bank at the start, 0..1.
        wish: what sun and loads would do, by seconds since the start.
        temperature_c: of all cells.
        seed: the same seed gives the same pack.
        step_us: the physics moves on in steps of this length.
        library: message definitions already read, to be shared.
        banks: these banks, one for each of the profile, in place of ones drawn from the seed.
        charger: the inverters' hardware.
        switches: banks that join or leave, by seconds of physics since the start.
    """

    def __init__(
        self,
        loaded: LoadedProfile,
        start_us: int,
        *,
        charge: float,
        wish: Callable[[float], Wish],
        temperature_c: float = 25.0,
        seed: int = 1,
        step_us: int = MODEL_STEP_US,
        library: Library | None = None,
        banks: Sequence[BankModel] | None = None,
        charger: Charger = USUAL_CHARGER,
        switches: Sequence[Switch] = (),
    ) -> None:
        plan, library = loaded.plan, library or Library()
        models = banks or _banks(loaded, seed, charge)
        self.pack = PackModel(models, temperature_c, switches)
        self.views = {
            bank.name: BankView(model, self.pack, (bank.charge.max_a, bank.discharge.max_a))
            for bank, model in zip(plan.banks, models, strict=True)
        }
        self.listeners = _listeners(loaded, library, wish, charger, self.pack)
        values: dict[str, ValueOf] = {name: view.value for name, view in self.views.items()}
        values |= {listener.name: listener.value for listener in self.listeners}
        self.talkers: list[Talker] = talkers(loaded, library, values, start_us)
        self._dt_us = step_us
        self._step_us = start_us + step_us
        self.next_us = start_us

    def advance(self, t_us: int) -> list[Frame]:
        """Lets everything happen up to `t_us`; returns the frames that were sent meanwhile."""
        frames: list[Frame] = []
        while (at_us := self.next_us) <= t_us:
            if self._step_us <= at_us:
                self._step()
            for talker in self.talkers:
                frames += talker.talk(at_us)
            self.next_us = min(self._step_us, *(talker.next_us for talker in self.talkers))
        return frames

    def hear(self, t_us: int, frame: Frame) -> None:
        """A frame of the bridge reaches everyone on its bus."""
        for listener in self.listeners:
            listener.hear(t_us, frame)

    def _step(self) -> None:
        self._step_us += self._dt_us
        self.move(self._dt_us / 1e6)

    def move(self, step_s: float) -> None:
        """Lets the physics go on for some time; sends and hears nothing."""
        current_a = sum(listener.model.step(self.pack, step_s) for listener in self.listeners)
        self.pack.step(current_a, step_s)
        for view in self.views.values():
            view.refresh()


def _banks(loaded: LoadedProfile, seed: int, charge: float) -> list[BankModel]:
    chemistry = CHEMISTRIES[loaded.profile.pack.chemistry]
    return [
        drawn_bank(
            seed + n,
            charge,
            bank.cells,
            cell_of(chemistry, bank.capacity_ah),
            balancer=Balancer(from_v=chemistry.target_v - 0.05),
        )
        for n, bank in enumerate(loaded.plan.banks)
    ]


def _listeners(
    loaded: LoadedProfile,
    library: Library,
    wish: Callable[[float], Wish],
    charger: Charger,
    pack: PackModel,
) -> list[Listener]:
    plan = loaded.plan
    return [
        Listener(
            inverter.name,
            inverter.timeout_us,
            _ears(loaded, library, inverter.name),
            InverterModel(
                partial(_part, wish, plan, inverter),
                lag_s=charger.lag_s,
                timeout_s=inverter.timeout_us / 1e6,
                reads_high_v=charger.reads_high_v,
                manners=charger.manners,
            ),
            plan,
            pack,
        )
        for inverter in plan.inverters
    ]


def _part(wish: Callable[[float], Wish], plan: Plan, inverter: Inverter, t_s: float) -> Wish:
    """Sun is parted among those that charge, loads among those that discharge."""
    whole = wish(t_s)
    chargers = sum(one.charges for one in plan.inverters)
    drawers = sum(one.discharges for one in plan.inverters)
    return Wish(
        whole.solar_a / chargers if inverter.charges else 0.0,
        whole.load_a / drawers if inverter.discharges else 0.0,
    )


def _ears(loaded: LoadedProfile, library: Library, inverter: str) -> dict[tuple[str, int], Ear]:
    rows = zip(loaded.profile.transmission, loaded.plan.transmissions, loaded.sent, strict=True)
    return {
        (transmission.bus, definition.layout.key): Ear(
            section, library.coder(definition.dbc, definition.message)
        )
        for section, transmission, definition in rows
        if transmission.inverter in (None, inverter)
    }
