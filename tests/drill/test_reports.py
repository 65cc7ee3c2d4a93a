"""A site whose inverter reports what it measures and has understood, rehearsed and simulated."""

from pathlib import Path

from bridge.drill.faults_reports import report_faults
from bridge.drill.table import run_drill
from bridge.profile.check import check_profile
from bridge.profile.load import LoadedProfile
from bridge.simulate.coder import Library
from bridge.simulate.inverter import Wish
from bridge.simulate.site import Charger, Site
from tests.profile.made import CABIN, loaded

DBC = """VERSION ""
BU_: A B
BO_ 1299 LoftReport: 8 A
 SG_ loft_volts : 0|16@1+ (0.01,0) [0|100] "V" B
 SG_ loft_amps : 16|16@1- (0.1,0) [-500|500] "A" B
 SG_ loft_most : 32|16@1+ (0.1,0) [0|1000] "A" B
 SG_ loft_fault : 48|1@1+ (1,0) [0|1] "" B
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 1299 500;
"""

SOURCE = """
[[source]]
inverter = "loft"
dbc = "own.dbc"
message = "LoftReport"
max_age_s = 3.0
[source.signals]
inverter_voltage = "loft_volts"
inverter_current = "loft_amps"
inverter_charge_current_limit = "loft_most"
inverter_fault = "loft_fault"

"""
MARK = "# ── what the inverter is told "


def reporting(folder: Path, *changes: tuple[str, str]) -> LoadedProfile:
    """The cabin, whose inverter reports four things."""
    return loaded(folder, CABIN, (MARK, SOURCE + MARK), *changes, dbc=DBC)


def test_it_is_checked_like_any_other(tmp_path: Path) -> None:
    """And needs nothing else."""
    report = check_profile(reporting(tmp_path))
    assert report.verdict == "pass", [str(problem) for problem in report.problems]


def test_what_it_reports_wrongly_moves_no_limit_and_is_told(tmp_path: Path) -> None:
    """Each kind once, in the journal; a site that is well gives no warning."""
    profile = reporting(tmp_path)
    names = tuple(fault.name for fault in report_faults(profile.plan))
    assert names == (
        "inverter loft reports a fault",
        "inverter loft measures another voltage",
        "inverter loft understood another limit",
    )
    report = run_drill(profile, only=names)
    assert [(row.name, row.outcome.name, row.remarks) for row in report.results] == [
        (name, "PASS", ()) for name in names
    ]


def test_a_simulated_inverter_reports_what_is_so(tmp_path: Path) -> None:
    """The voltage at its terminals with its own error, its current, its limits as it knows them."""
    profile = reporting(tmp_path)
    charger = Charger(reads_high_v=0.3)
    site = Site(profile, 0, charge=0.5, wish=lambda _: Wish(50.0, 0.0), library=Library(), charger=charger)
    (listener,) = site.listeners
    assert listener.value("inverter_current", 0, 0) == 0.0
    assert abs(listener.value("inverter_voltage", 0, 0) - site.pack.voltage_v - 0.3) < 1e-9
    assert listener.value("inverter_charge_current_limit", 0, 0) == 0.0
    assert listener.value("inverter_fault", 0, 0) == 0.0
