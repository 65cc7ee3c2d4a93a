"""What the inverters report: shown, told when it comes and goes, compared with the pack and what was told."""

from dataclasses import dataclass, field

from bridge.core.engine import Engine
from bridge.core.failsafe.machine import State
from bridge.core.plan.plan import Inverter, Plan, Slot, Source, Target
from bridge.core.told.reports import PATIENCE_US, in_words, reporting
from bridge.core.wire.codec import Decoder, MessageLayout, encode_raws
from bridge.frames import Frame
from bridge.quantities import QUANTITIES
from tests.core.plans import BUS, SECOND, TICK, Builder, bounds, intel, seen_before
from tests.core.rig import level

FIELDS = (
    intel("inverter_voltage", 0, 16, 0.01),
    intel("inverter_current", 16, 16, 0.1, signed=True),
    intel("inverter_fault", 32, 1),
    intel("inverter_warning", 33, 1),
)
LIMITS = (
    intel("inverter_charge_voltage_limit", 0, 16, 0.1),
    intel("inverter_charge_current_limit", 16, 16, 0.1),
    intel("inverter_discharge_current_limit", 32, 16, 0.1),
    intel("inverter_discharge_voltage_floor", 48, 16, 0.1),
)


def plan(*names: str, **more: object) -> Plan:
    """Inverters that report everything, each told its limits on a bus of its own."""
    base = Builder(parts=frozenset({"totals", "extremes", "permits"})).plan()
    slots, sources, inverters = list(base.slots), list(base.sources), []
    for n, name in enumerate(names):
        mine: dict[str, int] = {}
        for at, fields in enumerate((FIELDS, LIMITS)):
            layout = MessageLayout(f"Report{n}{at}", 0x400 + 2 * n + at, 8, fields)
            targets = []
            for one in fields:
                mine[one.name] = len(slots)
                slots.append(Slot(one.name, name, 0, 2 * SECOND, required=False))
                known = QUANTITIES[one.name]
                truth = frozenset({1.0}) if known.high == 1 else None
                targets.append(Target(mine[one.name], one.name, 1.0, 0.0, truth, known.low, known.high, None))
            decoder = Decoder(layout, [one.name for one in fields])
            sources.append(
                Source(layout.name, BUS, layout.key, decoder, tuple(targets), None, None, None, name)
            )
        inverters.append(Inverter(name, 10 * SECOND, None, zero_when_silent=False, slots=mine))
    told = [bounds()._replace(bus=name, inverter=name if len(names) > 1 else None) for name in names]
    return base._replace(
        slots=tuple(slots),
        sources=tuple(sources),
        inverters=tuple(inverters),
        transmissions=tuple(told),
        **more,  # type: ignore[arg-type]
    )


@dataclass
class Teller:
    """What one inverter says; a limit that is not given is the one it was told last."""

    volts: float = 52.8
    amps: float = 0.0
    fault: int = 0
    warning: int = 0
    understood: dict[str, float] = field(default_factory=dict)


class Bench:
    """An engine, its pack, and inverters that talk."""

    def __init__(self, of: Plan) -> None:
        self.engine = Engine(of, 0, seen_before(of))
        self.pack = level()
        self.tellers = {one.name: Teller() for one in of.inverters}
        self.quiet: set[str] = set()
        self.told: dict[str, bytes] = {}
        self.warned: list[tuple[str, ...]] = []
        self.notes: list[str] = []
        self.t_us = 0

    def run(self, seconds: float) -> "Bench":
        """Lets time pass."""
        until_us = self.t_us + round(seconds * SECOND)
        while self.t_us < until_us:
            for frame in (self.pack.totals(), self.pack.extremes(), self.pack.permits()):
                self.engine.receive(self.t_us, frame)
            for n, (name, teller) in enumerate(self.tellers.items()):
                if name not in self.quiet:
                    for frame in self.said(n, name, teller):
                        self.engine.receive(self.t_us, frame)
            self.t_us += TICK
            for due in self.engine.poll(self.t_us):
                self.told[due.frame.bus] = due.frame.data
            if not self.warned or self.warned[-1] != self.engine.decision.warnings:
                self.warned.append(self.engine.decision.warnings)
            self.notes += [f"{note.subject}: {note.text}" for note in self.engine.take_notes()]
        return self

    def said(self, n: int, name: str, teller: Teller) -> list[Frame]:
        """Both messages of one inverter."""
        raws = {
            "inverter_voltage": round(teller.volts * 100),
            "inverter_current": round(teller.amps * 10),
            "inverter_fault": teller.fault,
            "inverter_warning": teller.warning,
        }
        data = bytearray(self.told.get(name, bytes(8)))
        for at, one in enumerate(LIMITS):
            if one.name in teller.understood:
                data[2 * at : 2 * at + 2] = round(teller.understood[one.name] * 10).to_bytes(2, "little")
        layout = MessageLayout("Report", 0x400 + 2 * n, 8, FIELDS)
        return [
            Frame(BUS, 0x400 + 2 * n, encode_raws(layout, raws)),
            Frame(BUS, 0x401 + 2 * n, bytes(data)),
        ]

    @property
    def warnings(self) -> list[str]:
        """What a person should look at now."""
        return list(self.engine.decision.warnings)


def test_an_inverter_that_agrees_is_shown_and_nothing_is_warned_of() -> None:
    """Through start, rise and steady following; that it reports is told once."""
    bench = Bench(plan("loft")).run(30.0)
    assert bench.warned == [()]
    (report,) = bench.engine.decision.reports
    assert report.inverter == "loft"
    assert report.values["inverter_fault"] == 0.0
    assert report.values["inverter_charge_voltage_limit"] == 56.0
    assert in_words(report).startswith("52.80 V, +0.0 A, understood: charge to 56.00 V, charge with ")
    (note,) = [note for note in bench.notes if note.startswith("inverter")]
    assert note.startswith(
        "inverter loft: reports 52.80 V, +0.0 A, understood: charge to 0.00 V, charge with"
    )


def test_what_is_not_reported_any_more_is_not_shown() -> None:
    """And that it went, and came back, is told."""
    bench = Bench(plan("loft")).run(5.0)
    bench.quiet.add("loft")
    bench.run(3.0)
    assert set(bench.engine.decision.reports[0].values.values()) == {None}
    assert bench.notes[-1] == "inverter loft: reports nothing any more"
    bench.quiet.clear()
    bench.run(1.0)
    assert bench.notes[-1].startswith("inverter loft: reports 52.80 V")


def test_a_fault_is_warned_of_at_once() -> None:
    """And so is a warning, and its end."""
    bench = Bench(plan("loft")).run(5.0)
    bench.tellers["loft"].fault = bench.tellers["loft"].warning = 1
    bench.run(0.2)
    assert bench.warnings == ["inverter loft reports a fault", "inverter loft reports a warning"]
    assert bench.engine.decision.values["warning"] == 1.0
    assert in_words(bench.engine.decision.reports[0]).endswith(", a fault, a warning")
    bench.tellers["loft"].fault = 0
    bench.run(0.2)
    assert bench.warnings == ["inverter loft reports a warning"]


def test_a_voltage_that_differs_for_long_is_warned_of_with_figures() -> None:
    """Not within the tolerance, nor before it has lasted; the text stays while the figures hardly move."""
    bench = Bench(plan("loft")).run(5.0)
    bench.tellers["loft"].volts = 53.8  # the tolerance is 1 V
    bench.run(20.0)
    assert bench.warnings == []
    bench.tellers["loft"].volts = 54.4
    bench.run(PATIENCE_US / SECOND - 0.5)
    assert bench.warnings == []
    bench.run(1.0)
    text = "inverter loft reports 54.4 V, the pack's own sensors 52.8 V"
    assert bench.warnings[0].startswith(text)
    bench.tellers["loft"].volts = 54.7
    bench.run(5.0)
    assert bench.warnings[0].startswith(text)
    bench.tellers["loft"].volts = 50.0
    bench.run(0.5)
    assert bench.warnings[0].startswith("inverter loft reports 50.0 V, the pack's own sensors 52.8 V")
    bench.tellers["loft"].volts = 52.8
    bench.run(0.5)
    assert bench.warnings == []
    bench.tellers["loft"].volts = 54.4
    bench.run(5.0)
    assert bench.warnings == []


def test_voltages_are_not_compared_while_the_pack_is_not_trusted() -> None:
    """Nobody knows then which of them is right."""
    bench = Bench(plan("loft"))
    bench.tellers["loft"].volts = 30.0
    for _ in range(200):
        for frame in (*bench.said(0, "loft", bench.tellers["loft"]), bench.pack.totals()):
            bench.engine.receive(bench.t_us, frame)
        bench.t_us += TICK
        bench.told |= {due.frame.bus: due.frame.data for due in bench.engine.poll(bench.t_us)}
    assert bench.engine.decision.state is State.STARTING
    assert bench.warnings == []


def test_what_was_understood_otherwise_is_warned_of_with_figures() -> None:
    """Looser or tighter, by more than the steps of both; a fall that it has not followed yet is none."""
    bench = Bench(plan("loft")).run(30.0)
    for _ in range(3):
        bench.pack.draw_most_a = 60.0
        bench.run(4.0)
        bench.pack.draw_most_a = 500.0
        bench.run(12.0)
    assert bench.warned == [()]
    bench.tellers["loft"].understood = {
        "inverter_discharge_current_limit": 117.7
    }  # rounded by a percent or two
    bench.run(15.0)
    assert bench.warned == [()]
    bench.tellers["loft"].understood = {"inverter_discharge_current_limit": 150.0}
    bench.run(12.0)
    assert bench.warnings == ["inverter loft has understood: draw 150.0 A; it was told 120.0 A"]
    bench.tellers["loft"].understood = {"inverter_charge_voltage_limit": 54.0}
    bench.run(12.0)
    assert bench.warnings == ["inverter loft has understood: charge to 54.00 V; it was told 56.00 V"]
    bench.tellers["loft"].understood = {}
    bench.run(1.0)
    assert bench.warnings == []


def test_a_range_that_was_told_is_told_as_one() -> None:
    """While the limit moved, one number would be wrong."""
    bench = Bench(plan("loft")).run(30.0)
    bench.tellers["loft"].understood = {"inverter_discharge_current_limit": 200.0}
    bench.run(7.0)
    bench.pack.draw_most_a = 60.0
    bench.run(5.0)
    assert bench.warnings == ["inverter loft has understood: draw 200.0 A; it was told 60.0 to 120.0 A"]


def test_each_of_several_is_compared_with_its_own_part() -> None:
    """A half is what it was told; all of it is not."""
    bench = Bench(plan("loft", "barn")).run(40.0)
    assert bench.warned == [()]
    bench.tellers["barn"].understood = {"inverter_discharge_current_limit": 120.0}
    bench.run(12.0)
    assert bench.warnings == ["inverter barn has understood: draw 120.0 A; it was told 60.0 A"]


def test_currents_that_do_not_add_up_are_warned_of() -> None:
    """With what may be the matter; other devices may take what the profile says."""
    bench = Bench(plan("loft", "barn")).run(5.0)
    bench.pack.amps = 20.0
    bench.tellers["loft"].amps, bench.tellers["barn"].amps = 15.0, 11.9  # 5 % of 120 A, and 1 A of the sensor
    bench.run(15.0)
    assert bench.warnings == []
    bench.tellers["barn"].amps = 25.0
    bench.run(12.0)
    (warning,) = bench.warnings
    assert warning.startswith(
        "the inverters report +40 A together, the pack's own sensors +20 A: something else"
    )
    bench.tellers["loft"].amps, bench.tellers["barn"].amps = -12.0, -9.0
    bench.run(12.0)
    assert "the sign of one of them looks wrong" in bench.warnings[0]
    bench.quiet.add("barn")
    bench.run(3.0)
    assert bench.warnings == []

    bench = Bench(plan("loft", "barn", other_devices_a=20.0)).run(5.0)
    bench.pack.amps = 20.0
    bench.tellers["loft"].amps = 40.0
    bench.run(15.0)
    assert bench.warnings == []


def test_who_reports_no_more_than_a_sign_of_life_costs_nothing() -> None:
    """No reports are kept of it."""
    of = Builder(heartbeat=True).plan()
    assert not reporting(of)
    assert Engine(of, 0).decision.reports == ()
    alive = of.inverters[0]._replace(slots={"inverter_heartbeat": 0})
    assert not reporting(of._replace(inverters=(alive,)))


def test_a_limit_that_is_never_told_is_not_compared() -> None:
    """An inverter may report a limit that nobody sends it."""
    of = plan("loft")
    bounds_of = of.transmissions[0]
    bench = Bench(of._replace(transmissions=(bounds_of._replace(pages=(bounds_of.pages[0][:3],)),)))
    bench.tellers["loft"].understood = {"inverter_discharge_voltage_floor": 40.0}
    bench.run(30.0)
    assert bench.warned == [()]
