"""Participation. What the law makes of it is checked in tests/outside."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.cells import headroom


def test_participation_counts_cells_by_their_height_above_the_knee() -> None:
    """The highest as 1, one half way up as a half, one below the knee not at all; never less than 1."""
    assert headroom.participation([3.5, 3.45, 3.3], 3.5, 3.4) == pytest.approx(1.5)
    assert headroom.participation([3.3], 3.5, 3.4) == 1.0
    assert headroom.participation([3.42], 3.5, 3.4) == 1.0
    assert headroom.participation([3.5, 3.48, 3.38], 3.5, 3.4) == pytest.approx(1.8)
    assert headroom.participation([3.58, 3.5], 3.5, 3.4) == 2.0


@given(st.lists(st.floats(2.5, 3.65), min_size=1, max_size=20))
def test_no_more_take_part_than_there_are(cells_v: list[float]) -> None:
    """And a cell at the extreme always does."""
    taking = headroom.participation([3.66, *cells_v], 3.66, 3.4)
    assert 1.0 <= taking <= len(cells_v) + 1
