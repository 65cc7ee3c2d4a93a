"""Absolute deadlines."""

from hypothesis import given
from hypothesis import strategies as st

from bridge.core.wire.schedule import NEVER_US, Schedule
from tests.core.plans import bounds

rows = st.lists(st.tuples(st.integers(1, 50), st.integers(0, 49)), min_size=1, max_size=5)


def schedule(start_us: int, *periods_and_phases: tuple[int, int]) -> Schedule:
    """A schedule of messages with these periods and phases."""
    return Schedule([bounds(period, phase) for period, phase in periods_and_phases], start_us)


@given(st.integers(0, 10**15), rows, st.integers(1, 60))
def test_every_deadline_is_start_and_phase_and_whole_periods(
    start_us: int, messages: list[tuple[int, int]], count: int
) -> None:
    """In order of time, then of the plan; none is left out, none comes twice."""
    table = schedule(start_us, *messages)
    got = []
    for _ in range(count):
        now_us = table.next_us
        got += [(now_us, i) for i in table.pop()]

    expected = sorted(
        (start_us + phase + k * period, i) for i, (period, phase) in enumerate(messages) for k in range(count)
    )
    assert got == expected[: len(got)]


def test_nothing_to_send_is_never_due() -> None:
    """An empty plan has no deadline."""
    table = schedule(0)
    assert table.next_us == NEVER_US
    assert table.skip_to(10) == []


@given(rows, st.integers(0, 500))
def test_missed_slots_are_skipped_without_shifting_later_ones(
    messages: list[tuple[int, int]], t_us: int
) -> None:
    """Each message that missed any slot is named once; the next deadlines are the first after the gap."""
    table = schedule(0, *messages)

    missed = table.skip_to(t_us)

    assert missed == [i for i, (_, phase) in enumerate(messages) if phase <= t_us]
    after = [next(d for k in range(600) if (d := phase + k * period) > t_us) for period, phase in messages]
    assert table.next_us == min(after)
