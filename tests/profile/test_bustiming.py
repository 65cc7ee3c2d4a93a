"""Frame lengths, bus load and response times: behaviour that follows from the definitions alone."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.frames import EXTENDED, Frame
from bridge.profile.bustiming import (
    BusMessage,
    Load,
    arbitration_rank,
    bus_load,
    bus_off_recovery_s,
    exact_bits,
    response_times,
    shortest_bits,
    worst_case_bits,
    worst_response,
)

HORIZON = 20_000

keys = st.one_of(st.integers(0, 0x7FF), st.integers(EXTENDED, EXTENDED | 0x1FFF_FFFF))
loads = st.builds(Load, st.integers(1, 20), st.integers(20, 200), st.integers(0, 19))


def message(name: str, key: int, period_s: float = 0.1, jitter_s: float = 0.0, length: int = 8) -> BusMessage:
    """A message whose deadline is its period."""
    return BusMessage(name, key, length, period_s, jitter_s, period_s)


@given(keys, st.binary(max_size=8))
def test_real_frame_lies_between_the_bounds(key: int, data: bytes) -> None:
    """No frame is shorter than the shortest or longer than the worst case of its kind."""
    extended = key >= EXTENDED
    bits = exact_bits(Frame("shed", key, data))
    assert shortest_bits(len(data), extended) <= bits <= worst_case_bits(len(data), extended)


@pytest.mark.parametrize("length", [-1, 9])
def test_length_no_classic_frame_has_is_refused(length: int) -> None:
    """A length outside 0 to 8 is an error that names it."""
    with pytest.raises(ValueError, match=f"frame length {length}; allowed: 0 to 8"):
        worst_case_bits(length, extended=False)
    with pytest.raises(ValueError, match=f"frame length {length}; allowed: 0 to 8"):
        shortest_bits(length, extended=True)


def _wire_head(key: int) -> str:
    """Identifier, RTR, SRR and IDE as sent, the dominant bit being 0."""
    if key >= EXTENDED:
        base, low = divmod(key - EXTENDED, 1 << 18)
        return f"{base:011b}11{low:018b}0"
    return f"{key:011b}00"


@given(keys, keys)
def test_rank_orders_frames_as_the_wire_does(one: int, other: int) -> None:
    """The smaller rank belongs to the frame that sends the first dominant bit where the two differ."""
    assert (arbitration_rank(one) < arbitration_rank(other)) == (_wire_head(one) < _wire_head(other))


@given(st.integers(0, 0x7FF), st.integers(0, 0x3_FFFF))
def test_short_identifier_beats_the_long_one_that_begins_with_it(base: int, low: int) -> None:
    """An 11-bit identifier wins against every 29-bit one with the same first 11 bits."""
    assert arbitration_rank(base) < arbitration_rank(EXTENDED | base << 18 | low)


def test_load_is_the_sum_of_worst_case_frames_over_their_periods() -> None:
    """Ten 135-bit frames and five 160-bit frames a second fill 2150 of 125000 bits."""
    pair = [message("shelf", 0x1A3, 0.1), message("stove", EXTENDED | 0x0B51_77E2, 0.2)]
    assert bus_load(pair, 125_000) == 2150 / 125_000
    assert bus_load([], 125_000) == 0.0


def test_period_in_decimal_text_is_exact() -> None:
    """0.29 s at 100 bit/s is 29 bit times, although the binary product falls just short of it."""
    assert int(0.29 * 100) == 28
    assert bus_load([message("shelf", 0x1A3, 0.29, length=0)], 100) == 55 / 29


def test_period_below_one_bit_has_no_finite_load() -> None:
    """A message due more often than bits pass loads the bus without end, and has no response time."""
    hasty = message("hasty", 0x1A3, 1e-6)
    assert bus_load([hasty], 125_000) == float("inf")
    assert response_times([hasty], 125_000) == [(hasty, None)]


def test_lone_message_waits_for_one_longest_foreign_frame() -> None:
    """Even the only message on the list may find a frame of another node, 160 bits, just begun."""
    lone = message("lone", 0x1A3)
    assert response_times([lone], 500_000) == [(lone, (160 + 135) / 500_000)]


def test_jitter_adds_to_the_response() -> None:
    """The response counts from the moment the message is due, so waiting to be queued counts too."""
    lone = message("lone", 0x1A3, jitter_s=0.002)
    assert response_times([lone], 500_000) == [(lone, (1000 + 160 + 135) / 500_000)]


def test_jitter_shorter_than_a_bit_counts_as_a_bit() -> None:
    """Jitter rounds up to whole bit times, the safe side."""
    lone = message("lone", 0x1A3, jitter_s=0.0000001)
    assert response_times([lone], 500_000) == [(lone, (1 + 160 + 135) / 500_000)]


def test_jitter_above_can_bring_a_second_frame_in_front() -> None:
    """A message queued late, followed by one queued in time, delays those below it twice."""
    own = Load(10, 1000)
    assert worst_response(own, [Load(10, 100)], 10, horizon=HORIZON) == 30
    assert worst_response(own, [Load(10, 100, jitter=95)], 10, horizon=HORIZON) == 40


def test_bus_used_to_the_last_bit_counts_as_full() -> None:
    """At a load of exactly 1 there is no bound, even where the sum would happen to come out."""
    assert worst_response(Load(1, 2), [Load(1, 2)], 0, horizon=HORIZON) is None


def test_answers_come_in_the_order_asked_and_follow_the_identifier() -> None:
    """The less urgent message waits for the more urgent one, wherever it stands in the list."""
    late, soon = message("late", EXTENDED | 0x0B51_77E2), message("soon", 0x1A3)
    answers = response_times([late, soon], 500_000)
    assert answers == [(late, (160 + 135 + 160) / 500_000), (soon, (160 + 135) / 500_000)]


def test_two_messages_of_one_identifier_wait_for_each_other() -> None:
    """With equal identifiers neither is sure to go first, so both reckon with the other."""
    twins = [message("one", 0x1A3), message("two", 0x1A3)]
    assert [answer for _, answer in response_times(twins, 500_000)] == [430 / 500_000] * 2


def test_only_messages_behind_a_full_bus_have_no_bound() -> None:
    """A message that loses against a full bus may wait for ever; the ones that fill it do not hang."""
    greedy, meek = message("greedy", 0x0A3, 0.000272), message("meek", 0x7A3, 0.01)
    answers = dict(response_times([greedy, meek], 500_000))
    assert answers[greedy] is not None
    assert answers[meek] is None


def test_nearly_full_bus_ends_at_the_horizon() -> None:
    """A busy period that would end only after the horizon counts as endless instead of being computed."""
    crowd = [Load(135, 135 * 8 + (i == 0)) for i in range(8)]
    assert worst_response(crowd[-1], crowd[:-1], 160, horizon=100_000) is None
    assert worst_response(crowd[-1], crowd[:-1], 160, horizon=10**9) is not None


def test_horizon_holds_for_a_single_instance_too() -> None:
    """A wait that outlasts the horizon, here by a bit longer than any frame, has no bound either."""
    own, above = Load(1, 100), [Load(1, 5)]
    assert worst_response(own, above, 1, horizon=3, bit=8) is None
    assert worst_response(own, above, 1, horizon=4, bit=8) == 5


@pytest.mark.parametrize(
    ("period_s", "jitter_s", "found"),
    [(0.0, 0.0, "period 0.0 s"), (float("nan"), 0.0, "period nan s"), (0.1, -1.0, "jitter -1.0 s")],
)
def test_impossible_message_is_refused(period_s: float, jitter_s: float, found: str) -> None:
    """A period or a jitter that cannot be is an error that names the message and the number."""
    odd = message("odd", 0x1A3, period_s, jitter_s)
    with pytest.raises(ValueError, match=f"odd: {found}"):
        bus_load([odd], 500_000)
    with pytest.raises(ValueError, match=f"odd: {found}"):
        response_times([odd], 500_000)


def test_bit_rate_of_nothing_is_refused() -> None:
    """A bit rate of 0 is an error, not a division by zero."""
    with pytest.raises(ValueError, match="bit rate 0; allowed: above 0"):
        bus_off_recovery_s(0)
    with pytest.raises(ValueError, match="bit rate 0; allowed: above 0"):
        bus_load([message("shelf", 0x1A3)], 0)


def _simulated_worst(
    messages: list[Load], offsets: list[int], delays: list[int], blocking: int, end: int
) -> list[int]:
    """Longest responses seen on a simulated bus: the first queued message in the list goes next.

    A foreign frame of `blocking` occupies the bus from just before time 0. Each message is queued up to
    its jitter late; its response counts from the moment it was due.
    """
    worst = [0] * len(messages)
    turns = [0] * len(messages)

    def due(i: int) -> int:
        return offsets[i] + turns[i] * messages[i].period

    def queued(i: int) -> int:
        return due(i) + min(messages[i].jitter, delays[(i + turns[i]) % len(delays)])

    now = blocking - 1
    while now < end:
        ready = [i for i in range(len(messages)) if queued(i) <= now]
        if not ready:
            now = min(map(queued, range(len(messages))))
            continue
        now += messages[ready[0]].transmit
        worst[ready[0]] = max(worst[ready[0]], now - due(ready[0]))
        turns[ready[0]] += 1
    return worst


@given(
    st.lists(st.tuples(loads, st.integers(0, 100)), min_size=1, max_size=5),
    st.lists(st.integers(0, 19), min_size=1, max_size=7),
)
def test_no_simulated_bus_is_slower_than_the_bound(pairs: list[tuple[Load, int]], delays: list[int]) -> None:
    """Whatever the phases and the jitter, a bus played through never exceeds the worst response."""
    messages = [load for load, _ in pairs]
    offsets = [offset for _, offset in pairs]
    seen = _simulated_worst(messages, offsets, delays, blocking=20, end=2000)
    for i, load in enumerate(messages):
        bound = worst_response(load, messages[:i], 20, horizon=HORIZON)
        assert bound is None or seen[i] <= bound


@given(loads, st.lists(loads, max_size=4), st.integers(0, 20))
def test_more_blocking_or_traffic_never_shortens_the_response(
    own: Load, above: list[Load], more: int
) -> None:
    """A longer foreign frame, or one more message above, leaves the bound as it was or raises it."""
    before = worst_response(own, above, 20, horizon=HORIZON)
    longer = worst_response(own, above, 20 + more, horizon=HORIZON)
    fuller = worst_response(own, [*above, Load(3, 150)], 20, horizon=HORIZON)
    if before is None:
        assert longer is None
        assert fuller is None
    else:
        assert longer is None or longer >= before
        assert fuller is None or fuller >= before
