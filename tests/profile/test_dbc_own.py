"""The message definitions of the example sites are what the seeded draw gives, and fit to be used."""

import itertools
import shutil
import subprocess
import sys
from pathlib import Path

import cantools
import pytest
from cantools.database.can import Database, Message, Signal

HOME = Path(__file__).resolve().parents[2] / "dbc_own"
NAMES = (
    *("boathouse_bank_one", "boathouse_bank_two", "boathouse_inverter"),
    *("cabin_inverter", "cabin_pack", "jetty_banks", "jetty_inverter"),
)


def _load(name: str) -> Database:
    database = cantools.database.load_file(HOME / f"{name}.dbc", strict=True)
    assert isinstance(database, Database)
    return database


def _draw(home: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(home / "draw.py"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def _signals() -> list[tuple[str, Message, Signal]]:
    return [(name, m, s) for name in NAMES for m in _load(name).messages for s in m.signals]


def _pages(message: Message, signal: Signal) -> dict[str, int]:
    """Return the page numbers under which a signal is sent, its own chooser first."""
    pages: dict[str, int] = {}
    while signal.multiplexer_signal is not None and signal.multiplexer_ids:
        pages[signal.multiplexer_signal] = signal.multiplexer_ids[0]
        signal = message.get_signal_by_name(signal.multiplexer_signal)
    return pages


def test_shipped_files_are_the_draw() -> None:
    """`--check` finds nothing to say about the files in the repository, and no file is left over."""
    result = _draw(HOME, "--check")

    assert (result.returncode, result.stderr) == (0, "")
    assert list(NAMES) == sorted(path.stem for path in HOME.glob("*.dbc"))


def test_check_reports_an_altered_file(tmp_path: Path) -> None:
    """`--check` ends with 1 and names a file that was edited by hand; a new draw mends it."""
    for name in ("draw.py", "sites.py"):
        shutil.copy(HOME / name, tmp_path)
    assert _draw(tmp_path).returncode == 0
    altered = tmp_path / "cabin_pack.dbc"
    altered.write_text(altered.read_text().replace("|80]", "|90]", 1))

    result = _draw(tmp_path, "--check")

    assert result.returncode == 1
    assert "cabin_pack.dbc" in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert _draw(tmp_path).returncode == 0
    assert _draw(tmp_path, "--check").returncode == 0


def test_every_signal_has_a_real_range_it_can_reach() -> None:
    """Each signal carries both bounds, not [0|0], and its code reaches both of them."""
    signals = _signals()
    assert len(signals) > 100
    for name, message, signal in signals:
        where = f"{name} {message.name}.{signal.name}"
        assert signal.minimum is not None, where
        assert signal.maximum is not None, where
        assert signal.minimum < signal.maximum, where
        if signal.is_float:
            continue
        raws = (
            (-(2 ** (signal.length - 1)), 2 ** (signal.length - 1) - 1)
            if signal.is_signed
            else (0, 2**signal.length - 1)
        )
        ends = sorted(raw * signal.scale + signal.offset for raw in raws)
        assert ends[0] <= signal.minimum, where
        assert signal.maximum <= ends[1], where


def test_ranges_suit_a_48_volt_pack() -> None:
    """Voltages reach 65 V, currents ±300 A, limits 500 A, cells 5 V to 1 mV, warmth -40 to 100 °C."""
    wanted = {"V": (0.0, 65.0, 0.1), "A": (-300.0, 300.0, 0.1), "degC": (-40.0, 100.0, 1.0)}
    for name, message, signal in _signals():
        if not signal.unit or signal.unit == "%":
            continue
        low, high, step = wanted[signal.unit]
        if signal.name.endswith("_most"):
            low, high = 0.0, 500.0
        if "cell" in signal.name or signal.name.endswith("_ever"):
            low, high, step = 0.0, 5.0, 0.001
        where = f"{name} {message.name}.{signal.name}"
        assert signal.minimum is not None, where
        assert signal.maximum is not None, where
        assert signal.minimum <= low, where
        assert signal.maximum >= high, where
        assert abs(signal.scale) <= step, where


@pytest.mark.parametrize(("site", "extended"), [("cabin", False), ("boathouse", True)])
def test_identifiers_of_a_site_are_distinct_and_in_range(site: str, extended: bool) -> None:
    """Cabin identifiers have 11 bits in 0x080..0x6FF, boathouse ones 29; none is used twice at a site."""
    messages = [m for name in NAMES if name.startswith(site) for m in _load(name).messages]
    ids = [message.frame_id for message in messages]

    assert len(ids) == len(set(ids))
    assert {extended} == {message.is_extended_frame for message in messages}
    bounds = (0x0100_0000, 0x17FF_FFFF) if extended else (0x080, 0x6FF)
    assert bounds[0] <= min(ids)
    assert max(ids) <= bounds[1]


def test_every_signal_carries_both_ends_of_its_range() -> None:
    """A frame with one signal at either bound, all others at their lower one, decodes to just that."""
    for (name, message, signal), upper in itertools.product(_signals(), (False, True)):
        if signal.is_multiplexer:
            continue
        pages = _pages(message, signal)
        for other in message.signals:
            theirs = _pages(message, other)
            if all(pages.get(key, page) == page for key, page in theirs.items()):
                pages |= theirs
        values: dict[str, float] = {s.name: s.minimum or 0 for s in message.signals}
        values |= pages
        wanted = signal.maximum if upper else signal.minimum
        assert wanted is not None
        values[signal.name] = wanted
        sent = {s.name for s in message.signals if pages.items() >= _pages(message, s).items()}
        shown = {key: value for key, value in values.items() if key in sent}

        decoded = message.decode(message.encode(shown), decode_choices=False)

        assert isinstance(decoded, dict)
        where = f"{name} {message.name}.{signal.name}"
        assert sent == decoded.keys(), where
        for key, value in shown.items():
            step = abs(message.get_signal_by_name(key).scale)
            assert decoded[key] == pytest.approx(value, abs=0.51 * step), f"{where}: {key}"


def test_boathouse_exercises_the_hard_codings() -> None:
    """All signals are Motorola; a negative factor, a float, a 0.025 V grid and a nested page exist."""
    signals = [(m, s) for name, m, s in _signals() if name.startswith("boathouse")]

    assert {"big_endian"} == {signal.byte_order for _, signal in signals}
    assert any(signal.scale < 0 for _, signal in signals)
    assert any(signal.is_float and signal.length == 32 for _, signal in signals)
    assert any(signal.scale == 0.025 for _, signal in signals)
    assert any(len(_pages(message, signal)) > 1 for message, signal in signals)
    kinds = {(signal.comment or "").split()[0] for _, signal in signals if signal.name == "check"}
    assert {"sum8", "xor8", "crc8"} == kinds
