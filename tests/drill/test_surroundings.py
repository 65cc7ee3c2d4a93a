"""Faults of the surroundings, of flags, of what is too old: each passes, and sees the defect it is for."""

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.core.plan.plan import Plan
from bridge.drill.result import Outcome
from bridge.drill.table import fault_table, run_drill
from bridge.profile.load import LoadedProfile
from bridge.quantities import QUANTITIES
from bridge.service.store import Store
from bridge.simulate.coder import Library
from tests.drill.test_mutants import believes_stale_data, dies_of_a_full_queue, works_by
from tests.profile.made import BOATHOUSE, CABIN, loaded

START_US = 1_900_000_000_000_000
README = Path(__file__).parents[2] / "bridge" / "drill" / "README.md"
Patch = pytest.MonkeyPatch

DBC = """VERSION ""
BU_: A B
BO_ 1299 PackWord: 8 A
 SG_ may : 0|2@1+ (1,0) [0|3] "" B
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 1299 500;
"""

WORD = """
[[source]]
dbc = "own.dbc"
message = "PackWord"
max_age_s = 2.0
signals = { charge_permitted = "may" }

"""
MARK = "# ── what the inverter says "


def takes_any_number_for_a_no(patch: Patch) -> None:
    """What a flag says that is no yes is taken for a no, and believed."""

    def change(plan: Plan) -> Plan:
        numbers = frozenset(float(number) for number in range(256))
        return plan._replace(
            sources=tuple(
                one._replace(targets=tuple(t._replace(falsity=numbers) for t in one.targets))
                for one in plan.sources
            )
        )

    works_by(patch, change)


def knows_no_depth(patch: Patch) -> None:
    """A cell is charged with all there is, however low it is."""
    works_by(
        patch,
        lambda plan: plan._replace(
            banks=tuple(bank._replace(charge=bank.charge._replace(deep=None)) for bank in plan.banks)
        ),
    )


def says_nothing_of_the_disk(patch: Patch) -> None:
    """What could not be kept is not told."""
    patch.setattr(Store, "_trouble", lambda _: "")


def dies_of_a_line(patch: Patch) -> None:
    """What goes wrong with a line goes wrong with the program."""
    patch.setattr("bridge.service.beside.contained", lambda thing, _: thing)


def forgets_the_old_bus(patch: Patch) -> None:
    """A bus is opened elsewhere, and nothing is said on the old one."""
    patch.setattr("bridge.service.daemon.goes_on", lambda *_: True)


@pytest.mark.parametrize(
    ("defect", "profile", "fault", "remark"),
    [
        (takes_any_number_for_a_no, "word", "neither yes nor no", "not seen"),
        (believes_stale_data, "boathouse", "pack silent", "which is too old"),
        (knows_no_depth, "cabin", "cell deeply discharged", "not seen"),
        (knows_no_depth, "boathouse", "cell lost in south", "not seen"),
        (says_nothing_of_the_disk, "cabin", "disk failing", "the journal does not say"),
        (dies_of_a_line, "cabin", "lines cannot be told", "the daemon ended"),
        (dies_of_a_full_queue, "cabin", "driver hangs", "the daemon ended"),
        (forgets_the_old_bus, "boathouse", "reload that moves house", "not seen"),
    ],
)
def test_it_passes_and_sees_what_it_is_for(
    defect: Callable[[Patch], None], profile: str, fault: str, remark: str, tmp_path: Path, monkeypatch: Patch
) -> None:
    """Sound, the program passes; with the defect it fails, with a remark that says why."""
    made = site(profile, tmp_path)
    (sound,) = run_drill(made, only=(fault,), start_us=START_US).results
    defect(monkeypatch)
    (result,) = run_drill(made, only=(fault,), start_us=START_US).results

    assert sound.outcome is Outcome.PASS, sound.remarks
    assert result.outcome is Outcome.FAIL
    assert any(remark in told for told in result.remarks), result.remarks


def site(name: str, folder: Path) -> LoadedProfile:
    """A shipped profile; or the cabin with a permission of two bits."""
    if name == "word":
        switches = ('charge_permitted = "may_charge"\n', "")
        return loaded(folder, CABIN, switches, (MARK, WORD + MARK), dbc=DBC)
    return loaded(folder, CABIN if name == "cabin" else BOATHOUSE)


def test_a_pipe_that_nobody_reads_changes_no_frame(tmp_path: Path) -> None:
    """Neither does one that is full."""
    report = run_drill(site("cabin", tmp_path), only=("lines",), start_us=START_US)

    assert [(one.name, one.outcome) for one in report.results] == [
        ("lines cannot be told", Outcome.PASS),
        ("lines nobody takes", Outcome.PASS),
    ]


def test_every_fault_is_described(tmp_path: Path) -> None:
    """Each kind of fault of the table has a line in the README beside it."""
    text = README.read_text(encoding="utf-8")
    kinds = {line.split("|")[1].strip() for line in text.splitlines() if line.startswith("| ")}
    names = set()
    for name in ("cabin", "boathouse", "word"):
        folder = tmp_path / name
        folder.mkdir()
        made = site(name, folder)
        words = sorted(word for word in own_words(made) if word)
        for fault in fault_table(made, Library()):
            names.add(bare(fault.name, words))

    assert sorted(names - kinds) == []


def own_words(made: LoadedProfile) -> list[str]:
    """Names that a site has given to its banks, buses, inverters and messages."""
    plan = made.plan
    found = [bank.name for bank in plan.banks] + [inverter.name for inverter in plan.inverters]
    found += [bus.name for bus in made.buses] + [one.name for one in plan.transmissions]
    return found + [one.message for one in made.received] + list(QUANTITIES)


def bare(name: str, words: list[str]) -> str:
    """The name of a fault without the site's own words."""
    parts = [part.strip(",") for part in name.split() if part.strip(",") not in words]
    while parts and parts[-1] in ("in", "on", "of"):
        parts.pop()
    return " ".join(parts)
