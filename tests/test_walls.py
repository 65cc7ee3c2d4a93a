"""The walls of the design: who may import whom, what `run` never loads, how long a file may be."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import bridge

ROOT = Path(bridge.__file__).parent
FILES = sorted(ROOT.rglob("*.py"))
CORE = [path for path in FILES if path.is_relative_to(ROOT / "core")]

LEAVES = {"bridge.errors", "bridge.frames", "bridge.quantities"}
IMPURE = {
    *(
        "asyncio",
        "concurrent",
        "contextvars",
        "datetime",
        "getpass",
        "glob",
        "io",
        "locale",
        "logging",
        "mmap",
    ),
    *("multiprocessing", "os", "pathlib", "platform", "queue", "random", "sched", "secrets", "select"),
    *(
        "selectors",
        "shutil",
        "signal",
        "socket",
        "sqlite3",
        "ssl",
        "subprocess",
        "tempfile",
        "threading",
        "time",
    ),
    *("uuid", "warnings", "zoneinfo"),
}
"""Parts of the standard library that know a clock, chance or the outside."""

IMPURE_CALLS = {"open", "print", "input", "breakpoint"}
MUTABLE = (ast.List, ast.Dict, ast.Set, ast.ListComp, ast.DictComp, ast.SetComp)
MUTABLE_CALLS = {"list", "dict", "set", "bytearray", "deque", "defaultdict", "Counter", "OrderedDict"}

FILE_LINES = 400
FUNCTION_LINES = 60


def name_of(path: Path) -> str:
    """Dotted name of the module."""
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {name_of(path): path for path in FILES}


def tree_of(path: Path) -> ast.Module:
    """The parsed file."""
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def statements(tree: ast.Module, *, everywhere: bool) -> Iterator[ast.stmt]:
    """Import statements: all, or those that run when the module is imported."""
    waiting: list[ast.AST] = [tree]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield node
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda) and not everywhere:
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            continue
        waiting += ast.iter_child_nodes(node)


def imports(path: Path, *, everywhere: bool = True) -> set[str]:
    """Dotted names of what a file imports; of `from package import module` the module."""
    found: set[str] = set()
    for node in statements(tree_of(path), everywhere=everywhere):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            module = node.module or ""
            for alias in node.names:
                whole = f"{module}.{alias.name}"
                found.add(whole if whole in MODULES else module)
    return found


@pytest.mark.parametrize("path", CORE, ids=name_of)
def test_core_imports_only_itself_the_leaves_and_the_pure_standard_library(path: Path) -> None:
    """No clock, no I/O, no chance, no shell and no library."""
    for name in imports(path):
        top = name.partition(".")[0]
        if top == "bridge":
            assert name in LEAVES or name.startswith("bridge.core."), name
        else:
            assert top in sys.stdlib_module_names, name
            assert top not in IMPURE, name


@pytest.mark.parametrize("path", CORE, ids=name_of)
def test_core_calls_nothing_that_reaches_outside(path: Path) -> None:
    """Neither files nor the terminal."""
    calls = {
        n.func.id for n in ast.walk(tree_of(path)) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)
    }
    assert not calls & IMPURE_CALLS


@pytest.mark.parametrize(
    "path", [ROOT / f"{name.partition('.')[2]}.py" for name in sorted(LEAVES)], ids=name_of
)
def test_leaves_import_nothing_of_ours(path: Path) -> None:
    """They are at the bottom."""
    assert not [name for name in imports(path) if name.startswith("bridge")]


@pytest.mark.parametrize("path", CORE, ids=name_of)
def test_core_has_no_mutable_state_in_modules_or_classes(path: Path) -> None:
    """Nothing that one engine could leave behind for another; constant tables are in capitals."""
    tree = tree_of(path)
    bodies = [tree.body, *(node.body for node in ast.walk(tree) if isinstance(node, ast.ClassDef))]
    for statement in (statement for body in bodies for statement in body):
        if isinstance(statement, ast.Assign | ast.AnnAssign) and statement.value is not None:
            value = statement.value
            called = isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id
            constant = ast.unparse(statement).split("=")[0].strip().lstrip("_").split(":")[0]
            read_only = constant.isupper() or constant == "all__"
            assert read_only or not isinstance(value, MUTABLE), ast.unparse(statement)
            assert called not in MUTABLE_CALLS, ast.unparse(statement)
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.Global)]


def test_constant_tables_of_the_core_are_never_written() -> None:
    """A dictionary in capitals is a constant: nobody assigns into it."""
    for path in CORE:
        for node in ast.walk(tree_of(path)):
            targets = node.targets if isinstance(node, ast.Assign | ast.Delete) else []
            for target in targets:
                if isinstance(target, ast.Subscript) and isinstance(target.value, ast.Name):
                    assert not target.value.id.lstrip("_").isupper(), f"{path}:{target.lineno}"


FOLDERS = ("core", "profile", "replay", "service", "simulate", "drill")


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_folders_import_one_way(path: Path) -> None:
    """Each only those before it; what lies beside the folders may use all of them."""
    folder = path.relative_to(ROOT).parts[0]
    later = FOLDERS[FOLDERS.index(folder) + 1 :] if folder in FOLDERS else ()
    assert not [name for name in imports(path) if name.startswith(tuple(f"bridge.{one}" for one in later))]


ROOMS = (
    *("wire", "plan", "cells", "pack", "failsafe", "bounds"),
    *("charging", "charge", "draw", "course", "limits", "told"),
)
"""Of the core, each above those before it; what lies beside the rooms is on top."""

ROOM_FILES = 16


@pytest.mark.parametrize("path", CORE, ids=name_of)
def test_rooms_of_the_core_import_one_way(path: Path) -> None:
    """Each only those before it, and nothing from on top."""
    room = path.relative_to(ROOT / "core").parts[0]
    if room in ROOMS:
        allowed = {f"bridge.core.{one}" for one in ROOMS[: ROOMS.index(room) + 1]}
        for name in imports(path):
            assert not name.startswith("bridge.core.") or ".".join(name.split(".")[:3]) in allowed, name


def test_rooms_are_small_and_known() -> None:
    """So many files at most, also on top."""
    rooms = {path.parent for path in CORE}
    assert {room.name for room in rooms} <= {"core", *ROOMS}
    for room in rooms:
        assert len(list(room.glob("*.py"))) <= ROOM_FILES, room


def test_nothing_imports_in_a_circle() -> None:
    """Of all that is loaded with a module."""
    graph = {
        name: {other for other in imports(path, everywhere=False) if other in MODULES}
        for name, path in MODULES.items()
    }
    done: set[str] = set()
    while ready := [name for name in graph if name not in done and graph[name] <= done]:
        done.update(ready)
    assert not sorted(set(graph) - done)


def test_only_the_core_makes_frames_to_be_sent() -> None:
    """One gate before the wire: builders of frames are used by the core, and to try a profile out."""
    users = {name for name, path in MODULES.items() if "bridge.core.wire.outgoing" in imports(path)}
    for name in users:
        if "FrameBuilder" in MODULES[name].read_text(encoding="utf-8"):
            assert name.startswith(("bridge.core.", "bridge.profile.")), name


NEVER_LOADED_BY_RUN = (
    *("numpy", "matplotlib", "paho", "prometheus_client", "hypothesis", "pytest"),
    *("bridge.simulate", "bridge.drill"),
)


@pytest.mark.parametrize("module", ["bridge.service.start", "bridge.cli"])
def test_what_run_never_loads(module: str) -> None:
    """Imported in a fresh interpreter, as `run` does."""
    program = f"import sys, {module}; print('\\n'.join(sys.modules))"
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT.parent
    )
    loaded = set(run.stdout.split())
    assert module in loaded
    assert not loaded.intersection(NEVER_LOADED_BY_RUN)


def test_rich_is_not_imported_at_module_level_by_what_run_needs() -> None:
    """Tables are for the other verbs."""
    needed, waiting = set[str](), ["bridge.service.start", "bridge.cli"]
    while waiting:
        name = waiting.pop()
        if name in MODULES and name not in needed:
            needed.add(name)
            waiting += imports(MODULES[name], everywhere=False)
    assert "bridge.core.engine" in needed
    for name in needed:
        tops = {other.partition(".")[0] for other in imports(MODULES[name], everywhere=False)}
        assert "rich" not in tops, name


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_files_and_functions_stay_short(path: Path) -> None:
    """A reader should see the whole of one thing."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= FILE_LINES
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = (node.end_lineno or node.lineno) - node.lineno + 1
            assert length <= FUNCTION_LINES, f"{path}:{node.lineno} {node.name}: {length} lines"
