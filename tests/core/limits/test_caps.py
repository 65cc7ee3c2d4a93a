"""What caps the limits while something is lost: the last word, whoever spoke it and whenever."""

import pytest

from bridge.core.course.remembered import NOTHING, Kept
from bridge.core.failsafe.machine import State
from bridge.core.limits.caps import NO_WORD, Caps
from bridge.core.plan.reasons import Contribution, Limit, Reason

OPEN = (56.0, 100.0, 120.0, 46.0)


def limits(
    *said: tuple[str, float], reason: Reason = Reason.PERMITTED_CURRENT, draws: bool = False
) -> tuple[Limit, ...]:
    """The four limits, with these currents said by these banks besides the configured ones."""
    made = []
    for i, value in enumerate(OPEN):
        row = [Contribution(Reason.CONFIGURED, value, "")]
        if i == (2 if draws else 1):
            row += [Contribution(reason, amps, bank) for bank, amps in said]
        made.append(Limit(row[-1].value, row[-1], tuple(row)))
    return tuple(made)


def capped(caps: Caps, *lost: str) -> float | None:
    """The cap on the charge current with this lost."""
    found = caps.look(lost)
    return None if found is None else found[1]


@pytest.mark.parametrize("state", State)
def test_what_was_said_last_counts(state: State) -> None:
    """In every state; the others' word counts, too, and what nobody bounds stays open."""
    caps = Caps(NOTHING)
    caps.hear(state, limits(("a", 5.0), ("b", 9.0)), ())
    caps.hear(state, limits(("a", 12.0), ("b", 20.0)), ())
    assert caps.look(["x"]) == (56.0, 12.0, 120.0, 46.0)
    assert capped(caps) is None
    assert caps.lost == frozenset()


def test_nothing_heard_yet_caps_nothing_and_loses_no_cap_from_before() -> None:
    """Right after a restart."""
    assert Caps(NOTHING).look(["x"]) is None
    before = (50.0, 0.0, 7.0, 48.0)
    caps = Caps(Kept(lost=frozenset({"x"}), caps=before))
    assert caps.look(["x"]) == before
    assert caps.look(["x", "y"]) == before
    caps.hear(State.STARTING, limits(("a", 5.0), draws=True), ())
    assert caps.look(["x", "y", "z"]) == (50.0, 0.0, 5.0, 48.0)


def test_a_word_of_a_bank_that_fades_still_counts() -> None:
    """What it said last can only get tighter until it is heard again; the others speak for themselves."""
    caps = Caps(NOTHING)
    caps.hear(State.FOLLOWING, limits(("a", 5.0), ("b", 9.0)), ())
    caps.hear(State.HOLDING, limits(("b", 20.0)), ("a",))
    caps.hear(State.SAFE, limits(("a", 30.0), ("b", 25.0)), ("a",))
    assert capped(caps, "x") == 5.0
    caps.look([])
    caps.hear(State.SAFE, limits(("a", 30.0), ("b", 25.0)), ())
    assert capped(caps, "x") == 25.0


def test_a_word_of_the_whole_pack_fades_with_any_bank() -> None:
    """Such as that a cell is balanced."""
    caps = Caps(NOTHING)
    caps.hear(State.STARTING, limits(("", 0.0), reason=Reason.BALANCING), ())
    caps.hear(State.STARTING, limits(), ("b",))
    assert capped(caps, "x") == 0.0
    caps.look([])
    caps.hear(State.STARTING, limits(), ())
    assert capped(caps, "x") == 100.0


@pytest.mark.parametrize("reason", [one for one in Reason if one in NO_WORD])
def test_wishes_and_ramps_are_no_word(reason: Reason) -> None:
    """A wish that ends must not go on as a loss; a limit that was about to rise goes on rising."""
    caps = Caps(NOTHING)
    caps.hear(State.FOLLOWING, limits(("a", 0.0), reason=reason), ())
    assert capped(caps, "x") == 100.0


def test_more_that_is_lost_only_tightens() -> None:
    """Until all is back; what is added counts as lost, too."""
    caps = Caps(NOTHING)
    caps.hear(State.FOLLOWING, limits(("a", 40.0)), ())
    caps.add(["x"])
    assert (caps.lost, caps.values) == (frozenset({"x"}), (56.0, 40.0, 120.0, 46.0))
    caps.hear(State.FOLLOWING, limits(("a", 60.0)), ())
    caps.add(["x"])
    assert capped(caps, "x", "y") == 40.0
    assert capped(caps, "y") == 40.0
    assert capped(caps) is None
    assert capped(caps, "y") == 60.0
