"""What makes two profiles the same as far as what was learnt with them goes."""

from dataclasses import astuple
from hashlib import sha256

from bridge.core.wire.codec import MessageLayout
from bridge.profile.load import LoadedProfile


def fingerprint(loaded: LoadedProfile) -> str:
    """Of all that what is kept speaks of: banks, cells, sensors, messages.

    The person's wishes and bounds are no part of it: to change them forgets nothing.
    """
    plan, limits = loaded.plan, loaded.plan.limits
    about = (
        [
            (one.name, one.cells, one.capacity_ah, astuple(one.charge.facts), astuple(one.discharge.facts))
            for one in plan.banks
        ],
        [inverter.name for inverter in plan.inverters],
        [
            (
                one.bus,
                one.key,
                one.owner,
                [(str(plan.slots[t.slot]), t.signal, t.scale, t.shift) for t in one.targets],
            )
            for one in plan.sources
        ],
        [(one.bus, one.layout.key) for one in plan.transmissions if one.carries_limits],
        [_layout(one.layout) for one in (*loaded.received, *loaded.sent)],
        (limits.cell_target_v, limits.knee_v, limits.plateau_v, limits.e_fold),
    )
    return sha256(repr(about).encode()).hexdigest()


def _layout(layout: MessageLayout) -> list[object]:
    return [
        (one.name, one.start, one.length, one.signed, one.is_float, one.factor, one.offset)
        for one in layout.fields
    ]
