"""What one seed says: a site, a day, and a list of faults. Plain values, so that a storm can be shrunk."""

from pathlib import Path
from random import Random
from typing import Final, NamedTuple

from bridge.errors import AmpweirError, Severity
from bridge.profile.check import check_profile
from bridge.profile.load import LoadedProfile, load_profile
from tests.storm import site, sums
from tests.storm.fault import LONGEST_STALL_S, WARM_S, Fault
from tests.storm.site import BAD, BASES, GOOD, Tables
from tests.storm.together import more

SITES: Final = 400
"""So many sites are drawn from; each serves many seeds, and is kept."""

TRIES: Final = 60

WHOLE_EVERY: Final = 4
"""Each such site is one of the generator of whole sites: other messages, chemistries, banks and inverters."""


class Day(NamedTuple):
    """Sun, loads and cells.

    Attributes:
        charge: of the pack at the start, 0..1.
        warmth_c: of all cells.
        wishes: (from when, sun, load), as shares of the pack's limits.
        pack_seed: of the spread of the cells.
    """

    charge: float
    warmth_c: float
    wishes: tuple[tuple[float, float, float], ...]
    pack_seed: int


class Scenario(NamedTuple):
    """One storm.

    Attributes:
        seed: it was drawn from.
        tables: the profile.
        faults: in order of time.
        storm_s: all faults are over by then.
        total_s: and the storm is looked at until then.
        records: the recorder is at work.
    """

    seed: int
    tables: Tables
    day: Day
    faults: tuple[Fault, ...]
    storm_s: float
    total_s: float
    records: bool


class Sites:
    """Draws sound profiles, and keeps those it has drawn; and their variants, loaded."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._tables: dict[int, Tables] = {}
        self._loaded: dict[str, LoadedProfile | Exception] = {}

    def tables(self, number: int) -> Tables:
        """One of the sites; `check` finds nothing against it."""
        if number not in self._tables:
            self._tables[number] = self._sound(number)
        return self._tables[number]

    def _sound(self, number: int) -> Tables:
        draw = Random(f"site/{number}")
        for _ in range(TRIES):
            try:
                if number % WHOLE_EVERY:
                    tables = site.drawn(draw, draw.choice(BASES))
                else:
                    own = draw.randrange(100_000)
                    tables = site.whole(own, self.folder / f"site{number}")
                tables["name"] = f"storm {number}"
                self.load(site.text_of(tables))
            except (AmpweirError, ValueError):
                continue
            return tables
        raise RuntimeError(f"site {number}: no sound profile in {TRIES} draws")

    def load(self, text: str) -> LoadedProfile:
        """The profile of a text, as the daemon loads it: refused where `check` fails it.

        Raises:
            Exception: whatever the program raises for it.
        """
        found = self._loaded.get(text)
        if found is None:
            path = self.folder / "site.toml"
            path.write_text(text)
            try:
                found = load_profile(path)
                if problems := check_profile(found, None).of(Severity.FAIL):
                    from bridge.errors import ProfileError

                    raise ProfileError(problems)
            except Exception as problem:
                found = problem
            self._loaded[text] = found
        if isinstance(found, Exception):
            raise found
        return found


def drawn(seed: int, sites: Sites) -> Scenario:
    """The storm of a seed."""
    draw = Random(f"storm/{seed}")
    long = draw.random() < 0.02
    tables = sites.tables(seed % SITES if seed % 3 else draw.randrange(SITES))
    failsafe = tables["failsafe"]
    storm_s = draw.uniform(600.0, 900.0) if long else draw.uniform(30.0, 75.0)
    ramp_s = 1.3 * max(
        tables["limits"][f"{way}_current_a"] / tables["limits"][f"{way}_current_rise_a_per_s"]
        for way in ("charge", "discharge")
    )
    calm_s = failsafe["steady_s"] + ramp_s + 14.0
    day = _day(draw)
    count = draw.choice((1, 2, 3, 4, 6, 8, 12)) * (4 if long else 1)
    faults = [f for _ in range(count) for f in _fault(draw, tables, storm_s)]
    faults = sorted([*faults, *more(seed, tables, storm_s)])
    return Scenario(seed, tables, day, tuple(faults), storm_s, storm_s + calm_s, records=draw.random() < 0.15)


def _day(draw: Random) -> Day:
    warmth_c = draw.choice((25.0, 25.0, 20.0, 30.0, 8.0, 4.0))
    charge = draw.choice((0.5, 0.6, 0.4, 0.7, 0.85, 0.97, 0.15, 0.06))
    wishes, t_s = [], 0.0
    while t_s < 1200.0:
        sun, load = draw.choice(((1.0, 0.0), (0.6, 0.1), (0.0, 0.8), (0.0, 0.2), (0.3, 0.3), (1.3, 0.0)))
        wishes.append((t_s, sun, load))
        t_s += draw.uniform(10.0, 120.0)
    return Day(charge, warmth_c, tuple(wishes), draw.randrange(1000))


# ── faults ──────────────────────────────────────────────────────────────────────────────────────────────

LINKS: Final = ("lose", "late", "double", "reorder")
FORGED: Final = ("noise", "length", "far")
SEAMS: Final = ("send", "journal", "disk", "notify", "load", "wait", "any")
SAYS: Final = ("mute", "freeze", "spoil", "stuck")


def _said(draw: Random, tables: Tables, message: str) -> str:
    """How a message goes wrong; by its sum only where the observer can tell."""
    how = draw.choice(SAYS)
    rules = [one.get("checksum") for one in tables["source"] if one["message"] == message]
    return "mute" if how == "spoil" and not all(rule is None or sums.known(rule) for rule in rules) else how


def _fault(draw: Random, tables: Tables, storm_s: float) -> list[Fault]:
    """One fault, or some that belong together; over by the end of the storm."""
    first_s = 1.0 if draw.random() < 0.1 else WARM_S
    at_s = round(draw.uniform(first_s, storm_s - 2.0), 3)
    left_s = storm_s - at_s
    short_s, some_s = (round(min(draw.uniform(*span), left_s), 3) for span in ((0.1, 3.0), (2.0, 30.0)))
    wires = [one["name"] for one in tables["bus"]]
    banks = [one["name"] for one in tables["bank"]]
    messages = [one["message"] for one in tables["source"]]
    kind = draw.choice(KINDS)
    match kind:
        case "link":
            how = draw.choice(LINKS)
            return [Fault(at_s, kind, some_s, draw.choice(wires), how, round(draw.uniform(0.02, 0.9), 2))]
        case "forge":
            return [Fault(at_s, kind, some_s, draw.choice(messages), draw.choice(FORGED), 0.2)]
        case "says":
            message = draw.choice(messages)
            return [Fault(at_s, kind, some_s, message, _said(draw, tables, message))]
        case "bank silent":
            return [Fault(at_s, kind, some_s, draw.choice(banks))]
        case "bus down" | "bus full":
            lasts_s = draw.choice((short_s, some_s))
            return [Fault(at_s, kind, lasts_s, draw.choice(wires))]
        case "stall":
            return [Fault(at_s, kind, 0.0, size=min(draw.choice((short_s, some_s)), LONGEST_STALL_S))]
        case "kill" | "stop":
            return [Fault(at_s, kind, 0.0, size=round(draw.uniform(0.0, 5.0), 2))]
        case "kill at":
            calls = float(draw.randrange(1, 12))
            return [Fault(at_s, "trap", 0.0, draw.choice(("send", "any", "disk")), "kill", calls)]
        case "trap":
            how = draw.choice(("raise", "raise", "block"))
            calls = float(draw.randrange(1, 8))
            return [Fault(at_s, kind, short_s, draw.choice(SEAMS), how, calls)]
        case "seam":
            seam = draw.choice(("journal", "disk", "notify"))
            return [Fault(at_s, kind, some_s, seam, draw.choice(("raise", "block")), 0.5)]
        case "clock":
            return [Fault(at_s, kind, 0.0, size=draw.choice((3600.0, -3600.0, 86400.0 * 400, -1e9)))]
        case "reload":
            return [Fault(at_s, kind, 0.0, draw.choice((*GOOD, "same", "wish", "tighter")))]
        case "bad reload":
            return [Fault(at_s, kind, 0.0, draw.choice(tuple(BAD)))]
        case "cell":
            how = draw.choice(("high", "low", "shift"))
            return [Fault(at_s, kind, some_s, draw.choice(banks), how, float(draw.randrange(1, 8)))]
        case "cold" | "hot":
            return [Fault(at_s, kind, some_s, draw.choice(banks), "", round(draw.uniform(-12.0, -0.5), 1))]
        case "deny":
            return [Fault(at_s, kind, some_s, draw.choice(banks), draw.choice(("charge", "discharge")))]
        case "inverter dead":
            return [Fault(at_s, kind, some_s, draw.choice([one["name"] for one in tables["inverter"]]))]
        case "rival":
            inverter = draw.choice([one["name"] for one in tables["inverter"]])
            return [Fault(at_s, kind, some_s, inverter, "", float(draw.randrange(4)))]
        case "twin":
            what, bank = draw.choice(("cell_temperature", "cell_voltage")), draw.choice(banks)
            twin = Fault(at_s, kind, left_s, bank, what, round(draw.uniform(0.1, 0.45), 2))
            after_s = round(min(at_s + 1.0, storm_s), 3)
            if what == "cell_temperature":
                return [twin, Fault(after_s, "cold", round(storm_s - after_s, 3), bank, "", -5.0)]
            return [twin, Fault(after_s, "cell", round(storm_s - after_s, 3), bank, "high", 1.0)]
        case "stop in trouble":
            trouble = draw.choice(("bus down", "bus full"))
            stop = Fault(round(at_s + 0.5 * short_s, 3), "stop", 0.0, size=round(draw.uniform(0.0, 5.0), 2))
            return [Fault(at_s, trouble, short_s, draw.choice(wires)), stop]
    # A trip or a loss, and a kill soon after: nothing that tightened a limit is forgotten.
    after_s = round(min(at_s + draw.uniform(4.0, 15.0), storm_s - 1.0), 3)
    kill = Fault(after_s, "kill", 0.0, size=round(draw.uniform(0.5, 3.0), 2))
    cause = draw.choice(("cell", "cold", "bank silent"))
    long_s = round(storm_s - at_s, 3)
    if cause == "cell":
        return [Fault(at_s, "cell", long_s, draw.choice(banks), draw.choice(("high back", "low back"))), kill]
    if cause == "cold":
        return [Fault(at_s, "cold back", long_s, draw.choice(banks), "", -3.0), kill]
    return [Fault(at_s, "bank silent", long_s, draw.choice(banks)), kill]


KINDS: Final = (
    *("link", "link", "forge", "forge", "says", "says", "bank silent", "bus down", "bus full", "stall"),
    *("kill", "stop", "kill at", "trap", "trap", "seam", "clock", "reload", "reload", "bad reload"),
    *("cell", "cell", "cold", "hot", "deny", "inverter dead", "trip and kill", "trip and kill"),
    *("seam", "trap", "rival", "twin", "stop in trouble"),
)
"""What a fault may be; what stands here twice comes twice as often."""
