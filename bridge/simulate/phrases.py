"""A simulated day in words: what both reports, for people and for programs, and the plot say alike."""

from bridge.core.plan.plan import SECOND_US
from bridge.replay.phrases import lasted
from bridge.simulate.day import MIDNIGHT_US, Setup, time_of_day
from bridge.simulate.packs import KINDS, SOURCES, STAND_INS
from bridge.simulate.record import Excess, Extreme
from bridge.simulate.simulate import Day
from bridge.simulate.sky import LOADS, WEATHERS


def setup_lines(day: Day) -> list[str]:
    """What was simulated, a line each."""
    setup = day.setup
    pack = setup.pack
    sun = f", {setup.sun_a:g} A at noon" if setup.sun_a is not None else ""
    return [
        f"{day.record.plan.name}: {setup.hours:g} h from {clock(setup.start_us)}, all simulated, "
        f"{day.received} frames in and {day.sent} out",
        f"pack: {pack.kind}: {KINDS[pack.kind]}; {100 * pack.charge:g} % at the start; seed {pack.seed}",
        f"cells: {_cells(day)}",
        f"sensors: steps of {1000 * pack.sensor_step_v:g} mV, up to {1000 * pack.sensor_error_v:g} mV wrong",
        f"sky: {WEATHERS[setup.weather]}{sun}; load: {LOADS[setup.load]}",
        f"charger: {_charger(setup)}",
        *([f"banks: {_banks(setup)}"] if setup.switches else []),
    ]


def _cells(day: Day) -> str:
    pack = day.setup.pack
    around = pack.surroundings
    words = [f"{pack.temperature_c:g} °C, all the time"]
    if around is not None:
        swing = f", {around.swing_k:g} K up and down over the day" if around.swing_k else ""
        words = [f"{pack.temperature_c:g} °C at the start, then warmed by their losses, in air of "]
        words[0] += f"{around.mean_c:g} °C{swing}"
    if pack.health != 1.0:
        words.append(f"worn: {100 * pack.health:g} % of the capacity left")
    if pack.resistance != 1.0:
        words.append(f"{pack.resistance:g} times the resistance of new ones")
    name = day.chemistry.name
    stand_in = STAND_INS.get(name)
    words.append(f"open-circuit curve: {stand_in or SOURCES[name]}")
    return "; ".join(words)


def _banks(setup: Setup) -> str:
    return ", ".join(
        f"{name} {'joins' if joins else 'leaves'} at {int(at_s) // 3600:02d}:{int(at_s) // 60 % 60:02d}"
        for at_s, name, joins in setup.switches
    )


def _charger(setup: Setup) -> str:
    charger, manners = setup.charger, setup.charger.manners
    words = [f"lag {charger.lag_s:g} s", f"steps of {manners.volt_step:g} V and {manners.amp_step:g} A"]
    if charger.reads_high_v:
        way = "high" if charger.reads_high_v > 0 else "low"
        words.append(f"reads {abs(charger.reads_high_v):g} V {way}")
    if manners.late_s:
        words.append(f"acts on a limit {manners.late_s:g} s late")
    if manners.least_charge_a:
        words.append(f"charges with {manners.least_charge_a:g} A at least")
    if manners.restarts_after_s is not None:
        words.append(f"restarts unasked {manners.restarts_after_s:g} s after its own time-out")
    if setup.silence is not None:
        from_s, lasts_s = setup.silence
        at = f"{from_s // 3600:02.0f}:{from_s // 60 % 60:02.0f}"
        words.append(f"hears nothing of the program for {lasts_s / 60:g} min from {at}")
    if manners.ignores:
        words.append(f"IGNORES the charge {manners.ignores} limit")
    return ", ".join(words)


def verdict_of(day: Day) -> tuple[str, str]:
    """The word and the sentence that sum the day up."""
    record, chemistry, limits = day.record, day.chemistry, day.record.plan.limits
    high, low = record.highest, record.lowest
    if day.tripped:
        text = f"{cell_text(high)} and {cell_text(low)}; these cells bear {chemistry.cell_min_v:g} to "
        return "TRIPPED", f"{text}{chemistry.cell_max_v:g} V: an independent protection would have cut off"
    if record.over_target.lasted_us:
        return (
            "PAST THE TARGET",
            f"{cell_text(high)}, {_excess(record.over_target)} over {limits.cell_target_v:g} V",
        )
    if record.under_floor.lasted_us:
        return (
            "PAST THE FLOOR",
            f"{cell_text(low)}, {_excess(record.under_floor)} under {limits.cell_floor_v:g} V",
        )
    if not day.followed:
        return "NEVER FOLLOWED", "no limit ever followed the pack: its data was never trusted"
    return "FINE", (
        f"no true cell left {limits.cell_floor_v:.2f} to {limits.cell_target_v:.2f} V: "
        f"lowest {low.voltage_v:.4f}, highest {high.voltage_v:.4f} V"
    )


def _excess(excess: Excess) -> str:
    return f"up to {1000 * excess.most_v:.1f} mV, for {lasted(excess.lasted_us)} in all"


def cell_text(extreme: Extreme) -> str:
    """Which cell, how far, and when."""
    return (
        f"cell {extreme.cell} of bank {extreme.bank} at {extreme.voltage_v:.4f} V at {moment(extreme.t_us)}"
    )


def moment(t_us: int, *, seconds: bool = True) -> str:
    """Time of day for people: `02:31:11 the next day` where a table says 26:31:11."""
    day_us = 86_400 * SECOND_US
    days = (t_us - MIDNIGHT_US) // day_us
    later = ("", " the next day")[days] if days < 2 else f" {days} days later"
    return time_of_day(t_us - days * day_us, seconds=seconds) + later


def clock(t_us: int | None) -> str:
    """Time of day without seconds; `never`."""
    return "never" if t_us is None else moment(t_us, seconds=False)


def oracle_lines(day: Day) -> list[str]:
    """What the oracle is, and what the comparison cannot say."""
    limits, comparison = day.record.plan.limits, day.comparison
    lines = [
        "The oracle is a physical bound: the largest current at every step that keeps every true cell at or "
        f"under {limits.cell_target_v:g} V and at or above {limits.cell_floor_v:g} V, under the same sun and "
        "loads, within the configured currents. It knows every true cell; no charger can."
    ]
    if comparison is not None and comparison.ref_us is None:
        lines.append("The oracle was never full in this time: there is no time to full to compare.")
    if day.record.over_target.lasted_us or day.record.under_floor.lasted_us:
        lines.append("Cells went past the target or the floor: what that brought is no merit.")
    return lines
