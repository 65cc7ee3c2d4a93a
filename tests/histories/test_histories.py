"""Whole histories: the true cells stay within their bounds, and what is worse never loosens a limit.

Hypothesis draws the pack, its charger, the errors and ages of what is told, the sun and the loads. The
examples are the same in every run; AMPWEIR_HISTORIES asks for so many times as many.
"""

import os
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import pytest
from hypothesis import HealthCheck, Phase, given, settings, target
from hypothesis import strategies as st

from bridge.core.charging.charge_current import WORTH
from bridge.core.charging.charge_law import ChargeLaw, ChargeLimits, ChargeSettings
from bridge.core.draw.draw_law import DrawLaw, DrawLimits, DrawSettings
from bridge.core.pack.state import Reading
from tests.histories.strings import (
    AH,
    CELLS,
    FLOOR_V,
    MOST_A,
    OHM,
    TARGET_V,
    Drawn,
    Second,
    Story,
    reading,
)

EXAMPLES = int(os.environ.get("AMPWEIR_HISTORIES", "1"))


def examples(count: int) -> settings:
    """So many, always the same; a failure is told as it was found, for shrinking it takes minutes."""
    phases = (Phase.generate, Phase.target)
    return settings(
        max_examples=count * EXAMPLES,
        derandomize=True,
        deadline=None,
        database=None,
        phases=phases,
        suppress_health_check=[HealthCheck.too_slow],
    )


@dataclass(frozen=True)
class Spell:
    """Some time of the same sun and load.

    Attributes:
        gap_s: at its beginning nothing is told for so long.
        error: of the cell sensors, within 2 mV.
    """

    seconds: int
    sun_a: float
    load_a: float
    gap_s: int = 0
    error: str = "own"

    def lives(self, story: Story, scatter: int) -> None:
        """Lets a pack live through it."""
        draw = random.Random(scatter)
        own = tuple(draw.uniform(-0.002, 0.002) for _ in range(CELLS))
        for n in range(self.seconds):
            errors = {"own": own, "low": _LOW, "high": _HIGH, "turns": (_LOW, _HIGH)[n % 2]}[self.error]
            story.second(Second(self.sun_a, self.load_a, errors, told=n >= self.gap_s))


_LOW, _HIGH = (-0.002,) * CELLS, (0.002,) * CELLS


def _pack(start: float, scatter: int, spread: float, ohm: float, contact: float, **others: float) -> Drawn:
    draw = random.Random(scatter)
    charges = tuple(start + draw.uniform(-spread, spread) for _ in range(CELLS))
    ohms = [OHM * ohm * draw.uniform(0.85, 1.15) for _ in range(CELLS)]
    ohms[draw.randrange(CELLS)] *= contact
    return Drawn(charges, tuple(ohms), **others)  # type: ignore[arg-type]


def packs(*starts: float) -> st.SearchStrategy[Drawn]:
    """Packs at a charge; resistances of 0.5 to 1 times the expected, one up to four times as bad."""
    return st.builds(
        _pack,
        st.sampled_from(starts),
        st.integers(0, 2**16),
        st.sampled_from([0.003, 0.015]),
        st.floats(0.5, 1.0),
        st.one_of(st.just(1.0), st.floats(1.0, 4.0)),
        slow=st.floats(0.6, 1.6),
        tau_s=st.floats(20.0, 200.0),
        lag_s=st.floats(0.5, 3.0),
        reads_v=st.floats(-0.2, 0.2),
        cable_ohm=st.floats(0.001, 0.003),
        age_pieces=st.integers(0, 2),
        zero_a=st.floats(-1.0, 1.0),
        gain=st.floats(0.99, 1.01),
    )


def spells(sun: Sequence[float], load: Sequence[float], most_gap_s: int) -> st.SearchStrategy[list[Spell]]:
    """Sun and load from a list, or anything up to its last."""
    one = st.builds(
        Spell,
        st.sampled_from([2, 5, 15, 40, 120]),
        st.one_of(st.sampled_from(sun), st.floats(0.0, sun[-1])),
        st.one_of(st.sampled_from(load), st.floats(0.0, load[-1])),
        st.integers(0, most_gap_s),
        st.sampled_from(["own", "low", "high", "turns"]),
    )
    return st.lists(one, min_size=8, max_size=24)


def lived(drawn: Drawn, history: list[Spell]) -> Story:
    """A pack after its history."""
    story = Story(drawn)
    for n, spell in enumerate(history):
        spell.lives(story, n if spell.error == "turns" else 0)
    return story


CHARGING = [MOST_A, MOST_A, 40.0, 2.0 * MOST_A], [0.0, 0.0, 0.0, MOST_A]
DRAWING = [0.0, 0.0, 0.0, 0.0, 0.0, 100.0], [MOST_A, MOST_A, 40.0, 0.0, 200.0]


@pytest.mark.parametrize(
    ("most_gap_s", "ignored", "over_v"),
    [(2, "", 0.002), (8, "", 0.003), (2, "obeys_a", 0.005), (2, "obeys_v", 0.002)],
    ids=["obeyed", "long gaps", "current ignored", "voltage ignored"],
)
def test_no_true_cell_passes_its_target(most_gap_s: int, ignored: str, over_v: float) -> None:
    """Up to 1 mV: sensors that turn within their error; 3 mV where that meets a current limit passed by.

    With longer gaps also what a cell rises while late limits are held for 3 s: 3 mV.
    """

    @examples(8)
    @given(packs(0.935, 0.95, 0.97), spells(*CHARGING, most_gap_s))
    def holds(drawn: Drawn, history: list[Spell]) -> None:
        story = lived(drawn.but(**{ignored: False}) if ignored else drawn, history)
        target(story.high_v)
        assert story.high_v <= TARGET_V + over_v

    holds()


@pytest.mark.parametrize("every_s", [4, 10])
@pytest.mark.parametrize(
    ("starts", "world", "past_v"), [((0.935, 0.95), CHARGING, 0.005), ((0.04, 0.05), DRAWING, 0.005)]
)
def test_cells_told_seldom_beside_a_current_told_every_second_are_held_to_their_bounds(
    every_s: int, starts: tuple[float, ...], world: tuple[list[float], list[float]], past_v: float
) -> None:
    """The laws know how old they are: as within the same time without any current told."""

    @examples(3)
    @given(packs(*starts), spells(*world, 0), st.integers(0, 9))
    def holds(drawn: Drawn, history: list[Spell], first: int) -> None:
        story = Story(drawn, most_age_s=every_s + 2.0)
        draw, n = random.Random(first), first
        own = tuple(draw.uniform(-0.002, 0.002) for _ in range(CELLS))
        for spell in history:
            for _ in range(spell.seconds):
                story.second(Second(spell.sun_a, spell.load_a, own, cells=n % every_s == 0))
                n += 1
        assert story.high_v <= TARGET_V + past_v
        assert story.low_v >= FLOOR_V - past_v

    holds()


@examples(8)
@given(packs(0.95, 0.97), spells(*CHARGING, 0))
def test_a_load_that_goes_takes_no_cell_further_than_its_current_does(
    drawn: Drawn, history: list[Spell]
) -> None:
    """Its current is the pack's until the charger has answered, and no limit can be there before."""
    story = lived(drawn.but(surge=True), history)
    target(story.high_v)
    assert story.high_v <= TARGET_V + max(drawn.ohms) * MOST_A


@pytest.mark.parametrize(("most_gap_s", "under_v"), [(2, 0.0), (8, 0.001)])
def test_no_true_cell_passes_its_floor(most_gap_s: int, under_v: float) -> None:
    """The same of the lowest cell, under loads that come and go."""

    @examples(10)
    @given(packs(0.03, 0.04, 0.05), spells(*DRAWING, most_gap_s))
    def holds(drawn: Drawn, history: list[Spell]) -> None:
        story = lived(drawn, history)
        target(-story.low_v)
        assert story.low_v >= FLOOR_V - under_v

    holds()


# ── two runs that differ in one thing ───────────────────────────────────────────────────────────────

CHARGE = ChargeSettings(CELLS, AH, TARGET_V, 3.40, CELLS * TARGET_V, MOST_A, rise_a_per_s=2.8)
DRAW = DrawSettings(CELLS, AH, FLOOR_V, 3.05, MOST_A)
ALLOWANCE_A = WORTH * MOST_A
"""What a rise must be worth; so far apart two limits may stand by their pasts alone."""


class Told(NamedTuple):
    """One second of telling: what, and whether anew."""

    reading: Reading
    fresh: bool = True


class Allowed(NamedTuple):
    """What a law allows, A: its limit, or more if it only waits; and what flows, or will by itself."""

    limit_a: float
    ready_a: float
    flows_a: float


def charge_answers(told: Sequence[Told], delay_s: float = 1.0) -> list[Allowed]:
    """What the charge law says to a history."""
    law, found = ChargeLaw(replace(CHARGE, delay_s=delay_s)), list[Allowed]()
    out = ChargeLimits(CHARGE.ceiling_v, 0.0)
    for (now, fresh), seconds in zip(told, range(len(told)), strict=True):
        cells_v, amps = now.cells_v, now.current_a
        assert cells_v is not None
        assert amps is not None
        sent = out.voltage_v, out.current_a
        out = law.step(
            1.0, cells_v, None, amps, fresh=fresh, coldest_c=now.coldest_c, sent_v=sent[0], sent_a=sent[1]
        )
        grows, fades_a = law.cells.slow_part(10.0)
        relaxes_a = max(fades_a - grows * amps, 0.0) if seconds else 0.0
        found.append(Allowed(out.current_a, max(law.wanted_a, out.current_a), amps + relaxes_a))
    return found


def draw_answers(told: Sequence[Told], delay_s: float = 1.0) -> list[Allowed]:
    """What the discharge law says to a history."""
    law, found, out = DrawLaw(replace(DRAW, delay_s=delay_s)), list[Allowed](), DrawLimits(None, 0.0)
    for now, fresh in told:
        cells_v, amps = now.cells_v, now.current_a
        assert cells_v is not None
        assert amps is not None
        out = law.step(1.0, cells_v, None, amps, fresh=fresh, coldest_c=now.coldest_c, sent_a=out.current_a)
        found.append(Allowed(out.current_a, out.current_a, -amps))
    return found


Answers = Callable[[Sequence[Told], float], list[Allowed]]
LAWS = [
    pytest.param(charge_answers, (0.935, 0.95, 0.97), CHARGING, 1, id="charge"),
    pytest.param(draw_answers, (0.03, 0.04, 0.05), DRAWING, -1, id="draw"),
]


def told(drawn: Drawn, history: list[Spell]) -> list[Told]:
    """What was told second by second, of a pack that lived under the limits."""
    story, found = Story(drawn), list[Told]()
    for spell in history:
        for _ in range(spell.seconds):
            Spell(1, spell.sun_a, spell.load_a).lives(story, 0)
            found.append(Told(story.reading))
    return found


def with_cell(rows: list[Told], cell: int, more_v: Callable[[float], float]) -> list[Told]:
    """The same, one cell shown higher by what comes with the current."""
    found = list[Told]()
    for row in rows:
        cells_v, amps = list(row.reading.cells_v or ()), row.reading.current_a or 0.0
        cells_v[cell] = round(cells_v[cell] + more_v(amps), 3)
        found.append(Told(reading(cells_v, amps, row.reading.coldest_c or 0.0)))
    return found


def first(rows: list[Told], sign: int) -> int:
    """The cell that comes nearest to its bound."""
    near = [max(sign * (row.reading.cells_v or [])[n] for row in rows) for n in range(CELLS)]
    return near.index(max(near))


def no_looser(worse: list[Allowed], better: list[Allowed], *, older_s: int = 0, flows: bool = False) -> float:
    """By how much the worse run's limit is above anything that excuses it, A.

    Args:
        worse, better: both runs.
        older_s: what was allowed so long ago excuses, too: the readings are of then.
        flows: what flows excuses, too.
    """
    most_a = -1e9
    for n, now in enumerate(worse):
        past = better[max(n - older_s, 0) : n + 1]
        excused_a = max(one.ready_a for one in past)
        if flows:
            excused_a = max(excused_a, *(one.flows_a for one in past))
        most_a = max(most_a, now.limit_a - excused_a)
    return most_a


@pytest.mark.parametrize(("answers", "starts", "world", "sign"), LAWS)
@pytest.mark.parametrize("what", ["cell", "ohm", "cold", "older", "dropped"])
def test_what_is_worse_all_along_never_loosens_a_current_limit(
    answers: Answers, starts: tuple[float, ...], world: tuple[list[float], list[float]], sign: int, what: str
) -> None:
    """One cell nearer to its bound, or with more resistance; cold; readings known to be older, or left out.

    A larger resistance, and cold, draw a limit towards what flows, from wherever it stands. Readings are left
    out of packs without a bad contact: it would be found the later.
    """

    @examples(3)
    @given(packs(*starts), spells(*world, 0), st.floats(0.0, 1.0))
    def holds(drawn: Drawn, history: list[Spell], size: float) -> None:
        if what == "dropped":
            drawn = drawn.but(ohms=tuple(min(ohm, 1.15 * OHM) for ohm in drawn.ohms))
        rows = told(drawn, history)
        better = answers(rows, 1.0)
        worst = first(rows, sign)
        if what == "cell":
            worse = answers(with_cell(rows, worst, lambda _: sign * 0.05 * size), 1.0)
            over_a = no_looser(worse, better)
        elif what == "ohm":
            more_ohm = 3.0 * size * drawn.ohms[worst]
            worse = answers(with_cell(rows, worst, lambda amps: more_ohm * amps), 1.0)
            over_a = no_looser(worse, better, flows=True)
        elif what == "cold":
            # What resistance was learnt at 25 °C counts for more when it gets cold.
            cold = [
                Told(row.reading._replace(coldest_c=25.0 - 25.0 * size)) for row in rows[len(rows) // 2 :]
            ]
            over_a = no_looser(answers([*rows[: len(rows) // 2], *cold], 1.0), better, flows=True)
        elif what == "older":
            over_a = no_looser(answers(rows, 1.0 + 10.0 * size), better)
        else:
            every = 2 + round(6.0 * size)
            left = [Told(rows[n - n % every].reading, n % every == 0) for n in range(len(rows))]
            over_a = no_looser(answers(left, 1.0), better, older_s=every)
        target(over_a)
        assert over_a <= ALLOWANCE_A

    holds()
