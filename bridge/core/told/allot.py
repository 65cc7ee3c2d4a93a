"""What each of several inverters is told: its part of the two current limits, and the permissions with them.

The sum of what all receivers may act on stays within what the pack bears:

- A part is a share of the limit. When the limit falls, each part falls with it, at the next frame of each.
- A share grows only into room that has been given up for sure: the smaller number has left, and its receiver
  was heard after that (where it can be heard at all).
- A receiver that cannot be reached, because its frames do not leave or it is not heard, may act on the
  largest it was told since, until its own time-out. What that is beyond its share is taken from the others.
- After its own time-out it has stopped, and takes nothing before it is told that limit anew.
- What is sent to all of them at once is the smallest part of those that act on it.
"""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from types import MappingProxyType
from typing import Final, NamedTuple

from bridge.core.bounds.requests import Allowed
from bridge.core.pack.state import PackState
from bridge.core.plan.plan import Plan
from bridge.core.plan.shares import WAYS, shares_of
from bridge.core.told.need import Needs
from bridge.core.told.standing import FAR_US, NOTHING, Line, Proof, Stand, Told
from bridge.core.wire.outgoing import FlagItem, Item, QuantityItem
from bridge.frames import Frame

Values = Mapping[str, float | None]

LIMIT: Final = ("charge_current_limit", "discharge_current_limit")
ALLOWED: Final = ("charge_allowed", "discharge_allowed")
_SHARED: Final = frozenset((*LIMIT, *ALLOWED, "charge_requested"))

ALL_ARRIVES: Final = Proof(-FAR_US, -FAR_US, FAR_US)
"""Of an inverter that is never heard nothing else can be known: what left, arrived."""

ANY: Final = 2
"""The line of a transmission that stands for all its frames."""

MICRO: Final = 1_000_000


class Part(NamedTuple):
    """What one inverter would be told now, A; `None` where it does not go that way."""

    inverter: str
    charge_a: float | None
    discharge_a: float | None


class _Stood(NamedTuple):
    """What those who hear a message may act on, the share it is, and whether one is out of reach."""

    told: Told
    share: Fraction
    astray: bool


class _Group:
    """Receivers that are told the same by the same frames.

    Attributes:
        members: their numbers.
        allowed: whether charging, and discharging, is allowed by their own part.
        before, parts, values: what was told last: made from what, the part in µA and its share, each way.
    """

    def __init__(self, members: tuple[int, ...], caps_a: Sequence[float]) -> None:
        self.members = members
        self.allowed = [Allowed(cap_a) for cap_a in caps_a]
        self.before: Values | None = None
        self.parts: tuple[Told, ...] = ()
        self.values: Values = {}


class _Wire:
    """One transmission: who hears it, which limits are on which page, and what became of its frames.

    Attributes:
        group: who hears it.
        carries: the limits on each page, by their direction.
        shared: anything in it differs from one inverter to the next.
        lines: charge limit, discharge limit, and any frame at all.
    """

    def __init__(self, group: _Group, pages: Sequence[Sequence[Item]], lines: Sequence[Line]) -> None:
        self.group = group
        self.lines = lines
        self.carries = [[way for way in WAYS if carries([page], way)] for page in pages]
        self.shared = any(
            isinstance(item, QuantityItem | FlagItem) and item.quantity in _SHARED
            for page in pages
            for item in page
        )

    def carry(self, way: int) -> bool:
        """Whether the limit of that direction is in it."""
        return any(way in ways for ways in self.carries)


class Allotment:
    """The parts of all inverters, over time. Mutable; owned by one engine.

    Args:
        plan: the compiled profile.
        start_us: engine time of the start.
        pack: the table of readings.

    Attributes:
        warnings: who cannot be reached, and costs the others something; a sentence each.
    """

    def __init__(self, plan: Plan, start_us: int, pack: PackState) -> None:
        self._whole, self._fixed = shares_of(plan.inverters)
        self._inverters = plan.inverters
        self._tick_us = plan.tick_us
        self._start_us = start_us
        self._pack = pack
        self._heard = pack.seen_us
        self._age_us = [
            0 if one.heartbeat is None else plan.slots[one.heartbeat].max_age_us for one in plan.inverters
        ]
        caps_a = plan.limits.charge_a, plan.limits.discharge_a
        self._rises = plan.limits.charge_rise_a_per_s, plan.limits.discharge_rise_a_per_s
        self._needs = Needs(self._whole, self._fixed, caps_a, start_us) if plan.by_need else None
        self._wires = _wires(plan, start_us, self._whole, self._fixed)
        self._numbers = {(one.bus, one.layout.key): n for n, one in enumerate(plan.transmissions)}
        everyone = range(len(plan.inverters))
        heard_by = [[wire for wire in self._wires if n in wire.group.members] for n in everyone]
        self._lines = [
            [[wire.lines[way] for wire in heard_by[n] if wire.carry(way)] for n in everyone] for way in WAYS
        ]
        self._any = [[wire.lines[ANY] for wire in heard_by[n]] for n in everyone]
        self._away = [False for _ in everyone]
        self._gaps = [ALL_ARRIVES for _ in everyone]
        self._last = [[(start_us, 0) for _ in everyone] for _ in WAYS]
        self.warnings: tuple[str, ...] = ()

    # ── what is told ────────────────────────────────────────────────────────────────────────────────

    def values(self, number: int, t_us: int, values: Values) -> Values:
        """The quantities for the transmission of that number, made from those of the pack."""
        wire = self._wires[number]
        if not wire.shared:
            return values
        group = wire.group
        parts = tuple([self._told(way, group, t_us, _micro(values[LIMIT[way]])) for way in WAYS])
        if group.before is not values or group.parts != parts:
            group.before, group.parts = values, parts
            group.values = self._mapping(group, values)
        return group.values

    def made(self, number: int, page: int, t_us: int, *, failed: bool = False) -> None:
        """The frame of that page was made from what `values` gave last, or (`failed`) could not be made."""
        wire = self._wires[number]
        wire.lines[ANY].tell(t_us, 0, 0, failed=failed)
        for way in wire.carries[page]:
            told = NOTHING if failed else wire.group.parts[way]
            wire.lines[way].tell(t_us, *told, failed=failed)
            if not failed:
                for member in wire.group.members:
                    self._last[way][member] = t_us, told.amps_ua
        self._tidy(wire, t_us)

    def unsent(self, t_us: int, frame: Frame) -> None:
        """A frame, whose deadline was `t_us`, did not leave."""
        number = self._numbers.get((frame.bus, frame.key))
        if number is not None:
            for line in self._wires[number].lines:
                line.unsent(t_us)

    def look(self, t_us: int, values: Values) -> tuple[Part, ...]:
        """One tick: moves shares to where they are used, and says what each inverter would be told now."""
        for n in range(len(self._inverters)):
            self._look_for(n, t_us)
        if self._needs is not None:
            self._needs.look(t_us, [self._reported_a(n, t_us) for n in range(len(self._inverters))])
        limits = [_micro(values[LIMIT[way]]) for way in WAYS]
        warned = []
        for way in WAYS:
            for n, one in enumerate(self._inverters):
                share_ua = limits[way] * self._fixed[way][n] // self._whole
                if share_ua and self._astray(way, n, t_us) and self._stands(way, n, t_us).amps_ua > share_ua:
                    warned.append(
                        f"inverter {one.name} cannot be reached: until its own time-out it may go on with "
                        "what it was told before, and the others are told less"
                    )
        self.warnings = tuple(dict.fromkeys(warned))
        parts = [
            [self._part(way, n, t_us, limits[way]).amps_ua / MICRO for n in range(len(self._inverters))]
            for way in WAYS
        ]
        return tuple(
            Part(one.name, charge_a if one.charges else None, draw_a if one.discharges else None)
            for one, charge_a, draw_a in zip(self._inverters, *parts, strict=True)
        )

    def _reported_a(self, n: int, t_us: int) -> float | None:
        slot = self._inverters[n].slots.get("inverter_current")
        return None if slot is None else self._pack.fresh(slot, t_us)

    def _mapping(self, group: _Group, values: Values) -> Values:
        charge, draw = (told.amps_ua / MICRO for told in group.parts)
        may_charge, may_draw = (
            allowed.update(part_a) and bool(values[name])
            for allowed, part_a, name in zip(group.allowed, (charge, draw), ALLOWED, strict=True)
        )
        return MappingProxyType(
            {
                **values,
                LIMIT[0]: charge,
                LIMIT[1]: draw,
                ALLOWED[0]: float(may_charge),
                ALLOWED[1]: float(may_draw),
                "charge_requested": float(bool(values["charge_requested"]) and may_charge),
            }
        )

    # ── one engine after another ────────────────────────────────────────────────────────────────────

    def take_over(self, t_us: int, plan: Plan, before: "Allotment | None", values: Values) -> None:
        """Goes on where another plan's engine stood: what its messages told is known.

        Args:
            t_us: now.
            plan: of the engine before.
            before: its allotment; `None`: it told all of the limits.
            values: the quantities as it told them.
        """
        rows = {(one.bus, one.layout.key): n for n, one in enumerate(plan.transmissions)}
        for place, n in self._numbers.items():
            wire, m = self._wires[n], rows.get(place)
            for way in WAYS:
                stood = _Stood(NOTHING, Fraction(0), astray=False)  # a new message has told nothing
                if m is not None and before is not None:
                    stood = before._stood(way, m, t_us)
                elif m is not None and carries(plan.transmissions[m].pages, way):
                    stood = _Stood(Told(_micro(values[LIMIT[way]]), 0), Fraction(1), astray=False)
                self._go_on(wire, way, t_us, stood)
            wire.lines[ANY].left_us = t_us

    def go_on(self, t_us: int, limits_a: tuple[float, float]) -> None:
        """Begins as after a pause, with the shares of what was sent last; by need they are not known."""
        if self._needs is None:
            for wire in self._wires:
                for way in WAYS:
                    shares = [self._fixed[way][n] for n in wire.group.members if self._fixed[way][n]]
                    share = min(shares, default=0)
                    told = Told(_micro(limits_a[way]) * share // self._whole, share)
                    self._go_on(wire, way, t_us, _Stood(told, Fraction(0), astray=False))

    def _go_on(self, wire: _Wire, way: int, t_us: int, stood: _Stood) -> None:
        """Whoever had no more than its share goes on with it, as if it had been told so here."""
        shares = [self._fixed[way][n] for n in wire.group.members if self._fixed[way][n]]
        settled = not stood.astray and stood.share * self._whole <= min(shares, default=0)
        line = wire.lines[way]
        since_us = 1 - FAR_US if settled else -FAR_US
        line.stands = [Stand(since_us, stood.told.amps_ua, max(shares, default=0))]
        line.missed_us = -FAR_US if settled else t_us - 1
        if wire.carry(way):
            for n in wire.group.members:
                self._last[way][n] = t_us, stood.told.amps_ua

    def _stood(self, way: int, number: int, t_us: int) -> _Stood:
        """What those who hear a transmission may act on, which share that is, and whether one is astray."""
        wire = self._wires[number]
        members = [n for n in wire.group.members if self._fixed[way][n]] if wire.carry(way) else []
        told = [self._stands(way, n, t_us) for n in members]
        most = Told(
            max((one.amps_ua for one in told), default=0), max((one.share for one in told), default=0)
        )
        astray = any(self._astray(way, n, t_us) for n in members)
        return _Stood(most, Fraction(most.share, self._whole), astray=astray)

    # ── parts ───────────────────────────────────────────────────────────────────────────────────────

    def _told(self, way: int, group: _Group, t_us: int, limit_ua: int) -> Told:
        """What the members of a group are told: the smallest part of those that act on it."""
        return min(
            (self._part(way, n, t_us, limit_ua) for n in group.members if self._fixed[way][n]),
            default=NOTHING,
        )

    def _part(self, way: int, n: int, t_us: int, limit_ua: int) -> Told:
        """The part of one inverter, µA, and the share it is."""
        whole, fixed = self._whole, self._fixed[way]
        others = [k for k, share in enumerate(fixed) if share and k != n]
        shares = fixed
        if self._needs is not None:
            shares = tuple(self._stands(way, k, t_us).share for k in range(len(fixed)))
            room = whole - sum(shares[k] for k in others)
            share = max(0, min(self._needs.shares[way][n], room))
        else:
            share = fixed[n]
        part_ua = limit_ua * share // whole
        astray = [k for k in others if self._astray(way, k, t_us)]
        if astray and part_ua:
            held_ua = sum(
                max(self._stands(way, k, t_us).amps_ua, -(-limit_ua * shares[k] // whole)) for k in astray
            )
            ours = share + sum(shares[k] for k in others if k not in astray)
            part_ua = min(part_ua, max(0, limit_ua - held_ua) * share // ours)
        then_us, then_ua = self._last[way][n]
        rise_ua = int(self._rises[way] * (t_us - then_us + self._tick_us))
        return Told(min(part_ua, then_ua + rise_ua), share)

    # ── what may still be acted upon ────────────────────────────────────────────────────────────────

    def _look_for(self, n: int, t_us: int) -> None:
        """Takes note of who is away, and who is back."""
        heartbeat = self._inverters[n].heartbeat
        if heartbeat is None:
            return
        if self._silent(n, t_us):
            if not self._away[n]:
                proof, away_us = self._proof(n), self._heard(heartbeat) - self._tick_us
                if not all(line.reached(proof) for lines in self._lines for line in lines[n]):
                    away_us = min(away_us, proof.away_us)  # what it missed the last time, it may still lack
                self._away[n] = True
                self._gaps[n] = Proof(away_us, FAR_US, 0)
        elif self._away[n]:
            self._away[n] = False
            self._gaps[n] = self._gaps[n]._replace(back_us=self._heard(heartbeat))
            for way in WAYS:
                for line in self._lines[way][n]:
                    line.interrupt(self._heard(heartbeat))

    def _silent(self, n: int, t_us: int) -> bool:
        heartbeat = self._inverters[n].heartbeat
        if heartbeat is None:
            return False
        return t_us - max(self._heard(heartbeat), self._start_us) > self._age_us[n]

    def _proof(self, n: int) -> Proof:
        """What has reached the inverter."""
        heartbeat = self._inverters[n].heartbeat
        if heartbeat is None:
            return ALL_ARRIVES
        return self._gaps[n]._replace(until_us=self._heard(heartbeat) - self._tick_us)

    def _astray(self, way: int, n: int, t_us: int) -> bool:
        """Whether an inverter is not heard, or has not got what was sent to it last."""
        if self._away[n] or self._silent(n, t_us):
            return True
        proof = self._proof(n)
        for line in self._lines[way][n]:
            line.land(t_us)
            if not line.reached(proof):
                return True
        return False

    def _stands(self, way: int, n: int, t_us: int) -> Told:
        """The largest an inverter may act on, of current and of share."""
        proof, timeout_us = self._proof(n), self._inverters[n].timeout_us
        amps_ua = share = 0
        for line in self._any[n]:
            line.land(t_us)
        latest_us = max((line.latest_us(timeout_us) for line in self._any[n]), default=self._start_us)
        for line in self._lines[way][n]:
            line.land(t_us)
            told = line.standing(proof, t_us, timeout_us, latest_us)
            amps_ua, share = max(amps_ua, told.amps_ua), max(share, told.share)
        return Told(amps_ua, share)

    def _tidy(self, wire: _Wire, t_us: int) -> None:
        members = wire.group.members
        proofs = [self._proof(n) for n in members]
        timeout_us = max(self._inverters[n].timeout_us for n in members)
        for line in wire.lines:
            line.land(t_us)
            line.trim(proofs, t_us, timeout_us)


def _wires(plan: Plan, start_us: int, whole: int, fixed: Sequence[Sequence[int]]) -> list[_Wire]:
    caps_a = plan.limits.charge_a, plan.limits.discharge_a
    groups: dict[tuple[int, ...], _Group] = {}
    wires = []
    for one in plan.transmissions:
        members = tuple(n for n, who in enumerate(plan.inverters) if one.inverter in (None, who.name))
        shares = [max(fixed[way][n] for n in members) for way in WAYS]
        if members not in groups:
            own_a = [cap_a * share / whole for cap_a, share in zip(caps_a, shares, strict=True)]
            groups[members] = _Group(members, own_a)
        unknown = [Told(round(cap_a * MICRO), share) for cap_a, share in zip(caps_a, shares, strict=True)]
        lines = [Line(start_us, plan.tick_us, told) for told in (*unknown, NOTHING)]
        wires.append(_Wire(groups[members], one.pages, lines))
    return wires


def carries(pages: Sequence[Sequence[Item]], way: int) -> bool:
    """Whether the limit of that direction is on one of the pages."""
    return any(
        isinstance(item, QuantityItem) and item.quantity == LIMIT[way] for page in pages for item in page
    )


def _micro(amps: float | None) -> int:
    """A limit on its grid of 1e-6, as a whole number."""
    return int((amps or 0.0) * MICRO + 0.001)
