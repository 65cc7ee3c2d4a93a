"""What each of several inverters is told at most, and whether it can be told so."""

from fractions import Fraction
from typing import NamedTuple

from bridge.core.plan.shares import CHARGE, WAYS, shared, shares_of
from bridge.core.wire.outgoing import QuantityItem, Transmission
from bridge.profile.findings import Findings, Key
from bridge.profile.load import LoadedProfile

LIMITS = ("charge_current_limit", "discharge_current_limit")
DOES = ("charges", "discharges")


class ShareRow(NamedTuple):
    """What one inverter is told at most, A and as a share; `None` where it does not go that way."""

    inverter: str
    role: str
    charge_a: float | None
    charge_share: float | None
    discharge_a: float | None
    discharge_share: float | None


def parts_of(loaded: LoadedProfile, transmission: Transmission) -> tuple[Fraction, Fraction]:
    """The shares of the two current limits that a transmission carries: the smallest of all it is for."""
    whole, fixed = shares_of(loaded.plan.inverters)
    found = []
    for way in WAYS:
        mine = [
            Fraction(share, whole)
            for one, share in zip(loaded.plan.inverters, fixed[way], strict=True)
            if transmission.inverter in (None, one.name) and share
        ]
        found.append(min(mine, default=Fraction(0)))
    return found[0], found[1]


def check_shares(loaded: LoadedProfile, findings: Findings) -> tuple[ShareRow, ...]:
    """Notes what is given to nobody, or cannot be told; returns the parts, where there are several."""
    plan = loaded.plan
    whole, fixed = shares_of(plan.inverters)
    by_need = loaded.profile.pack.shares == "by need"
    if by_need:
        _check_by_need(loaded, findings)
    if not shared(plan):
        return ()
    for way in WAYS:
        given = Fraction(sum(fixed[way]), whole)
        if not given:
            findings.warn(("inverter",), f"none {DOES[way]}", f'one whose role is "{DOES[way]}" or "both"')
        elif given < 1:
            key = "charge_share" if way == CHARGE else "discharge_share"
            text = f"{float(1 - given):.1%} of {LIMITS[way]} is given to nobody"
            findings.note(("inverter", 0, key), text, "shares that add up to 1")
    for number, one in enumerate(plan.transmissions):
        if one.inverter is None and len(plan.inverters) > 1:
            _check_for_all(("transmission", number), loaded, one, findings)
    caps_a = plan.limits.charge_a, plan.limits.discharge_a
    rows = []
    for n, (one_, section) in enumerate(zip(plan.inverters, loaded.profile.inverter, strict=True)):
        parts = [Fraction(fixed[way][n], whole) for way in WAYS]
        amps = [round(float(part) * cap_a, 3) for part, cap_a in zip(parts, caps_a, strict=True)]
        rows.append(
            ShareRow(
                one_.name,
                section.role,
                amps[0] if one_.charges else None,
                round(float(parts[0]), 4) if one_.charges else None,
                amps[1] if one_.discharges else None,
                round(float(parts[1]), 4) if one_.discharges else None,
            )
        )
    return tuple(rows)


def _check_by_need(loaded: LoadedProfile, findings: Findings) -> None:
    key: Key = ("pack", "shares")
    if len(loaded.plan.inverters) == 1:
        findings.warn(key, "by need, with a single inverter", "fixed: it is told all there is")
        return
    for n, one in enumerate(loaded.plan.inverters):
        if "inverter_current" not in one.slots:
            found = f"{one.name} reports no inverter_current, and shares go by need"
            findings.fail(("inverter", n), found, 'a source of it, or shares = "fixed"')
    for n, sent in enumerate(loaded.plan.transmissions):
        if sent.inverter is None and _carried(sent):
            found = f"{sent.layout.name} is for all inverters, and shares go by need"
            findings.fail(
                ("transmission", n, "inverter"), found, 'a transmission for each, or shares = "fixed"'
            )


def _carried(one: Transmission) -> set[str]:
    return {
        item.quantity
        for page in one.pages
        for item in page
        if isinstance(item, QuantityItem) and item.quantity in LIMITS
    }


def _check_for_all(key: Key, loaded: LoadedProfile, one: Transmission, findings: Findings) -> None:
    """A message that every inverter hears: each of them acts on all of it."""
    whole, fixed = shares_of(loaded.plan.inverters)
    parts = parts_of(loaded, one)
    for way in WAYS:
        if LIMITS[way] not in _carried(one) or not parts[way]:
            continue
        takers = sum(share > 0 for share in fixed[way])
        unused = Fraction(sum(fixed[way]), whole) - takers * parts[way]
        found = (
            f"{one.layout.name} tells all inverters {LIMITS[way]} at once: each acts on it, so it carries "
            f"the smallest part, {float(parts[way]):.1%}"
        )
        if unused:
            text = "a transmission for each, or equal shares"
            findings.warn(key, f"{found}, and {float(unused):.1%} is left unused", text)
        elif takers > 1:
            findings.note(key, found, "leave it so if that is meant")
