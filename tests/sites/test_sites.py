"""The drawn sites are what they are meant to be: valid, wide, and the same for the same seed."""

from pathlib import Path

import pytest

from bridge.profile.load import load_profile
from tests.sites.draw import draw_site
from tests.sites.trial import try_site

SEEDS = range(1000, 1060)


def test_the_same_seed_draws_the_same_files(tmp_path: Path) -> None:
    """So that a failing site can be looked at again."""
    folders = (tmp_path / "one", tmp_path / "two")
    texts = []
    for folder in folders:
        folder.mkdir()
        draw_site(7, folder)
        texts.append({path.name: path.read_text() for path in sorted(folder.iterdir())})

    assert texts[0] == texts[1]
    assert len(texts[0]) > 1


def test_drawn_sites_load_and_most_pass_check() -> None:
    """What is refused at all is refused by `check`, for a reason."""
    verdicts = [try_site(seed, drill=False) for seed in SEEDS]

    assert [one for one in verdicts if one.outcome == "refused"] == []
    assert sum(one.outcome == "pass" for one in verdicts) > 0.85 * len(verdicts)


def test_drawn_sites_are_wide(tmp_path: Path) -> None:
    """Banks, buses, inverters and ways of saying limits: every kind comes up."""
    seen: set[str] = set()
    for seed in SEEDS:
        folder = tmp_path / str(seed)
        folder.mkdir()
        plan = load_profile(draw_site(seed, folder)).plan
        seen |= {f"{len(plan.banks)} banks", f"{len(plan.inverters)} inverters"}
        seen.add("many cells" if plan.banks[0].cells > 16 else "few cells")
        seen |= {"no current" for bank in plan.banks if "pack_current" not in bank.slots}
        seen |= {"single cells" for bank in plan.banks if bank.cell_slots}
        seen |= {"pages" for one in plan.transmissions if len(one.pages) > 1 and one.carries_limits}
        seen |= {"checksum" for one in plan.sources if one.checksum is not None}
        seen |= {"counter" for one in plan.sources if one.counter is not None}
        seen |= {"heard" for one in plan.inverters if one.heartbeat is not None}
        seen |= {"stages"} if plan.stages is not None else set()
        seen |= {"commissioning"} if plan.commissioning is not None else set()

    for kind in (
        *("1 banks", "2 banks", "3 banks", "4 banks", "1 inverters", "2 inverters", "3 inverters"),
        *("many cells", "few cells", "no current", "single cells", "pages", "checksum", "counter", "heard"),
        *("stages", "commissioning"),
    ):
        assert kind in seen


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(501, 506))
def test_no_fault_fails_on_a_drawn_site(seed: int) -> None:
    """A handful of sites, and a drawn tenth of their faults; hundreds by hand (`python -m tests.sites`)."""
    verdict = try_site(seed, share=0.1)

    assert verdict.outcome != "broken", verdict.why
