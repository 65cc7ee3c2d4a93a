"""From one engine to the next: what is handed over when one goes on in the other's place."""

from collections.abc import Collection

from bridge.core.engine import Engine
from bridge.core.failsafe.machine import State
from bridge.core.notes import Due
from bridge.core.plan.plan import same_senses
from bridge.core.wire.schedule import Schedule


def unseen(new: Engine, old: Engine, t_us: int) -> frozenset[str]:
    """What is not required, and the old engine knows, but the new one has not yet seen."""
    return new._pack.unseen(old._pack, t_us)


def hand_over(old: Engine, new: Engine, t_us: int) -> list[Due]:
    """The new engine goes on in the old one's place: from its limits, its messages and what it knows.

    Returns:
        The old one's last frames: zero currents in messages that the new one does not send.
    """
    _messages(old, new, t_us)
    missing = unseen(new, old, t_us) if new.decision.state is State.FOLLOWING else frozenset()
    new._pack.lost_before(missing.union(old._lost(t_us, old._active_banks)))
    new._limits.take_over(old._limits, missing)
    new._told.take_over(old._told)
    if new._allotment is not None:
        new._allotment.take_over(t_us, old.plan, old._allotment, old.decision.values)
    if same_senses(new.plan, old.plan):
        new._course.take_over(old._course)
        new._signs = old._signs
        if new._lost_banks.reduces:
            new._lost_banks.names |= old._lost_banks.names
        if [bank.resistance_ohm for bank in new.plan.banks] == [b.resistance_ohm for b in old.plan.banks]:
            new._circulation = old._circulation
    new._heartbeats.take_over(old._heartbeats)
    new.lead(t_us)
    return _last(old, t_us, {(sent.bus, sent.layout.key) for sent in new.plan.transmissions})


def _messages(old: Engine, new: Engine, t_us: int) -> None:
    """Counters, pages and deadlines go on, message by message."""
    rows = {(sent.bus, sent.layout.key): j for j, sent in enumerate(old.plan.transmissions)}
    places = [rows.get((sent.bus, sent.layout.key)) for sent in new.plan.transmissions]
    new._schedule = Schedule(new.plan.transmissions, t_us)
    new._schedule.go_on([None if j is None else old._schedule.last_us(j) for j in places], t_us)
    for i, j in enumerate(places):
        if j is not None:
            new._maker.go_on(i, old._maker, j)


def _last(old: Engine, t_us: int, staying: Collection[tuple[str, int]]) -> list[Due]:
    leaving = [
        i
        for i, one in enumerate(old.plan.transmissions)
        if one.carries_limits and (one.bus, one.layout.key) not in staying
    ]
    if old.decision.state is State.SILENT:
        leaving = old._owing.owed(leaving)
    if leaving:
        closed = Engine(old.plan, t_us)
        closed.close(t_us)
        zeros = {name: value for name, value in closed.decision.values.items() if value is not None}
        old.decision = old.decision._replace(values={**old.decision.values, **zeros})
        for i in leaving:
            old._build(t_us, [i] * len(old.plan.transmissions[i].pages))
    due, old._due = old._due, []
    return due
