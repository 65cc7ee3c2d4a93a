"""Are the times of a profile consistent, and does a fault reach the inverter before its own time-out?"""

from datetime import datetime, timedelta
from math import inf
from typing import NamedTuple

from bridge.core.plan.plan import SECOND_US
from bridge.core.wire.outgoing import Transmission
from bridge.profile.bustiming import BusMessage, bus_load, response_times
from bridge.profile.chemistry import CHEMISTRIES
from bridge.profile.findings import Findings, Key
from bridge.profile.load import LoadedProfile

LATE_S = 0.010
"""A frame may be queued this long after it is due: the event loop is not alone (own choice)."""

BUSY = 0.3
"""Our own frames alone should leave most of the bus to the others (own choice)."""

SLACK = 1e-9
"""Three ticks of 0.2 s are 0.6 s, whatever a float says."""

COMPARED = frozenset({"pack_voltage", "cell_voltage", "cell_voltage_min", "cell_voltage_max"})
"""Readings of a bank that must agree with each other."""

LONGEST_WISH = timedelta(days=31)


class BusRow(NamedTuple):
    """What our own frames ask of one bus: share of it, at worst."""

    name: str
    bitrate: int
    load: float


class BudgetRow(NamedTuple):
    """How long after a fault an inverter is told, at worst, in s, and the parts it is made of."""

    inverter: str
    timeout_s: float
    worst_s: float
    parts: tuple[tuple[str, float], ...]


class Timing(NamedTuple):
    """Bus load, worst response time of each transmission in s (`None`: no bound), fault budgets."""

    buses: tuple[BusRow, ...]
    responses_s: tuple[float | None, ...]
    budgets: tuple[BudgetRow, ...]


def check_times(loaded: LoadedProfile, now: datetime | None, findings: Findings) -> Timing:
    """Notes times out of bounds, late frames and wishes that ended; `now` of `None` leaves the last out."""
    _check_bounds(loaded, findings)
    _check_patience(loaded, findings)
    if now is not None:
        _check_ends(loaded, now, findings)
    buses, responses = _check_buses(loaded, findings)
    budgets = tuple(
        _check_budget(("inverter", number), name.name, loaded, responses, findings)
        for number, name in enumerate(loaded.plan.inverters)
    )
    return Timing(buses, responses, budgets)


def _check_bounds(loaded: LoadedProfile, findings: Findings) -> None:
    profile, times = loaded.profile, loaded.profile.failsafe
    tick_s = profile.tick_ms / 1000
    rows: list[tuple[Key, float, float, float]] = [
        (("tick_ms",), profile.tick_ms, 20, 1000),
        (("failsafe", "hold_s"), times.hold_s, 0, 30),
        (("failsafe", "mismatch_s"), times.mismatch_s, 0, 30),
        (("failsafe", "steady_s"), times.steady_s, 1, 600),
        (("failsafe", "stall_s"), times.stall_s, 3 * tick_s, 30),
    ]
    if times.sum_tolerance_v is not None:
        # Default or half a cell, whichever is more: beyond, a cell more or less would not be noticed.
        count, cell = profile.pack.cells_in_series, CHEMISTRIES[profile.pack.chemistry]
        most_v = max(0.03 * count, 0.5 * cell.cell_min_v)
        rows.append((("failsafe", "sum_tolerance_v"), times.sum_tolerance_v, 0, round(most_v, 3)))
    # Zeros must have gone out once before nothing is sent: else the last limits stand until a time-out.
    round_s = max(
        (t.period_us * len(t.pages) for t in loaded.plan.transmissions if t.carries_limits), default=0
    )
    least_s = round_s / SECOND_US + 2 * tick_s
    rows.append((("failsafe", "silent_after_s"), times.silent_after_s, round(least_s, 3), inf))
    for number, source in enumerate(profile.source):
        rows.append((("source", number, "max_age_s"), source.max_age_s, 2 * tick_s, 60))
        for quantity, reading in source.signals.items():
            if reading.max_age_s is not None:
                place: Key = ("source", number, "signals", quantity, "max_age_s")
                rows.append((place, reading.max_age_s, 2 * tick_s, 60))
    for key, value, low, high in rows:
        if not low - SLACK <= value <= high + SLACK:
            findings.fail(key, f"{value:g}", f"{low:g} to {high:g}")
    for number, transmission in enumerate(profile.transmission):
        if transmission.period_ms < profile.tick_ms:
            found = f"{transmission.period_ms}, shorter than tick_ms"
            findings.warn(("transmission", number, "period_ms"), found, f"at least {profile.tick_ms}")


def _check_patience(loaded: LoadedProfile, findings: Findings) -> None:
    """Voltages of several messages are not of one moment: a load that switches must not look like doubt.

    A message comes at least twice within its age, where its definition does not state its period.
    """
    plan, times = loaded.plan, loaded.plan.times
    for bank in plan.banks:
        between_us = [
            source.cycle_us or min(plan.slots[target.slot].max_age_us for target in voltages) // 2
            for source in plan.sources
            if source.owner == bank.name
            and (voltages := [t for t in source.targets if plan.slots[t.slot].quantity in COMPARED])
        ]
        if len(between_us) > 1 and times.mismatch_us + times.hold_us < max(between_us):
            least_s = (max(between_us) - times.hold_us) / SECOND_US
            found = f"{times.mismatch_us / SECOND_US:g}, and voltages of {bank.name} come in several messages"
            allowed = f"at least {least_s:.3g}: until the slowest of them has come again, less hold_s"
            findings.warn(("failsafe", "mismatch_s"), found, allowed)


def _check_ends(loaded: LoadedProfile, now: datetime, findings: Findings) -> None:
    options, shown = loaded.profile.options, loaded.profile.shown_soc
    commissioning = loaded.profile.commissioning
    for key, until in (
        (("options", "inhibit_charge_until"), options.inhibit_charge_until),
        (("options", "inhibit_discharge_until"), options.inhibit_discharge_until),
        (("shown_soc", "until"), shown.until if shown is not None else None),
        (("commissioning", "until"), commissioning.until if commissioning is not None else None),
    ):
        if until is None:
            continue
        if until <= now:
            findings.warn(key, f"{until.isoformat()}, in the past", "a time to come, or no such wish")
        elif until > now + LONGEST_WISH:
            findings.warn(
                key, f"{until.isoformat()}, more than 31 days away", "at most 31 days: wishes are forgotten"
            )


def _check_buses(
    loaded: LoadedProfile, findings: Findings
) -> tuple[tuple[BusRow, ...], tuple[float | None, ...]]:
    """Load of each bus, and the response time of each transmission, in the order of the plan."""
    transmissions = loaded.plan.transmissions
    responses: list[float | None] = [None] * len(transmissions)
    rows = []
    for number, bus in enumerate(loaded.buses):
        ours = [(n, one) for n, one in enumerate(transmissions) if one.bus == bus.name]
        messages = [_message(one) for _, one in ours]
        load = bus_load(messages, bus.bitrate)
        rows.append(BusRow(bus.name, bus.bitrate, load))
        if load > BUSY:
            note = findings.fail if load >= 1 else findings.warn
            note(("bus", number), f"our own frames take {load:.0%} of it", f"at most {BUSY:.0%}")
        for (n, one), (message, response_s) in zip(ours, response_times(messages, bus.bitrate), strict=True):
            responses[n] = response_s
            if response_s is None or response_s > message.deadline_s:
                found = "no bound" if response_s is None else f"{response_s * 1000:.1f} ms"
                allowed = f"within the period, {message.deadline_s * 1000:g} ms"
                findings.fail(("transmission", n), f"{one.name} may arrive late: {found}", allowed)
    return tuple(rows), tuple(responses)


def _message(one: Transmission) -> BusMessage:
    period_s = one.period_us / SECOND_US
    return BusMessage(one.name, one.layout.key, one.layout.length, period_s, LATE_S, period_s)


def _check_budget(
    key: Key, name: str, loaded: LoadedProfile, responses: tuple[float | None, ...], findings: Findings
) -> BudgetRow:
    """From the last good frame of the pack to the last frame the inverter gets that still says too much.

    Fault time budget as in ISO 26262-1:2018 3.55-3.61: detection and reaction together must stay below what
    the receiver tolerates. Both judgements, of age and of the hold time, are made at ticks.
    """
    plan = loaded.plan
    times, tick_us = plan.times, plan.tick_us
    age_us = max((slot.max_age_us for slot in plan.slots if slot.required), default=0)
    hold_us = -(-times.hold_us // tick_us) * tick_us
    told = [
        (one.period_us * len(one.pages), responses[n] or 0.0)
        for n, one in enumerate(plan.transmissions)
        if one.carries_limits and one.inverter in (None, name)
    ]
    period_us, response_s = max(told, default=(0, 0.0))
    parts = (
        ("noticed", max(age_us, times.mismatch_us) / SECOND_US),
        # Frames that wait while the program is late are stamped when it reads them: it sees them younger.
        ("program late", times.stall_us / SECOND_US),
        ("next tick", tick_us / SECOND_US),
        ("held", hold_us / SECOND_US),
        ("next frame", period_us / SECOND_US),
        ("on the bus", response_s),
    )
    worst_s = sum(part for _, part in parts)
    timeout_s = next(one.timeout_us for one in plan.inverters if one.name == name) / SECOND_US
    if worst_s >= timeout_s:
        sums = " + ".join(f"{text} {part:.2f}" for text, part in parts)
        found = f"{name} is told of lost data after {worst_s:.2f} s at worst ({sums})"
        findings.fail((*key, "timeout_s"), found, f"less than its time-out, {timeout_s:g} s")
    return BudgetRow(name, timeout_s, worst_s, parts)
