"""Profiles for tests: the shipped ones with some lines changed, written to a folder of their own."""

from pathlib import Path

from bridge.errors import Problem, ProfileError, Severity
from bridge.profile.check import CheckReport, check_profile
from bridge.profile.load import LoadedProfile, load_profile

ROOT = Path(__file__).resolve().parents[2]
CABIN = (ROOT / "profiles" / "cabin.toml").read_text(encoding="utf-8")
JETTY = (ROOT / "profiles" / "jetty.toml").read_text(encoding="utf-8")
BOATHOUSE = (ROOT / "profiles" / "boathouse.toml").read_text(encoding="utf-8")


def written(folder: Path, text: str, *changes: tuple[str, str], dbc: str = "") -> Path:
    """Writes a profile with the changes made, each old text being there; `dbc` becomes own.dbc."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    text = text.replace("../dbc_own", str(ROOT / "dbc_own"))
    path = folder / "profile.toml"
    path.write_text(text, encoding="utf-8")
    if dbc:
        (folder / "own.dbc").write_text(dbc, encoding="utf-8")
    return path


def loaded(folder: Path, text: str, *changes: tuple[str, str], dbc: str = "") -> LoadedProfile:
    """A changed profile, loaded."""
    return load_profile(written(folder, text, *changes, dbc=dbc))


def refused(folder: Path, text: str, *changes: tuple[str, str], dbc: str = "") -> dict[str, Problem]:
    """The problems for which a changed profile is refused, by key."""
    path = written(folder, text, *changes, dbc=dbc)
    try:
        load_profile(path)
    except ProfileError as error:
        return {problem.key: problem for problem in error.problems}
    raise AssertionError("the profile was loaded")


def checked(folder: Path, text: str, *changes: tuple[str, str], dbc: str = "") -> CheckReport:
    """The check of a changed profile."""
    return check_profile(loaded(folder, text, *changes, dbc=dbc))


def found(report: CheckReport, severity: Severity, key: str) -> str:
    """What a check found under a key with this severity, all in one text; empty if nothing."""
    return "\n".join(str(problem) for problem in report.of(severity) if problem.key == key)
