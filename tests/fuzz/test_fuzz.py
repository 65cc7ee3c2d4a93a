"""Some hundred damaged files, of the same kind as the fuzzers of this folder make by the ten thousand."""

from collections.abc import Callable

import pytest

from tests.fuzz import fuzz_profile, fuzz_state
from tests.fuzz.workers import run


@pytest.mark.parametrize("case", [fuzz_profile.case, fuzz_state.case], ids=["profile", "state"])
def test_damaged_files_are_told_and_nothing_worse(case: Callable[[int], str]) -> None:
    """No traceback, nothing slow, nothing large, nothing looser than a fresh start."""
    tally = run(case, range(150))
    assert tally.cases == 150
    assert tally.bad == []
