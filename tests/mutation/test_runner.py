"""The runner of mutants: it finds what the tests do not notice, and refuses a list that is out of date."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutation.justified import ListError, as_entry, read
from tests.mutation.mutators import Name, mutants, mutated

ROOT = Path(__file__).parents[2]
SOURCE = '''
"""A weir."""

HEIGHT = 2


def over(level: int) -> bool:
    """Whether water runs over."""
    return level > HEIGHT
'''
STRONG = '''
from pond.weir import HEIGHT, over


def test_over() -> None:
    """Just above, just at."""
    assert HEIGHT == 2
    assert over(3) is True
    assert over(2) is False
'''
WEAK = STRONG.replace("over(2)", "over(1)")
SURVIVOR = Name("weir", "over", "level > HEIGHT", "level >= HEIGHT")


def run(folder: Path, tests: str, listed: str = "", *options: str) -> subprocess.CompletedProcess[str]:
    """The runner on a package of one module with these tests."""
    (folder / "pond").mkdir()
    (folder / "pond/__init__.py").touch()
    (folder / "pond/weir.py").write_text(SOURCE)
    (folder / "test_weir.py").write_text(tests)
    (folder / "listed.toml").write_text(listed)
    command = [sys.executable, "-m", "tests.mutation", "--package", "pond", "--root", str(folder)]
    command += ["--tests", "test_weir.py", "--justified", str(folder / "listed.toml"), *options]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("tests", "listed", "options", "code", "said"),
    [
        (STRONG, "", (), 0, "5 mutants, 0 to look at"),
        (WEAK, "", (), 1, as_entry(SURVIVOR)),
        (WEAK, as_entry(SURVIVOR, "planted"), (), 0, "4 mutants, 0 to look at"),
        (WEAK, as_entry(SURVIVOR, "planted"), ("--prove",), 0, "1 mutants, 0 to look at"),
        (STRONG, as_entry(SURVIVOR, "planted"), ("--prove",), 1, as_entry(SURVIVOR)),
        (STRONG, as_entry(SURVIVOR._replace(was="level > 3"), "gone"), (), 2, "no such mutant: weir, over"),
        (STRONG.replace("over(2) is False", "over(2)"), "", (), 2, "without any mutant the tests end with 1"),
        (STRONG, "", ("pool",), 2, "no module pool; allowed: weir"),
    ],
    ids=["strong", "weak", "listed", "proven", "needless", "stale", "broken", "unknown"],
)
def test_what_is_not_noticed_is_told(
    tmp_path: Path, tests: str, listed: str, options: tuple[str, ...], code: int, said: str
) -> None:
    """0: all noticed or listed. 1: survivors, or an entry that is needless. 2: nothing can be said."""
    done = run(tmp_path, tests, listed, *options)
    assert (done.returncode, said in done.stdout + done.stderr) == (code, True), done


@pytest.mark.parametrize(
    ("listed", "said"),
    [
        ("[[survivor]]\nmodule = 'weir'\n", r"entry 1: keys \['module'\]; allowed"),
        (as_entry(SURVIVOR, " "), "entry 1: no reason"),
        (as_entry(SURVIVOR, "a") + as_entry(SURVIVOR, "b"), "entry 2: .* there twice"),
    ],
    ids=["keys", "reason", "twice"],
)
def test_a_list_that_is_not_as_it_must_be_is_refused(tmp_path: Path, listed: str, said: str) -> None:
    """With the entry, what was found and what is allowed."""
    (tmp_path / "listed.toml").write_text(listed)
    with pytest.raises(ListError, match=said):
        read(tmp_path / "listed.toml")


@pytest.mark.parametrize(
    ("source", "changes"),
    [
        ("x = a < 1", ["a <= 1", "a >= 1", "a < 2", "a < 0"]),
        ("x = a and b", ["a or b", "b", "a"]),
        ("x = a + 0.5", ["a - 0.5", "a + 1.5", "a + 0.0"]),
        ("x = b if a else c", ["b if not a else c"]),
        ("def f():\n    return not a", ["return None", "return a"]),
        ("def f():\n    s.x = True\n    g()", ["pass", "s.x = False", "pass"]),
        ("def f():\n    raise E(1 + 1)", ["pass"]),
        ("x = [min(a) for a in b if a]", ["[max(a) for a in b if a]", "[min(a) for a in b if not a]"]),
        ("while a:\n    break", ["while not a:\n    break", "continue"]),
        ('x: int\n"""text"""\ny = f"{a + 1}"', []),
        ("zip(a, strict=True)", ["pass"]),
    ],
)
def test_what_is_planted(source: str, changes: list[str]) -> None:
    """One change at a time, whose text is found in what the module becomes; texts are left alone."""
    found = mutants("m", source)
    assert len(found) == len(changes)
    for mutant, change in zip(found, changes, strict=True):
        assert change in ast.unparse(mutated(source, mutant.number))


def test_a_name_outlives_what_moves_the_lines_and_tells_apart_what_is_alike() -> None:
    """Comments, blank lines and layout are no part of it; a number is, where the text is the same."""
    plain = "def f(a):\n    g(a > 1)\n    g(a > 1)\n"
    moved = "# why\n\n\ndef f(a):\n    g(\n        a > 1)\n\n    g((a > 1))\n"
    names = [mutant.name for mutant in mutants("m", plain)]
    assert names == [mutant.name for mutant in mutants("m", moved)]
    assert len(set(names)) == len(names)
    assert Name("m", "f", "g(a > 1)", "g(a >= 1)", 2) in names
